"""Shared fences or single guards: which groups of trees to fence, so that all together costs least.

A fence stands off a group's hull; its length is the hull's and a circle's of the stand-off. Groups are the nodes of a
tree of merges: for each the cheaper of one fence round it and of the best of its halves, from the leaves up. Then
trees at the border join or leave.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from riskmap.choose.clusters import Merges, coarse_groups, link_nearest, link_ward
from riskmap.choose.fence_border import SIDE, SIDES, mend_border, reach_m
from riskmap.choose.fence_bound import least_total
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["FenceKind", "Fenced", "Fencing", "break_even_ha", "choose_fences", "hull_length_m"]

LINK_M: Final = 25.0  # trees farther apart are not fenced together
KEPT: Final = 0.95  # share of a stand-off that is kept where corners are built of chords of up to 34 degrees


@dataclass(frozen=True, slots=True, kw_only=True)
class FenceKind:
    """One kind of fence, over the years that it is needed.

    Attributes
    ----------
    rate : float
        Money a metre.
    gate : float
        Money a fence: its gate.
    standoff_m : float
        Distance from the stems inside.
    """

    key: str
    rate: float
    gate: float
    standoff_m: float

    def cost(self, hull_m: float) -> float:
        """Return the money for a fence round a hull of this length."""
        return self.gate + self.rate * (hull_m + 2 * math.pi * self.standoff_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fenced:
    """One group worth a fence."""

    trees: IntArray
    kind: int
    hull_m: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fencing:
    """All groups worth a fence, what everything costs, and what it costs at least."""

    groups: tuple[Fenced, ...]
    total: float
    single: float  # with single guards alone
    bound: float


def break_even_ha(rate: float, single: float, per_ha: float, aspect: float = 1.0) -> float:
    """Return the area from which one fence round a block costs less than single guards.

    Parameters
    ----------
    rate : float
        Money a metre of fence.
    single : float
        Money a tree.
    per_ha : float
        Trees a hectare.
    aspect : float
        Length over width of the block.

    Examples
    --------
    >>> round(break_even_ha(10.27, 2.43, 1100), 2), round(break_even_ha(10.27, 2.43, 1100, 4), 2)
    (2.36, 3.69)
    """
    return (rate * 2 * (1 + aspect) / (math.sqrt(aspect) * single * per_ha / 1e4)) ** 2 / 1e4


def hull_length_m(xy_m: FloatArray) -> float:
    """Return the length round the hull of some places: twice their distance where they lie in a line.

    Examples
    --------
    >>> hull_length_m(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]])), hull_length_m(np.array([[0.0, 0.0], [3.0, 4.0]]))
    (12.0, 10.0)
    """
    import shapely

    hull = shapely.convex_hull(shapely.multipoints(xy_m))
    return float(hull.length) * (2 if hull.geom_type == "LineString" else 1)


def choose_fences(  # noqa: PLR0913  what the ground allows is asked by name
    xy_m: FloatArray,
    own: FloatArray,
    inside: FloatArray,
    kinds: tuple[FenceKind, ...],
    *,
    crosses: Callable[[FloatArray, FloatArray], BoolArray] | None = None,
    allowed: Callable[[IntArray, int], float | None] | None = None,
    clear: Callable[[IntArray], BoolArray] | None = None,
) -> Fencing:
    """Choose the groups to fence.

    Parameters
    ----------
    xy_m : ndarray, shape (tree, 2)
        Places. [m]
    own : ndarray, shape (tree,)
        What each tree's single guards cost.
    inside : ndarray, shape (tree, kind)
        What single guards each tree still needs inside a fence of each kind cost.
    kinds : tuple of FenceKind
        Fences.
    crosses : callable, optional
        Given the ends of links, tells which of them cross what a fence can't cross.
    allowed : callable, optional
        Given a group and a kind, returns the length of the fence as it can really stand, or None where it can't.
        It stands round the trees, be it nearer to them than it should.
    clear : callable, optional
        Given trees, tells round which of them every fence that is allowed keeps its stand-off on all sides, corners
        built of chords apart. Without it the bound counts on that only where everything is allowed.
    """
    whole = _Job(xy_m=xy_m, own=own, inside=inside, kinds=kinds, allowed=allowed, clear=clear)
    single = float(own.sum())
    near = coarse_groups(xy_m, most_m=LINK_M)
    pays = _may_pay(whole, near)
    trees, rest = np.flatnonzero(pays), np.flatnonzero(~pays)
    least = whole.only(rest).least(near[rest])
    if not len(trees):
        return Fencing(groups=(), total=single, single=single, bound=min(least, single))
    job = whole.only(trees)
    merges = link_nearest(job.xy_m, most_m=LINK_M, crosses=crosses)
    component = _component(merges)
    groups: list[Fenced] = []
    nodes = _work_out(job, merges, np.arange(len(trees)))
    pays = _may_pay(job, component)
    for root in nodes.merges.roots().tolist():
        some = nodes.trees(root)
        if not pays[some[0]]:
            continue
        ours = _take(job, nodes, root)
        compact = link_ward(job.xy_m[some])
        if compact is not None:
            others = _take(job, _work_out(job, compact, some), int(compact.roots()[0]))
            ours = min(ours, others, key=lambda found: _together(job, found))
        groups += _mend(job, ours, some)
    total = _together(job, groups) + single
    placed = tuple(replace(group, trees=trees[group.trees]) for group in groups)
    return Fencing(groups=placed, total=total, single=single, bound=min(least + job.least(component), total))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What `choose_fences` was asked."""

    xy_m: FloatArray
    own: FloatArray
    inside: FloatArray
    kinds: tuple[FenceKind, ...]
    allowed: Callable[[IntArray, int], float | None] | None
    clear: Callable[[IntArray], BoolArray] | None

    def only(self, trees: IntArray) -> _Job:
        """Return the same for some trees, numbered anew."""
        asked, told = self.allowed, self.clear
        return replace(
            self,
            xy_m=self.xy_m[trees],
            own=self.own[trees],
            inside=self.inside[trees],
            allowed=None if asked is None else lambda some, kind: asked(trees[some], kind),
            clear=None if told is None else lambda some: told(trees[some]),
        )

    def least(self, component: IntArray) -> float:
        """Return what everything costs at least, if trees of one number may stand in one fence."""
        if self.allowed is None:
            return least_total(self.xy_m, self.own, self.inside, self.kinds, component)
        kept = np.zeros(len(self.own))
        asked = np.flatnonzero(_may_pay(self, component, shortest=False))
        if self.clear is not None and len(asked):
            kept[asked] = KEPT * self.clear(asked)
        return least_total(self.xy_m, self.own, self.inside, self.kinds, component, kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Nodes:
    """What every node of a tree of merges costs; `tree` tells which tree each leaf is."""

    merges: Merges
    tree: IntArray
    leaves: IntArray  # so that those of each node lie in a row
    first: list[int]
    many: list[int]
    best: list[float]  # the cheapest with any fences below
    fence: list[float]  # one fence round all, with the single guards inside
    kind: list[int]

    def trees(self, node: int) -> IntArray:
        """Return the trees below a node, in their order."""
        first = self.first[node]
        return np.sort(self.tree[self.leaves[first : first + self.many[node]]])


def _work_out(job: _Job, merges: Merges, tree: IntArray) -> _Nodes:
    """Cost every node: hulls by how far they reach to each of many sides, which merges by taking the farther."""
    n, joined = merges.n, len(merges.left)
    reach = np.empty((n + joined, SIDES))
    inside = np.empty((n + joined, len(job.kinds)))
    reach[:n], inside[:n] = reach_m(job.xy_m[tree]), job.inside[tree]
    left, right = merges.left.tolist(), merges.right.tolist()
    for place, (one, other) in enumerate(zip(left, right, strict=True), start=n):
        np.maximum(reach[one], reach[other], out=reach[place])
        np.add(inside[one], inside[other], out=inside[place])
    hull_m = np.maximum(reach.sum(axis=1) * SIDE, 0.0)
    cost = inside + np.stack(
        [kind.gate + kind.rate * (hull_m + 2 * math.pi * kind.standoff_m) for kind in job.kinds], axis=1
    )
    fence = cost.min(axis=1).tolist()
    best = np.minimum(job.own[tree], cost[:n].min(axis=1)).tolist()
    for place, (one, other) in enumerate(zip(left, right, strict=True), start=n):
        best.append(min(best[one] + best[other], fence[place]))
    leaves, first, many = merges.rows()
    kinds = cost.argmin(axis=1).tolist()
    return _Nodes(merges=merges, tree=tree, leaves=leaves, first=first, many=many, best=best, fence=fence, kind=kinds)


def _take(job: _Job, nodes: _Nodes, root: int) -> list[Fenced]:
    """Fences of the best choice below one root, each with its true length; where one can't stand, those below it."""
    n, found, open_nodes = nodes.merges.n, [], [root]
    while open_nodes:
        node = open_nodes.pop()
        halves = [] if node < n else [int(nodes.merges.left[node - n]), int(nodes.merges.right[node - n])]
        apart = sum(nodes.best[half] for half in halves) if halves else float(job.own[nodes.tree[node]])
        if nodes.fence[node] < apart:
            fenced = _stand(job, nodes.trees(node), nodes.kind[node])
            if fenced is not None and fenced.cost < apart:
                found.append(fenced)
                continue
        open_nodes += halves
    return found


def _stand(job: _Job, trees: IntArray, kind: int) -> Fenced | None:
    """One fence with its true length, and the single guards inside; None where it can't stand."""
    ours = job.kinds[kind]
    hull_m = hull_length_m(job.xy_m[trees])
    if job.allowed is not None:
        length_m = job.allowed(trees, kind)
        if length_m is None:
            return None
        hull_m = length_m - 2 * math.pi * ours.standoff_m
    return Fenced(trees=trees, kind=kind, hull_m=hull_m, cost=ours.cost(hull_m) + float(job.inside[trees, kind].sum()))


def _mend(job: _Job, groups: list[Fenced], some: IntArray) -> list[Fenced]:
    """Fences of one component after trees at their borders joined or left, where that costs less."""
    reach = reach_m(job.xy_m[some])
    free = np.ones(len(some), dtype=bool)
    for group in groups:
        free[np.searchsorted(some, group.trees)] = False
    mended = []
    for group in groups:
        ours = np.zeros(len(some), dtype=bool)
        ours[np.searchsorted(some, group.trees)] = True
        saved = job.own[some] - job.inside[some, group.kind]
        after = mend_border(reach, saved, job.kinds[group.kind].rate, ours, free)
        changed = _stand(job, some[after], group.kind) if (after != ours).any() else None
        if changed is not None and _together(job, [changed]) < _together(job, [group]):
            free = (free | ours) & ~after
            mended.append(changed)
        else:
            mended.append(group)
    return mended


def _together(job: _Job, groups: list[Fenced]) -> float:
    """What fences change, against single guards everywhere."""
    return sum(group.cost - float(job.own[group.trees].sum()) for group in groups)


def _may_pay(job: _Job, component: IntArray, *, shortest: bool = True) -> BoolArray:
    """Trees for which the shortest fence, or a gate alone, would pay, round all that may stand in it together."""
    _, place = np.unique(component, return_inverse=True)
    saved = np.maximum(job.own[:, None] - job.inside, 0.0)
    pays = np.zeros(len(component), dtype=bool)
    for number, kind in enumerate(job.kinds):
        pays |= (np.bincount(place, weights=saved[:, number]) > (kind.cost(0.0) if shortest else kind.gate))[place]
    return pays


def _component(merges: Merges) -> IntArray:
    """Which trees may stand in one fence: the root above each."""
    above = np.arange(merges.n + len(merges.left))
    for place in range(len(merges.left) - 1, -1, -1):
        above[merges.left[place]] = above[merges.right[place]] = above[merges.n + place]
    return above[: merges.n]
