"""The section [trees] of a first site file: which column is what and why, and questions where nothing tells."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pyarrow as pa

from riskmap.check.words import several
from riskmap.errors import InputError, shown
from riskmap.guesses import MOST_KINDS, NoTrees, guess_region, no_trees, read_in_feet
from riskmap.model import Settings
from riskmap.read.headers import words_of
from riskmap.read.listing import list_file
from riskmap.read.rows import TreeRows
from riskmap.read.settings import settings_from
from riskmap.read.sizes import usual_unit
from riskmap.read.trees import TreesRead, open_rows, understand_rows
from riskmap.start.toml_text import asked, comment, quoted, relative, setting

__all__ = ["tree_lines"]

ANY_DAY: Final = "2000-01-01"  # ages are not looked at here
MOST_LISTED: Final = 300  # characters of column names in one question
MONTHS: Final = 12
_DAY_AND_MONTH: Final = re.compile(r"\s*(\d{1,2})[/.-](\d{1,2})[/.-]\d{2,4}\b")


def tree_lines(trees: Path, site_file: Path, layers_crs: tuple[str, str]) -> tuple[list[str], str, str]:
    """Return the section [trees], why people may read feet and inches ("" where nothing says so), and the region."""
    typed = relative(trees, site_file)
    settings, rows, sha256 = _open_trees(typed, site_file)
    read = understand_rows(rows, settings, file=typed, path=settings.resolve(typed), sha256=sha256)
    kind = read.read_as.facts.get("kind", "")
    said = ["\n[trees]"]
    said += setting(f"file = {quoted(typed)}", f"{several(read.read_as.rows, 'row')}{f', {kind}' if kind else ''}")
    if settings.trees.layer:
        said += setting(f"layer = {quoted(settings.trees.layer)}", "by its name")
    said += [*_read_lines(read, rows.table, layers_crs), *_column_lines(read, rows.table)]
    said += [*_size_lines(read), *_kind_lines(read, rows.table)]
    for note in (note for note in read.notes if note.code != "unit_missing"):
        said += comment(f"note: {note.column + ': ' if note.column else ''}{note.what}")
    return said, read_in_feet(read, rows.table), guess_region(read)


def _open_trees(typed: str, site_file: Path) -> tuple[Settings, TreeRows, str]:
    """Open the trees file; of several layers, the only one whose name speaks of trees."""
    tree: dict[str, str] = {"file": typed}
    settings = settings_from({"date": ANY_DAY, "trees": tree}, site_file)
    try:
        return settings, *open_rows(settings)
    except InputError as error:
        if error.problems[0].key != "trees.layer":
            raise
        names = [layer.layer for layer in list_file(settings.resolve(typed), file_as_typed=typed)]
        named = [name for name in names if re.search(r"tree|plant", words_of(name))]
        if len(named) != 1:
            raise
    settings = settings_from({"date": ANY_DAY, "trees": {**tree, "layer": named[0]}}, site_file)
    return settings, *open_rows(settings)


def _assumed(read: TreesRead, topic: str) -> tuple[str, str]:
    """What was taken for a topic, and why; two empty texts where nothing was."""
    return next(((note.taken, note.why) for note in read.assumptions if note.topic == topic), ("", ""))


def _read_lines(read: TreesRead, table: pa.Table, layers_crs: tuple[str, str]) -> Iterator[str]:
    """The coordinate system, encoding and order of dates."""
    taken, why = _assumed(read, "crs.trees")
    unknown = [problem for problem in read.problems if problem.key == "trees.crs"]
    if unknown:
        code, name = layers_crs
        too = f"; layers are in {shown(name)}: are the trees in it too?" if code else ""
        yield from asked(f"crs = {quoted(code or 'EPSG:…')}", unknown[0].what + too)
    elif taken:
        yield from setting('crs = "EPSG:4326"', f"{taken}: {why}")
    else:
        yield from comment(f"the file says its coordinate system: {read.read_as.facts['crs']}")
    taken, why = _assumed(read, "trees.encoding")
    if taken:
        yield from setting(f"encoding = {quoted(taken.removeprefix('encoding '))}", why)
    if any(note.code == "date_two_readings" for note in read.notes):
        order, shown_by = _order_of_dates(read, table)
        question = f"are dates such as 03/04/2025 month first or day first?{shown_by}"
        yield from asked(f'date_order = "{order}"', question)


def _order_of_dates(read: TreesRead, table: pa.Table) -> tuple[str, str]:
    """Which order the dates that can be read one way only have, and what to say of it."""
    columns = read.read_as.facts["columns"]
    cells = [table.column(columns[name]).to_pylist() for name in ("planted", "guard_since") if name in columns]
    pairs = [found for column in cells for cell in column if (found := _DAY_AND_MONTH.match(str(cell or "")))]
    month_first = sum(int(pair[2]) > MONTHS >= int(pair[1]) for pair in pairs)
    day_first = sum(int(pair[1]) > MONTHS >= int(pair[2]) for pair in pairs)
    order, sure = ("day_first", day_first) if day_first > month_first else ("month_first", month_first)
    if not sure:
        return order, ""
    said = f" {sure:,} {'date' if sure == 1 else 'dates'} can only be {order.replace('_', ' ')}"
    other = min(month_first, day_first)
    return order, said + (f", and {other:,} only the other way" if other else "")


def _column_lines(read: TreesRead, table: pa.Table) -> Iterator[str]:
    """Which column is what; where one is asked for, the columns it may be."""
    columns = read.read_as.facts["columns"]
    left = ", ".join(shown(name) for name in table.column_names if name not in columns.values())
    among = f" Left are: {shown(left, longest=MOST_LISTED)}" if left else ""
    whole = " + " not in _assumed(read, "columns.species")[0]
    for column, header in columns.items():
        if column in ("genus", "cultivar") and "species" in columns and whole:
            continue
        taken, why = _assumed(read, f"columns.{column}")
        if taken == "not read":
            yield from asked(f"columns.{column} = {quoted(header)}", why)
        else:
            yield from setting(f"columns.{column} = {quoted(header)}", why or "found by its header")
    for problem in read.problems:
        if problem.key in ("trees.columns", "trees.on_invalid"):
            yield from asked('columns = { x = "…", y = "…" }', problem.what)
    if "tree_id" not in columns:
        yield from setting('# columns.tree_id = "…"', "no column of ids was found; rows are told apart by their number")
    if "species" not in columns and "common" not in columns and "genus" not in columns:
        asked_for = "which column holds the species? Without one all trees are medium."
        yield from asked('columns.species = "…"', f"{asked_for}{among}")
    if "caliper" not in columns and "height" not in columns and "planted" not in columns:
        asked_for = "which column says how big a tree is, or when it was planted?"
        yield from asked('columns.caliper = "…"', f"{asked_for}{among}")


def _size_lines(read: TreesRead) -> Iterator[str]:
    """Units, and where stems were measured."""
    columns = read.read_as.facts["columns"]
    for column, unit in read.read_as.facts.get("units", {}).items():
        why = _assumed(read, f"units.{column}")[1] or "the header says so"
        yield from setting(f"units.{column} = {quoted(unit)}", why)
    for problem in read.problems:
        if problem.key == "trees.units":
            column = next((ours for ours, header in columns.items() if header == problem.column), "caliper")
            yield from asked(f'units.{column} = "{usual_unit(column)}"', f"{problem.column}: {problem.what}")
    for note in read.notes:
        if note.code == "unit_missing":
            column = next((ours for ours, header in columns.items() if header == note.column), "caliper")
            question = f"in which unit are bare numbers? {note.column}: {note.what}"
            yield from asked(f'units.{column} = "{usual_unit(column)}"', question)
    if "caliper" in columns:
        place, why = _assumed(read, "caliper_at")
        if "does not say" in why:
            yield from asked('caliper_at = "breast"', f"{why}; nursery (150 mm) is taken. Also: breast, girth_1m …")
        else:
            yield from setting(f"caliper_at = {quoted(place)}", why)


def _kind_lines(read: TreesRead, table: pa.Table) -> Iterator[str]:
    """The question whether all rows are trees, where columns tell trees from stumps and empty sites."""
    names = ("tree_id", "species", "common", "genus")
    columns = read.read_as.facts["columns"]
    found = no_trees(table, skip=[header for ours, header in columns.items() if ours not in names])
    for key, question in (("drop", "leave these rows out?"), ("keep", "keep these rows only?")):
        told = [column for column in found if column.key == key]
        if not told:
            continue
        choice = ", ".join(f"{quoted(one.column)} = [{', '.join(map(quoted, one.words))}]" for one in told)
        counts = "; ".join(f"{shown(one.column)}: {_kinds_in_words(one)}" for one in told)
        yield from asked(f"{key} = {{ {choice} }}", f"{question} {counts}")


def _kinds_in_words(column: NoTrees) -> str:
    """The words of a column with their numbers; of very many, those of the filter."""
    few = len(column.kinds) <= MOST_KINDS
    kinds = [(kind, n) for kind, n in column.kinds.most_common() if few or kind in column.words]
    return ", ".join(f"{shown(kind) or 'empty'} {n:,}" for kind, n in kinds)
