"""Array types, and a text column held as codes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["BoolArray", "Coded", "Float32Array", "FloatArray", "IntArray", "no_numbers"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
Float32Array: TypeAlias = npt.NDArray[np.float32]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]


def no_numbers(n: int) -> FloatArray:
    """Return a column of n missing numbers; it takes no room, and can't be written to.

    Examples
    --------
    >>> no_numbers(2)
    array([nan, nan])
    """
    return np.broadcast_to(np.float64(np.nan), n)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coded:
    """A text column as codes into its distinct values; -1 where the cell is empty.

    Examples
    --------
    >>> Coded.of(["oak", None, "oak"]).codes
    array([ 0, -1,  0])
    """

    codes: IntArray
    values: tuple[str, ...]

    @classmethod
    def of(cls, cells: Sequence[str | None]) -> Coded:
        """Code a column of texts in order of first appearance; None and "" are missing."""
        index: dict[str, int] = {}
        codes = np.fromiter(
            (index.setdefault(cell, len(index)) if cell else -1 for cell in cells), dtype=np.int64, count=len(cells)
        )
        return cls(codes=codes, values=tuple(index))

    @classmethod
    def missing(cls, n: int) -> Coded:
        """Return a column of n empty cells."""
        return cls(codes=np.broadcast_to(np.int64(-1), n), values=())

    def texts(self) -> list[str]:
        """Return the column as texts, "" where empty."""
        values = (*self.values, "")
        return [values[code] for code in self.codes]

    def take(self, table: npt.NDArray[np.generic], missing: object) -> npt.NDArray[np.generic]:
        """Look one figure up for every cell: `table` has a figure per distinct value."""
        with_missing = np.append(table, np.asarray([missing], dtype=table.dtype))
        found: npt.NDArray[np.generic] = with_missing[self.codes]
        return found
