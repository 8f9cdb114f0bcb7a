"""What can be had at every tree where money decides, and what there is to buy it with."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from riskmap.choose.case import Case
from riskmap.choose.decide import decide_group
from riskmap.choose.offers import Offer, drawn_lines, make_offer, offer_sheets, whole_costs
from riskmap.choose.options import MOST_OPTIONS
from riskmap.choose.promise import Promise, promise_groups
from riskmap.choose.words import money_words
from riskmap.model import FloatArray, IntArray, Note, StockLine

__all__ = ["Limits", "Market", "open_market"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What there is: money and hours of work; infinity where there is no limit.

    `group_least` is money set aside for every group.
    """

    budget: float = math.inf
    hours: float = math.inf
    group_least: float = 0.0

    @property
    def none(self) -> bool:
        """Whether nothing is limited."""
        return math.isinf(self.budget) and math.isinf(self.hours)


@dataclass(frozen=True, slots=True, kw_only=True)
class Market:
    """What can be had at every tree, and what there is to buy it with.

    Attributes
    ----------
    offers : list of Offer or None
        Options of each group.
    uses : tuple of ndarray, shape (tree, option)
        Money, hours, and pieces of each line of the stock list that options use beyond what must be done anyhow;
        infinity where a tree does not have the option.
    benefit : ndarray, shape (tree, option)
        Loss prevented. [money]
    goal : ndarray, shape (tree, option)
        What is to be largest: the loss prevented, less the whole cost where nothing is limited (`net`).
    room : ndarray, shape (limit,)
        What there is of each use.
    anyhow : tuple of two floats
        Money and hours of what must be done whatever is bought: guards loosened and taken off.
    promise : Promise or None
        What groups get at least.
    """

    offers: list[Offer | None]
    uses: tuple[FloatArray, ...]
    benefit: FloatArray
    goal: FloatArray
    room: FloatArray
    anyhow: tuple[float, float]
    net: bool
    promise: Promise | None = None
    notes: tuple[Note, ...] = ()

    @property
    def cut(self) -> bool:
        """Whether some trees may have more options than are listed."""
        return any(offer is not None and len(offer.options) >= MOST_OPTIONS for offer in self.offers)

    @property
    def cost(self) -> FloatArray:
        """Money, beyond what must be done anyhow."""
        return self.uses[0]

    def worth(self, price: FloatArray, goal: FloatArray | None = None, trees: IntArray | None = None) -> FloatArray:
        """Return the most that each tree is worth at some prices, whatever the limits.

        Parameters
        ----------
        price : ndarray
            Of each limit, then of what each group was promised.
        goal : ndarray, shape (tree, option), optional
            What options are worth, where not as on the market.
        trees : ndarray, optional
            Some trees only, as `goal` has them.
        """
        goal = self.goal if goal is None else goal
        rows = slice(None) if trees is None else trees
        if self.promise is not None:
            weight = np.append(price[len(self.uses) :], 0.0)[self.promise.group[rows]]
            goal = goal * (1 + weight)[:, None]
        left = np.where(np.isfinite(self.cost[rows]), goal, -np.inf)
        for each, use in zip(price, self.uses, strict=False):
            if each:
                left -= each * np.where(np.isfinite(use[rows]), use[rows], 0.0)
        return np.asarray(left.max(axis=1, initial=-np.inf))

    def limits_at(self, price: FloatArray) -> float:
        """Return what all limits are worth at some prices, less what was promised."""
        limited = np.isfinite(self.room)
        found = float(price[: len(self.room)][limited] @ self.room[limited])
        return found if self.promise is None else found - float(price[len(self.room) :] @ self.promise.least)


def open_market(case: Case, limits: Limits, stock: tuple[StockLine, ...] = ()) -> Market:
    """Return what can be had at every tree of a site within some limits.

    Parameters
    ----------
    case : Case
        The site, its trees grouped by every agent that lives.
    limits : Limits
        Money, hours, and what is set aside for every group.
    stock : tuple of StockLine
        Guards on hand.
    """
    place, alike = case.place, case.alike
    offers = [make_offer(place, alike, group, stock) for group in range(len(alike.count))]
    cost, benefit, work = offer_sheets(offers, case)
    draws = drawn_lines(offers, alike, cost.shape[1], len(stock))
    anyhow = _anyhow(case, offers)
    left = (max(limits.budget - anyhow[0], 0.0), max(limits.hours - anyhow[1], 0.0))
    pieces = [
        float(line.pieces) if line.pieces < np.count_nonzero((draw > 0).any(axis=1)) * draw.max(initial=0) else math.inf
        for line, draw in zip(stock, draws, strict=True)
    ]
    room = np.array([*left, *pieces])
    promise: Promise | None = None
    notes: tuple[Note, ...] = ()
    if anyhow[0] > limits.budget + 0.005:
        notes = (_short(case, anyhow[0], limits.budget),)
    if limits.group_least:
        plain = cost.copy()
        for draw in draws:
            plain[draw > 0] = np.inf  # what is promised hangs on no stock
        promise, idle = promise_groups(case.site, plain, benefit, room, work, place.catalogue.rates.currency)
        notes += idle
    return Market(
        offers=offers,
        uses=(cost, work, *draws),
        benefit=benefit,
        goal=benefit - whole_costs(offers, alike) if limits.none else benefit,
        room=room,
        anyhow=anyhow,
        net=limits.none,
        promise=promise,
        notes=notes,
    )


def _short(case: Case, asks: float, budget: float) -> Note:
    """The note that what must be done anyhow asks for more than the budget."""
    currency = case.place.catalogue.rates.currency
    return Note(
        code="budget_short",
        file=case.site.inputs.settings.file.name,
        what=f"taking off and loosening guards asks for {money_words(asks, currency)}, more than the budget of "
        f"{money_words(budget, currency)}; nothing else is bought",
        remedy="do that work first, or write a larger choice.budget",
    )


def _anyhow(case: Case, offers: list[Offer | None]) -> tuple[float, float]:
    """Money and hours of what must be done whatever is bought."""
    each = []
    for group, offer in enumerate(offers):
        if offer is None:
            verdict = decide_group(case.place, case.alike, group)
            each.append((verdict.cost, verdict.hours))
        else:
            each.append(offer.asks(0))
    money, hours = np.array(each).reshape(-1, 2).T @ case.alike.count if each else (0.0, 0.0)
    return round(float(money), 2), float(hours)
