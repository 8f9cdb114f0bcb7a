"""What fences and single guards cost at least, however the trees are grouped: a bound by widths.

The length round a convex shape is the sum of its widths along even directions, times a number. Along each direction
the ground is cut into strips that overlap, each with a price: its part of a fence's money. A fence is at least as wide
as the strips its trees stand in, less what those reach past the outermost, which its gate and its stand-off pay for.
So if trees pay up to what their single guards cost into the strips they stand in, and no strip takes more than its
price, then no group of trees pays more than its fence costs, and what all pay together no choice undercuts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from riskmap.choose.fence_few import least_of_few
from riskmap.model import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from riskmap.choose.fences import FenceKind

__all__ = ["least_total"]

FEW: Final = 8  # trees of a component up to which every way to part them is tried
PARTINGS: Final = 100_000  # groups of few trees looked at together
FINE: Final = ((24, 6), (16, 4), (12, 3), (8, 3), (8, 2), (6, 1), (4, 1))  # directions, strips a tree stands in
PLACES: Final = 4_000_000  # most trees x directions x strips, unless the coarsest has more
REACHES: Final = np.array([0.5, 0.75, 1.0, 1.5, 2.0, 3.0])  # of strips past a tree, in stand-offs: the best is taken
ROUNDS: Final = 24  # of paying, each into the strips that had most room
LITTLE: Final = 3e-4  # a round that gains less of the whole is the last
SHORT_M: Final = 1e-3  # what is fixed of a fence, in metres of it, too short to lay strips by
AT_ONCE: Final = 8192  # trees, so that their strips stay in the processor's cache


def least_total(
    xy_m: FloatArray,
    own: FloatArray,
    inside: FloatArray,
    kinds: tuple[FenceKind, ...],
    component: IntArray,
    kept: FloatArray | None = None,
) -> float:
    """Return a cost that no choice of fences and single guards can go below.

    Parameters
    ----------
    xy_m, own, inside, kinds
        As `choose_fences` takes them.
    component : ndarray, shape (tree,)
        Trees of one number may stand in one fence.
    kept : ndarray, shape (tree,), optional
        Share of its stand-off that every fence round a tree surely keeps on all sides; without it all of it.

    Examples
    --------
    Three trees are not worth a gate; round two hundred at one place a fence costs 200.5, here at least nearly that.

    >>> from riskmap.choose.fences import FenceKind
    >>> fence = (FenceKind(key="deer", rate=8.0, gate=100.0, standoff_m=2.0),)
    >>> for n in (3, 200):
    ...     none = np.zeros(n, dtype=np.int64)
    ...     print(round(least_total(np.zeros((n, 2)), np.full(n, 9.0), np.zeros((n, 1)), fence, none), 1))
    27.0
    193.4
    """
    _, component = np.unique(component, return_inverse=True)
    kept = np.ones(len(xy_m)) if kept is None else kept
    kinds, inside = _undominated(kinds, inside)
    pays = _may_pay(own, inside, kinds, component, kept)
    total = float(own[~pays].sum())
    trees = np.flatnonzero(pays)
    trees = trees[np.argsort(component[trees], kind="stable")]
    many = np.bincount(component[trees])[component[trees]]
    for size in range(1, FEW + 1):
        some = trees[many == size].reshape(-1, size)
        for part in np.array_split(some, len(some) * 2**size // PARTINGS + 1):
            total += float(least_of_few(xy_m[part], own[part], inside[part], kinds, kept[part]).sum())
    trees = trees[many > FEW]
    first = np.flatnonzero(np.diff(component[trees], prepend=-1))
    cut = first[np.diff(first // AT_ONCE, prepend=-1) > 0]
    for some in np.split(trees, cut[1:]):
        _, place = np.unique(component[some], return_inverse=True)
        few = _Few(xy_m=xy_m[some], component=place, kept=kept[some], fine=_fineness(len(trees)))
        price = own[some]
        for number, kind in enumerate(kinds):
            price = few.lowered(price, inside[some, number], kind)
        total += float(price.sum())
    return total


def _fineness(trees: int) -> tuple[int, int]:
    """Directions and strips a tree stands in, for so many trees."""
    return next((fine for fine in FINE if trees * fine[0] * fine[1] <= PLACES), FINE[-1])


def _undominated(kinds: tuple[FenceKind, ...], inside: FloatArray) -> tuple[tuple[FenceKind, ...], FloatArray]:
    """Kinds without those that cost no less than another everywhere: they can't bring a total down."""

    def costs(number: int) -> tuple[float, float, float]:
        return kinds[number].rate, kinds[number].gate, kinds[number].standoff_m

    kept: list[int] = []
    for number in sorted(range(len(kinds)), key=costs):
        if not any(
            all(one <= other for one, other in zip(costs(cheap), costs(number), strict=True))
            and bool((inside[:, cheap] <= inside[:, number]).all())
            for cheap in kept
        ):
            kept.append(number)
    return tuple(kinds[number] for number in kept), inside[:, kept]


