"""Shared fences where money decides: against every choice tried, and on whole sites."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
from conftest import make_site
from hypothesis import given, settings
from hypothesis import strategies as st
from test_choose import WHIP, make_pressure

from riskmap.choose import choose_guards
from riskmap.choose.fenced import FencePlan, Offered, choose_offered
from riskmap.choose.frontier import frontier_of
from riskmap.choose.knapsack import hull_steps
from riskmap.choose.market import Market
from riskmap.choose.planting import Ways
from riskmap.choose.promise import make_promise
from riskmap.choose.within import best_within
from riskmap.model import ChoiceSettings, GuardSettings, SilentWatch

# ---------------------------------------------------------------------------------------------- every choice tried

SEEDS = st.integers(0, 10_000)
FENCES = ((0, 1, 2), (3, 4))  # trees of the two fences; the sixth tree stands apart


def small_market(seed: int, *, money: float = math.inf, hours: float = math.inf, net: bool = False) -> Any:
    """Six trees with two guards each, and two fences of which each does what a good guard does."""
    rng = np.random.default_rng(seed)
    cost = np.round(np.sort(rng.uniform(2, 12, (6, 3)), axis=1), 2)
    benefit = np.sort(rng.gamma(2.0, 8.0, (6, 3)), axis=1)
    work = rng.uniform(0.1, 1.0, (6, 3))
    cost[:, 0] = benefit[:, 0] = work[:, 0] = 0.0
    goal = benefit - 1.3 * cost if net else benefit
    offered = []
    for trees in FENCES:
        inside = np.maximum(benefit[list(trees)], rng.uniform(5, 25, (len(trees), 1)))
        worth = inside - (benefit - goal)[list(trees)]
        price = round(float(rng.uniform(5, 30)), 2)
        line: Any = SimpleNamespace()
        offered.append(Offered(trees=np.array(trees), line=line, area=None, cost=price, benefit=inside, goal=worth))
    room = np.array([money, hours])
    market = Market(offers=[], uses=(cost, work), benefit=benefit, goal=goal, room=room, anyhow=(0.0, 0.0), net=net)
    return market, offered


def plan_of(market: Market, offered: list[Offered]) -> FencePlan:
    plain = best_within(market.uses, market.goal, market.room, promise=market.promise)
    return choose_offered(market, plain, offered)


def best_by_trying(market: Market, offered: list[Offered]) -> float:
    """The most that any fences with any guards are worth within the limits."""
    rows, most = np.arange(6), -math.inf
    for built in itertools.product([False, True], repeat=len(offered)):
        goal, paid = market.goal.copy(), 0.0
        for fence, stands in zip(offered, built, strict=True):
            if stands:
                goal[fence.trees] = fence.goal
                paid += fence.cost
        for option in itertools.product(range(3), repeat=6):
            used = [use[rows, option].sum() for use in market.uses]
            kept = market.promise is None or not market.promise.short(goal, np.array(option)).any()
            if kept and used[0] + paid <= market.room[0] + 1e-9 and used[1] <= market.room[1] + 1e-9:
                most = max(most, goal[rows, option].sum() - (paid if market.net else 0.0))
    return float(most)


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, money=st.floats(0.0, 90.0))
def test_fences_within_a_budget_as_by_trying(seed: int, money: float) -> None:
    market, offered = small_market(seed, money=money)
    plan = plan_of(market, offered)
    assert plan.bought.exact
    assert plan.bought.value == pytest.approx(best_by_trying(market, offered))
    assert plan.bought.spent <= money + 1e-6
    assert plan.benefit(market).sum() == pytest.approx(plan.bought.value)


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, money=st.floats(5.0, 60.0), hours=st.floats(0.2, 3.0))
def test_fences_with_hours_as_by_trying(seed: int, money: float, hours: float) -> None:
    """Fences are built by others: they take money and no hours."""
    market, offered = small_market(seed, money=money, hours=hours)
    plan = plan_of(market, offered)
    assert plan.bought.value == pytest.approx(best_by_trying(market, offered))


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS)
def test_fences_worth_more_than_they_cost_as_by_trying(seed: int) -> None:
    market, offered = small_market(seed, net=True)
    plan = plan_of(market, offered)
    assert plan.bought.exact
    assert plan.bought.value == pytest.approx(best_by_trying(market, offered))


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, money=st.floats(20.0, 80.0))
def test_fences_beside_a_promise_as_by_trying(seed: int, money: float) -> None:
    market, offered = small_market(seed, money=money)
    promise = make_promise(market.cost, market.benefit, np.array([0, 0, 0, 1, 1, 1]), 8.0)
    market = replace(market, promise=promise)
    plan, true = plan_of(market, offered), best_by_trying(market, offered)
    assert plan.bought.value <= true + 1e-6 <= plan.bought.bound + 2e-6
    if plan.bought.exact:
        assert plan.bought.value == pytest.approx(true)


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS, money=st.floats(0.0, 90.0))
def test_the_bound_without_trying_all_holds(seed: int, money: float) -> None:
    """As for many trees: not every set of fences is tried, and the bound says what may be missed."""
    market, offered = small_market(seed, money=money)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("riskmap.choose.fenced.MOST_TRIED", 0)
        plan = plan_of(market, offered)
    true = best_by_trying(market, offered)
    assert not plan.bought.exact
    assert plan.bought.value <= true + 1e-6 <= plan.bought.bound + 2e-6


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS, money=st.floats(0.0, 90.0))
def test_the_frontier_passes_no_choice_below(seed: int, money: float) -> None:
    market, offered = small_market(seed, money=money)
    curve = frontier_of(market, tuple(offered), hull_steps(market.cost, market.benefit))
    slope = np.diff(curve.loss) / np.maximum(np.diff(curve.money), 1e-12)
    assert (np.diff(curve.money) >= 0).all() and (np.diff(slope) <= 1e-6).all()
    assert best_by_trying(market, offered) <= np.interp(money, curve.money, curve.loss) + 1e-6


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, missing=st.floats(0.1, 4.0))
def test_trees_alive_with_fences_never_below_the_bound(seed: int, missing: float) -> None:
    """Every set of guards and fences, filled up with new trees: none costs less than the bound."""
    market, offered = small_market(seed)
    top = max(market.benefit.max(), *(fence.benefit.max() for fence in offered))
    offered = [fence.scaled(1 / top) for fence in offered]
    new = {"cost": 9.0, "alive": 0.7}
    ways = Ways(cost=market.cost, gain=market.benefit / top, missing=missing, new=new)
    rows, least = np.arange(6), math.inf
    for built in itertools.product([False, True], repeat=2):
        gain, paid = ways.gain.copy(), 0.0
        for fence, stands in zip(offered, built, strict=True):
            if stands:
                gain[fence.trees] = fence.benefit
                paid += fence.cost
        for option in itertools.product(range(3), repeat=6):
            short = max(missing - gain[rows, option].sum(), 0.0)
            least = min(least, paid + ways.cost[rows, option].sum() + math.ceil(short / 0.7 - 1e-9) * 9.0)
    found = [ways.way(tuple(some)) for some in ((), (offered[0],), tuple(offered))]
    assert ways.bound(offered) <= least + 1e-6
    assert all(way.cost >= least - 1e-6 for way in found)
    assert all(way.kept + way.plant * 0.7 >= missing - 1e-9 for way in found)


# ------------------------------------------------------------------------------------------------------ whole sites

BROWSED = {"deer_browse": 0.3, "vole": 0.2}
NO_TUBES = ("shelter_solid", "poultry_net_25")
NO_FENCES = ("fence_deer_woven", "fence_deer_plastic", "fence_rabbit", "fence_electric")


def planting(*, never: tuple[str, ...] = NO_TUBES, worth: float = 60.0, ground: Any = (), **wants: Any) -> Any:
    """300 whips at 3 m, browsed and gnawed by voles, with money deciding."""
    xy_m = np.stack(np.meshgrid(np.arange(20), np.arange(15)), axis=-1).reshape(-1, 2) * 3.0
    told = {"guards": GuardSettings(never=never), "choice": ChoiceSettings(**wants)}
    site = make_site(xy_m, ground, settings=told, cost_to_replace=worth, **WHIP)
    return choose_guards(site, {}, make_pressure(site, [BROWSED] * 300), watch=SilentWatch())


def test_value_builds_the_fence_that_pays() -> None:
    found, single = planting(policy="value"), planting(policy="value", never=(*NO_TUBES, *NO_FENCES))
    (fence,) = found.extra["fences"]
    assert len(fence["trees"]) == 300
    assert single.extra["fences"] == []
    facts = found.extra["money"]
    assert facts["fences_built"] == 1
    assert facts["optimal"]
    assert facts["prevented"] - found.cost.sum() > single.extra["money"]["prevented"] - single.cost.sum()
    assert facts["spent"] == pytest.approx(found.cost.sum(), abs=0.01)
    assert "Shared fence 1, " in found.reason.texts()[0]


def test_value_builds_none_round_cheap_trees() -> None:
    assert planting(policy="value", worth=0.5).extra["fences"] == []


def test_a_budget_buys_a_fence_and_is_kept() -> None:
    before = 0.0
    for budget in (100.0, 700.0, 1500.0, 4000.0):
        found = planting(budget=budget)
        facts = found.extra["money"]
        assert found.cost.sum() <= budget + 1e-6
        assert facts["spent"] == pytest.approx(found.cost.sum(), abs=0.01)
        without = planting(budget=budget, never=(*NO_TUBES, *NO_FENCES)).extra["money"]
        assert max(before, without["prevented"] - 0.01) <= facts["prevented"] <= facts["bound"] + 0.01
        before = facts["prevented"]
    assert len(found.extra["fences"]) == 1


def test_hours_that_single_guards_take_leave_room_for_a_fence() -> None:
    """Ten hours are a few guards; a fence is built by others."""
    found = planting(hours=10.0)
    assert found.hours.sum() <= 10.0 + 1e-6
    assert len(found.extra["fences"]) == 1
    alone = planting(hours=10.0, never=(*NO_TUBES, *NO_FENCES))
    assert found.extra["money"]["prevented"] > alone.extra["money"]["prevented"]


def test_trees_alive_by_a_fence() -> None:
    area = {"planting_area": [shapely.box(-5, -5, 62, 47)]}
    per_ha = 240 / 0.3484
    found = planting(alive_per_ha=per_ha, ground=area, worth=60.0)
    alone = planting(alive_per_ha=per_ha, ground=area, worth=60.0, never=(*NO_TUBES, *NO_FENCES))
    facts, other = found.extra["money"], alone.extra["money"]
    assert len(found.extra["fences"]) == facts["fences_built"] == 1
    assert facts["alive"] >= facts["target"] - 0.05
    whole = facts["cost_guards"] + facts["cost_planting"]
    assert facts["bound"] <= whole + 0.01
    assert whole < other["cost_guards"] + other["cost_planting"]
    assert facts["cost_guards"] == pytest.approx(found.cost.sum(), abs=0.01)
