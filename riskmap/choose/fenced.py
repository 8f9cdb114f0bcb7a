"""Shared fences where money decides: groups for which a fence is worth its price, then the best choice with them."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, TypeAlias

import numpy as np
import shapely

from riskmap.choose.case import Case
from riskmap.choose.fences import choose_fences
from riskmap.choose.knapsack import Bought, Steps
from riskmap.choose.limits import EXACT_TREES
from riskmap.choose.lines import FenceLine, fence_lines, ground_of
from riskmap.choose.market import Market
from riskmap.choose.obstacles import Obstacles
from riskmap.choose.offers import prevention
from riskmap.choose.within import best_within
from riskmap.model import FloatArray, IntArray

__all__ = ["FencePlan", "Gained", "Offered", "buy_with_fences", "choose_offered", "open_survey"]

Gained: TypeAlias = Callable[[IntArray, int, FloatArray, FloatArray], FloatArray]

CHEAPEST: Final = 1e-3  # loss prevented that money is worth at least when fences are sought
ROUNDS: Final = 4  # of seeking fences at the price that the last choice left
MOST_TRIED: Final = 5  # fences of which every set is tried
TOGGLES: Final = 6  # fences put in or left out one by one
QUICK_TREES: Final = 20_000  # of more, fences are sought once, at the price without them
TINY: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """One fence that may be built.

    Attributes
    ----------
    trees : ndarray
        Trees inside that it is for.
    line : FenceLine
        What it is built of.
    area : Polygon
        The ground inside.
    cost : float
        Money now, in whole cents.
    benefit, goal : ndarray, shape (tree of the fence, option)
        Loss that the fence with each option prevents, and what that is worth, the fence itself not paid.
    """

    trees: IntArray
    line: FenceLine
    area: Any
    cost: float
    benefit: FloatArray
    goal: FloatArray

    def scaled(self, by: float) -> Offered:
        """Return the same with what it is worth in another unit."""
        return replace(self, benefit=self.benefit * by, goal=self.goal * by)


@dataclass(frozen=True, slots=True, kw_only=True)
class FencePlan:
    """The choice with shared fences.

    Attributes
    ----------
    bought : Bought
        Its value, money and bound count the fences; the bound holds for any choice among the fences offered.
    built : tuple of Offered
        Fences to build.
    offered : tuple of Offered
        Fences thought of.
    """

    bought: Bought
    built: tuple[Offered, ...]
    offered: tuple[Offered, ...]

    def benefit(self, market: Market) -> FloatArray:
        """Return the loss prevented at every tree."""
        rows = np.arange(len(self.bought.option))
        found: FloatArray = market.benefit[rows, self.bought.option].copy()
        for fence in self.built:
            found[fence.trees] = fence.benefit[np.arange(len(fence.trees)), self.bought.option[fence.trees]]
        return found


def buy_with_fences(case: Case, market: Market, steps: Steps) -> FencePlan:
    """Choose guards and shared fences.

    Fences are sought at the price of money that the best choice without them leaves: a group gets one where what it
    prevents less what it costs at that price beats the best single choices of its trees. The best choice among the
    fences found, built or not, leaves a price of its own, at which they are sought again.

    Parameters
    ----------
    case : Case
        The site.
    market : Market
        What can be had.
    steps : Steps
        What `hull_steps` found for the market.
    """
    plain = best_within(market.uses, market.goal, market.room, promise=market.promise, steps=steps)
    best = FencePlan(bought=plain, built=(), offered=())
    survey = open_survey(case, market, _loss_gained(case))
    if survey is None:
        return best
    price, seen = np.array(plain.price), set[tuple[float, ...]]()
    for _ in range(ROUNDS if len(market.goal) <= QUICK_TREES else 1):
        seen.add(tuple(np.round(price, 9).tolist()))
        offered = survey.seek(price)
        if not offered:
            break
        found = choose_offered(market, plain, offered)
        if not best.offered or found.bought.value > best.bought.value + TINY * abs(best.bought.value):
            best = found
        price = np.array(found.bought.price)
        if tuple(np.round(price, 9).tolist()) in seen:
            break
    return best


def choose_offered(market: Market, plain: Bought, offered: list[Offered]) -> FencePlan:
    """Choose which of some fences to build, with the best guards besides.

    Parameters
    ----------
    market : Market
        What can be had without fences.
    plain : Bought
        The best choice without fences.
    offered : list of Offered
        Fences, no tree in two of them.

    Returns
    -------
    FencePlan
        Proven best of all choices among these fences where they and the trees are few; else with a proven bound.
    """
    tried: dict[frozenset[int], Bought | None] = {frozenset(): plain}

    def tried_with(some: frozenset[int]) -> float:
        if some not in tried:
            tried[some] = _bought_with(market, [offered[at] for at in sorted(some)])
        found = tried[some]
        return -np.inf if found is None else found.value

    quick = len(market.goal) > QUICK_TREES
    few = len(offered) <= MOST_TRIED and len(market.goal) <= EXACT_TREES
    gains = _gains(market, offered, np.array(plain.price))
    worth = frozenset(at for at, gain in enumerate(gains) if gain > 0)
    free = not np.isfinite(market.room).any()
    if free:  # nothing is limited: every fence stands for itself
        tried_with(worth)
    elif few:
        for size in range(1, len(offered) + 1):
            for few_of_them in itertools.combinations(range(len(offered)), size):
                tried_with(frozenset(few_of_them))
    else:
        starts = [frozenset[int](), _affordable(market, offered, worth), _affordable(market, offered)]
        some = max(starts, key=tried_with)
        for at in _doubtful(market, offered, tried[some] or plain)[: 0 if quick else TOGGLES]:
            other = some ^ {at}
            if tried_with(other) > tried_with(some):
                some = other
    best = max(tried, key=lambda some: (tried_with(some), -len(some), sorted(some)))
    bought = tried[best]
    assert bought is not None
    settled = [found for found in tried.values() if found is not None]
    bound = min(_bound(market, offered, np.array(found.price)) for found in settled)
    exact = free or (few and all(found.exact for found in settled))
    if market.promise is not None and len(settled) < len(tried):
        exact = False  # there might have been a way to keep the promise by fences alone
    bought = replace(bought, bound=bought.value if exact else max(bound, bought.value), exact=exact)
    return FencePlan(bought=bought, built=tuple(offered[at] for at in sorted(best)), offered=tuple(offered))


def _bought_with(market: Market, fences: list[Offered]) -> Bought | None:
    """The best choice with some fences built; None where there is no money for them."""
    paid = sum(fence.cost for fence in fences)
    room = market.room.copy()
    room[0] -= paid
    promised = 0.0 if market.promise is None else float(market.promise.cost.sum())
    if room[0] < promised - TINY:
        return None
    goal = market.goal.copy()
    for fence in fences:
        goal[fence.trees] = fence.goal
    bought = best_within(market.uses, goal, room, promise=market.promise)
    value = bought.value - (paid if market.net else 0.0)
    return replace(bought, value=value, spent=bought.spent + paid)


def _charge(market: Market, price: FloatArray) -> float:
    """What a unit of money for a fence takes from the goal at some prices."""
    return float(price[0]) + (1.0 if market.net else 0.0)


def _gains(market: Market, offered: list[Offered], price: FloatArray) -> list[float]:
    """What each fence is worth at some prices beyond the best single choices and its own cost."""
    found = []
    for fence in offered:
        inside = market.worth(price, fence.goal, fence.trees).sum()
        own = market.worth(price, market.goal[fence.trees], fence.trees).sum()
        found.append(float(inside - own) - _charge(market, price) * fence.cost)
    return found


def _bound(market: Market, offered: list[Offered], price: FloatArray) -> float:
    """What no choice with any of these fences can pass: every tree and every fence for itself, at some prices."""
    gains = sum(max(gain, 0.0) for gain in _gains(market, offered, price))
    return float(market.worth(price).sum()) + gains + market.limits_at(price)


def _affordable(market: Market, offered: list[Offered], among: frozenset[int] | None = None) -> frozenset[int]:
    """Fences, of all or of some, that there is money for, those that prevent most for theirs first."""
    free = np.zeros(len(market.room) + (0 if market.promise is None else len(market.promise.least)))
    gains = _gains(market, offered, free)
    left = float(market.room[0]) - (0.0 if market.promise is None else float(market.promise.cost.sum()))
    some = set()
    for at in sorted(range(len(offered)), key=lambda at: -gains[at] / max(offered[at].cost, 0.01)):
        if offered[at].cost <= left and (among is None or at in among):
            left -= offered[at].cost
            some.add(at)
    return frozenset(some)


def _doubtful(market: Market, offered: list[Offered], bought: Bought) -> list[int]:
    """Fences in the order in which their gain, at the prices of a choice, leaves it open whether to build them."""
    gains = _gains(market, offered, np.array(bought.price))
    return sorted(range(len(offered)), key=lambda at: (gains[at] > 0, abs(gains[at])))


def _loss_gained(case: Case) -> Gained:
    """The loss prevented at trees of one group by sets of guards."""
    loss = np.nan_to_num(case.pressure.loss, nan=0.0)

    def gained(trees: IntArray, group: int, cover: FloatArray, life_years: FloatArray) -> FloatArray:
        yearly = loss[trees].astype(np.float64) * case.worth[trees, None]
        return np.asarray(yearly @ prevention(cover, life_years, case.alike.years_each[group]).T)

    return gained


def open_survey(case: Case, market: Market, gained: Gained) -> _Survey | None:
    """Return the trees that may be fenced, and what may be built; None where nothing may.

    Parameters
    ----------
    case : Case
        The site.
    market : Market
        What can be had without fences.
    gained : callable
        Given trees, their group, and the cover and life of sets of guards, returns what the sets are worth there.
    """
    alike = case.alike
    able = np.array([offer is not None and offer.on is None for offer in market.offers], dtype=bool) & ~alike.hard
    trees = np.flatnonzero(able[alike.group] & case.site.trees.placed) if len(able) else np.zeros(0, dtype=np.int64)
    if len(trees) < 3:
        return None
    years = float(alike.years[np.unique(alike.group[trees])].max())
    lines = fence_lines(case.place, years)
    if not lines:
        return None
    xy_m = np.column_stack([case.site.trees.x_m, case.site.trees.y_m])[trees]
    return _Survey(
        case=case, market=market, lines=lines, ground=Obstacles.of(case.site), gained=gained, trees=trees, xy_m=xy_m
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Survey:
    """Where fences may stand, and what they would prevent."""

    case: Case
    market: Market
    lines: list[FenceLine]
    ground: Obstacles
    gained: Gained
    trees: IntArray
    xy_m: FloatArray
    sets: dict[int, tuple[FloatArray, FloatArray]] = field(default_factory=dict)  # by group, once worked out
    stops: dict[tuple[int, float], tuple[FloatArray, FloatArray]] = field(default_factory=dict)  # by line and snow

    def seek(self, price: FloatArray) -> list[Offered]:
        """Fences worth their price, no tree in two of them."""
        market = self.market
        price = price.copy()
        if not market.net:
            price[0] = max(price[0], CHEAPEST)
        charge = _charge(market, price)
        own = market.worth(price, market.goal[self.trees], self.trees)
        inside = np.column_stack(
            [market.worth(price, self.prevented(self.trees, line)[1], self.trees) for line in range(len(self.lines))]
        )
        best = np.maximum(own, inside.max(axis=1, initial=-np.inf))
        kinds = tuple(replace(line.kind, rate=line.rate * charge, gate=line.gate * charge) for line in self.lines)
        fencing = choose_fences(
            self.xy_m,
            best - own,
            best[:, None] - inside,
            kinds,
            crosses=self.ground.crosses,
            allowed=lambda some, kind: self.ground.length_m(self.xy_m[some], kinds[kind].standoff_m),
        )
        taken = np.zeros(len(self.trees), dtype=bool)
        taken[[at for fenced in fencing.groups for at in fenced.trees]] = True
        offered = []
        for fenced in fencing.groups:
            area = self.ground.area(self.xy_m[fenced.trees], kinds[fenced.kind].standoff_m)
            also = np.flatnonzero(~taken & shapely.contains_xy(area, *self.xy_m.T))  # inside in any case
            taken[also] = True
            ours = self.trees[np.sort(np.append(fenced.trees, also))]
            benefit, goal = self.prevented(ours, fenced.kind)
            line = self.lines[fenced.kind]
            cost = line.money(area)
            offered.append(Offered(trees=ours, line=line, area=area, cost=cost, benefit=benefit, goal=goal))
        return offered

    def prevented(self, trees: IntArray, line: int) -> tuple[FloatArray, FloatArray]:
        """Loss prevented inside a fence by tree and option, and what it is worth without the fence's own cost."""
        case, market = self.case, self.market
        benefit = np.zeros((len(trees), market.goal.shape[1]))
        group = case.alike.group[trees]
        order = np.argsort(group, kind="stable")
        groups, starts = np.unique(group[order], return_index=True)
        for at, some in zip(groups.tolist(), np.split(order, starts[1:]), strict=True):
            cover, life = self.lasting(at, line)
            benefit[some, : len(cover)] = self.gained(trees[some], at, cover, life)
        return benefit, benefit - (market.benefit[trees] - market.goal[trees])

    def lasting(self, group: int, line: int) -> tuple[FloatArray, FloatArray]:
        """What a fence with each option of one group takes off, and how long that lasts: shape (option, agent)."""
        case, sets = self.case, self.sets
        if group not in sets:
            offer = self.market.offers[group]
            assert offer is not None
            none = np.zeros(len(case.place.agents))
            cover = np.array([none, *(option.cover for option in offer.options)])
            sets[group] = (cover, np.array([none, *(option.life_years for option in offer.options)]))
        at = (line, float(case.alike.snow_mm[group]))
        if at not in self.stops:
            self.stops[at] = self.lines[line].lasting(case.place.agents, ground_of(case.place, case.alike, group))
        (cover, years), (fence, life) = sets[group], self.stops[at]
        most = np.maximum(cover, fence)
        ours = np.where((cover >= most - TINY) & (cover > 0), years, 0.0)
        theirs = np.where((fence >= most - TINY) & (fence > 0), life, 0.0)
        return most, np.maximum(ours, theirs)
