"""One budget over all parts: each tells what its steps cost and prevent; how many it may take is found here.

The steps of all parts, best loss prevented per cost first, bought until the money is gone, are what one run buys. No
part needs the others' steps: it is enough to add up, for a price, what all would spend that prevent more per cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from riskmap.model import FloatArray

__all__ = ["Ladder", "Money", "Split", "frontier", "split_money"]

HALVINGS: Final = 200  # of the range of prices: more than a number has digits
POINTS: Final = 200
NEXT_MONEY: Final = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """The steps of one part, best loss prevented per cost first; shape (step,).

    Attributes
    ----------
    slope : ndarray
        Loss prevented per cost, falling.
    cost, benefit : ndarray
        Money and loss prevented of all steps up to and with each.
    anyhow : float
        Money that must be spent whatever is bought.
    """

    slope: FloatArray
    cost: FloatArray
    benefit: FloatArray
    anyhow: float = 0.0

    @classmethod
    def of(cls, cost: FloatArray, benefit: FloatArray, anyhow: float = 0.0) -> Ladder:
        """Return the ladder of steps that stand in their order."""
        with np.errstate(divide="ignore"):
            slope = np.minimum.accumulate(benefit / cost) if len(cost) else np.empty(0)
        return cls(slope=slope, cost=np.cumsum(cost), benefit=np.cumsum(benefit), anyhow=anyhow)

    def steps_above(self, price: float) -> int:
        """Return how many steps prevent more than `price` per cost."""
        return int(np.searchsorted(-self.slope, -price, side="left"))

    def money(self, steps: int) -> float:
        """Return what so many steps cost."""
        return float(self.cost[steps - 1]) if steps else 0.0

    def prevented(self, steps: int) -> float:
        """Return what so many steps prevent."""
        return float(self.benefit[steps - 1]) if steps else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """How many steps each part takes, and what all together spend and prevent.

    Attributes
    ----------
    price : float
        Loss that one more unit of money would prevent.
    bound : float
        No choice of single guards that keeps the budget prevents more.
    """

    steps: tuple[int, ...]
    price: float
    spent: float
    prevented: float
    bound: float
    anyhow: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Money:
    """A budget split over parts, and what other sums would prevent."""

    budget: float
    split: Split
    frontier: list[tuple[float, float]]

    def told(self, currency: str) -> dict[str, Any]:
        """Return what run.json and the map say of the money."""
        split, anyhow = self.split, self.split.anyhow
        money, loss = np.array([(0.0, 0.0), *self.frontier]).T
        here, there = np.interp([split.spent - anyhow, split.spent - anyhow + NEXT_MONEY], money, loss)
        return {
            "currency": currency,
            "budget": self.budget,
            "hours": None,
            "spent": round(split.spent, 2),
            "prevented": round(split.prevented, 2),
            "bound": round(split.bound, 2),
            "gap": max(split.bound - split.prevented, 0.0) / split.bound if split.bound > 0 else 0.0,
            "optimal": False,
            "next_money": NEXT_MONEY,
            "next_prevents": round(float(there - here), 2),
            "frontier": [(round(one + anyhow, 2), other) for one, other in self.frontier],
            "proof_holds_for": "single guards; shared fences are not sought where a budget is split over parts",
        }


def split_money(ladders: Sequence[Ladder], budget: float) -> Split:
    """Split one budget over parts so that all together prevent the most.

    Parameters
    ----------
    ladders : sequence of Ladder
        One a part.
    budget : float
        Money, what must be spent anyhow included.

    Examples
    --------
    >>> north = Ladder.of(np.array([1.0, 2.0]), np.array([9.0, 2.0]))
    >>> south = Ladder.of(np.array([2.0, 2.0]), np.array([8.0, 4.0]))
    >>> split = split_money([north, south], 5.5)
    >>> split.steps, split.spent, split.prevented, split.bound
    ((1, 2), 5.0, 21.0, 21.5)
    """
    left = max(budget - sum(ladder.anyhow for ladder in ladders), 0.0)
    room = left * (1 + 1e-12) + 1e-9
    low, high = 0.0, max((float(ladder.slope[0]) for ladder in ladders if len(ladder.slope)), default=0.0)
    if _money(ladders, [ladder.steps_above(0.0) for ladder in ladders]) <= room:
        high = 0.0
    elif not np.isfinite(high):
        high = np.finfo(np.float64).max
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if _money(ladders, [ladder.steps_above(middle) for ladder in ladders]) <= room:
            high = middle
        else:
            low = middle
    steps = [ladder.steps_above(high) for ladder in ladders]
    spent = _money(ladders, steps)
    for part, ladder in enumerate(ladders):  # steps at the very price: as many as there is money for
        most = int(np.searchsorted(ladder.cost, ladder.money(steps[part]) + room - spent, side="right"))
        ends = max(steps[part], min(most, ladder.steps_above(np.nextafter(low, -1.0))))
        spent += ladder.money(ends) - ladder.money(steps[part])
        steps[part] = ends
    prevented = sum(ladder.prevented(many) for ladder, many in zip(ladders, steps, strict=True))
    ends_at = zip(ladders, steps, strict=True)
    price = max((float(ladder.slope[many]) for ladder, many in ends_at if many < len(ladder.slope)), default=0.0)
    return Split(
        steps=tuple(steps),
        price=price,
        spent=spent + sum(ladder.anyhow for ladder in ladders),
        prevented=prevented,
        bound=prevented + max(left - spent, 0.0) * price,
        anyhow=sum(ladder.anyhow for ladder in ladders),
    )


def _money(ladders: Sequence[Ladder], steps: Sequence[int]) -> float:
    """What parts spend on so many steps each."""
    return sum(ladder.money(many) for ladder, many in zip(ladders, steps, strict=True))


def frontier(ladders: Sequence[Ladder]) -> list[tuple[float, float]]:
    """Return the most that all parts together prevent for rising sums of money, from nothing to everything."""
    some = [ladder.slope[:: max(1, len(ladder.slope) // POINTS)] for ladder in ladders]
    slopes = np.concatenate([np.empty(0), *some])
    prices = np.unique(np.quantile(slopes, np.linspace(1, 0, POINTS))) if len(slopes) else np.empty(0)
    points = [(0.0, 0.0)]
    for price in (*prices[::-1].tolist(), 0.0):
        steps = [ladder.steps_above(price) for ladder in ladders]
        loss = sum(ladder.prevented(many) for ladder, many in zip(ladders, steps, strict=True))
        points.append((round(_money(ladders, steps), 2), round(loss, 2)))
    return sorted(set(points))
