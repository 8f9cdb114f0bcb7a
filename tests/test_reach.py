"""Reach areas: where the scoring curve crosses a band's limit, drawn on the ground."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from conftest import make_layer, make_settings, make_site

from riskmap import rules, tables
from riskmap.draw.bands import between
from riskmap.draw.in_box import cut_to_box
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


@pytest.mark.parametrize("seed", range(12))
def test_the_ground_between_two_areas_is_what_an_overlay_leaves(seed: int) -> None:
    rng = np.random.default_rng(seed)
    spots = shapely.buffer(shapely.points(rng.uniform(0, 400, (60, 2))), rng.uniform(2, 25, 60))
    ring = shapely.Point(200, 200).buffer(90).difference(shapely.Point(200, 200).buffer(80))  # a hole to grow into
    inner = shapely.union_all([*spots[: 20 * (seed % 4)], ring, shapely.box(500, 0, 510, 10)])
    outer = shapely.disjoint_subset_union_all(shapely.buffer(shapely.get_parts(inner), rng.uniform(0.5, 20)))
    found = between(outer, inner)
    assert shapely.is_valid(found)
    assert shapely.area(found) == pytest.approx(outer.area - inner.area, rel=1e-9)
    assert shapely.area(shapely.intersection(found, inner)) == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("inner", [shapely.box(1, 1, 3, 3), shapely.box(0, 0, 1, 1), shapely.box(5, 5, 6, 6)])
def test_areas_that_are_not_nested_are_overlaid(inner) -> None:
    found = between(shapely.box(0, 0, 2, 2), inner)
    assert shapely.equals(found, shapely.difference(shapely.box(0, 0, 2, 2), inner))


def test_a_box_cuts_as_an_overlay_does() -> None:
    rng = np.random.default_rng(3)
    places = shapely.points(rng.uniform(0, 100, (200, 2)))
    shapes = np.concatenate([places, shapely.buffer(places, 6), shapely.linestrings(rng.uniform(0, 100, (50, 4, 2)))])
    cut, of = cut_to_box(shapes, (20, 30, 70, 60))
    exact = shapely.intersection(shapes, shapely.box(20, 30, 70, 60))
    assert of.tolist() == np.flatnonzero(~shapely.is_empty(exact)).tolist()
    assert shapely.area(shapely.symmetric_difference(cut, exact[of])) == pytest.approx(0, abs=1e-9)


def test_a_farther_band_holds_what_lies_in_reach_on_a_wide_site_too() -> None:
    rng = np.random.default_rng(5)
    woods = [shapely.Point(*place).buffer(60) for place in rng.uniform(0, 9000, (40, 2))]
    site = site_of({"deer_habitat": woods})
    reach = next(reach for reach in reach_areas(site, None) if reach.agent == "deer_browse")
    assert len(reach.bands) > 1
    places = shapely.points(rng.uniform(-500, 9500, (4000, 2)) + np.array([500_000, 4_683_000]))
    far_m = shapely.distance(places, shapely.union_all(np.concatenate([layer.geometry for layer in site.layers])))
    nearer_m = 0.0
    for band in reversed(reach.bands):  # corners and thinning take at most 3 % and 3 m
        slack_m = 3 + 0.03 * band.to_m
        within = shapely.contains(band.area, places)
        assert within[(far_m > nearer_m * 1.03 + 3) & (far_m < band.to_m - slack_m)].all()
        assert not within[far_m > band.to_m + slack_m].any()
        assert within.any()
        nearer_m = band.to_m
