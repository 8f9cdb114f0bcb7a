"""The most loss prevented for the money: one option a tree, one limit, millions of trees.

Each tree's options are walked along their upper hull of benefit over cost; all steps of all trees, best benefit per
cost first, bought until the money is gone, are the optimum of the relaxed problem, whose value no choice can pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from riskmap.model import FloatArray, IntArray

__all__ = ["Bought", "Steps", "buy", "hull_steps"]

CHUNK: Final = 8192  # trees whose hulls are walked together: fits the cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Upgrades along every tree's hull, best benefit per cost first; shape (step,)."""

    tree: IntArray
    option: IntArray  # the option it leads to
    cost: FloatArray  # money more than the option before it
    benefit: FloatArray  # loss prevented more than the option before it


@dataclass(frozen=True, slots=True, kw_only=True)
class Bought:
    """What was bought.

    Attributes
    ----------
    option : ndarray, shape (tree,)
        Option of each tree; 0 is nothing.
    value, spent : float
        Loss prevented and money spent.
    bound : float
        No choice that keeps the limit prevents more.
    price : tuple of float
        What one more unit of each limit would prevent; 0 where a limit does not bind.
    exact : bool
        Proven best.
    """

    option: IntArray
    value: float
    spent: float
    bound: float
    price: tuple[float, ...] = ()
    exact: bool = False

    @property
    def gap(self) -> float:
        """How far it can be from the best, as a share of the bound."""
        return 0.0 if self.exact or self.bound <= 0 else max(self.bound - self.value, 0.0) / self.bound


def hull_steps(cost: FloatArray, benefit: FloatArray) -> Steps:
    """Return the upgrades along the upper hull of every tree, sorted by benefit per cost.

    Parameters
    ----------
    cost, benefit : ndarray, shape (tree, option)
        Option 0 is nothing, at cost and benefit 0. An option that a tree does not have costs infinity.

    Returns
    -------
    Steps
        Steps of one tree stand in the order in which they build on each other.

    Examples
    --------
    >>> steps = hull_steps(np.array([[0.0, 1.0, 3.0, 4.0]]), np.array([[0.0, 4.0, 5.0, 7.0]]))
    >>> steps.option.tolist(), steps.cost.tolist(), steps.benefit.tolist()
    ([1, 3], [1.0, 3.0], [4.0, 3.0])
    """
    found = [_steps_of(cost[start : start + CHUNK], benefit[start : start + CHUNK], start) for start in _starts(cost)]
    tree, option, step_cost, step_benefit, slope = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.argsort(-slope, kind="stable")
    return Steps(tree=tree[order], option=option[order], cost=step_cost[order], benefit=step_benefit[order])


def _starts(cost: FloatArray) -> range:
    """Where chunks start; one empty chunk where there are no trees."""
    return range(0, max(len(cost), 1), CHUNK)


def _steps_of(
    cost: FloatArray, benefit: FloatArray, start: int
) -> tuple[IntArray, IntArray, FloatArray, FloatArray, FloatArray]:
    """Hull steps of some trees: tree, option, cost, benefit, benefit per cost; first steps first."""
    active = np.arange(len(cost))
    at_cost, at_benefit = np.zeros(len(cost)), np.zeros(len(cost))
    steepest = np.full(len(cost), np.inf)
    found = []
    while True:
        more_benefit = benefit - at_benefit[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = more_benefit / (cost - at_cost[:, None])
        slope[~(more_benefit > 0)] = -np.inf
        to = slope.argmax(axis=1)
        row = np.arange(len(active))
        best = slope[row, to]
        goes = best > 0
        row, to, active = row[goes], to[goes], active[goes]
        step_cost, step_benefit = cost[row, to] - at_cost[row], benefit[row, to] - at_benefit[row]
        steepest = np.minimum(best[goes], steepest[goes])  # rounding must not put a later step before an earlier one
        found.append((active + start, to, step_cost, step_benefit, steepest))
        if not len(active):
            break
        at_cost, at_benefit = cost[row, to], benefit[row, to]
        cost, benefit = cost[goes], benefit[goes]
    tree, option, step_cost, step_benefit, slope = (np.concatenate(column) for column in zip(*found, strict=True))
    return tree, option, step_cost, step_benefit, slope


def buy(cost: FloatArray, benefit: FloatArray, budget: float, steps: Steps | None = None) -> Bought:
    """Buy the most benefit that the money buys.

    Parameters
    ----------
    cost, benefit : ndarray, shape (tree, option)
        Option 0 is nothing, at cost and benefit 0. An option that a tree does not have costs infinity.
    budget : float
        Money; infinity buys the best option of every tree.
    steps : Steps, optional
        What `hull_steps` found, where it is at hand.

    Returns
    -------
    Bought
        More money never prevents less: past the whole steps one more upgrade is bought, the best that still fits,
        and it never prevents more than the step that did not.

    Examples
    --------
    >>> bought = buy(np.array([[0.0, 1.0, 4.0], [0.0, 2.0, 3.0]]), np.array([[0.0, 4.0, 7.0], [0.0, 3.0, 3.5]]), 3.5)
    >>> bought.option.tolist(), bought.value, bought.bound
    ([1, 1], 7.0, 7.5)
    """
    steps = hull_steps(cost, benefit) if steps is None else steps
    spent = np.cumsum(steps.cost)
    taken = int(np.searchsorted(spent, budget * (1 + 1e-12) + 1e-9, side="right"))
    option = np.zeros(len(cost), dtype=np.int64)
    option[steps.tree[:taken]] = steps.option[:taken]  # a later step of one tree overwrites an earlier one
    money = float(spent[taken - 1]) if taken else 0.0
    value = float(steps.benefit[:taken].sum())
    bound, price = value, 0.0
    if taken < len(steps.tree):
        left = max(budget - money, 0.0)
        price = float(steps.benefit[taken] / steps.cost[taken])
        bound += left * price
        tree, to = _best_upgrade(cost, benefit, option, left)
        if tree >= 0:
            money += float(cost[tree, to] - cost[tree, option[tree]])
            value += float(benefit[tree, to] - benefit[tree, option[tree]])
            option[tree] = to
    return Bought(option=option, value=value, spent=money, bound=max(bound, value), price=(price,))


def _best_upgrade(cost: FloatArray, benefit: FloatArray, option: IntArray, left: float) -> tuple[int, int]:
    """The one upgrade that prevents most and costs no more than what is left; (-1, -1) where none fits."""
    rows = np.arange(len(option))
    gain = benefit - benefit[rows, option][:, None]
    gain[cost - cost[rows, option][:, None] > left] = -1.0
    best = int(np.argmax(gain))
    tree, to = divmod(best, cost.shape[1])
    return (tree, to) if gain[tree, to] > 0 else (-1, -1)
