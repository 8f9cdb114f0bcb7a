"""The choice that is worth most within all limits: which solver fits, and what it proves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from riskmap.choose.knapsack import Bought, Steps, buy
from riskmap.choose.limits import EXACT_TREES, buy_exactly, buy_within
from riskmap.choose.promise import Promise, buy_keeping
from riskmap.choose.settle import settle
from riskmap.model import FloatArray

__all__ = ["best_within"]


def best_within(
    uses: tuple[FloatArray, ...],
    goal: FloatArray,
    room: FloatArray,
    *,
    promise: Promise | None = None,
    steps: Steps | None = None,
) -> Bought:
    """Choose one option a tree: proven best for few trees, with a proven gap for many.

    Parameters
    ----------
    uses : tuple of ndarray, shape (tree, option)
        What each option uses of each limit, money first; infinity where a tree does not have the option.
    goal : ndarray, shape (tree, option)
        What each option is worth; option 0 is nothing, worth nothing unless a fence stands round the tree.
    room : ndarray, shape (limit,)
        What there is of each; infinity where there is no limit.
    promise : Promise, optional
        What groups get at least.
    steps : Steps, optional
        What `hull_steps` found for the money, where it is at hand.

    Returns
    -------
    Bought
        Its prices are those of every limit, 0 where there is none, then of what each group was promised.

    Examples
    --------
    >>> cost, goal = np.array([[0.0, 5.0], [0.0, 6.0]]), np.array([[0.0, 4.0], [0.0, -1.0]])
    >>> best_within((cost,), goal, np.array([np.inf])).option.tolist()
    [1, 0]
    """
    groups = 0 if promise is None else len(promise.least)
    limited = np.isfinite(room)
    few = int(np.isfinite(uses[0][:, 1:]).any(axis=1).sum()) <= EXACT_TREES
    base = goal[:, 0]
    above = goal - base[:, None] if base.any() else goal
    if not limited.any():
        bought = _freely(uses[0], above)
    elif limited[0] and limited.sum() == 1:
        money = float(room[0])
        bought = settle(uses[0], above, money, buy(uses[0], above, money, steps))
    else:
        use = np.stack(uses)
        bought = buy_exactly(use, above, room) if few else buy_within(use, above, room)
    if promise is not None:
        bought = _kept(promise.less(base), bought, uses, above, room, few=few)
    whole = float(base.sum())
    bought = replace(bought, value=bought.value + whole, bound=bought.bound + whole)
    return _with_prices(bought, limited, groups)


def _kept(
    promise: Promise,
    bought: Bought,
    uses: tuple[FloatArray, ...],
    goal: FloatArray,
    room: FloatArray,
    *,
    few: bool,
) -> Bought:
    """The choice, brought to keep the promise where it doesn't."""
    if not promise.short(goal, bought.option).any():
        return bought
    use = np.stack(uses)
    kept = buy_keeping(promise, use, goal, room)
    kept = replace(kept, bound=max(min(kept.bound, bought.bound), kept.value))
    if not few:
        return kept
    rows, least = promise.rows(goal)
    return buy_exactly(np.concatenate([use, rows]), goal, np.concatenate([room, least]), kept)


def _freely(cost: FloatArray, goal: FloatArray) -> Bought:
    """The best option of every tree, the cheapest of equals."""
    worth = np.where(np.isfinite(cost), goal, -np.inf)
    best = worth.max(axis=1, keepdims=True)
    option = np.argmin(np.where(worth >= best, cost, np.inf), axis=1)
    rows = np.arange(len(option))
    value = float(best.sum())
    return Bought(option=option, value=value, spent=float(cost[rows, option].sum()), bound=value, exact=True)


def _with_prices(bought: Bought, limited: np.ndarray, groups: int) -> Bought:
    """The same with one price for each limit, then one for each group."""
    found = np.array(bought.price)
    price = np.zeros(len(limited))
    price[limited] = found[: int(limited.sum())] if len(found) else 0.0
    weight = np.zeros(groups)
    weight[: max(len(found) - int(limited.sum()), 0)] = found[int(limited.sum()) :]
    return replace(bought, price=(*price.tolist(), *weight.tolist()))
