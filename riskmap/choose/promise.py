"""A least for every group, ward or block: what so much money would prevent there alone, it prevents at least."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from riskmap.choose.knapsack import Bought, buy
from riskmap.choose.limits import buy_within, fill_up
from riskmap.choose.words import count_words, money_words
from riskmap.errors import InputError, Problem, shown
from riskmap.model import BoolArray, FloatArray, IntArray, Note, Site

__all__ = ["Promise", "buy_keeping", "make_promise", "promise_groups"]

TINY: Final = 1e-9
HALVINGS: Final = 24  # of a group's weight, for the bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What every group gets at least.

    Attributes
    ----------
    group : ndarray, shape (tree,)
        Group of each tree; -1 in none.
    least : ndarray, shape (group,)
        Loss that each group's guards prevent at least.
    cost : ndarray, shape (group,)
        Money that this takes, each group alone.
    option : ndarray, shape (tree,)
        A choice that keeps it all.
    """

    group: IntArray
    least: FloatArray
    cost: FloatArray
    option: IntArray

    def less(self, base: FloatArray) -> Promise:
        """Return the same beyond what every tree is worth in any case."""
        inside = self.group >= 0
        there = np.bincount(self.group[inside], weights=base[inside], minlength=len(self.least))
        return replace(self, least=self.least - there)

    def prevented(self, benefit: FloatArray, option: IntArray) -> FloatArray:
        """Return what a choice prevents in each group."""
        inside = self.group >= 0
        each = benefit[np.arange(len(option)), option]
        return np.asarray(
            np.bincount(self.group[inside], weights=each[inside], minlength=len(self.least)), dtype=np.float64
        )

    def short(self, benefit: FloatArray, option: IntArray) -> BoolArray:
        """Return the groups in which a choice prevents less than was promised."""
        return np.asarray(self.prevented(benefit, option) < self.least - TINY * np.maximum(self.least, 1.0))

    def rows(self, benefit: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the promise as limits: uses, shape (group, tree, option), and what there is of each."""
        ours = self.group == np.arange(len(self.least))[:, None]
        return -benefit * ours[:, :, None], TINY * np.maximum(self.least, 1.0) - self.least


def make_promise(cost: FloatArray, benefit: FloatArray, group: IntArray, money: float) -> Promise:
    """Return what so much money would prevent in each group alone, spent where it prevents most.

    Parameters
    ----------
    cost, benefit : ndarray, shape (tree, option)
        Option 0 is nothing. An option that a tree does not have costs infinity.
    group : ndarray, shape (tree,)
        Group of each tree; -1 in none.
    money : float
        What is set aside for each group.

    Examples
    --------
    >>> cost, benefit = np.array([[0.0, 5.0], [0.0, 5.0], [0.0, 2.0]]), np.array([[0.0, 9.0], [0.0, 4.0], [0.0, 1.0]])
    >>> promise = make_promise(cost, benefit, np.array([0, 0, 1]), 6.0)
    >>> promise.least.tolist(), promise.cost.tolist(), promise.option.tolist()
    ([9.0, 1.0], [5.0, 2.0], [1, 0, 1])
    """
    groups = int(group.max(initial=-1)) + 1
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], np.arange(groups + 1))
    option = np.zeros(len(group), dtype=np.int64)
    least, spent = np.zeros(groups), np.zeros(groups)
    for number in range(groups):
        trees = order[starts[number] : starts[number + 1]]
        bought = buy(cost[trees], benefit[trees], money)
        option[trees] = bought.option
        least[number], spent[number] = bought.value, bought.spent
    return Promise(group=group, least=least, cost=spent, option=option)


def promise_groups(
    site: Site, cost: FloatArray, benefit: FloatArray, room: FloatArray, work: FloatArray, currency: str
) -> tuple[Promise, tuple[Note, ...]]:
    """Return what `choice.group_least` promises the groups of a site, and a note on groups that can't use it.

    Parameters
    ----------
    site : Site
        Its settings say how much is set aside for each group; its trees, in which group each stands.
    cost, benefit : ndarray, shape (tree, option)
        Money and loss prevented; option 0 is nothing.
    room : ndarray, shape (limit,)
        Money and hours that there are.
    work : ndarray, shape (tree, option)
        Hours.
    currency : str
        Of the money.

    Raises
    ------
    InputError
        No tree has a group, there is no budget, or the promises need more than there is.
    """
    settings, table = site.inputs.settings, site.trees.table
    money = settings.choice.group_least
    if not np.isfinite(room[0]):
        raise _cannot_keep(site, "sets money aside for every group, and there is no budget", "write choice.budget")
    if not (table.group.codes >= 0).any():
        what = "sets money aside for every group, and no tree is in one"
        raise _cannot_keep(site, what, "name the column with the ward or block: trees.columns.group")
    promise = make_promise(cost, benefit, table.group.codes, money)
    rows = np.arange(len(cost))
    needs, hours = float(promise.cost.sum()), float(work[rows, promise.option].sum())
    if needs > room[0] + 0.005:
        groups = count_words(int((promise.cost > 0).sum()), "group")
        what = f"of {money:,.0f} in {groups} asks for {money_words(needs, currency)} in all, more than the "
        what += f"{money_words(float(room[0]), currency)} there is"
        raise _cannot_keep(site, what, "write a smaller sum, or a larger choice.budget")
    if hours > room[1] + 1e-6:
        what = f"of {money:,.0f} asks for {hours:,.1f} hours of work in all, more than the {room[1]:,.1f} there are"
        raise _cannot_keep(site, what, "write a smaller sum, or more choice.hours")
    idle = np.append(promise.least <= 0, False)[table.group.codes] & table.kept
    if not idle.any():
        return promise, ()
    names = [f"'{shown(table.group.values[code])}'" for code in np.unique(table.group.codes[idle])[:5].tolist()]
    many = int(np.count_nonzero(promise.least <= 0))
    some = ", ".join(names) + (", …" if many > len(names) else "")
    note = Note.at(
        idle,
        row=table.row,
        tree_id=table.tree_id,
        code="group_least_unused",
        file=settings.trees.file,
        what=f"nothing set aside for {count_words(many, 'group')}, {some}: no guard there prevents a loss, or none is "
        f"to be had for {money:,.0f}",
        remedy="look whether the sum is too small (choice.group_least)",
    )
    return promise, (note,)


def _cannot_keep(site: Site, what: str, remedy: str) -> InputError:
    """The promise can't be kept."""
    key = "choice.group_least"
    return InputError([Problem(file=site.inputs.settings.file.name, what=f"{key} {what}", remedy=remedy, key=key)])


def buy_keeping(promise: Promise, use: FloatArray, benefit: FloatArray, limits: FloatArray) -> Bought:
    """Choose what prevents most within the limits and keeps the promise.

    Groups that would fall short get what was promised and no more; the rest is spent anew among the others, until no
    group falls short.

    Parameters
    ----------
    promise : Promise
        Its choice keeps the limits.
    use : ndarray, shape (limit, tree, option)
        What each option uses of each limit, money first; infinity where a tree does not have the option.
    benefit : ndarray, shape (tree, option)
        Loss prevented.
    limits : ndarray, shape (limit,)
        What there is of each.

    Returns
    -------
    Bought
        Its prices: of each limit that is finite, then of what each group was promised. Its bound is proven.
    """
    rows = np.arange(len(benefit))
    fixed = np.zeros(len(promise.least), dtype=bool)
    while True:
        held = (promise.group >= 0) & np.append(fixed, False)[promise.group]
        option = np.where(held, promise.option, 0)
        room = np.maximum(limits - use[:, rows, option].sum(axis=1), 0.0)
        bought = _buy(use[:, ~held], benefit[~held], room)
        option[~held] = bought.option
        short = promise.short(benefit, option) & ~fixed
        if not short.any():
            break
        fixed |= short
    limited = np.isfinite(limits)
    ours = np.where(np.isfinite(use[limited]), use[limited], 0.0)
    may = np.where(np.isfinite(use).all(axis=0), benefit, -np.inf)
    price = np.asarray(bought.price if len(bought.price) == limited.sum() else np.zeros(limited.sum()))
    if limited.any():
        option = fill_up(ours, may, limits[limited], price, option)
    weight = _weights(promise, fixed, ours, may, price)
    bound = _bound(promise, ours, may, limits[limited], price, weight)
    value = float(benefit[rows, option].sum())
    return replace(
        bought,
        option=option,
        value=value,
        spent=float(use[0, rows, option].sum()),
        bound=max(bound, value),
        price=(*price.tolist(), *weight.tolist()),
        exact=False,
    )


def _buy(use: FloatArray, benefit: FloatArray, limits: FloatArray) -> Bought:
    """The choice within the limits, whatever it is that is limited."""
    if np.isfinite(limits[1:]).any():
        return buy_within(use, benefit, limits)
    return buy(np.where(np.isfinite(use).all(axis=0), use[0], np.inf), benefit, float(limits[0]))


def _weights(promise: Promise, fixed: BoolArray, use: FloatArray, benefit: FloatArray, price: FloatArray) -> FloatArray:
    """How much more a loss counts in each group that got no more than was promised: the least that keeps it."""
    trees = np.flatnonzero((promise.group >= 0) & np.append(fixed, False)[promise.group])
    weight = np.zeros(len(fixed))
    if not len(trees) or not price.any():
        return weight
    group, gain = promise.group[trees], benefit[trees]
    charge = np.tensordot(price, use[:, trees], axes=1)
    rows = np.arange(len(trees))

    def enough(weight: FloatArray) -> BoolArray:
        best = (gain * (1 + weight[group])[:, None] - charge).argmax(axis=1)
        got = np.bincount(group, weights=gain[rows, best], minlength=len(fixed))
        return np.asarray((got >= promise.least) | ~fixed)

    low, high = np.zeros(len(fixed)), np.ones(len(fixed))
    for _ in range(HALVINGS):
        kept = enough(high)
        if kept.all():
            break
        low, high = np.where(kept, low, high), np.where(kept, high, high * 2)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        kept = enough(middle)
        low, high = np.where(kept, low, middle), np.where(kept, middle, high)
    return np.where(fixed, high, 0.0)


def _bound(
    promise: Promise, use: FloatArray, benefit: FloatArray, room: FloatArray, price: FloatArray, weight: FloatArray
) -> float:
    """What no choice can pass: with limits and promises at their prices, every tree for itself."""
    heavier = 1 + np.append(weight, 0.0)[promise.group]
    worth = benefit * heavier[:, None] - np.tensordot(price, use, axes=1)
    return float(worth.max(axis=1).sum() + price @ room - weight @ promise.least)
