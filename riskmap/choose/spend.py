"""Where money decides: the options of every tree, and the choice that prevents most loss for it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from riskmap.choose.asked import Place, Verdict
from riskmap.choose.case import Case
from riskmap.choose.context import Alike
from riskmap.choose.decide import decide_group
from riskmap.choose.knapsack import Bought, Steps, buy, hull_steps
from riskmap.choose.limits import EXACT_TREES, buy_exactly, buy_within
from riskmap.choose.offers import Offer, make_offer, offer_sheets, whole_costs
from riskmap.choose.options import MOST_OPTIONS
from riskmap.choose.promise import Promise, buy_keeping, promise_groups
from riskmap.choose.settle import settle
from riskmap.choose.words import money_words
from riskmap.model import FloatArray, IntArray, Note, Site

__all__ = ["Limits", "Spent", "spend_money", "verdicts_of"]

FRONTIER_POINTS: Final = 200
NEXT_MONEY: Final = 1000.0


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
class Spent:
    """What was chosen where money decides.

    Attributes
    ----------
    verdicts : list of Verdict
        Each once.
    of_tree : ndarray, shape (tree,)
        Place of each tree's verdict.
    facts : dict
        The limits, what was spent and prevented, the proven gap, and the frontier.
    notes : tuple of Note
        Groups that can't use what is set aside for them.
    """

    verdicts: list[Verdict]
    of_tree: IntArray
    facts: dict[str, Any]
    notes: tuple[Note, ...] = ()


def spend_money(case: Case, limits: Limits) -> Spent:
    """Choose the options that prevent most loss within the limits; without limits, the most loss less cost.

    Parameters
    ----------
    case : Case
        The site, its trees grouped by every agent that lives.
    limits : Limits
        Money and hours.
    """
    place, alike = case.place, case.alike
    offers = [make_offer(place, alike, group) for group in range(len(alike.count))]
    cost, benefit, work = offer_sheets(offers, case)
    steps = hull_steps(cost, benefit)
    anyhow = _hours_anyhow(place, alike, offers)
    currency = place.catalogue.rates.currency
    room = np.array([limits.budget, max(limits.hours - anyhow, 0.0)])
    promise: Promise | None = None
    notes: tuple[Note, ...] = ()
    if limits.group_least:
        promise, notes = promise_groups(case.site, cost, benefit, room, work, currency)
    if limits.none:
        bought = _most_net(cost, benefit, whole_costs(offers, alike))
    else:
        bought = _most_within(cost, benefit, work, steps, room, promise)
    verdicts, of_tree = verdicts_of(case, offers, bought.option, why=_why_not(bought, currency, limits))
    facts = _facts(bought, steps, limits, currency)
    if promise is not None:
        facts["groups"] = _groups(case.site, promise, bought.option, cost, benefit)
    return Spent(verdicts=verdicts, of_tree=of_tree, facts=facts, notes=notes)


def _groups(
    site: Site, promise: Promise, option: IntArray, cost: FloatArray, benefit: FloatArray
) -> list[dict[str, Any]]:
    """What every group was promised, and got."""
    rows, inside = np.arange(len(option)), promise.group >= 0
    spent = np.bincount(promise.group[inside], weights=cost[rows, option][inside], minlength=len(promise.least))
    got = promise.prevented(benefit, option)
    columns = {"promised": promise.least, "prevented": got, "spent": spent}
    return [
        {"group": name, **{key: round(float(column[at]), 2) for key, column in columns.items()}}
        for at, name in enumerate(site.trees.table.group.values)
    ]


def _hours_anyhow(place: Place, alike: Alike, offers: list[Offer | None]) -> float:
    """Hours of what must be done whatever is bought: guards loosened and taken off."""
    each = [
        decide_group(place, alike, group).hours if offer is None else offer.asks(0)[1]
        for group, offer in enumerate(offers)
    ]
    return float(np.dot(each, alike.count)) if each else 0.0


def _most_net(cost: FloatArray, benefit: FloatArray, whole: FloatArray) -> Bought:
    """The option of every tree that prevents most loss less what it costs."""
    option = np.argmax(np.where(np.isfinite(cost), benefit - whole, -np.inf), axis=1)
    rows = np.arange(len(option))
    value = float(benefit[rows, option].sum())
    return Bought(option=option, value=value, spent=float(cost[rows, option].sum()), bound=value, exact=True)


def _most_within(
    cost: FloatArray, benefit: FloatArray, work: FloatArray, steps: Steps, room: FloatArray, promise: Promise | None
) -> Bought:
    """The choice within the limits: proven best for few trees, with a proven gap for many."""
    few = int(np.isfinite(cost[:, 1:]).any(axis=1).sum()) <= EXACT_TREES
    if math.isinf(room[1]):
        bought = settle(cost, benefit, float(room[0]), buy(cost, benefit, float(room[0]), steps))
    else:
        use = np.stack([cost, work])
        bought = buy_exactly(use, benefit, room) if few else buy_within(use, benefit, room)
    if promise is None or not promise.short(benefit, bought.option).any():
        return bought
    use = np.stack([cost, work])
    start = buy_keeping(promise, use, benefit, room)
    if not few:
        return start
    uses, least = promise.rows(benefit)
    return buy_exactly(np.concatenate([use, uses]), benefit, np.concatenate([room, least]), start)


def verdicts_of(
    case: Case, offers: list[Offer | None], option: IntArray, *, why: str
) -> tuple[list[Verdict], IntArray]:
    """Return what to do, each verdict once, and each tree's place among them.

    Parameters
    ----------
    case : Case
        The site.
    offers : list of Offer or None
        What can be had at each group.
    option : ndarray, shape (tree,)
        Option of each tree; 0 is nothing.
    why : str
        Why trees that get nothing get nothing.
    """
    must = case.needs.must.any(axis=1).astype(np.int64)
    width = MOST_OPTIONS + 2
    code = (case.alike.group * width + option) * 2 + must
    distinct, of_tree = np.unique(code, return_inverse=True)
    verdicts = []
    for group, place, needed in zip(distinct // 2 // width, distinct // 2 % width, distinct % 2, strict=True):
        offer = offers[int(group)]
        if offer is None:
            verdicts.append(decide_group(case.place, case.alike, int(group)))
        else:
            verdicts.append(offer.verdict(int(place), must=bool(needed), why=why))
    return verdicts, of_tree.astype(np.int64)


def _why_not(bought: Bought, currency: str, limits: Limits) -> str:
    """Why trees without a guard have none."""
    if limits.none:
        return "no guard that fits prevents more loss than it costs"
    if bought.price and bought.price[0] > 0:
        rate = money_words(bought.price[0] * 100, currency)
        return f"every {money_words(100, currency)} does more elsewhere, where it prevents {rate} of loss or more"
    return "the limits leave nothing for it"


def _facts(bought: Bought, steps: Steps, limits: Limits, currency: str) -> dict[str, Any]:
    """What the run says of the money: limits, spending, proof and frontier."""
    spent, prevented = np.cumsum(steps.cost), np.cumsum(steps.benefit)
    points = np.unique(np.linspace(0, max(len(spent) - 1, 0), FRONTIER_POINTS).astype(np.int64))[: len(spent)]
    frontier = [(0.0, 0.0), *((round(float(spent[at]), 2), round(float(prevented[at]), 2)) for at in points)]
    money, loss = np.append(0.0, spent), np.append(0.0, prevented)
    here = float(np.interp(bought.spent, money, loss))
    following = float(np.interp(bought.spent + NEXT_MONEY, money, loss)) - here
    return {
        "currency": currency,
        "budget": limits.budget if math.isfinite(limits.budget) else None,
        "hours": limits.hours if math.isfinite(limits.hours) else None,
        "spent": round(bought.spent, 2),
        "prevented": round(bought.value, 2),
        "bound": round(bought.bound, 2),
        "gap": bought.gap,
        "optimal": bought.exact,
        "next_money": NEXT_MONEY,
        "next_prevents": round(following, 2),
        "frontier": frontier,
    }
