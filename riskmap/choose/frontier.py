"""What more money would prevent: the frontier of loss prevented against money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from riskmap.choose.knapsack import Steps, hull_steps
from riskmap.model import FloatArray

if TYPE_CHECKING:
    from riskmap.choose.fenced import Offered
    from riskmap.choose.market import Market

__all__ = ["Frontier", "frontier_of", "frontier_of_list"]

POINTS: Final = 200
NEXT_MONEY: Final = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Frontier:
    """Most loss prevented for every sum of money, were parts of guards to be had; both rise from 0."""

    money: FloatArray
    loss: FloatArray

    def told(self, spent: float, *, after: float = 0.0) -> dict[str, Any]:
        """Return the frontier and what the next money would prevent, as run.json holds them.

        Parameters
        ----------
        spent : float
            Money of this run.
        after : float
            Money of it that must be spent before anything is bought.

        Examples
        --------
        >>> curve = Frontier(money=np.array([0.0, 100.0, 3000.0]), loss=np.array([0.0, 900.0, 1000.0]))
        >>> told = curve.told(50.0)
        >>> told["next_money"], told["next_prevents"], told["frontier"][1]
        (1000.0, 482.76, (100.0, 900.0))
        """
        here, there = np.interp([spent - after, spent - after + NEXT_MONEY], self.money, self.loss)
        at = np.unique(np.linspace(0, len(self.money) - 1, POINTS + 1).astype(np.int64))
        points = [(round(float(self.money[place]) + after, 2), round(float(self.loss[place]), 2)) for place in at]
        return {
            "next_money": NEXT_MONEY,
            "next_prevents": round(float(there - here), 2),
            "frontier": points if after <= 0 else [(0.0, 0.0), *points],
        }


def frontier_of(market: Market, offered: tuple[Offered, ...], steps: Steps | None = None) -> Frontier:
    """Return the frontier of a market and the fences offered; stock on hand is left out.

    Parameters
    ----------
    market : Market
        What can be had.
    offered : tuple of Offered
        Fences, no tree in two of them. A fence with what is bought inside is one thing more to buy.
    steps : Steps, optional
        What `hull_steps` found for the market, where it has no stock.
    """
    if steps is None:
        cost = market.cost.copy()
        for draw in market.uses[2:]:
            cost[draw > 0] = np.inf
        steps = hull_steps(cost, market.benefit)
    if not offered:
        return _curve(steps.cost, steps.benefit)
    fenced = np.full(len(market.cost), -1)
    for number, fence in enumerate(offered):
        fenced[fence.trees] = number
    of = fenced[steps.tree]
    money, loss = [steps.cost[of < 0]], [steps.benefit[of < 0]]
    for number, fence in enumerate(offered):
        base = fence.benefit[:, 0]
        inside = hull_steps(market.cost[fence.trees], fence.benefit - base[:, None])
        apart = _curve(steps.cost[of == number], steps.benefit[of == number])
        within = _curve(inside.cost, inside.benefit)
        hull = _upper_hull(
            np.append(apart.money, within.money + fence.cost), np.append(apart.loss, within.loss + base.sum())
        )
        money.append(np.diff(hull.money))
        loss.append(np.diff(hull.loss))
    each_money, each_loss = np.concatenate(money), np.concatenate(loss)
    order = np.argsort(-each_loss / np.maximum(each_money, 1e-9), kind="stable")
    return _curve(each_money[order], each_loss[order])


def frontier_of_list(cost: FloatArray, prevented: FloatArray) -> Frontier:
    """Return what parts of a list of work would prevent, those that prevent most for their money first.

    Parameters
    ----------
    cost, prevented : ndarray
        Money and loss prevented of each piece of work.

    Examples
    --------
    >>> frontier_of_list(np.array([10.0, 10.0]), np.array([5.0, 8.0])).loss.tolist()
    [0.0, 8.0, 13.0]
    """
    some = prevented > 0
    order = np.argsort(-prevented[some] / np.maximum(cost[some], 1e-9), kind="stable")
    return _curve(cost[some][order], prevented[some][order])


def _curve(money: FloatArray, loss: FloatArray) -> Frontier:
    """Steps, added up from nothing."""
    return Frontier(money=np.append(0.0, np.cumsum(money)), loss=np.append(0.0, np.cumsum(loss)))


def _upper_hull(money: FloatArray, loss: FloatArray) -> Frontier:
    """The upper hull of points, as far as it rises."""
    order = np.lexsort((-loss, money))
    hull: list[tuple[float, float]] = []
    for x, y in zip(money[order].tolist(), loss[order].tolist(), strict=True):
        if hull and y <= hull[-1][1]:
            continue
        while len(hull) > 1 and (y - hull[-2][1]) * (hull[-1][0] - hull[-2][0]) >= (hull[-1][1] - hull[-2][1]) * (
            x - hull[-2][0]
        ):
            hull.pop()
        hull.append((x, y))
    points = np.array(hull)
    return Frontier(money=points[:, 0], loss=points[:, 1])
