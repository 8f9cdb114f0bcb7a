"""What ``riskmap show`` prints: what the program knows, each number with its unit, grade and source."""

from __future__ import annotations

import dataclasses
import shutil
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from riskmap import tables
from riskmap.model import Figure, Guard

__all__ = ["TOPICS", "show_lines"]

LEAST_WIDTH: Final = 80
LETTERS: Final = {"low": "L", "medium": "M", "high": "H", "": "."}
_LISTS: Final = {
    "@roles": "any of riskmap show roles",
    "@agents": "any of riskmap show agents",
    "@guards": "any of riskmap show guards",
    "@tree_columns": "any of riskmap show columns",
}
MONTHS: Final = "JFMAMJJASOND"


def show_lines(topic: str, *, wide: bool = False) -> Iterator[str]:
    """Yield the lines of one topic.

    Parameters
    ----------
    topic : str
        A key of `TOPICS`.
    wide : bool
        One line a row, however long (for a pipe or a file).

    Yields
    ------
    str
        Lines without their ends; on a terminal no longer than it is wide, from 80 columns up.
    """
    width = None if wide else max(shutil.get_terminal_size().columns, LEAST_WIDTH)
    for line in _TOPICS[topic](width):
        yield line.rstrip()


def _agents(width: int | None) -> Iterator[str]:
    """Each agent, its figures and its season; then what sizes are worked out from."""
    for agent in tables.agents().values():
        yield f"{agent.key}: {agent.label} ({agent.kind}{', off unless asked for' if agent.off_by_default else ''})"
        yield from _wrapped(agent.meaning, width, "  ")
        from_roles = f"from {', '.join(agent.roles)}; " if agent.roles else ""
        yield from _wrapped(f"{from_roles}falls off as {agent.rule}", width, "  ")
        yield from _figures(list(tables.figure_rows()[agent.key].values()), width)
        yield from _seasons(agent.key, width)
        yield ""
    yield "stem: how sizes and snow are worked out where they are missing"
    yield from _figures(list(tables.figure_rows()["stem"].values()), width)


def _figures(rows: Sequence[Figure], width: int | None) -> Iterator[str]:
    """Figures of one agent."""
    yield f"  {'figure':<26}{'low':>8}{'central':>9}{'high':>8}  {'unit':<12}grade"
    for row in rows:
        numbers = f"{_cell(row.low):>8}{_cell(row.central):>9}{_cell(row.high):>8}"
        unit = row.unit.replace("_", " ").replace("per ", "/")
        first = f"  {row.name:<26}{numbers}  {unit:<12}{row.grade}"
        yield from _entry(first, _cited(row.source, row.where, row.note), width)


def _seasons(agent: str, width: int | None) -> Iterator[str]:
    """Each month's share of the yearly hazard, in percent."""
    for row in tables.seasons():
        if row.agent == agent:
            months = " ".join(f"{name} {100 * share:.0f}" for name, share in zip(MONTHS, row.months, strict=True))
            kind = f" ({row.kind.replace('_', ' ')})" if row.kind else ""
            first = f"  season{kind}, % of the year: {months}  {row.grade}"
            yield from _entry(first, _cited(row.source, row.note), width)


def _guards(width: int | None) -> Iterator[str]:
    """Each guard with what is known of it; what agents demand; figures of the work."""
    for guard in tables.guards().values():
        yield f"{guard.key}: {guard.label} ({guard.kind})"
        yield from _wrapped("; ".join(_facts(guard)), width, "  ")
        yield from _wrapped(f"harms: {guard.harms}" if guard.harms else "", width, "  ")
        yield from _wrapped(f"{guard.grade}; {_cited(guard.source, guard.note)}", width, "  ")
        yield ""
    yield "What a guard must be to stop each agent (any row that holds is enough):"
    for demand in tables.demands():
        first = f"  {demand.agent:<14}{demand.way:<20}{demand.answer:<10}leaves {demand.leaves:<6g}{demand.grade}"
        conditions = demand.figures.replace(";", "; ").replace("  ", " ")
        yield from _entry(first, f"{conditions} [{_cited(demand.source, demand.note)}]", width)
    yield ""
    yield "Figures of the work:"
    yield f"  {'figure':<25}{'low':>8}{'central':>9}{'high':>8}  {'unit':<16}grade"
    for row in tables.work_figures().values():
        unit = " ".join(part for part in (row.currency, row.unit, str(row.year or "")) if part)
        numbers = f"{_cell(row.low):>8}{_cell(row.central):>9}{_cell(row.high):>8}"
        first = f"  {row.key:<25}{numbers}  {unit:<16}{row.grade}"
        yield from _entry(first, f"{row.label} [{_cited(row.source, row.note)}]", width)


def _facts(guard: Guard) -> Iterator[str]:
    """What is known of a guard, a few words each."""
    elsewhere = ("key", "label", "kind", "grade", "source", "note", "harms")
    for field in dataclasses.fields(guard):
        value = getattr(guard, field.name)
        if field.name in elsewhere or value is None or value is False or value in ("", ()):
            continue
        name = field.name.replace("_", " ")
        yield name if value is True else f"{name} {_cell(value)}"


