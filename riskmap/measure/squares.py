"""Coarse squares that points stand in, to tell which boxes come near any of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np

from riskmap.model import BoolArray, FloatArray

__all__ = ["MayReach", "may_reach"]

MOST_SQUARES = 1000  # along one side
LEAST_SIDE_M = 16.0

MayReach: TypeAlias = Callable[[FloatArray], BoolArray]  # of boxes: west, south, east, north


def may_reach(x_m: FloatArray, y_m: FloatArray, far_m: float) -> MayReach:
    """Return what tells whether boxes come near any point, by counting squares; a box of nan never does.

    Examples
    --------
    >>> near = may_reach(np.array([0.0]), np.array([0.0]), 5.0)
    >>> near(np.array([[4.0, 0.0, 9.0, 1.0], [90.0, 0.0, 99.0, 1.0]]))
    array([ True, False])
    """
    if not len(x_m):
        return lambda box: np.zeros(len(box), dtype=bool)
    west, south = float(x_m.min()), float(y_m.min())
    side_m = max(far_m, LEAST_SIDE_M, max(np.ptp(x_m), np.ptp(y_m)) / MOST_SQUARES)
    column, row = ((x_m - west) / side_m).astype(np.int64), ((y_m - south) / side_m).astype(np.int64)
    columns, rows = int(column.max()) + 1, int(row.max()) + 1
    stood = np.zeros((rows + 1, columns + 1), dtype=np.int64)
    stood[row + 1, column + 1] = 1
    before = stood.cumsum(axis=0).cumsum(axis=1)

    def near(box: FloatArray) -> BoolArray:
        null = np.isnan(box[:, 0])
        ends = []
        for corner, low, high, most in ((west, 0, 2, columns), (south, 1, 3, rows)):
            first, last = (np.where(null, 0.0, box[:, side]) for side in (low, high))
            ends.append(np.clip((first - far_m - corner) / side_m, 0, most).astype(np.int64))
            ends.append(np.clip((last + far_m - corner) / side_m + 1, 0, most).astype(np.int64))
        c0, c1, r0, r1 = ends
        squares = before[r1, c1] - before[r0, c1] - before[r1, c0] + before[r0, c0]
        some: BoolArray = ~null & (c1 > c0) & (r1 > r0) & (squares > 0)
        return some

    return near
