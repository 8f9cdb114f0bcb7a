"""Which polygons hold which points.

Prepared polygons make this quick, and stay in the thread that asks: in several at once they break the heap.
"""

from __future__ import annotations

import numpy as np
import shapely

from riskmap.measure.runs import Areas, Geometries
from riskmap.model import FloatArray, IntArray

__all__ = ["held", "points_inside"]


def held(areas: Areas, x_m: FloatArray, y_m: FloatArray) -> tuple[IntArray, IntArray]:
    """Return pairs of point and feature where a polygon holds the point, its edge included; in order, each once."""
    none = np.empty(0, dtype=np.int64)
    if not len(areas.rank) or not len(x_m):
        return none, none
    at, area = areas.index.query(shapely.points(x_m, y_m))
    wanted = np.unique(area)
    shape = areas.shapes(wanted)
    shapely.prepare(shape)
    slot = np.searchsorted(wanted, area)
    by_area = np.argsort(slot, kind="stable")
    at, slot = at[by_area], slot[by_area]
    holds = shapely.intersects_xy(shape[slot], x_m[at], y_m[at])
    pairs = np.unique(np.column_stack([at[holds], areas.rank[wanted[slot[holds]]]]), axis=0).astype(np.int64)
    return pairs[:, 0], pairs[:, 1]


def points_inside(polygons: Geometries, x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """Return the numbers of the points that any of the polygons holds, each once."""
    numbers = np.arange(len(polygons))
    areas = Areas.of(shapely.bounds(polygons), numbers, polygons, polygons)
    return np.unique(held(areas, x_m, y_m)[0])
