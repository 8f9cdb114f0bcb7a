"""The cheapest way to so many trees alive, planting more included."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from conftest import make_site
from test_choose import WHIP, make_pressure

from riskmap import tables
from riskmap.choose import choose_guards
from riskmap.choose.alive import planted_ha, survival
from riskmap.errors import InputError
from riskmap.model import ChoiceSettings, SilentWatch

HECTARE = shapely.box(-10, -10, 90, 90)
OTHER = tables.work_figures()["other_survival"].central


def aim_at(per_ha: float, year: int = 3, rate: float = 0.4, layers: Any = None, **trees: Any) -> Any:
    """Forty whips on a hectare, half of them gnawed by voles."""
    xy_m = np.stack(np.meshgrid(np.arange(8), np.arange(5)), axis=-1).reshape(-1, 2) * 10.0
    wants = {"choice": ChoiceSettings(alive_per_ha=per_ha, year=year)}
    layers = {"planting_area": [HECTARE]} if layers is None else layers
    site = make_site(xy_m, layers, settings=wants, **{**WHIP, **trees})
    pressure = make_pressure(site, [{"vole": rate if place % 2 else 0.0} for place in range(40)])
    return choose_guards(site, {}, pressure, watch=SilentWatch())


def test_survival_by_hand() -> None:
    loss = np.array([[0.2, 0.1], [0.0, 0.0]])
    bare = survival(loss, np.zeros(2), np.zeros(2), years=3, other=0.94)
    assert bare == pytest.approx([(0.94 * 0.8 * 0.9) ** 3, 0.94**3])
    two_years = survival(loss, np.array([1.0, 0.5]), np.array([2.0, 9.0]), years=3, other=1.0)
    assert two_years[0] == pytest.approx(0.95 * 0.95 * (0.8 * 0.95))


def test_plants_for_each_tree_wanted() -> None:  # Chau 2021: 85 % stand with shelters, 50 % without
    assert pytest.approx(1.18, abs=0.005) == 1 / 0.85
    assert 1 / 0.50 == 2.0
    assert [math.ceil(100 / share) for share in (0.85, 0.50)] == [118, 200]


def test_other_causes_leave_what_was_counted() -> None:
    """Keeton 2008: 56.4 % alive after three seasons, 39 % of the dead neither browsed nor girdled."""
    assert pytest.approx(OTHER, abs=0.005) == (1 - 0.436 * 0.39) ** (1 / 3)


def test_the_area_of_the_planting_layer() -> None:
    assert planted_ha(make_site([[0.0, 0.0]], {"planting_area": [HECTARE]})) == pytest.approx(1.0)


def test_trees_a_hectare_ask_for_an_area() -> None:
    with pytest.raises(InputError) as caught:
        aim_at(20.0, layers={})
    assert str(caught.value) == (
        "site.toml: choice.alive_per_ha needs the area that is planted, and no layer gives it; give a layer with the "
        "role planting_area, or leave alive_per_ha out (choice.alive_per_ha)"
    )


def test_nothing_is_bought_where_enough_stand_anyhow() -> None:
    found = aim_at(10.0)
    facts = found.extra["money"]
    assert facts["alive_without"] == pytest.approx(20 * OTHER**3 + 20 * (OTHER * 0.8) ** 3, abs=0.05)
    assert facts["plant"] == 0
    assert found.cost.sum() == 0
    assert set(found.action.texts()) == {"accept", "none needed"}


def test_dear_trees_are_guarded_and_cheap_ones_planted_anew() -> None:
    dear, cheap = (aim_at(30.0, cost_to_replace=worth) for worth in (200.0, 1.0))
    assert "fit" in dear.action.texts()
    assert dear.extra["money"]["plant"] == 0
    assert "fit" not in cheap.action.texts()
    assert cheap.extra["money"]["plant"] > 0
    for found in (dear, cheap):
        facts = found.extra["money"]
        assert facts["alive"] >= facts["target"] == 30.0
        assert facts["cost_guards"] == pytest.approx(found.cost.sum(), abs=0.01)
        assert facts["bound"] <= facts["cost_guards"] + facts["cost_planting"] + 0.01


def test_past_what_guards_can_do_the_rest_is_planted() -> None:
    facts = aim_at(60.0, cost_to_replace=200.0).extra["money"]
    assert facts["cost_guards"] > 0
    assert facts["plant"] > 0
    assert facts["alive"] >= 60.0 - 0.05


def test_more_trees_wanted_never_cost_less() -> None:
    costs = []
    for per_ha in (10.0, 25.0, 30.0, 33.0, 40.0):
        facts = aim_at(per_ha, cost_to_replace=60.0).extra["money"]
        costs.append(facts["cost_guards"] + facts["cost_planting"])
    assert costs == sorted(costs)
