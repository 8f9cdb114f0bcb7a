"""XLSX as people have it: which sheet, the header below title lines, ids with their zeros, dates as ISO text."""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Sequence
from typing import Any
from zipfile import BadZipFile

import numpy as np
import pyarrow as pa

from riskmap.errors import InputError, Problem, shown
from riskmap.read.keytable import nearest
from riskmap.read.rows import TreeRows, no_rows, unguard, unique_names

__all__ = ["read_workbook"]

LOOKED_AT = 40  # rows in which the header must stand
_SPOILT = (ValueError, TypeError, LookupError, SyntaxError, AttributeError, ArithmeticError, RecursionError)


def read_workbook(data: bytes, *, file: str, sheet: str = "") -> TreeRows:
    """Read the bytes of a workbook that the door has checked.

    Parameters
    ----------
    data : bytes
        The XLSX file.
    file : str
        As site.toml names it, for messages.
    sheet : str
        The sheet the user named; "" takes the first visible one that has rows.

    Raises
    ------
    InputError
        It can't be read, has no such sheet, or no rows.
    """
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    except (BadZipFile, OSError, *_SPOILT) as error:
        what = f"the workbook can't be read: {shown(error)}"
        raise InputError([Problem(file=file, what=what, remedy="open it and save it again as .xlsx or CSV")]) from error
    try:
        for one in book.worksheets:
            if hasattr(one, "reset_dimensions"):
                one.reset_dimensions()  # what a sheet says of its size may be wrong, and pads every row to it
        try:
            chosen, others = _choose(book, file, sheet)
            grid = [_texts(cells) for cells in chosen.iter_rows()]
        except _SPOILT as error:
            what = f"a sheet can't be read: {shown(error)}"
            raise InputError(
                [Problem(file=file, what=what, remedy="save the sheet as CSV", key="trees.sheet")]
            ) from error
        name = str(chosen.title)
    finally:
        book.close()
    rows = _as_rows(grid, file, name)
    why = f"no sheet was named; also there: {', '.join(shown(other) for other in others[:10])}" if others else ""
    assumed = (("trees.sheet", f"sheet {shown(name)}", why, "trees.sheet"),) if why else ()
    return TreeRows(
        table=rows.table,
        row=rows.row,
        ragged=rows.ragged,
        left_out=rows.left_out,
        facts={"kind": "XLSX", "sheet": name, **rows.facts},
        assumed=assumed,
    )


def _choose(book: Any, file: str, sheet: str) -> tuple[Any, list[str]]:
    """The sheet to read and the names of the others."""
    sheets = [one for one in book.worksheets if hasattr(one, "iter_rows")]
    if sheet:
        named = [one for one in sheets if one.title == sheet] or [
            one for one in sheets if one.title.strip().casefold() == sheet.strip().casefold()
        ]
        if not named:
            what = f"there is no sheet '{shown(sheet)}'"
            remedy = nearest(sheet, [one.title for one in sheets])
            raise InputError([Problem(file=file, what=what, remedy=remedy, key="trees.sheet")])
        return named[0], []
    visible = [one for one in sheets if one.sheet_state == "visible"] or sheets
    filled = [one for one in visible if _has_rows(one)]
    if not filled:
        raise InputError([Problem(file=file, what="no sheet has rows", remedy="a header and a row a tree would do")])
    return filled[0], [one.title for one in filled[1:]]


def _has_rows(sheet: Any) -> bool:
    """Whether any of the first rows has two cells or more."""
    first = zip(sheet.iter_rows(values_only=True), range(LOOKED_AT), strict=False)
    return any(sum(cell is not None for cell in cells) > 1 for cells, _ in first)


def _texts(cells: Sequence[Any]) -> list[str]:
    """One row as texts."""
    return [_text(cell.value, getattr(cell, "number_format", "")) for cell in cells]


def _text(value: Any, number_format: str) -> str:
    """A cell as people see it: whole numbers without a point, zeros of an id kept, dates as ISO."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, int | float) and float(value).is_integer() and abs(value) < 1e15:
        zeros = len(number_format) if re.fullmatch(r"0{2,}", number_format or "") else 0
        return f"{int(value):0{zeros}d}"
    return "" if value is None else str(value)


def _as_rows(grid: list[list[str]], file: str, sheet: str) -> TreeRows:
    """Header, rows and their lines out of a sheet."""
    head = next(
        (at for at, cells in enumerate(grid[:LOOKED_AT]) if sum(bool(cell.strip()) for cell in cells) > 1), None
    )
    if head is None:
        what = f"sheet {shown(sheet)} has no row of headers"
        raise InputError([Problem(file=file, what=what, remedy="name the sheet that has", key="trees.sheet")])
    width = max(place for place, cell in enumerate(grid[head], start=1) if cell.strip())
    names = unique_names(grid[head][:width])
    rows, lines, left_out = [], [], []
    for line, cells in enumerate(grid[head + 1 :], start=head + 2):
        if not any(cell.strip() for cell in cells[:width]):
            left_out.append(line)
            continue
        rows.append((cells + [""] * (width - len(cells)))[:width])
        lines.append(line)
    left_out = [line for line in left_out if lines and line < lines[-1]]
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    table = pa.table({name: pa.array(column, pa.string()) for name, column in zip(names, columns, strict=True)})
    return TreeRows(
        table=unguard(table),
        row=np.asarray(lines, dtype=np.int64),
        ragged=no_rows(len(rows)),  # cells right of the headers are remarks, not shifted cells
        left_out=tuple(left_out),
        facts={"header_line": str(head + 1)} if head else {},
    )
