"""The order in which points and features are taken, so that neighbours come together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from riskmap.model import FloatArray, IntArray

__all__ = ["morton_order", "spread_bits"]

COARSE_M = 100_000.0  # sites smaller than this are sorted into 256 x 256 squares, larger ones into finer ones


def morton_order(x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """Return the order in which points lie along a Morton curve, so that neighbours are searched together.

    Examples
    --------
    >>> morton_order(np.array([0.0, 9.0, 1.0]), np.array([0.0, 9.0, 1.0]))
    array([0, 2, 1])
    """
    if not len(x_m):
        return np.empty(0, dtype=np.int64)
    span = max(float(np.ptp(x_m)), float(np.ptp(y_m)), 1e-9)
    bits = 8 if span < COARSE_M else 16
    cell = (2**bits - 1) / span
    code = spread_bits((x_m - x_m.min()) * cell) | (spread_bits((y_m - y_m.min()) * cell) << np.uint32(1))
    if bits == 8:  # sorted by counting
        code = code.astype(np.uint16)
    return np.argsort(code, kind="stable").astype(np.int64)


def spread_bits(value: FloatArray) -> npt.NDArray[np.uint32]:
    """Return whole numbers with a zero bit put between each of their 16 bits."""
    bits = value.astype(np.uint32)
    for shift, mask in ((8, 0x00FF00FF), (4, 0x0F0F0F0F), (2, 0x33333333), (1, 0x55555555)):
        bits = (bits | (bits << np.uint32(shift))) & np.uint32(mask)
    return bits
