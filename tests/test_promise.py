"""Money set aside for every group: what it promises, that it is kept, and that the rest is spent best."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from conftest import make_site
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from test_budget import make_trees
from test_choose import WHIP, make_pressure

from riskmap.choose import choose_guards
from riskmap.choose.limits import buy_exactly
from riskmap.choose.promise import Promise, buy_keeping, make_promise
from riskmap.errors import InputError
from riskmap.model import ChoiceSettings, SilentWatch
from riskmap.read.settings import settings_from

SEEDS = st.integers(0, 10_000)


def keeping(cost: Any, benefit: Any, promise: Promise, limits: Any) -> tuple[Any, Any]:
    """The greedy choice and the exact one, money alone limited."""
    use = np.stack([cost, np.zeros(cost.shape)])
    room = np.array([limits, np.inf])
    start = buy_keeping(promise, use, benefit, room)
    uses, least = promise.rows(benefit)
    return start, buy_exactly(np.concatenate([use, uses]), benefit, np.append(room, least), start)


def best_by_trying(cost: Any, benefit: Any, promise: Promise, budget: float) -> float:
    """The most that any choice prevents that keeps the promise."""
    rows, found = np.arange(len(cost)), -1.0
    for option in itertools.product(range(cost.shape[1]), repeat=len(cost)):
        some = np.array(option)
        if cost[rows, some].sum() <= budget + 1e-9 and not promise.short(benefit, some).any():
            found = max(found, float(benefit[rows, some].sum()))
    return found


def test_a_promise_by_hand() -> None:
    """Ward 1 prevents 1 for each unit of money, ward 0 ten: 6 of money are set aside for each, 20 are there."""
    cost = np.array([[0.0, 5.0], [0.0, 5.0], [0.0, 5.0], [0.0, 5.0], [0.0, 5.0]])
    benefit = np.array([[0.0, 50.0], [0.0, 49.0], [0.0, 48.0], [0.0, 47.0], [0.0, 5.0]])
    group = np.array([0, 0, 0, 0, 1])
    promise = make_promise(cost, benefit, group, 6.0)
    assert promise.least.tolist() == [50.0, 5.0]
    start, best = keeping(cost, benefit, promise, 20.0)
    assert start.option.tolist() == best.option.tolist() == [1, 1, 1, 0, 1]
    assert best.exact and best.value == 152.0
    assert start.bound == pytest.approx(152.0)  # at its price a promise costs 45 a unit of ward 1


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, share=st.floats(0.05, 0.9), part=st.floats(0.0, 1.0))
def test_small_promises_are_kept_as_by_trying(seed: int, share: float, part: float) -> None:
    cost, benefit = make_trees(6, 3, seed)
    group = np.random.default_rng(seed).integers(-1, 2, 6)
    benefit[group == 1] *= 0.2
    budget = share * cost[:, -1].sum()
    promise = make_promise(cost, benefit, group, part * budget / 2)
    start, best = keeping(cost, benefit, promise, budget)
    true = best_by_trying(cost, benefit, promise, budget)
    rows = np.arange(6)
    for bought in (start, best):
        assert not promise.short(benefit, bought.option).any()
        assert cost[rows, bought.option].sum() <= budget + 1e-6
        assert bought.value == pytest.approx(benefit[rows, bought.option].sum())
        assert bought.value <= true + 1e-6 <= bought.bound + 1e-5 * max(bought.bound, 1)
    assert best.exact and best.value == pytest.approx(true)


@pytest.mark.parametrize("seed", range(3))
def test_promises_as_by_highs(seed: int) -> None:  # scipy.optimize.milp (HiGHS) on the whole problem
    cost, benefit = make_trees(60, 6, seed)
    group = np.arange(60) % 4
    benefit[group < 2] *= 0.05
    budget = 0.2 * cost[:, -1].sum()
    promise = make_promise(cost, benefit, group, budget / 5)
    start, best = keeping(cost, benefit, promise, budget)
    n = cost.size
    uses, least = promise.rows(benefit)
    rules = [
        LinearConstraint(np.kron(np.eye(60), np.ones(6)), 1, 1),
        LinearConstraint(cost.reshape(1, n), -np.inf, budget),
        LinearConstraint(uses.reshape(len(uses), n), -np.inf, least),
    ]
    found = milp(-benefit.ravel(), constraints=rules, integrality=np.ones(n), bounds=Bounds(0, 1))
    assert best.exact
    assert best.value == pytest.approx(-found.fun, rel=1e-4)
    assert start.value <= -found.fun * (1 + 1e-4) and -found.fun <= start.bound * (1 + 1e-6)
    assert start.value > 0.9 * best.value
    assert (promise.prevented(benefit, best.option) >= promise.least - 1e-6).all()


def test_many_trees_keep_many_promises_with_a_small_proven_gap() -> None:
    cost, benefit = make_trees(20_000, 8, 1)
    group = np.arange(20_000) % 20
    benefit[group < 10] *= 0.05
    budget = 0.1 * cost[:, -1].sum()
    promise = make_promise(cost, benefit, group, budget / 25)
    bought = buy_keeping(promise, np.stack([cost, 0 * cost]), benefit, np.array([budget, np.inf]))
    assert not promise.short(benefit, bought.option).any()
    assert cost[np.arange(20_000), bought.option].sum() <= budget + 1e-6
    assert bought.gap < 2e-4


def test_a_promise_that_binds_nowhere_changes_nothing() -> None:
    cost, benefit = make_trees(200, 5, 2)
    promise = make_promise(cost, benefit, np.zeros(200, dtype=np.int64), 50.0)
    start, _ = keeping(cost, benefit, promise, 500.0)
    free, _ = keeping(cost, benefit, make_promise(cost, benefit, np.full(200, -1), 50.0), 500.0)
    assert start.option.tolist() == free.option.tolist()


# ------------------------------------------------------------------------------------------------------- whole sites


def wards(group: Any = None, **wants: Any) -> Any:
    """Twenty dear trees in ward A, twenty cheap ones in ward B, in C two that nothing harms."""
    worth = np.array([400.0] * 20 + [20.0] * 20 + [100.0] * 2)
    group = ["A"] * 20 + ["B"] * 20 + ["C"] * 2 if group is None else group
    xy_m = [[10.0 * i, 0.0] for i in range(42)]
    site = make_site(
        xy_m, settings={"choice": ChoiceSettings(**wants)}, group=group, **{**WHIP, "cost_to_replace": worth}
    )
    pressure = make_pressure(site, [{"vole": 0.2}] * 40 + [{}] * 2, snow_m=0.2)
    return choose_guards(site, {}, pressure, watch=SilentWatch())


def test_every_ward_gets_what_its_share_buys() -> None:
    free, fair = wards(budget=150.0), wards(budget=150.0, group_least=40.0)
    assert free.cost[20:40].sum() < 5.0
    assert fair.cost.sum() <= 150.0 + 1e-6
    assert fair.cost[20:40].sum() >= 30.0
    told = fair.extra["money"]
    assert told["optimal"]
    assert [one["group"] for one in told["groups"]] == ["A", "B", "C"]
    for one in told["groups"]:
        assert one["prevented"] >= one["promised"] - 0.01
    assert told["groups"][1]["spent"] == pytest.approx(fair.cost[20:40].sum(), abs=0.01)
    assert told["prevented"] < free.extra["money"]["prevented"]


def test_a_ward_with_nothing_to_buy_is_noted() -> None:
    (note,) = wards(budget=150.0, group_least=40.0).notes
    assert note.code == "group_least_unused"
    assert note.what == (
        "nothing set aside for 1 group, 'C': no guard there prevents a loss, or none is to be had for 40"
    )
    assert note.tree_ids == ("T41", "T42")


@pytest.mark.parametrize(
    ("wants", "said"),
    [
        (
            {"budget": 100.0, "group_least": 80.0},
            "site.toml: choice.group_least of 80 in 2 groups asks for USD",
        ),
        (
            {"group_least": 80.0},
            "site.toml: choice.group_least sets money aside for every group, and there is no budget; write "
            "choice.budget (choice.group_least)",
        ),
        (
            {"budget": 500.0, "hours": 0.5, "group_least": 100.0},
            "site.toml: choice.group_least of 100 asks for",
        ),
        (
            {"group": [None] * 42, "budget": 100.0, "group_least": 8.0},
            "site.toml: choice.group_least sets money aside for every group, and no tree is in one; name the column "
            "with the ward or block: trees.columns.group (choice.group_least)",
        ),
    ],
)
def test_promises_that_cannot_be_kept_are_refused(wants: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError) as caught:
        wards(**wants)
    assert str(caught.value).startswith(said)


def test_hours_are_kept_beside_promises() -> None:
    found = wards(budget=200.0, hours=2.0, group_least=30.0)
    assert found.hours.sum() <= 2.0 + 1e-6
    assert found.cost.sum() <= 200.0 + 1e-6
    for one in found.extra["money"]["groups"]:
        assert one["prevented"] >= one["promised"] - 0.01


def test_promises_and_trees_alive_are_two_aims(tmp_path: Any) -> None:
    given = {
        "date": "2026-10-15",
        "trees": {"file": "t.csv"},
        "choice": {"group_least": 5, "budget": 100, "alive_per_ha": 500},
    }
    with pytest.raises(InputError, match=r"whatever they cost; take out one of them \(choice\.group_least\)"):
        settings_from(given, tmp_path / "site.toml")
