"""Where money decides: the choice that prevents most loss for it, as verdicts and facts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from riskmap.choose.asked import Verdict
from riskmap.choose.case import Case
from riskmap.choose.decide import decide_group
from riskmap.choose.fenced import FencePlan, Offered, buy_with_fences
from riskmap.choose.frontier import Frontier, frontier_of
from riskmap.choose.knapsack import Bought, hull_steps
from riskmap.choose.lines import equal_shares, fence_facts, fenced_verdict
from riskmap.choose.market import Limits, Market, open_market
from riskmap.choose.offers import Offer
from riskmap.choose.share import Shared
from riskmap.choose.words import money_words
from riskmap.model import IntArray, Note, StockLine

__all__ = ["Spent", "shared_of", "spend_money", "why_not"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What was chosen where money decides.

    Attributes
    ----------
    shared : Shared
        Verdicts, each once, with shared fences.
    facts : dict
        The limits, what was spent and prevented, the proven gap, and the frontier.
    value, bound : float
        What was made largest, and what it can't pass.
    cut : bool
        Some trees may have more options than were thought of.
    notes : tuple of Note
        Groups that can't use what is set aside for them.
    """

    shared: Shared
    facts: dict[str, Any]
    value: float = 0.0
    bound: float = 0.0
    cut: bool = False
    notes: tuple[Note, ...] = ()


def spend_money(case: Case, limits: Limits, stock: tuple[StockLine, ...] = ()) -> Spent:
    """Choose the options that prevent most loss within the limits; without limits, the most loss less cost.

    Parameters
    ----------
    case : Case
        The site, its trees grouped by every agent that lives.
    limits : Limits
        Money, hours, and what is set aside for every group.
    stock : tuple of StockLine
        Guards on hand.
    """
    market = open_market(case, limits, stock)
    currency = case.place.catalogue.rates.currency
    steps = hull_steps(market.cost, market.benefit)
    plan = buy_with_fences(case, market, steps)
    why = why_not(plan.bought, currency, limits)
    shared = shared_of(case, market.offers, plan.bought.option, plan.built, why=why)
    facts = _facts(plan, market, frontier_of(market, plan.offered, None if stock else steps), limits, currency)
    if market.promise is not None:
        facts["groups"] = _groups(case, market, plan)
    return Spent(
        shared=shared, facts=facts, value=plan.bought.value, bound=plan.bought.bound, cut=market.cut, notes=market.notes
    )


def _groups(case: Case, market: Market, plan: FencePlan) -> list[dict[str, Any]]:
    """What every group was promised, and got, its share of fences included."""
    promise, option = market.promise, plan.bought.option
    assert promise is not None
    cost = market.cost[np.arange(len(option)), option]
    for fence in plan.built:
        cost[fence.trees] += equal_shares(fence.cost, len(fence.trees))
    inside = promise.group >= 0
    found = {
        name: np.bincount(promise.group[inside], weights=each[inside], minlength=len(promise.least))
        for name, each in (("prevented", plan.benefit(market)), ("spent", cost))
    }
    columns = {"promised": promise.least, **found}
    return [
        {"group": name, **{key: round(float(column[at]), 2) for key, column in columns.items()}}
        for at, name in enumerate(case.site.trees.table.group.values)
    ]


def shared_of(
    case: Case, offers: list[Offer | None], option: IntArray, built: tuple[Offered, ...], *, why: str
) -> Shared:
    """Return what to do, each verdict once, with each tree's place among them.

    Parameters
    ----------
    case : Case
        The site.
    offers : list of Offer or None
        What can be had at each group.
    option : ndarray, shape (tree,)
        Option of each tree; 0 is nothing.
    built : tuple of Offered
        Fences to build.
    why : str
        Why trees that get nothing get nothing.
    """
    group = case.alike.group
    in_fence = np.zeros(len(option), dtype=np.int64)
    share, per_year = np.zeros(len(option)), np.zeros(len(option))
    told = []
    for number, fence in enumerate(built, start=1):
        told.append(fence_facts(case.place, case.alike, fence.line, fence.area, fence.trees, number))
        in_fence[fence.trees] = number
        share[fence.trees] = equal_shares(fence.cost, len(fence.trees))
        per_year[fence.trees] = fence.line.share_per_year(fence.area, len(fence.trees))
    must: IntArray = np.asarray(case.needs.must.any(axis=1), dtype=np.int64)
    width = max((len(offer.options) for offer in offers if offer), default=0) + 1
    code = ((group * width + option) * (len(built) + 1) + in_fence) * 2 + must
    _, first, of_tree = np.unique(code, return_index=True, return_inverse=True)
    verdicts: list[Verdict] = []
    for tree in first.tolist():
        offer, number = offers[int(group[tree])], int(in_fence[tree])
        if offer is None:
            verdicts.append(decide_group(case.place, case.alike, int(group[tree])))
        elif number:
            place = int(option[tree])
            pick = offer.options[place - 1].pick if place else None
            verdicts.append(fenced_verdict(offer.asked, built[number - 1].line, told[number - 1], offer.menu, pick))
        else:
            verdicts.append(offer.verdict(int(option[tree]), must=bool(must[tree]), why=why))
    return Shared(
        verdicts=verdicts,
        of_tree=np.asarray(of_tree, dtype=np.int64),
        cost=share,
        cost_per_year=per_year,
        fences=told,
        facts={},
    )


def why_not(bought: Bought, currency: str, limits: Limits) -> str:
    """Return why trees without a guard have none."""
    if limits.none:
        return "it would cost more than it prevents"
    if bought.price and bought.price[0] > 0:
        rate = money_words(bought.price[0] * 100, currency)
        return f"every {money_words(100, currency)} does more elsewhere, where it prevents {rate} of loss or more"
    return "the limits leave nothing for it"


def _facts(plan: FencePlan, market: Market, frontier: Frontier, limits: Limits, currency: str) -> dict[str, Any]:
    """What the run says of the money: limits, spending, proof and frontier."""
    bought, anyhow = plan.bought, market.anyhow[0]
    prevented = float(plan.benefit(market).sum())
    spent = bought.spent + anyhow
    facts = {
        "currency": currency,
        "budget": limits.budget if math.isfinite(limits.budget) else None,
        "hours": limits.hours if math.isfinite(limits.hours) else None,
        "spent": round(spent, 2),
        "prevented": round(prevented, 2),
        "worth": round(bought.value, 2),  # what was made largest: without limits, the cost is taken off
        "bound": round(bought.bound, 2),
        "gap": bought.gap,
        "optimal": bought.exact,
        **frontier.told(spent, after=anyhow),
    }
    if plan.offered:
        facts["fences_offered"], facts["fences_built"] = len(plan.offered), len(plan.built)
        facts["proof_holds_for"] = "the fences offered; others were not looked at one by one"
    return facts
