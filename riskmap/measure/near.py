"""One look at some shapes from some points: distance, inside, edge, nearest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from riskmap.measure.engines import ENGINES, engine_name
from riskmap.measure.shapes import TIE_M, Found, Shapes
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["Near", "look_near", "settle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """How shapes lie from each point; arrays of shape (point,), ground metres, nan beyond the reach."""

    distance_m: FloatArray  # 0 inside
    inside: BoolArray
    edge_m: FloatArray
    rank: IntArray  # of the nearest feature, -1 where none


def look_near(
    shapes: Shapes, x_m: FloatArray, y_m: FloatArray, scale: FloatArray, reach_m: float, *, engine: str = ""
) -> Near:
    """Look at shapes from points.

    Parameters
    ----------
    shapes : Shapes
        Of one role.
    x_m, y_m : ndarray, shape (point,)
        Planar metres, all finite, best in Morton order. [m]
    scale : ndarray, shape (point,)
        Planar metres per ground metre at each point.
    reach_m : float
        Nothing farther than this on the ground is reported. [m]
    engine : str, optional
        ``grid`` or ``shapely``; the fastest there is when empty.
    """
    found = ENGINES[engine or engine_name()](shapes, x_m, y_m, scale, reach_m)
    distance_m, inside, rank = settle(found, np.ones(len(found.inside_point), dtype=bool))
    return Near(distance_m=distance_m, inside=inside, edge_m=found.edge_m, rank=rank)


def settle(found: Found, holds: BoolArray) -> tuple[FloatArray, BoolArray, IntArray]:
    """Settle distance, inside, and the feature that is named.

    Parameters
    ----------
    found : Found
        What an engine found.
    holds : ndarray of bool, shape (pair,)
        Which pairs of point and polygon count.
    """
    point, rank_in = found.inside_point[holds], found.inside_rank[holds]
    rank, distance_m = found.rank.copy(), found.drawn_m.copy()
    inside = found.within_width.copy()
    inside[point] = True
    if len(point):
        first = np.full(len(rank), np.iinfo(np.int64).max, dtype=np.int64)
        np.minimum.at(first, point, rank_in)
        where = np.unique(point)
        touched = (distance_m[where] <= TIE_M) & (rank[where] >= 0)
        rank[where] = np.where(touched, np.minimum(first[where], rank[where]), first[where])
        distance_m[where] = 0.0
    return distance_m, inside, rank
