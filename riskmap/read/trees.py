"""Reads the trees file: every row of it, in file order, each column under our name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption, BoolArray, Coded, FloatArray, Note, ReadAs, Settings, TreeTable
from riskmap.read.coordinates import read_pairs
from riskmap.read.crs import crs_in_words
from riskmap.read.dates import ages_at, read_dates
from riskmap.read.delimited import read_delimited
from riskmap.read.door import open_table_bytes
from riskmap.read.filters import filter_rows
from riskmap.read.findings import Findings, examples, some
from riskmap.read.headers import Header, header_unit, match_header, recognise
from riskmap.read.keytable import nearest
from riskmap.read.kinds import Kind
from riskmap.read.places import read_places
from riskmap.read.rows import TreeRows, coded, find_column, has_cells, no_rows, texts_of, unique_names
from riskmap.read.sizes import read_plain, read_size, stem_measured
from riskmap.read.species_text import species_texts
from riskmap.read.tree_words import WORDS, plain_word, strange_words
from riskmap.read.vectors import VectorTable, read_vector
from riskmap.read.workbook import read_workbook

__all__ = ["TreesRead", "columns_of", "open_rows", "read_trees", "rows_of_shapes", "understand_rows"]

REPLACED: Final = ("tree_id", "x", "y", "place", "caliper", "height", "planted")  # results hold these under our names
DECIMAL_WORDS: Final = {".": "point", ",": "comma"}


@dataclass(frozen=True, slots=True, kw_only=True)
class TreesRead:
    """The trees and all that reading them brought up."""

    table: TreeTable
    read_as: ReadAs
    problems: tuple[Problem, ...]
    notes: tuple[Note, ...]
    assumptions: tuple[Assumption, ...]


def read_trees(settings: Settings) -> TreesRead:
    """Read the trees file of a site.

    Raises
    ------
    InputError
        Where nothing can be read at all; what can be told apart from that stands in `TreesRead.problems`.
    """
    source = settings.trees
    path = settings.resolve(source.file)
    rows, sha256 = open_rows(settings)
    return understand_rows(rows, settings, file=source.file, path=path, sha256=sha256)


def open_rows(settings: Settings) -> tuple[TreeRows, str]:
    """Open the trees file through the door; return its rows and its sha256."""
    source = settings.trees
    path = settings.resolve(source.file)
    table = open_table_bytes(path, file_as_typed=source.file, key="trees.file", member=source.layer)
    if source.sheet and (table is None or table.kind is not Kind.XLSX):
        what = f"it is no workbook, so it has no sheet {shown(source.sheet)!r}"
        raise InputError([Problem(file=source.file, what=what, remedy="take the line out", key="trees.sheet")])
    if table is None:
        vector = read_vector(
            path, layer=source.layer, encoding=source.encoding, file_as_typed=source.file, section="trees"
        )
        return rows_of_shapes(vector, source.on_invalid), vector.sha256
    if table.kind is Kind.XLSX:
        rows = read_workbook(table.data, file=source.file, sheet=source.sheet)
    else:
        rows = read_delimited(table.data, file=source.file, encoding=source.encoding, delimiter=source.delimiter)
    if table.packed:
        rows = replace(rows, facts={**rows.facts, "packed": table.packed})
    return rows, table.sha256


def rows_of_shapes(vector: VectorTable, on_invalid: str = "error") -> TreeRows:
    """Return the points of a vector file as rows; anything but points is asked about."""
    table = vector.table.rename_columns(unique_names(vector.table.column_names))
    if vector.kind in (Kind.GPX, Kind.KML):  # their empty columns are the format's, not the user's
        table = table.select([name for name in table.column_names if table.column(name).null_count < table.num_rows])
    n = vector.rows
    row = np.asarray(vector.feature, dtype=np.int64)
    if vector.geometry is None:  # a table without shapes, such as Parquet with columns x and y
        return TreeRows(table=table, row=row, ragged=no_rows(n), facts=vector.facts)
    shapes = shapely.force_2d(vector.geometry)
    kind = shapely.get_type_id(shapes)
    single = (kind == 4) & (shapely.get_num_geometries(shapes) == 1)
    shapes = np.where(single, shapely.get_geometry(shapes, 0), shapes)
    kind = np.where(single, 0, kind)
    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    other = (kind != 0) & ~empty
    if other.any() and on_invalid != "drop":
        raise InputError([_not_points(vector, kind, other)])
    points = np.where(other | empty, None, shapes)
    facts = {**vector.facts, "crs_words": vector.crs_words} if vector.crs_words else vector.facts
    return TreeRows(
        table=table,
        row=row,
        ragged=no_rows(n),
        x=np.asarray(shapely.get_x(points), dtype=np.float64),
        y=np.asarray(shapely.get_y(points), dtype=np.float64),
        crs=vector.crs,
        facts=facts,
        assumed=tuple((note.topic, note.taken, note.why, note.key) for note in vector.assumptions),
    )


def _not_points(vector: VectorTable, kind: np.ndarray[Any, Any], other: BoolArray) -> Problem:
    """The fault that trees are drawn as lines, areas or several points."""
    noun = {
        1: "lines",
        2: "lines",
        5: "lines",
        3: "areas (polygons)",
        6: "areas (polygons)",
        4: "groups of several points",
    }
    first = int(np.flatnonzero(other)[0])
    drawn = noun.get(int(kind[first]), "shapes of mixed kinds")
    what = f"trees are drawn as {drawn}, not as one point a tree ({some(other, 'feature')} of {vector.rows:,})"
    remedy = 'lay out one point a tree, or pass over such features with on_invalid = "drop"'
    return Problem(file=vector.file, row=int(vector.feature[first]), what=what, remedy=remedy, key="trees.on_invalid")


def understand_rows(rows: TreeRows, settings: Settings, *, file: str, path: Path, sha256: str) -> TreesRead:
    """Tell what each column means and read it."""
    source = settings.trees
    n = len(rows.row)
    if n == 0:
        what = "there is no tree in it: no row below the header" if rows.table.num_columns else "the file is empty"
        raise InputError([Problem(file=file, what=what, remedy="add a row for each tree", key="trees.file")])
    given, problems = _given_columns(rows, settings, file)
    found = _recognised(rows, settings, given)
    ids = texts_of(rows.table.column(found["tree_id"].index)) if "tree_id" in found else pa.nulls(n, pa.string())
    findings = Findings(file, rows.row, ids)
    findings.problems += problems
    for topic, taken, why, key in rows.assumed:
        findings.assume(topic, taken, why, key)
    _note_rows(rows, findings)
    places = read_places(rows, found, source, findings)
    stem_kind, stem_at = stem_measured(found, settings, findings)
    stem_mm = read_size("caliper", "mm", rows, found, settings, findings)
    height_m = read_size("height", "m", rows, found, settings, findings)
    planted = _read_dates("planted", rows, found, settings, findings)
    ages = read_plain("age", rows, found, settings, findings)
    accuracy = read_size("accuracy", "m", rows, found, settings, findings)
    kept = _kept(rows, settings, findings)
    species, merged = species_texts(rows.table, found)
    if len(merged) > 1:
        joined = " + ".join(shown(found[name].text) for name in merged)
        findings.assume(
            "columns.species", joined, "genus, species and cultivar stand in columns of their own", "trees.columns"
        )
    _say_columns(found, findings)
    table = TreeTable(
        row=rows.row,
        tree_id=ids,
        x=places.x,
        y=places.y,
        crs=places.crs,
        kept=kept,
        species=species,
        stem_kind=stem_kind,
        stem_at=stem_at,
        stem_mm=stem_mm,
        height_m=height_m,
        planted=planted,
        age_years=np.where(np.isnan(ages), ages_at(planted, settings.date), ages),
        group=_words("group", rows, found, findings),
        form=_words("form", rows, found, findings),
        stock=_words("stock", rows, found, findings, lower=True),
        stems=read_plain("stems", rows, found, settings, findings),
        lowest_branch_m=read_size("lowest_branch", "m", rows, found, settings, findings),
        surface=_words("surface", rows, found, findings),
        bare_radius_m=read_size("bare_radius", "m", rows, found, settings, findings),
        mulch_radius_m=read_size("mulch_radius", "m", rows, found, settings, findings),
        room_m=read_size("room", "m", rows, found, settings, findings),
        guard_now=_words("guard_now", rows, found, findings),
        guard_since=_read_dates("guard_since", rows, found, settings, findings),
        accuracy_m=np.where(np.isnan(accuracy), source.accuracy_m, accuracy),
        cost_to_replace=read_plain("cost_to_replace", rows, found, settings, findings),
        own=_own(rows, found, merged),
        remarks=findings.remarks_by_tree(),
        lonlat_as_given=places.as_given,
    )
    facts = _facts(rows, found, table, settings, findings.decimals)
    return TreesRead(
        table=table,
        read_as=ReadAs(file=file, path=path, sha256=sha256, rows=n, facts=facts),
        problems=tuple(findings.problems),
        notes=tuple(findings.notes),
        assumptions=tuple(findings.assumptions),
    )


def _given_columns(rows: TreeRows, settings: Settings, file: str) -> tuple[dict[str, int], list[Problem]]:
    """Our column -> place, for the headers the user named."""
    given, problems = {}, []
    for column, header in settings.trees.columns.items():
        place = find_column(rows.table.column_names, header)
        if place is None:
            remedy = nearest(header, rows.table.column_names)
            key = f"trees.columns.{column}"
            problems.append(Problem(file=file, what=f"there is no column '{shown(header)}'", remedy=remedy, key=key))
        else:
            given[column] = place
    return given, problems


def _recognised(rows: TreeRows, settings: Settings, given: Mapping[str, int]) -> dict[str, Header]:
    """Our column -> header; columns without any cell mean nothing, and shapes need no columns of coordinates."""
    names = list(rows.table.column_names)
    filled = [name if place in given.values() or _is_filled(rows, place) else "" for place, name in enumerate(names)]
    skip = [column for column in ("x", "y", "place") if rows.x is not None]
    if rows.x is None and not any(_holds_points(rows, place, name) for place, name in enumerate(filled)):
        skip.append("place")
    if rows.facts.get("kind") in ("GPX", "KML"):
        skip.append("common")
    found = recognise(filled, given=given, skip=skip, projected=_is_projected(settings.trees.crs))
    return {column: replace(header, text=names[header.index]) for column, header in found.items()}


def _is_filled(rows: TreeRows, place: int) -> bool:
    """Whether a column holds anything in the whole file."""
    if rows.blank is None:
        return has_cells(rows.table.column(place))
    return rows.table.column_names[place] not in rows.blank


def columns_of(rows: TreeRows, settings: Settings) -> dict[str, Header]:
    """Tell which of our columns stands under which header."""
    given, _ = _given_columns(rows, settings, settings.trees.file)
    return _recognised(rows, settings, given)


def _is_projected(crs: str) -> bool:
    """Whether the user named a projected system for the trees."""
    from riskmap.read.crs import crs_typed

    try:
        return bool(crs) and not crs_typed(crs).is_geographic
    except ValueError:
        return False


def _holds_points(rows: TreeRows, place: int, name: str) -> bool:
    """Whether a column that may hold places really holds points (or other shapes) in half of its first cells."""
    column = rows.table.column(place)
    if match_header(name, "place") is None or not pa.types.is_string(column.type):
        return False
    cells = column.slice(0, 200).combine_chunks()
    pairs = read_pairs(cells)
    read = int((np.isfinite(pairs.x) | pairs.shapes).sum())
    return read > 0 and read >= int(pairs.odd.sum())


def _note_rows(rows: TreeRows, findings: Findings) -> None:
    """Note lines without a tree and rows with too many cells."""
    if rows.left_out:
        n = len(rows.left_out)
        lines = tuple(rows.left_out[: Note.MOST_NAMED])
        findings.notes.append(
            Note(
                code="row_left_out",
                file=findings.file,
                what=f"{n:,} line{'' if n == 1 else 's'} without any cell left out",
                remedy="nothing, or take them out of the file",
                count=n,
                rows=lines,
            )
        )
    what = f"{some(rows.ragged, 'row')} with more values than there are columns (a comma without quotes?); not scored"
    findings.note("row_ragged", rows.ragged, what, 'put quotes round cells that hold the delimiter, such as "Oak, red"')


def _read_dates(
    column: str, rows: TreeRows, found: Mapping[str, Header], settings: Settings, findings: Findings
) -> pa.Array:
    """Read one column of dates as ISO text."""
    n = len(rows.row)
    if column not in found:
        return pa.nulls(n, pa.string())
    header = found[column]
    cells = rows.table.column(header.index).combine_chunks()
    dates = read_dates(cells, order=settings.trees.date_order)
    odd, word, two = (flags & ~rows.ragged for flags in (dates.odd | dates.blank, dates.word, dates.two_readings))
    if header.rank >= 0 and odd.sum() > np.asarray(pc.is_valid(dates.text)).sum():
        why = f"most cells of column {shown(header.text)} are no date"
        findings.assume(f"columns.{column}", "not read", why, f"trees.columns.{column}")
        return pa.nulls(n, pa.string())
    what = f"{some(odd, 'cell')} can't be read as a date: {examples(cells, odd)}; taken as missing"
    findings.note("cell_not_understood", odd, what, "write dates as 2025-04-03, or the year alone", column=header.text)
    what = f"{some(word, 'cell')} without a date: {examples(cells, word)}; taken as missing"
    findings.note("cell_not_understood", word, what, "leave such cells empty", column=header.text)
    what = (
        f"{some(two, 'date')} with two readings (day or month first): {examples(cells, two)}; only a sure year is used"
    )
    findings.note(
        "date_two_readings", two, what, 'say which: date_order = "day_first" or "month_first"', column=header.text
    )
    return pc.if_else(pa.array(~rows.ragged), dates.text, None)


def _words(
    column: str, rows: TreeRows, found: Mapping[str, Header], findings: Findings, *, lower: bool = False
) -> Coded:
    """Read one column of words; where we know the words, others are noted."""
    n = len(rows.row)
    if column not in found:
        return Coded.missing(n)
    header = found[column]
    known = WORDS.get(column)
    words = coded(rows.table.column(header.index), lower=lower or known is not None)
    if known is None:
        return words
    meant = [known.get(plain_word(word)) for word in words.values]
    met = np.asarray([word is not None for word in meant] + [True])[words.codes]
    usual = ", ".join(dict.fromkeys(known.values()))
    if header.rank >= 0 and not any(meant):
        why = f"no cell of column {shown(header.text)} is one of {usual}{strange_words(words, meant, before=': ')}"
        findings.assume(f"columns.{column}", "not read", why, f"trees.columns.{column}")
        return Coded.missing(n)
    what = f"{some(~met, 'cell')} not known: {strange_words(words, meant)}; taken as missing"
    findings.note("cell_not_understood", ~met, what, f"write one of {usual}", column=header.text)
    distinct = list(dict.fromkeys(word for word in meant if word))
    place = np.asarray([distinct.index(word) if word else -1 for word in meant] + [-1], dtype=np.int64)
    return Coded(codes=place[words.codes], values=tuple(distinct))


def _kept(rows: TreeRows, settings: Settings, findings: Findings) -> BoolArray:
    """Rows that stand after keep and drop."""
    source = settings.trees
    if not source.keep and not source.drop:
        return np.ones(len(rows.row), dtype=bool)
    names = rows.table.column_names

    def column(name: str) -> pa.ChunkedArray | None:
        place = find_column(names, name)
        return None if place is None else rows.table.column(place)

    filtered = filter_rows(column, len(rows.row), source.keep, source.drop)
    for name in filtered.missing:
        verb = "keep" if name in source.keep else "drop"
        findings.fault(f"there is no column '{shown(name)}'", nearest(name, names), f"trees.{verb}")
    for name, text in filtered.unseen:
        findings.assume(f"keep.{name}", f"no row says '{shown(text)}'", "trees.keep names it", "trees.keep")
    if filtered.partly:
        stay = (
            "1 row stays that drop names" if filtered.partly == 1 else f"{filtered.partly:,} rows stay that drop names"
        )
        why = "several columns all must hold; leave the others out by keep"
        findings.assume("drop", f"{stay} in some column, not in all", why, "trees.drop")
    if not filtered.missing and not filtered.kept.any():
        findings.fault("no row is left after keep and drop", "look at the texts they name", "trees.keep")
    return filtered.kept


def _say_columns(found: Mapping[str, Header], findings: Findings) -> None:
    """Record every column that was taken by its header."""
    for column, header in found.items():
        if header.rank >= 0:
            rivals = f"; also possible: {', '.join(shown(name) for name in header.rivals[:5])}" if header.rivals else ""
            findings.assume(
                f"columns.{column}", shown(header.text), f"found by its header{rivals}", f"trees.columns.{column}"
            )


def _own(rows: TreeRows, found: Mapping[str, Header], merged: tuple[str, ...]) -> pa.Table:
    """The user's columns that results don't hold under our own names."""
    replaced = {found[column].index for column in REPLACED if column in found}
    if merged == ("species",):
        replaced.add(found["species"].index)
    return rows.table.select([place for place in range(rows.table.num_columns) if place not in replaced])


def _facts(
    rows: TreeRows, found: Mapping[str, Header], table: TreeTable, settings: Settings, decimals: Mapping[str, str]
) -> dict[str, Any]:
    """How the file was read, for the record."""
    facts = {name: fact for name, fact in rows.facts.items() if name != "crs_words"}
    facts["columns"] = {column: header.text for column, header in found.items()}
    units = {
        column: settings.trees.units.get(column) or header_unit(header.text)
        for column, header in found.items()
        if column in settings.trees.units
        or (column in decimals and column not in ("x", "y") and header_unit(header.text))
    }
    signs = {column: DECIMAL_WORDS[sign] for column, sign in decimals.items() if sign}
    if signs:
        one = set(signs.values())
        facts["decimal_sign"] = one.pop() if len(one) == 1 else signs
    if units:
        facts["units"] = units
    if "caliper" in found:
        facts["caliper_at"] = table.stem_at
    facts["crs"] = crs_in_words(table.crs)
    facts["rows_kept"] = int(table.kept.sum())
    facts["rows_with_place"] = int(np.isfinite(_placed(table)).sum())
    return facts


def _placed(table: TreeTable) -> FloatArray:
    """One number a row, nan where it has no place."""
    return table.x + table.y
