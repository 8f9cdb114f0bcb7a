"""Where there are too many trees for one page: those under most pressure, and hexagons of all the others."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from riskmap.deliver.html_map.encode import Payload, mercator
from riskmap.deliver.html_map.ground import Frame
from riskmap.model import FloatArray, IntArray, Result

__all__ = ["MOST_TREES", "add_overview", "pick_trees"]

MOST_TREES: Final = 2_000_000  # past this a page is too big to send or to open
WORST_TREES: Final = 100_000
HEXAGONS_ACROSS: Final = 36
NEEDS: Final = frozenset({"fit", "swap", "loosen", "remove", "look"})


def pick_trees(result: Result) -> IntArray:
    """Return the trees that go onto the page: all, or of too many those with the highest expected loss."""
    n = result.site.trees.n
    if n <= MOST_TREES:
        return np.arange(n)
    loss, pressure = (
        np.nan_to_num(column, nan=-1.0) for column in (result.pressure.loss_any, result.pressure.pressure_any)
    )
    rank = np.lexsort((np.arange(n), -pressure, -loss, ~result.site.trees.placed))
    return np.sort(rank[:WORST_TREES])


def add_overview(payload: Payload, result: Result, lon: FloatArray, frame: Frame) -> dict[str, Any]:
    """Append hexagons over all placed trees: middle, number of trees, number that need something done."""
    placed = np.flatnonzero(result.site.trees.placed)
    x_m, y_m = mercator(lon[placed], result.site.trees.lat[placed])
    low, high = np.quantile(x_m, (0.005, 0.995))
    wide = max(float(high - low) / HEXAGONS_ACROSS, 1.0)
    column, row = hexagon_of(x_m / wide, y_m / wide)
    words = result.choices.action.values
    needs = np.array([word in NEEDS for word in (*words, "")], dtype=np.int64)[result.choices.action.codes[placed]]
    both = np.column_stack([row, column])
    (cells, place) = np.unique(both, axis=0, return_inverse=True)
    count = np.bincount(place.reshape(-1), minlength=len(cells))
    hot = np.bincount(place.reshape(-1), weights=needs, minlength=len(cells)).astype(np.int64)
    middle_x = (cells[:, 1] + (cells[:, 0] % 2) / 2) * wide
    middle_y = cells[:, 0] * wide * np.sqrt(3) / 2
    payload.add_numbers("overview:n", count)
    payload.add_numbers("overview:hot", hot)
    steps = np.rint(np.column_stack([middle_x - frame.origin_x, frame.origin_y - middle_y]) / frame.step)
    for name, axis in zip(("overview:x", "overview:y"), steps.astype(np.int64).T, strict=True):
        payload.add_numbers(name, ((axis << 1) ^ (axis >> 63)).astype(np.uint32))
    return {"wide": wide / frame.step, "trees": len(placed)}


def hexagon_of(x: FloatArray, y: FloatArray) -> tuple[IntArray, IntArray]:
    """Return column and row of the hexagon, one wide and pointed at the top, that each place lies in.

    Examples
    --------
    >>> [part.tolist() for part in hexagon_of(np.array([0.1, 0.6]), np.array([0.1, 0.9]))]
    [[0, 0], [0, 1]]
    """
    high = np.sqrt(3) / 2
    nearest = np.rint(y / high).astype(np.int64)
    best = np.full(len(x), np.inf)
    column, row = np.zeros_like(nearest), np.zeros_like(nearest)
    for other in (nearest, nearest - 1, nearest + 1):  # near the slanted sides a neighbouring row may be nearer
        there = np.rint(x - (other % 2) / 2).astype(np.int64)
        far = (x - there - (other % 2) / 2) ** 2 + (y - other * high) ** 2
        nearer = far < best
        column, row, best = np.where(nearer, there, column), np.where(nearer, other, row), np.where(nearer, far, best)
    return column, row
