"""Trees at the border of a fence: those outside that save by joining it, those inside that it does better without."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["SIDES", "mend_border", "reach_m"]

SIDES: Final = 48  # a hull's length is taken as that of the polygon of so many sides round it: at most 0.15 % more
SIDE: Final = 2 * math.tan(math.pi / SIDES)  # length of that polygon for each metre that all its sides reach together
DEEP: Final = 9  # outermost trees looked at on each side before all are looked at anew
LOOKS: Final = 12
TINY: Final = 1e-6  # money


def reach_m(xy_m: FloatArray) -> FloatArray:
    """Return how far places reach to each of many sides, seen from their middle.

    Parameters
    ----------
    xy_m : ndarray, shape (tree, 2)
        Places. [m]

    Returns
    -------
    ndarray, shape (tree, side)
        Reach; the length round some places is `SIDE` times the sum of their farthest. [m]
    """
    angle = 2 * np.pi * np.arange(SIDES) / SIDES
    return np.asarray((xy_m - xy_m.mean(axis=0)) @ np.stack([np.cos(angle), np.sin(angle)]))


def mend_border(reach: FloatArray, saved: FloatArray, rate: float, ours: BoolArray, free: BoolArray) -> BoolArray:
    """Return the trees of a fence after others joined or left it, one by one, as long as that saves money.

    Parameters
    ----------
    reach : ndarray, shape (tree, side)
        From `reach_m`. [m]
    saved : ndarray, shape (tree,)
        What each tree saves inside the fence.
    rate : float
        Money a metre of fence.
    ours : ndarray, shape (tree,)
        Trees inside now.
    free : ndarray, shape (tree,)
        Trees that may join.

    Examples
    --------
    A tree far out costs more fence than it saves; one among the others joins for nothing.

    >>> xy_m = np.array([[0.0, 0.0], [9.0, 0.0], [0.0, 9.0], [9.0, 9.0], [50.0, 5.0], [4.0, 4.0]])
    >>> ours = np.array([True, True, True, True, True, False])
    >>> mend_border(reach_m(xy_m), np.full(6, 30.0), 1.0, ours, ~ours).tolist()
    [True, True, True, True, False, True]
    """
    ours = ours.copy()
    price = rate * SIDE
    for _ in range(LOOKS if ours.sum() > 2 else 0):
        outer = _outermost(reach, ours)
        near = np.flatnonzero(free & ~ours & (saved > TINY))
        near = near[_longer(reach[near], reach[outer].max(axis=0)) * price < saved[near]]
        moved = False
        for _ in range(DEEP - 1):
            farthest = np.partition(reach[outer], -2, axis=0)[-2:]
            dropped = reach[outer] >= farthest[1]
            shorter = (dropped * (farthest[1] - farthest[0])).sum(axis=1)
            leaves = price * shorter - saved[outer]
            joins = saved[near] - price * _longer(reach[near], farthest[1])
            if len(near) and joins.max() > max(float(leaves.max()), TINY):
                at = int(joins.argmax())
                ours[near[at]] = True
                outer, near = np.append(outer, near[at]), np.delete(near, at)
            elif leaves.max() > TINY and len(outer) > 2:
                at = int(leaves.argmax())
                ours[outer[at]] = False
                outer = np.delete(outer, at)
            else:
                break
            moved = True
        if not moved:
            break
    return ours


def _outermost(reach: FloatArray, ours: BoolArray) -> IntArray:
    """The trees inside that are among the farthest to any side."""
    inside = np.flatnonzero(ours)
    if len(inside) <= DEEP:
        return inside
    return inside[np.unique(np.argpartition(reach[inside], -DEEP, axis=0)[-DEEP:])]


def _longer(reach: FloatArray, farthest: FloatArray) -> FloatArray:
    """How much farther all sides together reach with each of some trees."""
    return np.asarray(np.maximum(reach - farthest, 0.0).sum(axis=1))
