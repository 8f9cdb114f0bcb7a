"""Rows of a trees file before anybody knows what its columns mean."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.model import BoolArray, Coded, FloatArray, IntArray

if TYPE_CHECKING:
    import pyproj

__all__ = ["TreeRows", "coded", "find_column", "has_cells", "no_rows", "texts_of", "unguard", "unique_names"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeRows:
    """A trees file as rows: texts from CSV and XLSX, typed columns from vector files."""

    table: pa.Table  # one column a header, headers trimmed and unique
    row: IntArray  # line in the file (header = 1), or the feature's number from 1
    ragged: BoolArray  # more cells than headers: what stands where can't be told
    left_out: tuple[int, ...] = ()  # lines without any cell, between rows
    x: FloatArray | None = None  # from shapes
    y: FloatArray | None = None
    crs: pyproj.CRS | None = None
    decimal_hint: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
    assumed: Sequence[tuple[str, str, str, str]] = ()  # topic, taken, why, key
    blank: frozenset[str] | None = None  # headers without any cell in the whole file; None: these rows are the whole


def unique_names(names: Sequence[str]) -> list[str]:
    """Return headers trimmed and made different: blank ones become column_5, repeated ones get _2, _3.

    Examples
    --------
    >>> unique_names([" DBH ", "DBH", ""])
    ['DBH', 'DBH_2', 'column_3']
    """
    seen: set[str] = set()
    found = []
    for place, name in enumerate(names, start=1):
        base = name.strip() or f"column_{place}"
        unique, n = base, 1
        while unique in seen:
            n += 1
            unique = f"{base}_{n}"
        seen.add(unique)
        found.append(unique)
    return found


def find_column(names: Sequence[str], wanted: str) -> int | None:
    """Return the place of a header: as written, else after trimming, else letter case apart; None where none is."""
    folds: tuple[Callable[[str], str], ...] = (str, str.strip, lambda text: text.strip().casefold())
    for fold in folds:
        places = [place for place, name in enumerate(names) if fold(name) == fold(wanted)]
        if places:
            return places[0]
    return None


def unguard(table: pa.Table) -> pa.Table:
    """Take one apostrophe off cells that a writer guarded against being run as a formula.

    Examples
    --------
    >>> unguard(pa.table({"a": ["'=1+1", "'tis", "''-x", "-5"]}))["a"].to_pylist()
    ['=1+1', "'tis", "'-x", '-5']
    """
    for place, name in enumerate(table.column_names):
        column = table.column(place)
        if not pa.types.is_string(column.type):
            continue
        quoted = pc.any(pc.starts_with(column, "'")).as_py()
        if quoted:
            plain = pc.replace_substring_regex(column, "^'('*[=+\\-@\\t\\r])", "\\1", max_replacements=1)
            table = table.set_column(place, name, plain)
    return table


def has_cells(column: pa.ChunkedArray) -> bool:
    """Return whether a column holds anything at all."""
    if pa.types.is_string(column.type):
        column = pc.if_else(pc.equal(pc.utf8_trim_whitespace(column), ""), None, column)
    return bool(column.null_count < len(column))


def no_rows(n: int) -> BoolArray:
    """Return a column of False."""
    return np.zeros(n, dtype=bool)


def texts_of(column: pa.Array | pa.ChunkedArray) -> pa.Array:
    """Return cells as text, whole numbers without a decimal point, null where empty; texts stay untouched.

    Examples
    --------
    >>> texts_of(pa.array([7.0, 1.5, None])).to_pylist()
    ['7', '1.5', None]
    """
    if isinstance(column, pa.ChunkedArray):
        column = column.combine_chunks()
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type) or pa.types.is_nested(column.type):
        return pa.nulls(len(column), pa.string())
    if pa.types.is_floating(column.type):
        column = column.cast(pa.float32()) if pa.types.is_float16(column.type) else column
        column = pc.if_else(pc.is_finite(column), column, None)
        whole = pc.and_(pc.equal(column, pc.round(column)), pc.less(pc.abs(column), 1e15))
        ints = pc.cast(pc.if_else(pc.fill_null(whole, False), column, None), pa.int64())
        column = pc.coalesce(pc.cast(ints, pa.string()), pc.cast(column, pa.string()))
    text = pc.cast(column, pa.string())
    return pc.if_else(pc.equal(text, ""), None, text)


def coded(column: pa.Array | pa.ChunkedArray, *, lower: bool = False) -> Coded:
    """Return a text column as codes, trimmed; -1 where empty."""
    text = pc.utf8_trim_whitespace(texts_of(column))
    if lower:
        text = pc.utf8_lower(text)
    text = pc.dictionary_encode(pc.if_else(pc.equal(text, ""), None, text))
    codes = np.asarray(pc.fill_null(text.indices, -1), dtype=np.int64)
    return Coded(codes=codes, values=tuple(text.dictionary.to_pylist()))
