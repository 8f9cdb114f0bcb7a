"""The proven best choice for the money, by working through every change that could still better a good start."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from riskmap.choose.knapsack import Bought
from riskmap.model import FloatArray, IntArray

__all__ = ["settle"]

CENTS: Final = 100
MOST_CELLS: Final = 500_000_000  # changes x cents that are worked through before giving up
MOST_BYTES: Final = 300_000_000  # remembered to find the way back
MOST_CHANGES: Final = 2000  # tried two by two
SLACK: Final = 1e-9


def settle(cost: FloatArray, benefit: FloatArray, budget: float, start: Bought) -> Bought:
    """Return the best choice that the money buys, proven; or `start` where there is too much to work through.

    Seen from the choice at the price of money, every other option of a tree loses something. No choice that loses
    more than the start falls short of the bound can be better, so only few options are left; of every sum of money
    that they change, to the cent, the least loss is worked out.

    Parameters
    ----------
    cost, benefit : ndarray, shape (tree, option)
        Option 0 is nothing, at cost and benefit 0; costs in whole cents, infinite where a tree does not have the
        option.
    budget : float
        Money.
    start : Bought
        What `buy` found.

    Examples
    --------
    >>> from riskmap.choose.knapsack import buy
    >>> cost, benefit = np.array([[0.0, 5.0, 9.0], [0.0, 6.0, 7.0]]), np.array([[0.0, 4.0, 8.5], [0.0, 5.0, 5.5]])
    >>> settle(cost, benefit, 11.0, buy(cost, benefit, 11.0)).option.tolist()
    [1, 1]
    """
    if start.bound - start.value <= SLACK * start.bound:
        return replace(start, bound=start.value, exact=True)
    price = start.price[0]
    rows = np.arange(len(cost))
    worth = np.where(np.isfinite(cost), benefit - price * cost, -np.inf)
    best = worth.max(axis=1)
    ties = worth >= best[:, None] - SLACK * float(benefit.max())
    option = np.argmin(np.where(ties, cost, np.inf), axis=1)
    left = math.floor((budget - float(cost[rows, option].sum())) * CENTS + 1e-6)
    if left < 0:
        return start
    lost = np.maximum(best[:, None] - worth, 0.0)
    known = _two_changes(cost, lost, option, left / CENTS, price, start.bound - start.value)
    near = lost <= min(start.bound - start.value, known) + SLACK * start.bound
    near[rows, option] = False
    tree, to = np.nonzero(near)
    change = np.round((cost[tree, to] - cost[tree, option[tree]]) * CENTS).astype(np.int64)
    found = _least_loss(tree, change, lost[tree, to], left, price / CENTS)
    if found is None:
        return start
    option[tree[found]] = to[found]
    value = float(benefit[rows, option].sum())
    spent = float(cost[rows, option].sum())
    return replace(start, option=option, value=value, spent=spent, bound=value, exact=True)


def _two_changes(cost: FloatArray, lost: FloatArray, option: IntArray, left: float, price: float, most: float) -> float:
    """Least that any two changes lose, money left over included: what is better must lose less."""
    near = lost <= most
    near[np.arange(len(option)), option] = False
    tree, to = np.nonzero(near)
    if len(tree) > MOST_CHANGES:
        order = np.argsort(lost[tree, to], kind="stable")[:MOST_CHANGES]
        tree, to = tree[order], to[order]
    more = np.append(cost[tree, to] - cost[tree, option[tree]], 0.0)  # the last change is none
    loss = np.append(lost[tree, to], 0.0)
    both = more[:, None] + more
    short = loss[:, None] + loss + price * (left - both)
    same = np.append(tree, -1)
    short[(both > left + SLACK) | (same[:, None] == same) & (same >= 0)] = np.inf
    return float(short.min())


def _least_loss(tree: IntArray, change: IntArray, loss: FloatArray, left: int, price: float) -> IntArray | None:
    """Places of the changes, at most one a tree, that lose least with what they leave unspent; None: too many."""
    if not len(tree):
        return np.empty(0, dtype=np.int64)
    trees, first = np.unique(tree, return_index=True)
    groups = np.split(np.arange(len(tree)), first[1:])
    low = int(sum(min(change[group].min(), 0) for group in groups))
    high = int(sum(max(change[group].max(), 0) for group in groups))
    high = min(high, left - low)
    if (high - low + 1) * (len(tree) + 1) > MOST_CELLS or (high - low + 1) * len(trees) > MOST_BYTES:
        return None
    least = np.full(high - low + 1, np.inf)
    least[-low] = 0.0
    taken = np.full((len(trees), len(least)), -1, dtype=np.int8)
    for stage, group in enumerate(groups):
        before = least.copy()
        for number, place in enumerate(group):
            _offer(least, before, int(change[place]), float(loss[place]), taken[stage], number)
    total = least + price * (left - (np.arange(len(least)) + low))
    total[np.arange(len(least)) + low > left] = np.inf
    at = int(np.argmin(total))
    chosen = []
    for stage in range(len(trees) - 1, -1, -1):
        number = int(taken[stage, at])
        if number >= 0:
            place = int(groups[stage][number])
            chosen.append(place)
            at -= int(change[place])
    return np.array(chosen, dtype=np.int64)


def _offer(
    least: FloatArray, before: FloatArray, change: int, loss: float, taken: npt.NDArray[np.int8], number: int
) -> None:
    """Let one change reach every sum of money that it betters."""
    size = len(least)
    if abs(change) >= size:
        return
    to = slice(max(change, 0), size + min(change, 0))
    came = slice(max(-change, 0), size - max(change, 0))
    reached = before[came] + loss
    better = reached < least[to]
    least[to][better] = reached[better]
    taken[to][better] = number
