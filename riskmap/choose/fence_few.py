"""What fences and single guards cost at least round few trees: every way to part them is tried."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from riskmap.model import FloatArray

if TYPE_CHECKING:
    from riskmap.choose.fences import FenceKind

__all__ = ["least_of_few"]

DIRECTIONS: Final = 24  # widths along so many, times `EVEN`: at most 0.2 % below the length round a hull, never above
EVEN: Final = 2 * math.sin(math.pi / 2 / DIRECTIONS)


def least_of_few(
    xy_m: FloatArray, own: FloatArray, inside: FloatArray, kinds: tuple[FenceKind, ...], kept: FloatArray
) -> FloatArray:
    """Return what the trees of each of several components cost at least; a handful in each, all as many.

    Parameters
    ----------
    xy_m : ndarray, shape (component, tree, 2)
        Places. [m]
    own : ndarray, shape (component, tree)
        What each tree's single guards cost.
    inside : ndarray, shape (component, tree, kind)
        What single guards each tree still needs inside a fence of each kind cost.
    kinds : tuple of FenceKind
        Fences.
    kept : ndarray, shape (component, tree)
        Share of its stand-off that a fence surely keeps round each tree.

    Examples
    --------
    Two trees 3 m apart and a third far off: a fence round the pair takes 8 + 6 m.

    >>> from riskmap.choose.fences import FenceKind
    >>> fence = FenceKind(key="deer", rate=1.0, gate=8.0, standoff_m=0.0)
    >>> xy_m = np.array([[[0.0, 0.0], [3.0, 0.0], [40.0, 0.0]]])
    >>> least_of_few(xy_m, np.full((1, 3), 7.5), np.zeros((1, 3, 1)), (fence,), np.ones((1, 3))).round(1).tolist()
    [21.5]
    """
    many, n = own.shape
    groups = 1 << n
    angle = math.pi * np.arange(DIRECTIONS) / DIRECTIONS
    along = xy_m @ np.stack([np.cos(angle), np.sin(angle)])
    cost = _sums(own)
    for number, kind in enumerate(kinds):
        past = kept[..., None] * kind.standoff_m
        hull_m = EVEN * (_farthest(along + past) + _farthest(past - along))[:, 1:].sum(axis=2)
        fence = kind.gate + kind.rate * hull_m + _sums(inside[..., number])[:, 1:]
        cost[:, 1:] = np.minimum(cost[:, 1:], fence)
    least = np.zeros((many, groups))
    for group in range(1, groups):
        first = group & -group
        parts = np.array([first | rest for rest in _within(group ^ first)])
        least[:, group] = (cost[:, parts] + least[:, group ^ parts]).min(axis=1)
    return least[:, -1]


def _sums(of_tree: FloatArray) -> FloatArray:
    """Add up over every group of trees; bit i of a group's number tells whether tree i is in it."""
    total = np.zeros((len(of_tree), 1))
    for tree in range(of_tree.shape[1]):
        total = np.concatenate([total, total + of_tree[:, tree, None]], axis=1)
    return total


def _farthest(reach: FloatArray) -> FloatArray:
    """Return the farthest reach of every group of trees, the empty one at minus infinity."""
    most = np.full((len(reach), 1, reach.shape[2]), -np.inf)
    for tree in range(reach.shape[1]):
        most = np.concatenate([most, np.maximum(most, reach[:, tree, None])], axis=1)
    return most


def _within(group: int) -> list[int]:
    """All groups of some of these trees, none of them included."""
    found, rest = [group], group
    while rest:
        rest = (rest - 1) & group
        found.append(rest)
    return found
