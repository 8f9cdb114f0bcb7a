"""Coarse squares over the points, to tell which boxes come near any point, and which points any box."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["Squares"]

MOST_SQUARES = 1000  # along one side
LEAST_SIDE_M = 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Squares:
    """Squares from a corner, and those that the points stand in."""

    west_m: float
    south_m: float
    side_m: float
    shape: tuple[int, int]  # rows, columns
    square: IntArray  # by point: row by row
    before: IntArray  # squares that points stand in, south and west of each corner

    @classmethod
    def of(cls, x_m: FloatArray, y_m: FloatArray) -> Squares:
        """Lay squares over points."""
        if not len(x_m):
            none = np.empty(0, dtype=np.int64)
            return cls(
                west_m=0.0, south_m=0.0, side_m=1.0, shape=(0, 0), square=none, before=np.zeros((1, 1), np.int64)
            )
        west, south = float(x_m.min()), float(y_m.min())
        side_m = max(LEAST_SIDE_M, max(np.ptp(x_m), np.ptp(y_m)) / MOST_SQUARES)
        column, row = ((x_m - west) / side_m).astype(np.int64), ((y_m - south) / side_m).astype(np.int64)
        rows, columns = int(row.max()) + 1, int(column.max()) + 1
        stood = np.zeros((rows + 1, columns + 1), dtype=np.int64)
        stood[row + 1, column + 1] = 1
        before, square = stood.cumsum(axis=0).cumsum(axis=1), row * columns + column
        return cls(west_m=west, south_m=south, side_m=side_m, shape=(rows, columns), square=square, before=before)

    def near(self, box: FloatArray, far_m: float) -> BoolArray:
        """Whether each box (west, south, east, north) may come near any point; one of nan never does.

        Examples
        --------
        >>> squares = Squares.of(np.array([0.0]), np.array([0.0]))
        >>> squares.near(np.array([[4.0, 0.0, 9.0, 1.0], [90.0, 0.0, 99.0, 1.0]]), 5.0)
        array([ True, False])
        """
        before, (c0, c1, r0, r1) = self.before, self._met(box, far_m)
        squares: IntArray = before[r1, c1] - before[r0, c1] - before[r1, c0] + before[r0, c0]
        return squares > 0

    def close(self, box: FloatArray, far_m: float) -> BoolArray:
        """Whether each point may come near any box.

        Examples
        --------
        >>> squares = Squares.of(np.array([0.0, 50.0]), np.array([0.0, 0.0]))
        >>> squares.close(np.array([[4.0, 0.0, 9.0, 1.0]]), 5.0)
        array([ True, False])
        """
        rows, columns = self.shape
        met = np.zeros((rows + 1) * (columns + 1), dtype=np.int32)  # grows by 1 where a box begins
        c0, c1, r0, r1 = self._met(box, far_m)
        for row, column, more in ((r0, c0, 1), (r1, c1, 1), (r0, c1, -1), (r1, c0, -1)):
            np.add.at(met, row * (columns + 1) + column, np.int32(more))  # of one type, which is the quick way
        boxes = met.reshape(rows + 1, columns + 1).cumsum(axis=0, dtype=np.int32).cumsum(axis=1, dtype=np.int32)
        there: BoolArray = boxes[:-1, :-1].ravel()[self.square] > 0
        return there

    def _met(self, box: FloatArray, far_m: float) -> list[IntArray]:
        """The columns and rows that boxes come near: first, and one past the last."""
        null, ends = np.isnan(box[:, 0]), []
        for corner, low, high, most in ((self.west_m, 0, 2, self.shape[1]), (self.south_m, 1, 3, self.shape[0])):
            for side, out in ((low, -far_m), (high, far_m + self.side_m)):
                place = np.where(null, 0.0, (box[:, side] + out - corner) / self.side_m)
                ends.append(np.clip(place, 0, most).astype(np.int64))
        return [np.where(null, 0, end) for end in ends]
