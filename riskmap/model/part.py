"""Some rows of a noun, and nouns joined row after row: what a part of a site is cut and put together with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from riskmap.model.arrays import Coded, IntArray

__all__ = ["join_rows", "take_rows"]

T = TypeVar("T")
_ROWS = (np.ndarray, Coded, pa.Array, pa.ChunkedArray, pa.Table)


def take_rows(noun: T, rows: IntArray, *, n: int) -> T:
    """Return a noun with some of its rows; what does not stand for rows stays as it is.

    Parameters
    ----------
    noun : dataclass
        Whose columns have the shape (row,) or (row, ...).
    rows : ndarray, shape (part,)
        Which rows, in their new order.
    n : int
        How many rows it has.

    Examples
    --------
    >>> from riskmap.model import RasterValues
    >>> snow = RasterValues(name="snow", value=np.array([0.1, 0.2, 0.3]), status=np.zeros(3, np.int8))
    >>> take_rows(snow, np.array([2, 0]), n=3).value
    array([0.3, 0.1])
    """
    return replace(noun, **{name: _taken(value, rows, n) for name, value in _columns(noun)})  # type: ignore[type-var]


def join_rows(nouns: Sequence[T], *, sizes: Sequence[int]) -> T:
    """Return nouns of one kind joined, the rows of the first first; what does not stand for rows is the first's.

    Parameters
    ----------
    nouns : sequence of dataclass
        At least one.
    sizes : sequence of int
        How many rows each has.

    Examples
    --------
    >>> from riskmap.model import RasterValues
    >>> parts = [RasterValues(name="snow", value=np.array([one]), status=np.zeros(1, np.int8)) for one in (0.1, 0.2)]
    >>> join_rows(parts, sizes=[1, 1]).value
    array([0.1, 0.2])
    """
    names = dict.fromkeys(name for noun in nouns for name, _ in _columns(noun))
    joined = {name: _joined([getattr(noun, name) for noun in nouns], sizes) for name in names}
    return replace(nouns[0], **joined)  # type: ignore[type-var]


def _columns(noun: Any) -> list[tuple[str, Any]]:
    """The fields that stand for rows, or hold some that do."""
    held = [(field.name, getattr(noun, field.name)) for field in fields(noun) if field.init]
    return [(name, value) for name, value in held if isinstance(value, (*_ROWS, tuple, Mapping)) or is_dataclass(value)]


def _taken(value: Any, rows: IntArray, n: int) -> Any:
    """Some rows of one column."""
    if isinstance(value, np.ndarray):
        return value[rows] if value.ndim and len(value) == n else value
    if isinstance(value, Coded):
        return Coded(codes=value.codes[rows], values=value.values)
    if isinstance(value, pa.Array | pa.ChunkedArray | pa.Table):
        taken = value.take(pa.array(rows))
        return taken.combine_chunks() if isinstance(value, pa.Array) and isinstance(taken, pa.ChunkedArray) else taken
    if isinstance(value, Mapping):
        return {key: _taken(held, rows, n) for key, held in value.items()}
    if _is_by_row(value):
        return tuple(value[row] for row in rows.tolist())
    return take_rows(value, rows, n=n) if is_dataclass(value) and not isinstance(value, type) else value


def _is_by_row(value: Any) -> bool:
    """Whether something is a tuple of tuples: remarks, row by row."""
    return isinstance(value, tuple) and bool(value) and isinstance(value[0], tuple)


def _joined(values: Sequence[Any], sizes: Sequence[int]) -> Any:
    """One column of all; a part that holds no remarks has none on any of its rows."""
    first = values[0]
    joined = first
    if any(map(_is_by_row, values)):
        joined = tuple(one for value, n in zip(values, sizes, strict=True) for one in value or ((),) * n)
    elif any(value is None for value in values):
        pass
    elif isinstance(first, np.ndarray) and first.ndim:
        joined = np.concatenate(values)
    elif isinstance(first, Coded):
        joined = _recoded(values)
    elif isinstance(first, pa.Array):
        joined = pa.concat_arrays(values)
    elif isinstance(first, pa.ChunkedArray):
        joined = pa.chunked_array([chunk for value in values for chunk in value.chunks], first.type)
    elif isinstance(first, pa.Table):
        joined = pa.concat_tables(values)
    elif isinstance(first, Mapping):
        joined = _by_key(values, sizes)
    elif is_dataclass(first):
        joined = join_rows(values, sizes=sizes)
    return joined


def _by_key(values: Sequence[Mapping[str, Any]], sizes: Sequence[int]) -> dict[str, Any]:
    """Columns by name; flags that one part lacks hold for none of its rows."""
    found: dict[str, Any] = {}
    for key in dict.fromkeys(key for value in values for key in value):
        held = [value.get(key) for value in values]
        one = next(column for column in held if column is not None)
        if isinstance(one, np.ndarray) and one.dtype == bool:
            held = [np.zeros(n, bool) if column is None else column for column, n in zip(held, sizes, strict=True)]
        found[key] = _joined(held, sizes) if all(column is not None for column in held) else one
    return found


def _recoded(columns: Sequence[Coded]) -> Coded:
    """Text columns as one: equal texts share a code."""
    place: dict[str, int] = {}
    codes: list[npt.NDArray[np.int64]] = []
    for column in columns:
        table = np.array([place.setdefault(text, len(place)) for text in column.values] + [-1], dtype=np.int64)
        codes.append(table[column.codes])
    return Coded(codes=np.concatenate(codes), values=tuple(place))
