"""The two policies: stop everything at or above the floor, or prevent most loss for the money."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from riskmap.choose.alive import Aim, keep_alive
from riskmap.choose.asked import Place, Verdict
from riskmap.choose.case import Case
from riskmap.choose.decide import decide_group
from riskmap.choose.frontier import frontier_of_list
from riskmap.choose.kinds import Tried, burden, keep_kinds, keys_used, only_kinds
from riskmap.choose.market import Limits
from riskmap.choose.part_share import Share, spend_share
from riskmap.choose.share import Shared, share_fences
from riskmap.choose.spend import Spent, spend_money
from riskmap.choose.stock import Drawn, stock_used
from riskmap.choose.use_stock import use_stock
from riskmap.model import FloatArray, IntArray, Note, StockLine, Watch

__all__ = [
    "Outcome",
    "choose_by_floor",
    "choose_by_money",
    "choose_by_share",
    "choose_by_survival",
    "loss_prevented",
    "told_of_list",
]


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
    told = {}
    if most_kinds is not None:
        kept = keep_kinds(_floor_attempt(case, verdicts), _single_kinds(place), most_kinds)
        place, verdicts = kept.tried.found
        told = {"kinds": kept.told()}
    shared = share_fences(case.site, place, alike, verdicts)
    shared, drawn = use_stock(stock, place, alike, shared)
    return Outcome(shared=shared, drawn=drawn, money={**told_of_list(case, shared), **told})


def choose_by_money(case: Case, limits: Limits, *, most_kinds: int | None, stock: tuple[StockLine, ...]) -> Outcome:
    """Choose what prevents most loss within the limits, or most loss less cost without any.

    A guard on hand costs no material, and there are only so many of it: one limit more for every line of stock.

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
    place = case.place
    if most_kinds is None:
        spent = spend_money(case, limits, stock)
    else:
        cuts: list[bool] = []
        kept = keep_kinds(_money_attempt(case, limits, stock, cuts), _single_kinds(place), most_kinds)
        spent = kept.tried.found
        spent = replace(spent, facts={**spent.facts, "kinds": kept.told(sure=not any(cuts))})
    shared = spent.shared
    drawn = stock_used(stock, shared.verdicts, shared.of_tree, place.catalogue.rates.currency)
    return Outcome(shared=shared, drawn=drawn, money=spent.facts, notes=spent.notes)


def choose_by_share(case: Case, share: Share) -> Outcome:
    """Choose what a part takes of a budget that all parts share.

    Parameters
    ----------
    case : Case
        The part.
    share : Share
        How many of its steps.
    """
    spent = spend_share(case, share)
    shared = spent.shared
    drawn = stock_used((), shared.verdicts, shared.of_tree, case.place.catalogue.rates.currency)
    return Outcome(shared=shared, drawn=drawn, money=spent.facts)


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
    shared = spent.shared
    shared, drawn = use_stock(stock, case.place, case.alike, shared, swap=False)
    return Outcome(shared=shared, drawn=drawn, money={**spent.facts, **told_of_list(case, shared)})


def _single_kinds(place: Place) -> frozenset[str]:
    """Kinds of guard for single trees."""
    return frozenset(guard.key for guard in place.catalogue.guards if not guard.group)


