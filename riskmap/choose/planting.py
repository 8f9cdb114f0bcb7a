"""Guards, shared fences and new trees weighed against each other, for so many trees alive at the least cost."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from riskmap.choose.case import Case
from riskmap.choose.fenced import Gained, Offered, open_survey
from riskmap.choose.knapsack import hull_steps
from riskmap.choose.market import Market
from riskmap.choose.offers import Offer
from riskmap.model import FloatArray, IntArray

__all__ = ["Way", "Ways", "with_fences"]

MOST_TRIED: Final = 8  # fences put in or left out one by one
TINY: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to so many trees alive.

    Attributes
    ----------
    option : ndarray, shape (tree,)
        Option of each tree; 0 is nothing.
    fences : tuple of Offered
        Fences to build.
    guards : float
        Money for guards and fences.
    kept : float
        Trees that stand because of them.
    plant : int
        Trees to plant besides.
    cost : float
        All the money.
    price : float
        What the dearest tree kept alive costs; 0 where enough stand anyhow.
    """

    option: IntArray
    fences: tuple[Offered, ...]
    guards: float
    kept: float
    plant: int
    cost: float
    price: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """What keeps trees alive.

    Attributes
    ----------
    cost, gain : ndarray, shape (tree, option)
        Money, and how much likelier a tree stands with each option; an option that a tree does not have costs
        infinity.
    missing : float
        Trees that must stand beyond those that stand anyhow.
    new : mapping
        Cost of one more tree, and its chance to stand.
    """

    cost: FloatArray
    gain: FloatArray
    missing: float
    new: Mapping[str, float]

    @property
    def rate(self) -> float:
        """Money for one tree that stands, planted anew."""
        return self.new["cost"] / self.new["alive"]

    def way(self, fences: tuple[Offered, ...] = ()) -> Way:
        """Return the cheapest way with some fences: the best steps for their money, then new trees.

        Examples
        --------
        >>> ways = Ways(
        ...     cost=np.array([[0.0, 4.0]]), gain=np.array([[0.0, 0.5]]), missing=1.0, new={"cost": 10.0, "alive": 0.5}
        ... )
        >>> found = ways.way()
        >>> found.option.tolist(), found.plant, found.cost
        ([1], 1, 14.0)
        """
        gain = self.gain if not fences else self.gain.copy()
        for fence in fences:
            gain[fence.trees] = fence.benefit
        base = gain[:, 0]
        steps = hull_steps(self.cost, gain - base[:, None])
        missing = self.missing - float(base.sum())
        worth = steps.benefit * self.rate >= steps.cost
        taken = worth & (np.cumsum(steps.benefit) - steps.benefit < missing)
        option = np.zeros(len(gain), dtype=np.int64)
        option[steps.tree[taken]] = steps.option[taken]
        kept, guards = float(steps.benefit[taken].sum()), float(steps.cost[taken].sum())
        short = missing - kept
        plant = math.ceil(short / self.new["alive"] - TINY) if short > 0 else 0
        last = float((steps.cost[taken] / steps.benefit[taken]).max(initial=0.0))
        guards += sum(fence.cost for fence in fences)
        return Way(
            option=option,
            fences=fences,
            guards=guards,
            kept=kept + float(base.sum()),
            plant=plant,
            cost=guards + plant * self.new["cost"],
            price=self.rate if plant else last,
        )

    def worth(self, price: float) -> FloatArray:
        """Return what each option is worth at a price of a tree alive, its cost taken off."""
        return np.asarray(np.where(np.isfinite(self.cost), price * self.gain - self.cost, -np.inf))

    def least_at(self, price: float, offered: list[Offered]) -> float:
        """Return what nobody can do for less: every tree and every fence for itself, at a price of a tree alive."""
        worth = self.worth(price)
        total = price * self.missing - float(worth.max(axis=1).sum())
        for fence in offered:
            inside = np.where(
                np.isfinite(self.cost[fence.trees]), price * fence.benefit - self.cost[fence.trees], -np.inf
            )
            more = float(inside.max(axis=1).sum() - worth[fence.trees].max(axis=1).sum())
            total -= max(more - fence.cost, 0.0)
        return total

    def bound(self, offered: list[Offered]) -> float:
        """Return the least that any choice among the fences offered costs, were parts of things to be had."""
        if self.missing <= 0:
            return 0.0
        low, high = 0.0, self.rate  # the bound bends one way over the price: narrow in on its top
        for _ in range(60):
            one, other = low + (high - low) / 3, high - (high - low) / 3
            if self.least_at(one, offered) < self.least_at(other, offered):
                low = one
            else:
                high = other
        return max(self.least_at(price, offered) for price in (0.0, low, high, self.rate))


def with_fences(case: Case, offers: list[Offer | None], ways: Ways, gained: Gained) -> tuple[Way, list[Offered]]:
    """Return the cheapest way found, shared fences included, and the fences thought of.

    Parameters
    ----------
    case : Case
        The site.
    offers : list of Offer or None
        What can be had at each group.
    ways : Ways
        What keeps trees alive.
    gained : callable
        Given trees, their group, and the cover and life of sets of guards, returns how many more stand.
    """
    best = ways.way()
    if ways.missing <= 0:
        return best, []
    price = best.price
    market = Market(
        offers=offers,
        uses=(ways.cost,),
        benefit=price * ways.gain,
        goal=price * ways.gain - np.where(np.isfinite(ways.cost), ways.cost, 0.0),
        room=np.array([np.inf]),
        anyhow=(0.0, 0.0),
        net=True,
    )
    survey = open_survey(case, market, lambda *asked: price * gained(*asked))
    offered = survey.seek(np.zeros(1)) if survey else []
    offered = [fence.scaled(1 / price) for fence in offered]
    some: tuple[Offered, ...] = tuple(offered)
    best = min(best, ways.way(some), key=lambda way: way.cost)
    for fence in offered[:MOST_TRIED]:
        have = best.fences
        other = tuple(each for each in have if each is not fence)
        other = other if len(other) < len(have) else (*have, fence)
        best = min(best, ways.way(other), key=lambda way: way.cost)
    return best, offered
