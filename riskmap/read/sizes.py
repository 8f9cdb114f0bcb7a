"""How big each tree is, in which unit and where measured: found or asked for, never guessed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pyarrow as pa

from riskmap.errors import shown
from riskmap.model import BoolArray, FloatArray, Settings, no_numbers
from riskmap.read.findings import Findings, examples, some
from riskmap.read.headers import Header, header_unit, stem_place
from riskmap.read.numbers import Lengths, read_lengths, read_numbers
from riskmap.read.rows import TreeRows

__all__ = ["read_plain", "read_size", "stem_measured", "usual_unit"]

STEM_KINDS: Final = {
    "nursery": "caliper_mm",
    "breast": "dbh_mm",
    "breast_1_3": "dbh_mm",
    "girth_1m": "girth_mm",
    "girth_breast": "girth_mm",
}
ASKED_FOR: Final = ("caliper", "height")  # a number without a unit stops the run; other columns are left unread


def stem_measured(found: Mapping[str, Header], settings: Settings, findings: Findings) -> tuple[str, str]:
    """Return what the stem column is (caliper_mm, dbh_mm, girth_mm) and where it was measured."""
    told = settings.trees.caliper_at
    if "caliper" not in found:
        return STEM_KINDS[told or "nursery"], told or "nursery"
    header = found["caliper"].text
    place, why = stem_place(header), f"the header says so: {shown(header)}"
    if place == "breast" and settings.region != "north_america":
        place, why = (
            "breast_1_3",
            f"the header says breast height ({shown(header)}), and the region measures it at 1.3 m",
        )
    if told:
        return STEM_KINDS[told], told
    if not place:
        place, why = "nursery", f"the header {shown(header)} does not say where stems were measured"
    findings.assume("caliper_at", place, why, "trees.caliper_at")
    return STEM_KINDS[place], place


def read_size(
    column: str, to: str, rows: TreeRows, found: Mapping[str, Header], settings: Settings, findings: Findings
) -> FloatArray:
    """Read one column of lengths in unit `to`; nan where empty, not understood or of no known unit."""
    n = len(rows.row)
    if column not in found:
        return no_numbers(n)
    header = found[column]
    cells = rows.table.column(header.index).combine_chunks()
    told = settings.trees.units.get(column, "")
    unit = told or header_unit(header.text)
    lengths = read_lengths(cells, unit=unit, to=to, decimal=settings.trees.decimal, hint=rows.decimal_hint)
    findings.decimals[column] = lengths.decimal
    if unit and not told and lengths.bare.any():
        findings.assume(f"units.{column}", unit, f"the header says so: {shown(header.text)}", f"trees.units.{column}")
    if not unit:
        _without_unit(column, header, cells, lengths, findings)
    value = lengths.value.copy()
    value[rows.ragged] = np.nan
    _note_cells(header.text, "length", cells, lengths.odd & ~rows.ragged, lengths.word & ~rows.ragged, findings)
    _say_classes(column, header.text, lengths, findings)
    if column in ASKED_FOR:
        zero = value == 0
        what = f"{some(zero, 'cell')} of 0, which is no size; taken as not measured"
        findings.note("cell_not_understood", zero, what, "leave it empty, or write the size", column=header.text)
        value[zero] = np.nan
    return value


def usual_unit(column: str) -> str:
    """Return a unit that such a column may well have, for a message to name.

    Examples
    --------
    >>> usual_unit("caliper"), usual_unit("height")
    ('in', 'ft')
    """
    return "in" if column == "caliper" else "ft"


def _without_unit(column: str, header: Header, cells: pa.Array, lengths: Lengths, findings: Findings) -> None:
    """Numbers without a unit: a question, or a note where other cells of the column carry one."""
    bare = lengths.bare
    if not bare.any():
        return
    if (np.isfinite(lengths.value) & ~bare).any():
        what = f"{some(bare, 'number')} without a unit among cells with one: {examples(cells, bare)}; taken as missing"
        remedy = f'name the unit of bare numbers, such as units = {{ {column} = "{usual_unit(column)}" }} (trees.units)'
        findings.note("unit_missing", bare, what, remedy, column=header.text)
    elif column in ASKED_FOR or header.rank < 0:
        what = f"the unit is not known: {examples(cells, bare)} may be mm, cm, in, ft or m"
        remedy = f'name it under [trees], such as units = {{ {column} = "{usual_unit(column)}" }}'
        findings.fault(what, remedy, "trees.units", column=header.text)
    else:
        findings.assume(
            f"columns.{column}", "not read", f"column {shown(header.text)} has no unit", f"trees.units.{column}"
        )


def _say_classes(column: str, header: str, lengths: Lengths, findings: Findings) -> None:
    """Say that classes were read by their middle, and open ones by their limit."""
    if lengths.banded.any():
        taken = f"the middle of the class in {some(lengths.banded, 'row')}"
        findings.assume(
            f"classes.{column}", taken, f"column {shown(header)} holds classes such as 3-6", "trees.columns"
        )
    if lengths.open_ended.any():
        taken = f"the lower limit in {some(lengths.open_ended, 'row')}"
        findings.assume(
            f"open_classes.{column}", taken, f"column {shown(header)} holds open classes such as > 30", "trees.columns"
        )


def _note_cells(header: str, noun: str, cells: pa.Array, odd: BoolArray, word: BoolArray, findings: Findings) -> None:
    """Note cells that are no number, and words for missing."""
    what = f"{some(odd, 'cell')} can't be read as a {noun}: {examples(cells, odd)}; taken as missing"
    findings.note("cell_not_understood", odd, what, f"write a {noun} or leave it empty", column=header)
    what = f"{some(word, 'cell')} without a {noun}: {examples(cells, word)}; taken as missing"
    findings.note("cell_not_understood", word & ~odd, what, "leave such cells empty", column=header)


def read_plain(
    column: str, rows: TreeRows, found: Mapping[str, Header], settings: Settings, findings: Findings
) -> FloatArray:
    """Read one column of plain numbers (age, stems, money)."""
    if column not in found:
        return no_numbers(len(rows.row))
    header = found[column]
    cells = rows.table.column(header.index).combine_chunks()
    if pa.types.is_string(cells.type) and column == "cost_to_replace":
        cells = pa.compute.replace_substring_regex(cells, r"^\s*[$€£]\s*|\s*[$€£]\s*$", "")
    numbers = read_numbers(cells, decimal=settings.trees.decimal, hint=rows.decimal_hint)
    value = np.where(rows.ragged | (numbers.value < 0), np.nan, numbers.value)
    odd = (numbers.odd | (numbers.value < 0)) & ~rows.ragged
    if header.rank >= 0 and odd.sum() * 2 > np.isfinite(numbers.value).sum() + odd.sum():
        why = f"most cells of column {shown(header.text)} are no number"
        findings.assume(f"columns.{column}", "not read", why, f"trees.columns.{column}")
        return no_numbers(len(rows.row))
    _note_cells(header.text, "number", cells, odd, numbers.word & ~rows.ragged, findings)
    return np.asarray(value, dtype=np.float64)