def _floor_attempt(case: Case, first: list[Verdict]) -> Callable[[frozenset[str]], Tried[tuple[Place, list[Verdict]]]]:
    """What is cheapest with some kinds, group by group; a verdict holds as long as all its kinds may be used."""
    alike, shares = case.alike, np.array(case.place.shares)
    every = _single_kinds(case.place)
    known = [[(every, verdict, burden(verdict, alike.need[at], shares))] for at, verdict in enumerate(first)]
    used = [[frozenset(verdict.keys.split("; ")) - {""} for verdict in [one]] for one in first]

    def attempt(kinds: frozenset[str]) -> Tried[tuple[Place, list[Verdict]]]:
        where = case.place if kinds == every else only_kinds(case.place, kinds)
        verdicts, total = [], 0.0
        hangs: dict[str, float] = {}
        for group, before in enumerate(known):
            holds = zip(before, used[group], strict=True)
            found = next((one for one, keys in holds if keys <= kinds <= one[0]), None)
            if found is None:
                verdict = decide_group(where, alike, group)
                found = (kinds, verdict, burden(verdict, alike.need[group], shares))
                before.append(found)
                used[group].append(frozenset(verdict.keys.split("; ")) - {""})
            verdicts.append(found[1])
            total += float(alike.count[group]) * found[2]
            for key in keys_used([found[1]]):
                hangs[key] = hangs.get(key, 0.0) + float(alike.count[group])
        return Tried(total=total, least=total, used=hangs, found=(where, verdicts))

    return attempt


def _money_attempt(
    case: Case, limits: Limits, stock: tuple[StockLine, ...], cuts: list[bool]
) -> Callable[[frozenset[str]], Tried[Spent]]:
    """What money does best with some kinds; `cuts` learns whether lists of options were cut short."""

    def attempt(kinds: frozenset[str]) -> Tried[Spent]:
        spent = spend_money(replace(case, place=only_kinds(case.place, kinds)), limits, stock)
        cuts.append(spent.cut)
        prevented = loss_prevented(spent.shared.verdicts, spent.shared.of_tree, case)
        single = _single_kinds(case.place)
        hangs = {key: _prevented_by(key, spent.shared, prevented) for key in keys_used(spent.shared.verdicts) & single}
        return Tried(total=-spent.value, least=-spent.bound, used=hangs, found=spent)

    return attempt


def _prevented_by(key: str, shared: Shared, prevented: FloatArray) -> float:
    """Loss prevented at the trees that take one kind of guard."""
    takes = np.array([key in verdict.keys.split("; ") for verdict in shared.verdicts], dtype=bool)
    return float(prevented[takes[shared.of_tree]].sum())


def told_of_list(case: Case, shared: Shared) -> dict[str, Any]:
    """Return what all that is asked for prevents, and what parts of it would, a fence whole or not at all.

    Parameters
    ----------
    case : Case
        The site.
    shared : Shared
        What to do at every tree.
    """
    verdicts, of_tree = shared.verdicts, shared.of_tree
    cost = np.array([verdict.cost for verdict in verdicts], dtype=np.float64)[of_tree] + shared.cost
    prevented = _prevented_in_all(case, shared)
    piece = np.arange(len(of_tree))
    for fence in shared.fences:
        piece[fence["trees"]] = fence["trees"][0]
    money, loss = (
        np.bincount(piece, weights=each, minlength=len(piece)).astype(np.float64) for each in (cost, prevented)
    )
    return {
        "currency": case.place.catalogue.rates.currency,
        "spent": round(float(cost.sum()), 2),
        "prevented": round(float(prevented.sum()), 2),
        **frontier_of_list(money, loss).told(float(money[loss > 0].sum())),
    }


def _prevented_in_all(case: Case, shared: Shared) -> FloatArray:
    """Loss that what is bought prevents at each tree, while it lasts and is needed."""
    loss = np.nan_to_num(case.pressure.loss, nan=0.0)
    none = np.zeros(loss.shape[1])
    bought = [verdict if verdict.action in {"fit", "swap"} and verdict.leaves else None for verdict in shared.verdicts]
    cover = np.array([1 - np.array(verdict.leaves) if verdict else none for verdict in bought])
    lasts = np.array([verdict.lasts if verdict else none for verdict in bought])
    cover, lasts = cover.reshape(-1, loss.shape[1]), lasts.reshape(-1, loss.shape[1])
    years = np.minimum(case.alike.years_each[case.alike.group], lasts[shared.of_tree])
    return np.asarray((loss * cover[shared.of_tree] * years).sum(axis=1) * case.worth)


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
