"""Reach areas: where the scoring curve crosses a band's limit, drawn on the ground."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from conftest import make_layer, make_settings, make_site

from riskmap import rules, tables
from riskmap.draw.reach import crossings, medium_pressure, reach_areas, reach_distances
from riskmap.model import Local

POND = shapely.box(0, 0, 100, 100)
ACTIVE = Local(beaver="active", deer_per_km2=12, rabbits_per_ha=8, voles="rising")


def site_of(layers, **local):
    return make_site(
        np.array([[10.0, 150.0], [60.0, 200.0]]),
        layers,
        settings=make_settings(local=Local(**local) if local else ACTIVE, layers=()),
    )


def test_beaver_reaches_as_far_as_a_hand_sum_says() -> None:
    # h = h0 exp(-d2 / 2 sigma2) with an active colony (Q = 1); pressure = limit where h = -ln(1 - limit)
    figures = tables.figures()["beaver"]
    site = site_of({"water": [POND]})
    for limit, told in zip(rules.BAND_LIMITS, reach_distances(site)["beaver", "water"], strict=True):
        share = -np.log1p(-limit) / figures["h0_per_year"]
        if share > 1:
            assert np.isnan(told)
        else:
            by_hand = min(figures["sigma_m"] * np.sqrt(-2 * np.log(share)), figures["d_max_m"])
            assert told == pytest.approx(by_hand, abs=0.1)


def test_a_users_own_figure_moves_the_reach() -> None:
    site = make_site(
        np.array([[10.0, 150.0]]),
        {"water": [POND]},
        settings=make_settings(local=ACTIVE, overrides={"beaver": {"sigma_m": 10.0}}, layers=()),
    )
    assert (
        reach_distances(site)["beaver", "water"][0] < reach_distances(site_of({"water": [POND]}))["beaver", "water"][0]
    )


def test_absent_beavers_reach_nowhere() -> None:
    site = site_of({"water": [POND]}, beaver="absent")
    assert np.isnan(reach_distances(site)["beaver", "water"]).all()
    assert [reach.agent for reach in reach_areas(site, None)] == []


@pytest.mark.parametrize("agent", [key for key, row in tables.agents().items() if row.roles and not row.off_by_default])
def test_reach_never_shrinks_for_a_lower_band(agent: str) -> None:
    role = tables.agents()[agent].roles[0]
    far = np.array(reach_distances(site_of({role: [POND]}))[agent, role])
    far = far[np.isfinite(far)]
    assert len(far)
    assert (np.diff(far) <= 0).all()
    just_out = medium_pressure(agent, role, far[:1] + 0.2, site_of({role: [POND]}))
    assert just_out[0] < rules.BAND_LIMITS[0]


def test_areas_nest_leave_out_water_and_hold_the_right_trees() -> None:
    site = site_of({"water": [POND]})
    (reach,) = reach_areas(site, None)
    far = {band.band: band.to_m for band in reach.bands}
    pond = site.layers[0].geometry[0]
    whole = shapely.union_all([band.area for band in reach.bands])
    assert shapely.area(shapely.intersection(whole, pond)) == pytest.approx(0, abs=1e-6)
    for one, other in zip(reach.bands, reach.bands[1:], strict=False):
        assert shapely.area(shapely.intersection(one.area, other.area)) == pytest.approx(0, abs=1)
    for band in reach.bands:
        place = shapely.Point(500_050, 4_683_100 + band.to_m - 0.5)
        assert shapely.contains(band.area, place)
    assert sorted(far) == [band.band for band in reach.bands]


def test_a_line_of_known_width_reaches_half_its_width_farther() -> None:
    ditch = shapely.LineString([(0, 0), (100, 0)])
    narrow = make_site(
        np.array([[0.0, 9.0]]), [make_layer("water", [ditch], width_m=0.0)], settings=make_settings(local=ACTIVE)
    )
    broad = make_site(
        np.array([[0.0, 9.0]]), [make_layer("water", [ditch], width_m=8.0)], settings=make_settings(local=ACTIVE)
    )
    tops = [shapely.bounds(reach_areas(site, None)[0].bands[0].area)[3] for site in (narrow, broad)]
    assert tops[1] - tops[0] == pytest.approx(4.0, abs=0.05)


def test_who_clears_a_drive_sets_how_far_it_is_thrown() -> None:
    far = {}
    for tool in ("shovel", "two_stage"):
        site = make_site(
            np.array([[0.0, 9.0]]), [make_layer("driveway", [POND], cleared_by=tool)], settings=make_settings()
        )
        far[tool] = reach_distances(site)["snow_throw", "driveway"][0]
    assert far["shovel"] < far["two_stage"]


def test_a_curve_that_never_reaches_a_limit_gives_nan() -> None:
    assert np.isnan(crossings(np.zeros_like, (0.1,), 5.0)[0])
    assert crossings(lambda d: np.full_like(d, 0.1), (0.1,), 5.0) == [5.0]
