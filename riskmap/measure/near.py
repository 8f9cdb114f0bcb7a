"""One look at some shapes from some points: distance, inside, edge, nearest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from riskmap.measure.shapes import TIE_M, Found, Look
from riskmap.model import BoolArray, FloatArray

__all__ = ["Near", "look_near", "settle"]

ALL = slice(None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """How shapes lie from each point; arrays of shape (point,), ground metres, nan beyond the reach."""

    distance_m: FloatArray  # 0 inside
    inside: BoolArray
    edge_m: FloatArray
    rank: npt.NDArray[np.int32]  # of the nearest feature, -1 where none


def look_near(look: Look, part: slice = ALL) -> Near:
    """Look at shapes that an engine has laid out.

    Parameters
    ----------
    look : Look
        Of one role.
    part : slice, optional
        Which of the points it was laid out for; all when left out.
    """
    found = look(part)
    distance_m, inside, rank = settle(found)
    return Near(distance_m=distance_m, inside=inside, edge_m=found.edge_m, rank=rank)


def settle(found: Found, holds: BoolArray | None = None) -> tuple[FloatArray, BoolArray, npt.NDArray[np.int32]]:
    """Settle distance, inside, and the feature that is named.

    Parameters
    ----------
    found : Found
        What an engine found.
    holds : ndarray of bool, shape (pair,), optional
        Which pairs of point and polygon count; all when left out.
    """
    point, rank_in = found.inside_point, found.inside_rank.astype(np.int32)
    if holds is not None:
        point, rank_in = point[holds], rank_in[holds]
    if not len(point):
        return found.drawn_m, found.within_width, found.rank
    distance_m, inside, rank = found.drawn_m.copy(), found.within_width.copy(), found.rank.copy()
    starts = np.flatnonzero(np.diff(point, prepend=-1))  # pairs stand together by point
    where, first = point[starts], np.minimum.reduceat(rank_in, starts)
    touched = (distance_m[where] <= TIE_M) & (rank[where] >= 0)
    rank[where] = np.where(touched, np.minimum(first, rank[where]), first)
    distance_m[where], inside[where] = 0.0, True
    return distance_m, inside, rank
