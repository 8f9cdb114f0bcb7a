"""The three worked trees: our own arithmetic, by hand from the published forms. They check the walk, not nature."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from conftest import make_site
from shapely import box

from riskmap.measure import measure_exposures
from riskmap.model import Exposure, Local, SilentWatch
from riskmap.score import score_pressure

LOCAL = {"deer_per_km2": 12.0, "rabbits_per_ha": 8.0, "voles": "rising"}


def lies(role: str, distance_m: float) -> Exposure:
    """One tree at a distance from a role; 0 is inside, deep in."""
    inside = distance_m == 0
    return Exposure(
        role=role,
        reach_m=750.0,
        distance_m=np.array([distance_m]),
        inside=np.array([inside]),
        edge_m=np.array([50.0 if inside else distance_m]),
        nearest_layer=np.array([1]),
        nearest_feature=np.array([1]),
        known=np.array([True]),
        edge_of_data=np.array([False]),
    )


def score_one(roles: dict[str, float], local: dict[str, Any], **tree: Any) -> dict[str, float]:
    """Pressure of each scored agent in percent a year: by exposures written down, and by shapes that are measured."""
    settings = {"local": Local(**{**LOCAL, **local})}
    site = make_site([[0.0, 0.0]], settings=settings, **tree)
    exposures = {role: lies(role, distance_m) for role, distance_m in roles.items()}
    written = score_pressure(site, exposures, (), watch=SilentWatch())
    shapes = {role: [box(m or -50, -500, m + 500, 500)] for role, m in roles.items()}
    drawn_site = make_site([[0.0, 0.0]], shapes, settings=settings, **tree)
    measured = measure_exposures(drawn_site, watch=SilentWatch())
    drawn = score_pressure(drawn_site, measured, (), watch=SilentWatch())
    assert drawn.value[0] == pytest.approx(written.value[0], abs=1e-6, nan_ok=True)
    return {agent: 100 * float(written.value[0, at]) for at, agent in enumerate(written.agents)}


def test_willow_whip_by_an_active_colony() -> None:
    percent = score_one(
        {"water": 8.0, "deer_habitat": 60.0, "rabbit_cover": 15.0, "rough_grass": 0.0},
        {"beaver": "active", "snow_depth_m": 0.3},
        species=["willow"],
        stem_mm=12.0,
        height_m=1.0,
        age_years=0.0,
        form=["whip"],
    )
    assert percent["beaver"] == pytest.approx(17.6, abs=0.1)
    assert percent["deer_browse"] == pytest.approx(30.7, abs=0.1)
    assert percent["rabbit"] == pytest.approx(15.9, abs=0.1)
    assert percent["vole"] == pytest.approx(10.2, abs=0.1)
    assert np.isnan(percent["mower"])


def test_red_maple_in_turf_by_a_blown_drive() -> None:
    percent = score_one(
        {"lawn": 0.0, "driveway": 1.5, "deer_habitat": 120.0},
        {},
        species=["red maple"],
        stem_mm=64.0,
        height_m=4.0,
        age_years=0.0,
    )
    assert percent["mower"] == pytest.approx(33.0, abs=0.1)
    assert percent["snow_throw"] == pytest.approx(3.9, abs=0.1)
    assert percent["antler_rub"] == pytest.approx(3.7, abs=0.1)
    assert percent["deer_browse"] == 0.0


def test_oak_in_rough_grass_by_a_hedge() -> None:
    percent = score_one(
        {"rough_grass": 0.0, "rabbit_cover": 3.0, "deer_habitat": 80.0},
        {"snow_depth_m": 0.5},
        species=["oak"],
        stem_mm=25.0,
        height_m=1.2,
        age_years=2.0,
        bare_radius_m=0.5,
    )
    assert percent["vole"] == pytest.approx(16.0, abs=0.1)
    assert percent["rabbit"] == pytest.approx(9.0, abs=0.1)
    assert percent["deer_browse"] == pytest.approx(29.1, abs=0.1)
    assert percent["antler_rub"] == pytest.approx(4.5, abs=0.1)
