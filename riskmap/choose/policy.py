"""The two policies: stop everything at or above the floor, or prevent most loss for the money."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from riskmap.choose.alive import Aim, keep_alive
from riskmap.choose.asked import Place, Verdict
from riskmap.choose.case import Case
from riskmap.choose.decide import decide_group
from riskmap.choose.kinds import keep_kinds, keys_used, only_kinds
from riskmap.choose.share import Shared, no_fences, share_fences
from riskmap.choose.spend import Limits, Spent, spend_money
from riskmap.choose.stock import Drawn, draw_stock
from riskmap.model import FloatArray, IntArray, Note, StockLine, Watch

__all__ = ["Outcome", "choose_by_floor", "choose_by_money", "choose_by_survival", "loss_prevented"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a policy chose: verdicts with shared fences, what came from stock, and what is told of the money."""

    shared: Shared
    drawn: Drawn
    money: dict[str, Any]
    notes: tuple[Note, ...] = ()


def choose_by_floor(case: Case, *, most_kinds: int | None, stock: tuple[StockLine, ...], watch: Watch) -> Outcome:
    """Choose the cheapest that stops every agent at or above the floor, shared fences included.

    Parameters
    ----------
    case : Case
        The site.
    most_kinds : int or None
        Kinds of guard that may be used.
    stock : tuple of StockLine
        Guards on hand.
    watch : Watch
        Told how far the work has come.
    """
    place, alike = case.place, case.alike
    verdicts = []
    for group in range(len(alike.count)):
        verdicts.append(decide_group(place, alike, group))
        if group % 100 == 0:
            watch.progress(group, len(alike.count))
    if most_kinds is not None:
        place, verdicts = keep_kinds(
            place, verdicts, alike.count, most_kinds, lambda where, group: decide_group(where, alike, group)
        )
    shared = share_fences(case.site, place, alike, verdicts)
    drawn = draw_stock(stock, shared.verdicts, shared.of_tree, place.catalogue.rates.currency)
    return Outcome(shared=shared, drawn=drawn, money={})


def choose_by_money(case: Case, limits: Limits, *, most_kinds: int | None, stock: tuple[StockLine, ...]) -> Outcome:
    """Choose what prevents most loss within the limits, or most loss less cost without any.

    Money that stock saves is spent as well: once, so that the budget holds.

    Parameters
    ----------
    case : Case
        The site.
    limits : Limits
        Money and hours.
    most_kinds : int or None
        Kinds of guard that may be used.
    stock : tuple of StockLine
        Guards on hand.
    """

    def spend(where: Place, money: float) -> Spent:
        return spend_money(replace(case, place=where), replace(limits, budget=money))

    place = case.place
    spent = spend(place, limits.budget)
    while most_kinds is not None and len(keys_used(spent.verdicts)) > most_kinds:
        kinds = keys_used(spent.verdicts)
        prevented = loss_prevented(spent.verdicts, spent.of_tree, case)
        least = min(sorted(kinds), key=lambda key: _prevented_by(key, spent.verdicts, spent.of_tree, prevented))
        place = only_kinds(place, kinds - {least})
        spent = spend(place, limits.budget)
    currency = place.catalogue.rates.currency
    drawn = draw_stock(stock, spent.verdicts, spent.of_tree, currency)
    if drawn.saved.any() and math.isfinite(limits.budget):
        more = spend(place, limits.budget + float(drawn.saved.sum()))
        again = draw_stock(stock, more.verdicts, more.of_tree, currency)
        if _asked_for(more) - float(again.saved.sum()) <= limits.budget + 0.005:
            spent, drawn = more, again
    facts = {**spent.facts, "budget": spent.facts["budget"] and limits.budget}
    facts["spent"] = round(facts["spent"] - float(drawn.saved.sum()), 2)
    return Outcome(shared=no_fences(spent.verdicts, spent.of_tree), drawn=drawn, money=facts, notes=spent.notes)


def choose_by_survival(case: Case, aim: Aim, *, stock: tuple[StockLine, ...]) -> Outcome:
    """Choose the cheapest way to so many trees alive, planting more included.

    Parameters
    ----------
    case : Case
        The site.
    aim : Aim
        Trees a hectare, and the year.
    stock : tuple of StockLine
        Guards on hand.
    """
    spent = keep_alive(case, aim)
    drawn = draw_stock(stock, spent.verdicts, spent.of_tree, case.place.catalogue.rates.currency)
    return Outcome(shared=no_fences(spent.verdicts, spent.of_tree), drawn=drawn, money=spent.facts)


def _asked_for(spent: Spent) -> float:
    """Money of all verdicts."""
    cost = np.array([verdict.cost for verdict in spent.verdicts])
    return float(cost[spent.of_tree].sum())


def _prevented_by(key: str, verdicts: list[Verdict], of_tree: IntArray, prevented: FloatArray) -> float:
    """Loss prevented at the trees that take one kind of guard."""
    takes = np.array([key in verdict.keys.split("; ") for verdict in verdicts], dtype=bool)
    return float(prevented[takes[of_tree]].sum())


def loss_prevented(verdicts: list[Verdict], of_tree: IntArray, case: Case) -> FloatArray:
    """Return the money of loss a year that the guards recommended or kept prevent at each tree.

    Parameters
    ----------
    verdicts : list of Verdict
        What to do.
    of_tree : ndarray, shape (tree,)
        Place of each tree's verdict.
    case : Case
        Loss by tree and agent, and what trees cost to replace.
    """
    loss = np.nan_to_num(case.pressure.loss, nan=0.0)
    none = np.zeros(loss.shape[1])
    covers = [1 - np.array(verdict.leaves) if verdict.leaves else none for verdict in verdicts]
    cover = np.array(covers).reshape(-1, loss.shape[1])
    return np.asarray((loss * cover[of_tree]).sum(axis=1) * case.worth)
