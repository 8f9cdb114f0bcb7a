"""A part's share of one budget: its steps told, best first, and so many of them taken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from riskmap.choose.knapsack import Bought, Steps, hull_steps
from riskmap.choose.market import Limits, Market, open_market
from riskmap.choose.spend import Spent, shared_of, why_not
from riskmap.model import FloatArray

if TYPE_CHECKING:
    from riskmap.choose.case import Case

__all__ = ["PartSteps", "Share", "spend_share", "steps_of"]

LIMITS: Final = Limits(budget=0.0)  # money decides; how much of it there is, all parts together say


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What a part takes of a budget: its first steps, and what one more unit of money would prevent anywhere."""

    steps: int
    price: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSteps:
    """Steps of a part, best loss prevented per cost first.

    Attributes
    ----------
    cost, benefit : ndarray, shape (step,)
        Money, and loss prevented, more than without the step.
    anyhow : float
        Money that must be spent whatever is bought.
    """

    cost: FloatArray
    benefit: FloatArray
    anyhow: float


def _walk(case: Case) -> tuple[Market, Steps]:
    """What can be had in a part, and its steps, best first."""
    market = open_market(case, LIMITS)
    return market, hull_steps(market.cost, market.benefit)


def steps_of(case: Case) -> PartSteps:
    """Return the steps of a part."""
    market, steps = _walk(case)
    return PartSteps(cost=steps.cost, benefit=steps.benefit, anyhow=market.anyhow[0])


def spend_share(case: Case, share: Share) -> Spent:
    """Take the first steps of a part; no fence is looked for, since it would change the steps of all.

    Parameters
    ----------
    case : Case
        The part, its trees grouped by every agent that lives.
    share : Share
        How many steps.
    """
    market, steps = _walk(case)
    option = np.zeros(len(market.cost), dtype=np.int64)
    option[steps.tree[: share.steps]] = steps.option[: share.steps]  # a later step of a tree overwrites an earlier one
    value, spent = (float(each[: share.steps].sum()) for each in (steps.benefit, steps.cost))
    bought = Bought(option=option, value=value, spent=spent, bound=value, price=(share.price,))
    why = why_not(bought, case.place.catalogue.rates.currency, LIMITS)
    shared = shared_of(case, market.offers, option, (), why=why)
    return Spent(shared=shared, facts={}, value=value, bound=value)
