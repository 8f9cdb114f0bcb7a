"""A small table of the user's, such as a price list: rows of texts by header, and numbers read out of its cells."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from riskmap.errors import InputError, Problem, shown
from riskmap.model import ReadAs, Settings
from riskmap.read.delimited import read_delimited
from riskmap.read.door import open_table_bytes
from riskmap.read.keytable import nearest
from riskmap.read.kinds import Kind
from riskmap.read.numbers import decimal_sign, parse_number
from riskmap.read.rows import find_column
from riskmap.read.workbook import read_workbook
from riskmap.units import LENGTH_M

__all__ = ["Sheet", "check_currency", "has_columns", "open_sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table: rows of texts by header, with their lines; faults are gathered as they are found."""

    file: str
    key: str
    names: tuple[str, ...]
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    signs: Mapping[str, str]  # decimal sign of each column, "?" where its cells don't tell
    read_as: ReadAs
    problems: list[Problem] = field(default_factory=list)

    def fault(self, line: int | None, column: str, what: str, remedy: str) -> None:
        """Keep one fault."""
        self.problems.append(Problem(file=self.file, row=line, column=column, what=what, remedy=remedy, key=self.key))

    def number(self, line: int, cells: Mapping[str, str], column: str, least: float) -> float | None:
        """A number of one cell; None where it is empty or at fault."""
        text = cells.get(column, "")
        if not text:
            return None
        sign = self.signs[column]
        if sign == "?" and "," in text:
            what = f"'{shown(text)}' has two readings: the comma may part thousands or decimals"
            self.fault(line, column, what, "write it with a point or without a comma")
            return None
        value = parse_number(text, "." if sign == "?" else sign)
        if not math.isfinite(value) or value < least:
            self.fault(line, column, f"'{shown(text)}' is no number from {least:g} up", "write a plain number")
            return None
        return value

    def length(self, line: int, cells: Mapping[str, str], name: str, units: tuple[str, str], to: str) -> float | None:
        """A length from whichever of two columns, each in its own unit, has one."""
        for unit in units:
            value = self.number(line, cells, f"{name}_{unit}", 0.001)
            if value is not None:
                return round(value * LENGTH_M[unit] / LENGTH_M[to], 6)
        return None


def open_sheet(settings: Settings, typed: str, key: str) -> Sheet:
    """Open one table through the door."""
    path = settings.resolve(typed)
    table = open_table_bytes(path, file_as_typed=typed, key=key)
    if table is None:
        what = "this is no table"
        raise InputError([Problem(file=typed, what=what, remedy="give a CSV or XLSX with a header", key=key)])
    read = read_workbook if table.kind is Kind.XLSX else read_delimited
    try:
        rows = read(table.data, file=typed)
    except InputError as error:  # it names keys of [trees], which say nothing of this table
        remedy = "save it again as XLSX, or as CSV in UTF-8"
        raise InputError(
            [replace(one, key=key, remedy=remedy if one.key else one.remedy) for one in error.problems]
        ) from error
    names = tuple(name.strip().lower() for name in rows.table.column_names)
    columns = [[str(cell or "").strip() for cell in column.to_pylist()] for column in rows.table.columns]
    cells = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    lines = tuple((int(line), row) for line, row in zip(rows.row, cells, strict=True) if any(row.values()))
    signs = {name: decimal_sign(texts, hint=rows.decimal_hint) for name, texts in zip(names, columns, strict=True)}
    read_as = ReadAs(file=typed, path=path, sha256=table.sha256, rows=len(lines), facts=dict(rows.facts))
    sheet = Sheet(file=typed, key=key, names=names, rows=lines, signs=signs, read_as=read_as)
    for line in rows.row[rows.ragged].tolist():
        sheet.fault(line, "", "this row has more cells than there are headers", "put quotes round cells with a comma")
    return sheet


def has_columns(sheet: Sheet, needed: tuple[str, ...], known: tuple[str, ...]) -> bool:
    """Whether the columns that must be there are; columns nobody knows are faults."""
    for name in needed:
        if name not in sheet.names:
            sheet.fault(1, "", f"there is no column '{name}'", f"write the columns {', '.join(known)}")
    for name in sheet.names:
        if find_column(known, name) is None:
            sheet.fault(1, name, "no column of this list is called so", nearest(name, known))
    return all(name in sheet.names for name in needed)


def check_currency(sheet: Sheet, line: int, cells: Mapping[str, str], settings: Settings) -> None:
    """Money of one row must be in the currency of the site."""
    theirs, ours = cells.get("currency", ""), settings.guards.currency or "USD"
    if theirs and theirs.upper() != ours.upper():
        what = f"'{shown(theirs)}' is not {shown(ours)}, the currency of this site"
        sheet.fault(line, "currency", what, "write every price in one currency (guards.currency)")