def _may_pay(
    own: FloatArray, inside: FloatArray, kinds: tuple[FenceKind, ...], component: IntArray, kept: FloatArray
) -> BoolArray:
    """Trees of components in which all together save more than the shortest fence costs."""
    count = int(component.max(initial=-1)) + 1
    least_kept = np.ones(count)
    np.minimum.at(least_kept, component, kept)
    pays = np.zeros(count, dtype=bool)
    for number, kind in enumerate(kinds):
        saved = np.bincount(component, weights=np.maximum(own - inside[:, number], 0.0), minlength=count)
        pays |= saved > kind.gate + kind.rate * 2 * math.pi * kind.standoff_m * least_kept
    return np.asarray(pays[component])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Few:
    """Some components whole, their trees in a row."""

    xy_m: FloatArray
    component: IntArray
    kept: FloatArray
    fine: tuple[int, int]

    def sums(self, of_tree: FloatArray) -> FloatArray:
        """Add up by component."""
        return np.asarray(np.bincount(self.component, weights=of_tree), dtype=np.float64)

    def lowered(self, price: FloatArray, inside: FloatArray, kind: FenceKind) -> FloatArray:
        """Lower what trees bear, until no group of them bears more than a fence of this kind and guards inside."""
        pays = np.maximum(price - inside, 0.0)
        clear = self.kept > 0
        standoff_m = kind.standoff_m * float(self.kept[clear].min(initial=1.0))
        round_m = 2 * math.pi * standoff_m
        # where something cuts fences back, either the trees near it pay nothing, or no stand-off is counted on
        near = self.sums(np.where(clear, 0.0, pays))
        keeps = (near <= kind.rate * round_m) | (kind.gate < kind.rate * round_m / 2)
        pays[~clear & keeps[self.component]] = 0.0
        fixed = kind.gate + kind.rate * np.where(keeps, round_m, 0.0)
        paid = np.zeros(len(pays))
        more = self.sums(pays) > fixed
        if kind.rate > 0 and more.any():
            short = fixed <= kind.rate * SHORT_M
            pays[short[self.component]] = 0.0
            strips = _lay_strips(self, standoff_m, np.where(short, SHORT_M, fixed / kind.rate))
            fixed = np.maximum(fixed - kind.rate * strips.past_m, 0.0)
            paid = strips.paid(self, pays, kind.rate, fixed)
        paid = np.where(more[self.component], paid, pays)
        left = pays - paid
        by_gate = np.minimum(1.0, fixed / np.maximum(self.sums(left), 1e-300))
        return np.minimum(price, inside + paid + left * by_gate[self.component])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strips:
    """Strips of all directions.

    Attributes
    ----------
    of : ndarray, shape (direction x strips a tree stands in, tree)
        Strips each tree stands in.
    length_m : ndarray, shape (strip,)
        Length of fence that each stands for.
    past_m : ndarray, shape (component,)
        Length by which the strips that hold some trees of a component may outdo the hull round them, at most.
    """

    of: IntArray
    length_m: FloatArray
    past_m: FloatArray

    def paid(self, few: _Few, pays: FloatArray, rate: float, fixed: FloatArray) -> FloatArray:
        """Let trees pay up to `pays` into their strips, more into those that had room; what the strips can take."""
        room = rate * self.length_m
        lure = room.copy()
        whole = few.sums(pays)
        best, most = np.zeros(len(pays)), np.full(len(whole), -1.0)
        before = 0.0
        for _ in range(ROUNDS):
            offer = lure[self.of]
            offer *= pays / offer.sum(axis=0)
            wanted = np.bincount(self.of.ravel(), weights=offer.ravel(), minlength=len(room))
            share = room / np.maximum(wanted, room * 1e-9)
            offer *= np.minimum(share, 1.0)[self.of]
            taken = offer.sum(axis=0)
            total = few.sums(taken)
            more = total > most
            most[more] = total[more]
            more = more[few.component]
            best[more] = taken[more]
            reached = float(np.minimum(most + fixed, whole).sum())
            if reached - before <= LITTLE * reached:
                break
            before = reached
            lure *= np.clip(share, 0.2, 5.0) ** 1.3
            lure = np.maximum(lure / lure.max(), 1e-100)
        return best


def _lay_strips(few: _Few, standoff_m: float, fixed_m: FloatArray) -> _Strips:
    """Lay strips in each direction and component as wide as loses least there; past trees no more than `fixed_m`."""
    directions, beside = few.fine
    even = 2 * math.sin(math.pi / 2 / directions)  # the widths along so many directions, times this: never above a hull
    n, component = len(few.xy_m), few.component
    start = np.searchsorted(component, np.arange(len(fixed_m)))
    most_m = fixed_m / (2 * even * directions) * (1 - 1e-9)
    unit_m = np.minimum(most_m, standoff_m) if standoff_m > 0 else most_m
    angle = math.pi * (np.arange(directions) + 0.3) / directions
    along = np.stack([np.cos(angle), np.sin(angle)], axis=1) @ (few.xy_m - few.xy_m.mean(axis=0)).T
    order = np.lexsort((along, np.broadcast_to(component, along.shape)))
    along = np.take_along_axis(along, order, axis=1)
    gap_m = np.diff(along, axis=1, prepend=along[:, :1])
    gap_m[:, start] = 0.0
    lost_m = np.stack(
        [
            np.add.reduceat(
                np.maximum(gap_m - (2 * beside / (beside + 1) * reach) * unit_m[component], 0.0), start, axis=1
            )
            + 2 * reach * unit_m / (beside + 1)
            for reach in REACHES
        ]
    )
    past_m = REACHES[lost_m.argmin(axis=0)] * unit_m
    past_m *= np.minimum(1.0, most_m * directions / past_m.sum(axis=0))
    step_m = 2 * past_m / (beside + 1)
    cell = np.floor((along - along[:, start][:, component]) / step_m[:, component]).astype(np.int64)
    of = np.empty((directions * beside, n), dtype=np.int64)
    length_m = []
    many = 0
    for direction in range(directions):
        for shift in range(beside):
            strip = (cell[direction] + shift) // beside
            new = np.diff(strip, prepend=-1) != 0
            new[start] = True
            of[direction * beside + shift, order[direction]] = many - 1 + np.cumsum(new)
            length_m.append(even * step_m[direction, component[new]])
            many += int(new.sum())
    return _Strips(of=of, length_m=np.concatenate(length_m), past_m=2 * even * past_m.sum(axis=0))
