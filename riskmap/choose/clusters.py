"""Which trees stand together: a tree of merges, nearest first, never across what a fence can't cross."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["Merges", "coarse_groups", "link_nearest", "link_ward"]

FEW: Final = 12  # up to here all pairs are looked at: a triangulation may fail
WARD_MOST: Final = 1500  # trees of one cluster whose second tree of merges is worked out


@dataclass(frozen=True, slots=True, kw_only=True)
class Merges:
    """Merges of clusters: node n + i joins `left[i]` and `right[i]`; nodes below n are single trees."""

    n: int
    left: IntArray
    right: IntArray

    def roots(self) -> IntArray:
        """Return the nodes that nothing joins further."""
        joined = np.zeros(self.n + len(self.left), dtype=bool)
        joined[self.left] = joined[self.right] = True
        return np.flatnonzero(~joined)

    def rows(self) -> tuple[IntArray, list[int], list[int]]:
        """Return all leaves so that those of each node lie in a row; for every node its first place there and how many.

        Examples
        --------
        >>> Merges(n=3, left=np.array([0]), right=np.array([2])).rows()
        (array([1, 0, 2]), [1, 0, 2, 1], [1, 1, 1, 2])
        """
        left, right = self.left.tolist(), self.right.tolist()
        many = [1] * self.n
        for one, other in zip(left, right, strict=True):
            many.append(many[one] + many[other])
        first = [0] * len(many)
        place = 0
        for root in self.roots().tolist():
            first[root] = place
            place += many[root]
        for node in range(len(left) - 1, -1, -1):
            first[left[node]] = first[self.n + node]
            first[right[node]] = first[self.n + node] + many[left[node]]
        leaves = np.empty(self.n, dtype=np.int64)
        leaves[first[: self.n]] = np.arange(self.n)
        return leaves, first, many


def link_nearest(
    xy_m: FloatArray, *, most_m: float, crosses: Callable[[FloatArray, FloatArray], BoolArray] | None = None
) -> Merges:
    """Join trees by single linkage: along the shortest links first.

    Parameters
    ----------
    xy_m : ndarray, shape (tree, 2)
        Places. [m]
    most_m : float
        Longest link. [m]
    crosses : callable, optional
        Given the ends of links, tells which of them cross what a fence can't cross.

    Examples
    --------
    >>> merges = link_nearest(np.array([[0.0, 0.0], [1.0, 0.0], [9.0, 0.0]]), most_m=5.0)
    >>> merges.left.tolist(), merges.right.tolist(), merges.roots().tolist()
    ([0], [1], [2, 3])
    """
    a, b = _links(xy_m)
    length = np.hypot(*(xy_m[a] - xy_m[b]).T)
    short = length <= most_m
    a, b, length = a[short], b[short], length[short]
    if crosses is not None and len(a):
        clear = ~crosses(xy_m[a], xy_m[b])
        a, b, length = a[clear], b[clear], length[clear]
    order = np.lexsort((b, a, np.round(length, 9)))
    return _join(len(xy_m), a[order].tolist(), b[order].tolist())


def coarse_groups(xy_m: FloatArray, *, most_m: float) -> IntArray:
    """Return a number for each tree, alike for all that links of at most `most_m` may ever join.

    Trees of one square, and of squares that touch, count as joined: quick, and never too few.

    Parameters
    ----------
    xy_m : ndarray, shape (tree, 2)
        Places. [m]
    most_m : float
        Longest link, and side of the squares. [m]

    Examples
    --------
    >>> coarse_groups(np.array([[0.0, 0.0], [30.0, 0.0], [90.0, 0.0]]), most_m=25.0).tolist()
    [0, 0, 1]
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    square = np.floor((xy_m - xy_m.min(axis=0)) / most_m).astype(np.int64)
    width = int(square[:, 1].max()) + 3
    code, place = np.unique(square[:, 0] * width + square[:, 1] + 1, return_inverse=True)
    pairs = []
    for step in (1, width - 1, width, width + 1):  # the squares above, and those to the right
        there = np.searchsorted(code, code + step)
        there[there == len(code)] = 0
        touch = np.flatnonzero(code[there] == code + step)
        pairs.append(np.column_stack([touch, there[touch]]))
    one, other = np.concatenate(pairs).T
    graph = coo_array((np.ones(len(one)), (one, other)), shape=(len(code), len(code)))
    return np.asarray(connected_components(graph, directed=False)[1][place], dtype=np.int64)


def _links(xy_m: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs of neighbours: sides of the Delaunay triangles; trees at one place are linked in a row."""
    places, first, place = np.unique(xy_m, axis=0, return_index=True, return_inverse=True)
    place = place.reshape(-1)
    order = np.argsort(place, kind="stable")
    same = place[order][1:] == place[order][:-1]
    twins = np.column_stack([order[:-1][same], order[1:][same]])
    pairs = _triangle_sides(places)
    a, b = np.concatenate([first[pairs], twins]).T
    return np.minimum(a, b), np.maximum(a, b)


def _triangle_sides(places: FloatArray) -> IntArray:
    """Sides of the Delaunay triangles of distinct places; all pairs of few."""
    if len(places) <= FEW:
        return np.column_stack(np.triu_indices(len(places), 1)).astype(np.int64)
    from scipy.spatial import Delaunay, QhullError, cKDTree

    try:
        corners = Delaunay(places - places.mean(axis=0)).simplices
    except QhullError:  # all in a line
        _, near = cKDTree(places).query(places, k=3)
        return np.column_stack([np.repeat(np.arange(len(places)), 2), near[:, 1:].ravel()]).astype(np.int64)
    sides = np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [0, 2]]]).astype(np.int64)
    once = np.unique(sides.min(axis=1) * len(places) + sides.max(axis=1))
    return np.column_stack(np.divmod(once, len(places)))


def _join(n: int, a: list[int], b: list[int]) -> Merges:
    """Merges along links in their order."""
    parent = list(range(n))
    node = list(range(n))
    left: list[int] = []
    right: list[int] = []

    def root(tree: int) -> int:
        while parent[tree] != tree:
            parent[tree] = parent[parent[tree]]
            tree = parent[tree]
        return tree

    for one, other in zip(a, b, strict=True):
        first, second = root(one), root(other)
        if first != second:
            left.append(node[first])
            right.append(node[second])
            parent[second] = first
            node[first] = n + len(left) - 1
    return Merges(n=n, left=np.array(left, dtype=np.int64), right=np.array(right, dtype=np.int64))


def link_ward(xy_m: FloatArray) -> Merges | None:
    """Join trees so that clusters stay compact (Ward); None where they are too many.

    Parameters
    ----------
    xy_m : ndarray, shape (tree, 2)
        Places. [m]
    """
    if not 3 <= len(xy_m) <= WARD_MOST:
        return None
    from scipy.cluster.hierarchy import linkage

    pairs = linkage(xy_m, "ward")[:, :2].astype(np.int64)
    return Merges(n=len(xy_m), left=pairs[:, 0], right=pairs[:, 1])
