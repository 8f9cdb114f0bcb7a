"""One budget split over parts buys what one run buys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap.choose.knapsack import buy, hull_steps
from riskmap.in_parts.budget import Ladder, frontier, split_money


def sheets(rng: np.random.Generator, trees: int, *, alike: bool) -> tuple[np.ndarray, np.ndarray]:
    """Costs and benefits of a few options a tree; many of them the same where trees are alike."""
    cost = np.sort(rng.integers(1, 6 if alike else 4000, (trees, 4)) / (1.0 if alike else 100.0), axis=1)
    benefit = np.sort(rng.integers(0, 8, (trees, 4)) * 1.0 if alike else rng.uniform(0, 50, (trees, 4)), axis=1)
    nothing = np.zeros((trees, 1))
    return np.hstack([nothing, cost]), np.hstack([nothing, benefit])


@given(st.integers(0, 2**32 - 1), st.integers(1, 60), st.floats(0, 1.2), st.booleans())
@settings(max_examples=150, deadline=None)
def test_the_split_spends_no_more_and_prevents_what_whole_steps_can(
    seed: int, trees: int, share: float, alike: bool
) -> None:
    rng = np.random.default_rng(seed)
    cost, benefit = sheets(rng, trees, alike=alike)
    part = rng.integers(0, 3, trees)
    steps = [hull_steps(cost[part == one], benefit[part == one]) for one in range(3)]
    ladders = [Ladder.of(step.cost, step.benefit) for step in steps]
    budget = share * sum(ladder.cost[-1] if len(ladder.cost) else 0.0 for ladder in ladders)
    split = split_money(ladders, budget)
    whole = hull_steps(cost, benefit)
    order = np.argsort(-whole.benefit / whole.cost, kind="stable")
    fits = np.cumsum(whole.cost[order]) <= budget * (1 + 1e-12) + 1e-9
    assert split.spent <= budget + 1e-6
    assert split.prevented >= whole.benefit[order][fits].sum() - whole.benefit.max(initial=0.0) - 1e-6
    best = buy(cost, benefit, budget)
    assert split.bound == pytest.approx(best.bound, rel=1e-9, abs=1e-6)
    assert split.bound - split.prevented <= whole.benefit.max(initial=0.0) + 1e-9


def test_money_that_must_be_spent_comes_first() -> None:
    ladder = Ladder.of(np.array([2.0, 2.0]), np.array([8.0, 4.0]), anyhow=3.0)
    split = split_money([ladder, ladder], 10.0)
    assert (split.steps, split.spent, split.prevented) == ((1, 1), 10.0, 16.0)
    assert split_money([ladder], 2.0).steps == (0,)
    assert split_money([ladder], np.inf).steps == (2,)


def test_the_frontier_rises_and_bends_down() -> None:
    rng = np.random.default_rng(5)
    ladders = []
    for _ in range(4):
        steps = hull_steps(*sheets(rng, 300, alike=False))
        ladders.append(Ladder.of(steps.cost, steps.benefit))
    money, loss = np.array(frontier(ladders)).T
    assert (np.diff(money) > 0).all()
    assert (np.diff(loss) > 0).all()
    slope = np.diff(loss) / np.diff(money)
    assert (np.diff(slope) <= 1e-3 * slope[:-1]).all()
    assert money[-1] == pytest.approx(sum(ladder.cost[-1] for ladder in ladders), abs=0.01)