def _species(width: int | None) -> Iterator[str]:
    """Each species row: one letter a class."""
    legend = "L low, M medium, H high, . no basis (medium is used); (eu): browse where it differs in Britain and Europe"
    yield from _wrapped(legend, width, "")
    heads = ("beaver", "browse", "(eu)", "rub", "rabbit", "vole")
    yield f"{'taxon':<30}{'bark':<8}" + "".join(f"{head:<7}" for head in heads)
    for row in tables.species().values():
        europe = LETTERS[row.deer_browse_europe] if row.deer_browse_europe else ""
        wild = (row.beaver, row.deer_browse, row.antler_rub, row.rabbit, row.vole)
        beaver, browse, *others = (LETTERS[word] for word in wild)
        first = f"{row.taxon:<30}{row.bark:<8}" + "".join(f"{cell:<7}" for cell in (beaver, browse, europe, *others))
        habit = f"{row.leaf}{', resprouts' if row.resprouts else ''}"
        yield from _entry(first, f"{row.common}; {habit}; {row.grade} [{_cited(row.source, row.note)}]", width)


def _sources(width: int | None) -> Iterator[str]:
    """Each source."""
    rows = [(row.key, row.kind, _joined(row.citation, row.note)) for row in tables.sources().values()]
    yield from _table(("key", "kind", "citation"), rows, width)


def _roles(width: int | None) -> Iterator[str]:
    """Each role a layer can play."""
    rows = [
        (row.key, row.shapes, f"{row.label}. {row.meaning}" + (f" ({', '.join(row.agents)})" if row.agents else ""))
        for row in tables.roles().values()
    ]
    yield from _table(("role", "shapes", "meaning (agents)"), rows, width)


def _columns(width: int | None) -> Iterator[str]:
    """Each column that a trees file may hold, and each of the tree table that comes out."""
    taken = [(row.key, row.unit, row.meaning) for row in tables.tree_columns()]
    yield "What a trees file may hold (trees.columns names headers riskmap does not know):"
    yield from _table(("column", "unit", "meaning"), taken, width)
    yield ""
    yield "What trees.csv, trees.gpkg and trees.parquet hold, your own columns behind:"
    rows = [(row.key, row.unit, row.meaning) for row in tables.columns()]
    yield from _table(("column", "unit", "meaning"), rows, width)


def _keys(width: int | None) -> Iterator[str]:
    """Each key of site.toml."""
    yield f"{'key':<28}{'type':<16}{'unit':<8}default"
    for row in tables.keys():  # noqa: SIM118 - a function of ours, no mapping
        name = f"{row.section}.{row.key}" if row.section else row.key
        default = "required" if row.required else row.default
        choices = _LISTS.get(row.choices) or row.choices.replace(";", ", ")
        first = f"{name:<27} {row.type:<15} {row.unit:<7} {default}"
        yield from _entry(first, f"{row.meaning}{f': {choices}' if choices else ''}", width)


def _notes(width: int | None) -> Iterator[str]:
    """Each code of a note, and of a remark that is none."""
    for head, codes in (("note", tables.note_codes()), ("remark of a tree, no note", tables.remark_codes())):
        rows = [(row.code, f"{row.label}. {row.meaning}") for row in codes.values()]
        yield from _table((head, "meaning"), rows, width)
        yield ""


_TOPICS: Final[dict[str, Callable[[int | None], Iterator[str]]]] = {
    "agents": _agents,
    "guards": _guards,
    "species": _species,
    "sources": _sources,
    "roles": _roles,
    "columns": _columns,
    "keys": _keys,
    "notes": _notes,
}
TOPICS: Final = tuple(_TOPICS)


def _cell(value: Any) -> str:
    """One value as text."""
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ", ".join(_cell(part) for part in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _cited(source: str, *texts: str) -> str:
    """Source keys and what they say."""
    said = _joined(*texts)
    keys = source.replace(";", ", ").replace("  ", " ")
    return f"{keys}: {said}" if said else keys


def _joined(*texts: str) -> str:
    """Texts that are not empty, in a row."""
    return "; ".join(text for text in texts if text)


def _entry(first: str, rest: str, width: int | None) -> Iterator[str]:
    """A row of numbers and, below it, what it rests on; one line where lines may be long."""
    if width is None:
        yield f"{first}  {rest}"
        return
    yield from textwrap.wrap(first, width, subsequent_indent="      ")
    yield from _wrapped(rest, width, "      ")


def _wrapped(text: str, width: int | None, indent: str) -> Iterator[str]:
    """A paragraph, folded where it must fit a terminal."""
    if text and width is None:
        yield indent + text
    elif text:
        yield from textwrap.wrap(text, width or LEAST_WIDTH, initial_indent=indent, subsequent_indent=indent)


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int | None) -> Iterator[str]:
    """Rows in columns; the last column is folded into what is left of the terminal."""
    sizes = [max(len(row[number]) for row in (heads, *rows)) for number in range(len(heads) - 1)]
    before = sum(size + 2 for size in sizes)
    for row in (heads, *rows):
        first = "".join(f"{cell:<{size + 2}}" for cell, size in zip(row[:-1], sizes, strict=True))
        folded = [row[-1]] if width is None else textwrap.wrap(row[-1], max(width - before, 30)) or [""]
        for number, piece in enumerate(folded):
            yield (first if number == 0 else " " * before) + piece
