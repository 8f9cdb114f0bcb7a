"""The rows of ``data/*.csv``, typed and checked: a figure without a known source does not load."""

from __future__ import annotations

import csv
import io
import types
import typing
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any, TypeVar

from riskmap.model.rows import (
    Agent,
    Column,
    Demand,
    Figure,
    Guard,
    Key,
    NoteCode,
    Role,
    Season,
    Source,
    Species,
    SpeciesName,
    TreeColumn,
    WorkFigure,
)

__all__ = [
    "GRADES",
    "agents",
    "columns",
    "demands",
    "figure_rows",
    "figures",
    "guards",
    "keys",
    "load_rows",
    "note_codes",
    "remark_codes",
    "roles",
    "seasons",
    "sources",
    "species",
    "species_names",
    "tree_columns",
    "work_figures",
]

GRADES = ("fitted", "published", "practice", "recalled", "judgement")

Row = TypeVar("Row")


class DataRowError(ValueError):
    """A row of our own data that must not load: a fault of riskmap, not of the user."""


def load_rows(name: str, row_type: type[Row], *, text: str | None = None) -> tuple[Row, ...]:
    """Read ``data/<name>.csv`` into rows of one type.

    Parameters
    ----------
    name : str
        File name without its ending.
    row_type : type
        A frozen dataclass of `model.rows`; columns equal its fields.
    text : str, optional
        Text to read in place of the file (tests).

    Raises
    ------
    DataRowError
        A column is missing or unknown, a cell is not of its type, or a row with a grade has no known source.
    """
    if text is None:
        text = resources.files("riskmap").joinpath("data", f"{name}.csv").read_text(encoding="utf-8")
    reader = csv.DictReader(io.StringIO(text, newline=""))
    hints = typing.get_type_hints(row_type)
    if set(reader.fieldnames or ()) != set(hints):
        raise DataRowError(f"{name}.csv: columns {reader.fieldnames} differ from {list(hints)}")
    rows = []
    for line, cells in enumerate(reader, start=2):
        try:
            row = row_type(**{key: _cell(key, cells[key], hint) for key, hint in hints.items()})
        except (TypeError, ValueError, AttributeError) as error:
            raise DataRowError(f"{name}.csv, line {line}: {error}") from error
        _check_cited(name, line, row)
        rows.append(row)
    return tuple(rows)


def _cell(column: str, text: str, hint: Any) -> Any:
    """One cell as its type; an empty cell is None or the empty value."""
    text = text.strip()
    options = typing.get_args(hint) if typing.get_origin(hint) in (typing.Union, types.UnionType) else (hint,)
    if not text and type(None) in options:
        return None
    kind = next(option for option in options if option is not type(None))
    if typing.get_origin(kind) is tuple:
        part = typing.get_args(kind)[0]
        return tuple(_typed(column, piece.strip(), part) for piece in text.split(";") if piece.strip())
    return _typed(column, text, kind)


def _typed(column: str, text: str, kind: Any) -> Any:
    """A text as a flag, a number or itself."""
    if kind is bool:
        if text not in ("true", "false"):
            raise ValueError(f"{column} {text!r} is neither true nor false")
        return text == "true"
    try:
        return kind(text)
    except ValueError:
        raise ValueError(f"{column} {text!r} is no {'whole ' if kind is int else ''}number") from None


def _check_cited(name: str, line: int, row: object) -> None:
    """Every row that carries a grade names a grade we know and sources we know."""
    facts = {slot: getattr(row, slot) for slot in ("grade", "source") if hasattr(row, slot)}
    if "grade" not in facts:
        return
    grade, cited = facts["grade"], facts["source"]
    if grade not in GRADES:
        raise DataRowError(f"{name}.csv, line {line}: grade {grade!r} is none of {', '.join(GRADES)}")
    keys = [key.strip() for key in cited.split(";") if key.strip()]
    unknown = [key for key in keys if key not in sources()]
    if not keys or unknown:
        raise DataRowError(f"{name}.csv, line {line}: source {cited!r} is not in sources.csv")


@cache
def sources() -> Mapping[str, Source]:
    """Return every source by key."""
    return {row.key: row for row in load_rows("sources", Source)}


@cache
def agents() -> Mapping[str, Agent]:
    """Return every agent by key, in the order in which results list them."""
    return {row.key: row for row in load_rows("agents", Agent)}


@cache
def figure_rows() -> Mapping[str, Mapping[str, Figure]]:
    """Return figure rows by agent and name (figure + unit)."""
    found: dict[str, dict[str, Figure]] = {}
    for row in load_rows("figures", Figure):
        by_name = found.setdefault(row.agent, {})
        if row.name in by_name:
            raise DataRowError(f"figures.csv: {row.agent} {row.name} stands twice")
        by_name[row.name] = row
    return found


def figures(overrides: Mapping[str, Mapping[str, float]] = types.MappingProxyType({})) -> dict[str, dict[str, float]]:
    """Return central figures by agent and name, the user's own in place of ours."""
    ours = {agent: {name: row.central for name, row in rows.items()} for agent, rows in figure_rows().items()}
    for agent, given in overrides.items():
        ours[agent] = {**ours[agent], **given}
    return ours


@cache
def seasons() -> tuple[Season, ...]:
    """Return monthly shares of the yearly hazard."""
    return load_rows("seasons", Season)


@cache
def roles() -> Mapping[str, Role]:
    """Return every role a layer can play, in the order in which results list them."""
    return {row.key: row for row in load_rows("roles", Role)}


@cache
def species() -> Mapping[str, Species]:
    """Return species rows by taxon."""
    return {row.taxon: row for row in load_rows("species", Species)}


@cache
def species_names() -> tuple[SpeciesName, ...]:
    """Return the ways to write a taxon besides its scientific name."""
    return load_rows("species_names", SpeciesName)


@cache
def guards() -> Mapping[str, Guard]:
    """Return the generic guard catalogue by key."""
    return {row.key: row for row in load_rows("guards", Guard)}


@cache
def demands() -> tuple[Demand, ...]:
    """Return what a guard must be to stop each agent."""
    return load_rows("demands", Demand)


@cache
def work_figures() -> Mapping[str, WorkFigure]:
    """Return figures of the work of guarding by key."""
    return {row.key: row for row in load_rows("work", WorkFigure)}


@cache
def note_codes() -> Mapping[str, NoteCode]:
    """Return every note code."""
    return {row.code: row for row in load_rows("notes", NoteCode)}


@cache
def remark_codes() -> Mapping[str, NoteCode]:
    """Return what may be remarked of a single tree without being a note."""
    return {row.code: row for row in load_rows("remarks", NoteCode)}


@cache
def keys() -> tuple[Key, ...]:
    """Return every key of site.toml, section by section."""
    return load_rows("keys", Key)


@cache
def columns() -> tuple[Column, ...]:
    """Return the columns of the tree table, in order."""
    return load_rows("columns", Column)


@cache
def tree_columns() -> tuple[TreeColumn, ...]:
    """Return the columns that a trees file may hold."""
    return load_rows("tree_columns", TreeColumn)
