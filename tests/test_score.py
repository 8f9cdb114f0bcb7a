"""Pressure: what is scored, what is not and why, what ends an agent, and laws of the whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import make_layer, make_settings, make_site, make_table
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, box

from riskmap import tables
from riskmap.errors import InputError
from riskmap.model import Exposure, Local, Pressure, RasterSource, RasterValues, SilentWatch, Site, TreeSource
from riskmap.read.settings import figure_may_be, read_settings
from riskmap.score import score_pressure

EVERY_ROLE = (
    *("water", "lawn", "driveway", "road"),
    *("deer_habitat", "rabbit_cover", "rough_grass", "spray_area"),
)


def lie(role: str, distances_m: Sequence[float], **more: Any) -> Exposure:
    """Trees at distances from a role; 0 is inside."""
    distance_m = np.array(distances_m, dtype=float)
    n = len(distance_m)
    given = {
        "role": role,
        "reach_m": 750.0,
        "distance_m": distance_m,
        "inside": distance_m == 0,
        "edge_m": np.where(distance_m == 0, 50.0, distance_m),
        "nearest_layer": np.zeros(n, dtype=np.int64),
        "nearest_feature": np.zeros(n, dtype=np.int64),
        "known": np.ones(n, dtype=bool),
        "edge_of_data": np.zeros(n, dtype=bool),
    }
    return Exposure(**{**given, **more})


def everywhere_at(distance_m: float, n: int) -> dict[str, Exposure]:
    return {role: lie(role, [distance_m] * n) for role in EVERY_ROLE}


def score(
    site: Site, exposures: Mapping[str, Exposure] | None = None, rasters: Sequence[RasterValues] = ()
) -> Pressure:
    found = exposures if exposures is not None else everywhere_at(1.0, site.trees.n)
    return score_pressure(site, found, tuple(rasters), watch=SilentWatch())


def trees(n: int, *, local: Local | None = None, **columns: Any) -> Site:
    """A row of n trees of 20 mm unless said otherwise."""
    given = {"stem_mm": 20.0, "age_years": 1.0, "height_m": 1.0, **columns}
    return make_site([[10.0 * i, 0.0] for i in range(n)], settings={"local": local or Local()}, **given)


def of(pressure: Pressure, agent: str) -> np.ndarray:
    return pressure.value[:, pressure.agents.index(agent)]


# what is not known is not scored, and never zero


def test_a_role_not_surveyed_leaves_its_agents_empty() -> None:
    found = score(trees(2), {"water": lie("water", [5.0, 500.0])})
    assert found.agents[:2] == ("beaver", "deer_browse")
    assert np.isnan(found.value[:, 1:]).all()
    assert of(found, "beaver")[0] > 0
    assert found.not_scored.to_pylist() == [None, None]


def test_surveyed_and_nothing_in_reach_is_zero() -> None:
    found = score(trees(1), {role: lie(role, [np.nan]) for role in EVERY_ROLE})
    assert (found.value == 0).all()
    assert found.decisive.tolist() == [-1]
    assert found.pressure_any.tolist() == [0.0]


def test_unknown_at_one_tree_is_empty_there_alone() -> None:
    water = lie("water", [5.0, np.nan], known=np.array([True, False]))
    found = score(trees(2), {"water": water})
    assert of(found, "beaver")[0] > 0
    assert np.isnan(of(found, "beaver")[1])
    assert found.not_scored.to_pylist() == [None, "no role surveyed here"]
    assert np.isnan(found.pressure_any[1]) and np.isnan(found.loss_any[1])


def test_rows_left_out_and_rows_without_place_say_so() -> None:
    table = make_table([[0, 0], [np.nan, np.nan], [10, 0]], stem_mm=20.0, kept=np.array([True, True, False]))
    found = score(make_site(table))
    assert found.not_scored.to_pylist() == [None, "no place", "left out by keep/drop"]
    assert np.isnan(found.value[1:]).all()


@pytest.mark.parametrize(("missing_size", "word"), [("", "look"), ("look", "look"), ("young", "young")])
def test_a_tree_of_unknown_size_is_looked_at_or_young(missing_size: str, word: str) -> None:
    """Written out, never left to how nan compares: here one in three has no size."""
    site = make_site(
        [[0, 0], [10, 0], [20, 0]],
        stem_mm=[20.0, np.nan, 250.0],
        settings=make_settings(trees=TreeSource(file="trees.csv", missing_size=missing_size)),
    )
    found = score(site)
    assert found.stems.size_known.tolist() == [True, False, True]
    assert found.stems.young[1] == (word == "young")
    if word == "look":
        assert np.isnan(found.value[1]).all()
        assert found.not_scored[1].as_py() == "no caliper, height or planting year: look"
        assert found.remarks["no_size"].tolist() == [False, True, False]
    else:
        assert (found.value[1] >= found.value[0]).all()
        assert found.remarks["taken_as_young"].tolist() == [False, True, False]


def test_a_list_mostly_without_sizes_is_a_planting_list() -> None:
    found = score(make_site([[0, 0], [10, 0], [20, 0]], stem_mm=[20.0, np.nan, np.nan]))
    assert found.stems.young.tolist() == [False, True, True]
    assert not np.isnan(found.value).any()


def test_a_breast_diameter_of_zero_is_no_size() -> None:
    table = make_table([[0, 0], [10, 0], [20, 0]], stem_mm=[0.0, 200.0, 300.0], stem_kind="dbh_mm", stem_at="breast")
    found = score(make_site(table))
    assert found.stems.size_known.tolist() == [False, True, True]
    assert found.remarks["diameter_zero"].tolist() == [True, False, False]


# sizes


@pytest.mark.parametrize(
    ("kind", "at", "stem_mm", "caliper_mm"),
    [
        ("caliper_mm", "nursery", 60.0, 60.0),
        ("dbh_mm", "breast", 40.0, 50.0),
        ("dbh_mm", "breast_1_3", 80.0, 100.0),
        ("dbh_mm", "breast", 400.0, 425.0),
        ("girth_mm", "girth_1m", 140.0, 140 / np.pi * 1.2),
        ("girth_mm", "girth_breast", 140.0, 140 / np.pi * 1.25),
    ],
)
def test_stems_become_nursery_caliper(kind: str, at: str, stem_mm: float, caliper_mm: float) -> None:
    """A girth of 14 cm is 4.46 cm across (definition); 1.25 x breast diameter under 100 mm is judgement."""
    table = make_table([[0, 0]], stem_mm=stem_mm, stem_kind=kind, stem_at=at)
    assert score(make_site(table)).stems.caliper_mm == pytest.approx([caliper_mm])
    assert pytest.approx(44.6, abs=0.1) == 140 / np.pi


@given(a=st.floats(1, 3000), b=st.floats(1, 3000))
@settings(max_examples=30, deadline=None)
def test_a_thicker_stem_never_has_a_thinner_caliper(a: float, b: float) -> None:
    table = make_table([[0, 0], [1, 0]], stem_mm=[min(a, b), max(a, b)], stem_kind="dbh_mm", stem_at="breast")
    thin, thick = score(make_site(table)).stems.caliper_mm
    assert thin <= thick


def test_what_is_missing_is_worked_out_and_said() -> None:
    site = make_site(
        [[0, 0], [10, 0], [20, 0], [30, 0]],
        stem_mm=[64.0, np.nan, np.nan, 30.0],
        height_m=[np.nan, 1.0, np.nan, np.nan],
        age_years=[np.nan, np.nan, 4.0, np.nan],
    )
    found = score(site)
    assert found.stems.caliper_mm == pytest.approx([64, 12.5, 50, 30])
    assert found.stems.age_years == pytest.approx([5.4, 0.25, 4, 2])
    assert found.stems.height_m[0] == pytest.approx(3.2)  # over 50 mm stands above 2 m
    assert np.isnan(found.stems.height_m[3])  # thin and of unknown height: within reach
    assert of(found, "deer_browse")[0] == 0
    assert of(found, "deer_browse")[3] > 0
    assert found.remarks["caliper_taken"].tolist() == [False, True, True, False]
    topics = {said.topic for said in found.assumptions}
    assert {"sizes.caliper_from_height", "sizes.caliper_from_age", "sizes.age_from_caliper"} <= topics


# what ends an agent

SAFE_MM = {"antler_rub": 120, "rabbit": 100, "vole": 64, "mower": 200, "snow_throw": 150, "spray_drift": 100}


@pytest.mark.parametrize("agent", sorted(SAFE_MM))
def test_the_safe_size_ends_an_agent(agent: str) -> None:
    safe_mm = SAFE_MM[agent]
    site = trees(4, stem_mm=[0.69 * safe_mm, 0.85 * safe_mm, safe_mm, 3 * safe_mm], species=["maple"] * 4)
    found = score(site, everywhere_at(0.0, 4))
    full, fading, ended, old = of(found, agent)
    assert full > fading > ended == old == 0
    assert found.stems.ended[:, found.agents.index(agent)].tolist() == [False, False, True, True]


def test_no_size_ends_beaver_and_whips_are_not_passed_over() -> None:
    """Knapdale: cut stems mean 50 mm, the largest 300 mm; at 45 mm at least twenty times the pull of 300 mm."""
    found = score(trees(4, stem_mm=[12.0, 45.0, 300.0, 800.0]))
    hazard = -np.log1p(-of(found, "beaver").astype(float))
    assert hazard[0] == pytest.approx(hazard[1])
    assert hazard[1] / hazard[2] >= 20
    assert hazard[3] > 0
    assert not found.stems.ended[:, found.agents.index("beaver")].any()


def test_a_leader_above_the_reach_ends_browse() -> None:
    found = score(trees(3, height_m=[1.2, 1.9, 2.5], local=Local(snow_depth_m=0.0)))
    within, above, far_above = of(found, "deer_browse")
    assert within > 0
    assert above == far_above == 0


def test_snow_lifts_the_reach() -> None:
    deep = score(trees(1, height_m=1.9, local=Local(snow_depth_m=1.0)))
    bare = score(trees(1, height_m=1.9, local=Local(snow_depth_m=0.0)))
    assert of(deep, "deer_browse")[0] > of(bare, "deer_browse")[0] == 0


@pytest.mark.parametrize(
    "columns",
    [
        {"species": ["Picea abies"]},
        {"species": ["Picea abies"], "form": ["whip"]},
        {"form": ["shrub"]},
        {"form": ["feathered"]},
    ],
)
def test_conifers_shrubs_and_feathered_go_by_the_share_of_the_crown(columns: dict[str, Any]) -> None:
    """Half of a crown of 3.6 m lies below 1.8 m; a crown that begins above the reach is out of it."""
    local = Local(snow_depth_m=0.0)
    tall = score(trees(1, height_m=3.6, local=local, **columns))
    small = score(trees(1, height_m=1.0, local=local, **columns))
    lifted = score(trees(1, height_m=3.6, lowest_branch_m=2.0, local=local, **columns))
    half = np.log1p(-of(tall, "deer_browse")[0]) / np.log1p(-of(small, "deer_browse")[0])
    assert half == pytest.approx(0.5, abs=0.01)
    assert of(lifted, "deer_browse")[0] == 0


def test_the_crown_of_a_conifer_standard_begins_above_its_clear_stem() -> None:
    """1.8 m of clear stem on a standard (judgement): 0.1 m of 2.8 m of crown is in reach: next to nothing."""
    standard = {"species": ["Larix decidua"], "height_m": 4.6, "form": ["standard"], "local": Local(snow_depth_m=0.2)}
    taken = score(trees(1, **standard))
    assert of(taken, "deer_browse")[0] == 0
    assert of(score(trees(1, **{**standard, "form": ["conifer"]})), "deer_browse")[0] > 0
    assert of(score(trees(1, **standard, lowest_branch_m=0.3)), "deer_browse")[0] > 0
    (said,) = [assumption for assumption in taken.assumptions if assumption.topic == "sizes.crown"]
    assert said.taken.startswith("1.8 m of clear stem") and said.taken.endswith("1 in all")


def test_an_old_conifer_of_unknown_height_is_not_browsed() -> None:
    found = score(trees(1, species=["Picea pungens"], stem_mm=260.0, height_m=np.nan, age_years=np.nan))
    assert of(found, "deer_browse")[0] == 0


def test_age_ends_rabbits_and_voles() -> None:
    found = score(trees(3, age_years=[0.0, 8.0, 30.0]))
    for agent, half_years in (("rabbit", 8), ("vole", 6)):
        young, middle, old = of(found, agent)
        assert young > middle > old == 0, half_years


def test_rough_bark_ends_spray_on_broadleaves_only() -> None:
    found = score(trees(3, species=["Ulmus americana", "Acer rubrum", "Pinus strobus"]))
    rough, thin, needles = of(found, "spray_drift")
    assert rough == 0
    assert thin > needles > 0


# local facts


@pytest.mark.parametrize(
    ("agent", "none", "some", "most"),
    [
        ("beaver", {"beaver": "absent"}, {"beaver": "possible"}, {"beaver": "active"}),
        ("deer_browse", {"deer_per_km2": 0.0}, {"deer_per_km2": 7.0}, {"deer_per_km2": 30.0}),
        ("antler_rub", {"deer_per_km2": 0.0}, {"deer_per_km2": 7.0}, {"deer_per_km2": 30.0}),
        ("rabbit", {"rabbits_per_ha": 0.0}, {"rabbits_per_ha": 8.0}, {"rabbits_per_ha": 40.0}),
        ("vole", {"voles": "low"}, {"voles": "rising"}, {"voles": "peak"}),
        ("spray_drift", {"sprayer": "none"}, {"sprayer": "knapsack"}, {"sprayer": "knapsack", "spot_spray": True}),
        ("snow_throw", {"snow_depth_m": 0.0}, {"snow_depth_m": 0.1}, {"snow_depth_m": 0.5}),
    ],
)
def test_local_facts_raise_pressure(agent: str, none: Any, some: Any, most: Any) -> None:
    near = everywhere_at(3.0, 1)
    values = [of(score(trees(1, local=Local(**fact)), near), agent)[0] for fact in (none, some, most)]
    assert values[0] <= values[1] <= values[2]
    assert values[0] == 0 or agent == "vole"
    assert values[0] < values[2]


def test_spot_spraying_needs_no_layer() -> None:
    found = score(trees(1, local=Local(spot_spray=True)), {"water": lie("water", [5.0])})
    assert of(found, "spray_drift")[0] > 0


def test_the_trees_own_surface_overrides_the_lawn_layer() -> None:
    surfaces = ["turf", "mulch", "pit", "bed", None]
    inside = score(trees(5, surface=surfaces), {"lawn": lie("lawn", [0.0] * 5)})
    turf, mulch, pit, bed, silent = of(inside, "mower")
    assert turf == silent > mulch > pit == bed == 0
    outside = score(trees(2, surface=["turf", None]), {"lawn": lie("lawn", [30.0] * 2)})
    assert of(outside, "mower")[0] == pytest.approx(turf)
    assert of(outside, "mower")[1] == 0
    unsurveyed = score(trees(2, surface=["turf", None]), {})
    assert of(unsurveyed, "mower")[0] == pytest.approx(turf)
    assert np.isnan(of(unsurveyed, "mower")[1])


def test_a_mulch_ring_lowers_but_does_not_remove() -> None:
    lawn = {"lawn": lie("lawn", [0.0] * 3)}
    site = trees(3, mulch_radius_m=[np.nan, 0.3, 1.5], species=["oak"] * 3)
    bare, ring, wide = -np.log1p(-of(score(site, lawn), "mower").astype(float))
    assert ring / bare == pytest.approx(0.4, abs=0.01)
    assert wide / bare == pytest.approx(0.25, abs=0.01)
    everywhere = score(trees(1, local=Local(mulch_radius_m=1.5), species=["oak"]), {"lawn": lie("lawn", [0.0])})
    assert -np.log1p(-of(everywhere, "mower")[0]) == pytest.approx(wide, rel=1e-4)


def test_mulch_seen_at_the_stem_is_a_ring_whether_or_not_its_radius_is_known() -> None:
    site = trees(3, surface=["mulch", "mulch", None], mulch_radius_m=[0.9, np.nan, 0.9], species=["oak"] * 3)
    measured, unknown, unseen = -np.log1p(-of(score(site, {"lawn": lie("lawn", [0.0] * 3)}), "mower").astype(float))
    assert measured == unknown == unseen == pytest.approx(0.25 * 0.2, rel=1e-4)  # smooth bark: S is 1


def test_turf_seen_at_the_stem_is_not_blurred_by_position_error() -> None:
    near = {"lawn": lie("lawn", [0.3, 0.3])}
    seen, mapped = of(score(trees(2, surface=["turf", None], accuracy_m=3.0), near), "mower")
    sure = of(score(trees(1, surface="turf"), {"lawn": lie("lawn", [0.0])}), "mower")[0]
    assert seen == pytest.approx(sure)
    assert mapped < seen


def test_position_error_softens_contact_agents_only() -> None:
    sure = score(trees(1, accuracy_m=0.0), everywhere_at(0.1, 1))
    unsure = score(trees(1, accuracy_m=5.0), everywhere_at(0.1, 1))
    assert of(unsure, "mower")[0] < of(sure, "mower")[0]
    assert of(unsure, "rabbit")[0] == of(sure, "rabbit")[0]


# snow


def test_a_snow_raster_overrides_the_local_figure() -> None:
    site = trees(3, local=Local(snow_depth_m=0.3))
    raster = RasterValues(
        name="snow_depth", value=np.array([0.0, 0.8, np.nan]), status=np.array([0, 0, 1], dtype=np.int8)
    )
    found = score(site, {}, [raster])
    assert found.stems.snow_m == pytest.approx([0.0, 0.8, 0.3])
    assert found.remarks["snow_from_local"].tolist() == [False, False, True]


def test_snow_drifts_at_fences_and_piles_by_drives() -> None:
    """Doubled within five heights of a fence; half a metre more within the throw."""
    fence = make_layer("barrier", [LineString([[0, 5], [0, 50]])])
    site = make_site([[0, 0], [100, 0], [200, 0]], [fence], stem_mm=20.0, settings={"local": Local(snow_depth_m=0.4)})
    found = score(site, {"driveway": lie("driveway", [50.0, 3.0, 50.0])})
    assert found.stems.snow_m == pytest.approx([0.8, 0.9, 0.4])
    none = replace(site, inputs=replace(site.inputs, settings=make_settings(local=Local(snow_depth_m=0.0))))
    assert (score(none, {"driveway": lie("driveway", [50.0, 3.0, 50.0])}).stems.snow_m == 0).all()


def test_who_clears_decides_how_far_it_flies() -> None:
    drives = [
        make_layer("driveway", [Point(0, 0).buffer(1)], number=number, cleared_by=tool)
        for number, tool in enumerate(("shovel", "two_stage", "none"), start=1)
    ]
    site = make_site([[0, 0], [10, 0], [20, 0]], drives, stem_mm=20.0)
    exposure = lie("driveway", [3.5] * 3, nearest_layer=np.array([1, 2, 3]))
    shovel, two_stage, none = of(score(site, {"driveway": exposure}), "snow_throw")
    assert two_stage > shovel == none == 0


def test_a_machine_strikes_within_its_reach() -> None:
    near, off = of(score(trees(2), {"driveway": lie("driveway", [0.5, 0.7])}), "snow_throw")
    assert -np.log1p(-float(near)) == pytest.approx(-np.log1p(-float(off)) + 0.03, abs=1e-4)


def test_snow_flies_farther_down_the_wind() -> None:
    """Wind from the west: a tree east of the drive is down the wind; salt alike."""
    drive = make_layer("driveway", [box(-2, -2, 2, 2)])
    road = make_layer("road", [LineString([[0, -2], [0, 2]])], number=2, width_m=4.0)
    places = [[7.5, 0], [0, 7.5], [-7.5, 0]]
    chosen = make_settings(local=Local(wind_from_deg=270.0), agents_on=("road_salt",))
    site = make_site(places, [drive, road], stem_mm=20.0, settings=chosen)
    layer = {"nearest_layer": np.array([1, 1, 1]), "nearest_feature": np.array([1, 1, 1])}
    found = score(site, {"driveway": lie("driveway", [5.5] * 3, **layer), "road": lie("road", [5.5] * 3, **layer)})
    for agent in ("snow_throw", "road_salt"):
        down, across, up = of(found, agent)
        assert down > across > up >= 0
    down, across, _ = -np.log1p(-of(found, "road_salt").astype(float))
    assert down / across == pytest.approx(1.5, rel=1e-3)


def test_centre_lines_of_unknown_width_count_half_the_usual_width_in_the_score() -> None:
    road = make_layer("road", [LineString([[0, 0], [0, 50]]), LineString([[90, 0], [90, 50]])])
    road = replace(road, width_m=np.array([np.nan, 7.0]))
    site = make_site([[6, 10], [96, 10]], [road], stem_mm=20.0)
    exposure = lie("road", [6.0, 6.0], nearest_layer=np.array([1, 1]), nearest_feature=np.array([1, 2]))
    unknown, given_width = of(score(site, {"road": exposure}), "snow_throw")
    assert unknown > given_width == 0
    taken = {said.topic: said.taken for said in score(site, {"road": exposure}).assumptions}
    assert taken["layers[1].width_m"] == "road lines of unknown width 7 m wide, in the score only"
    assert taken["layers[1].cleared_by"] == "snow on road cleared by plough, thrown 5 m"


# habitat rasters


def test_cells_of_habitat_are_deer_cover_and_the_rest_is_unknown_without_a_layer() -> None:
    settings_ = make_settings(rasters=(RasterSource(name="deer_habitat", file="h.tif", habitat=(4.0, 5.0)),))
    site = make_site([[0, 0], [10, 0], [20, 0]], stem_mm=20.0, height_m=1.0, settings=settings_)
    raster = RasterValues(
        name="deer_habitat", value=np.array([4.0, 1.0, np.nan]), status=np.array([0, 0, 2], dtype=np.int8)
    )
    alone = of(score(site, {}, [raster]), "deer_browse")
    assert alone[0] > 0 and np.isnan(alone[1:]).all()
    layer = of(score(site, {"deer_habitat": lie("deer_habitat", [100.0] * 3)}, [raster]), "deer_browse")
    assert layer[0] == pytest.approx(alone[0])
    assert layer[0] > layer[1] == layer[2] > 0


def test_a_habitat_raster_that_names_no_values_counts_for_nothing_and_that_is_said() -> None:
    sources = (RasterSource(name="deer_habitat", file="h.tif"), RasterSource(name="land_cover", file="c.tif"))
    site = make_site([[0, 0]], stem_mm=20.0, settings=make_settings(rasters=sources))
    raster = RasterValues(name="deer_habitat", value=np.array([1.0]), status=np.zeros(1, dtype=np.int8))
    found = score(site, {}, [raster])
    assert np.isnan(of(found, "deer_browse")[0])
    (said,) = [one for one in found.assumptions if one.topic.startswith("rasters.")]
    assert (said.topic, said.key) == ("rasters.deer_habitat.habitat", "rasters.habitat")
    assert said.taken.startswith("none of its cells as deer cover")


# species


def test_classes_by_region_and_kind_of_deer() -> None:
    def browse(region: str, deer: tuple[str, ...]) -> float:
        chosen = make_settings(region=region, local=Local(deer=deer))
        site = make_site([[0, 0]], stem_mm=20.0, height_m=0.5, species=["Picea abies"], settings=chosen)
        return float(of(score(site), "deer_browse")[0])

    assert browse("north_america", ()) < browse("britain", ())
    assert browse("north_america", ("elk",)) == pytest.approx(browse("europe", ("red",)), rel=1e-5)


def test_broadleaves_to_conifers_for_voles() -> None:
    """Czech plots 3.3 to 1 (2011), Beskydy 2.75 to 1: the classes medium and low give a ratio between."""
    broadleaf, conifer = -np.log1p(-of(score(trees(2, species=["Salix", "Larix"])), "vole").astype(float))
    assert 2.75 <= broadleaf / conifer <= 3.3


def test_unknown_names_are_medium_and_noted_with_counts() -> None:
    found = score(trees(4, species=["wibble", "Quercus", "wibble", None]))
    assert found.stems.sensitivity[0].tolist() == [1.0] * 8
    (note,) = found.notes
    assert (note.code, note.count, note.rows) == ("species_unknown", 2, (2, 4))
    assert "'wibble' (2)" in note.what
    assert found.remarks["species_unknown"].tolist() == [True, False, True, True]


def test_every_code_is_explained() -> None:
    table = make_table([[0, 0], [10, 0], [20, 0]], stem_mm=[0.0, 20.0, np.nan], height_m=[np.nan, np.nan, 1.0])
    raster = RasterValues(name="snow_depth", value=np.full(3, np.nan), status=np.ones(3, dtype=np.int8))
    found = score(make_site(table), {"driveway": lie("driveway", [0.0] * 3)}, [raster])
    assert {"no_size", "diameter_zero", "caliper_taken", "inside_driveway", "snow_from_local"} == set(found.remarks)
    assert set(found.remarks) <= {*tables.note_codes(), *tables.remark_codes()}


def test_resprouting_willow_loses_half() -> None:
    found = score(trees(2, species=["Salix alba", "Betula pendula"]), {"water": lie("water", [5.0, 5.0])})
    share = found.loss[:, 0] / found.value[:, 0]
    assert share == pytest.approx([0.5, 1.0])


# overrides and waiting agents


def test_the_users_figures_flow_through() -> None:
    chosen = make_settings(overrides={"beaver": {"h0_per_year": 0.2}}, agents_on=("hare",))
    site = make_site([[0, 0]], stem_mm=20.0, settings=chosen)
    ours = score(make_site([[0, 0]], stem_mm=20.0))
    theirs = score(site)
    assert "hare" in theirs.agents and "hare" not in ours.agents
    doubled = np.log1p(-of(theirs, "beaver")[0]) / np.log1p(-of(ours, "beaver")[0])
    assert doubled == pytest.approx(2.0, rel=1e-4)
    assert of(theirs, "hare")[0] > 0


def test_figures_of_the_stem_may_be_overridden_too(tmp_path: Path) -> None:
    text = """
    date = 2026-10-15
    [trees]
    file = "trees.csv"
    [agents.stem]
    snow_pile_m = 0.0
    caliper_per_breast = 1.5
    [agents.spray_drift]
    arable_b = -1.1
    """
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    given = read_settings(tmp_path / "site.toml").overrides
    assert given == {"stem": {"snow_pile_m": 0.0, "caliper_per_breast": 1.5}, "spray_drift": {"arable_b": -1.1}}
    table = make_table([[0, 0]], stem_mm=40.0, stem_kind="dbh_mm", stem_at="breast")
    site = make_site(table, settings=make_settings(overrides=given, local=Local(snow_depth_m=0.4)))
    found = score(site, {"driveway": lie("driveway", [3.0])})
    assert found.stems.caliper_mm == pytest.approx([60.0])
    assert found.stems.snow_m == pytest.approx([0.4])


@pytest.mark.parametrize(
    ("figure", "what"),
    [
        ("beaver.sigma_m = 0", "'0' is no number of more than 0; ours is 30 [m] (agents.beaver.sigma_m)"),
        ("vole.snow_weight = 1.2", "'1.2' is no number of 0 to 1; ours is 0.65 (agents.vole.snow_weight)"),
        ("mower.h0_per_year = -1", "'-1' is no number of 0 or more; ours is 0.2 [per_year] (agents.mower.h0_per_year)"),
    ],
)
def test_a_figure_that_would_break_its_curve_is_refused(figure: str, what: str, tmp_path: Path) -> None:
    text = f'date = 2026-10-15\n[trees]\nfile = "trees.csv"\n[agents]\n{figure}\n'
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_settings(tmp_path / "site.toml")
    assert str(caught.value) == f"site.toml: {what}"


def _every_override() -> list[tuple[str, str, float]]:
    """Every figure at the ends of what a user may write."""
    ends = (0.0, 1e-6, 1.0, 1e9)
    return [
        (agent, name, value)
        for agent, rows in tables.figure_rows().items()
        for name, row in rows.items()
        for value in ends
        if figure_may_be(row, value)
    ]


def test_no_figure_a_user_may_write_makes_nonsense() -> None:
    n = 6
    sizes = {
        "stem_mm": [5.0, 45, 64, 100, 150, 300],
        "height_m": [0.5, 1.8, 2, 3, 6, 8],
        "age_years": [0.0, 2, 3, 5, 8, 30],
    }
    lies = {role: lie(role, [0, 0.3, 3, 7, 200, np.nan]) for role in EVERY_ROLE}
    local = Local(sprayer="airblast", voles="peak", beaver="active", snow_depth_m=0.2)
    for agent, name, value in _every_override():
        chosen = make_settings(overrides={agent: {name: value}}, agents_on=("hare", "road_salt"), local=local)
        found = score(make_site([[10.0 * i, 0] for i in range(n)], settings=chosen, **sizes), lies)
        assert ((found.value >= 0) & (found.value <= 1)).all(), (agent, name, value)


@pytest.mark.parametrize("agent", ["hare", "road_salt", "sunscald"])
def test_waiting_agents_score_once_asked_for(agent: str) -> None:
    chosen = make_settings(agents_on=(agent,))
    found = score(make_site([[0, 0]], stem_mm=20.0, age_years=1.0, species=["Acer rubrum"], settings=chosen))
    assert found.agents[-1] == agent
    assert 0 < of(found, agent)[0] < 1


# laws of the whole


@given(
    stem_mm=st.lists(st.one_of(st.just(float("nan")), st.floats(1, 800)), min_size=1, max_size=6),
    distance_m=st.one_of(st.just(float("nan")), st.floats(0, 900)),
    snow_m=st.floats(0, 3),
    density=st.floats(0, 60),
)
@settings(max_examples=40, deadline=None)
def test_pressure_is_a_chance_or_empty(stem_mm: list[float], distance_m: float, snow_m: float, density: float) -> None:
    n = len(stem_mm)
    local = Local(snow_depth_m=snow_m, deer_per_km2=density, beaver="active", voles="peak")
    site = make_site([[i, 0] for i in range(n)], stem_mm=stem_mm, settings={"local": local})
    found = score(site, everywhere_at(distance_m, n))
    scored = ~np.isnan(found.value)
    assert ((found.value[scored] >= 0) & (found.value[scored] < 1)).all()
    assert (found.loss[scored] <= found.value[scored]).all()
    some = scored.any(axis=1)
    assert (found.pressure_any[some] >= np.nanmax(found.value[some], axis=1) - 1e-6).all() if some.any() else True
    assert np.isnan(found.pressure_any[~some]).all()
    assert [reason is None for reason in found.not_scored.to_pylist()] == some.tolist()


def test_hazards_add_over_agents() -> None:
    found = score(trees(2))
    hazard = -np.log1p(-found.value.astype(float)).sum(axis=1)
    assert found.pressure_any == pytest.approx(1 - np.exp(-hazard), rel=1e-4)
    assert found.loss_any == pytest.approx(np.minimum(found.loss.sum(axis=1), 1), rel=1e-5)
    assert (found.decisive == found.loss.argmax(axis=1)).all()


def test_reordering_trees_changes_nothing() -> None:
    rng = np.random.default_rng(7)
    order = rng.permutation(30)
    columns = {
        "stem_mm": rng.uniform(5, 300, 30),
        "height_m": rng.uniform(0.3, 9, 30),
        "age_years": rng.uniform(0, 20, 30),
    }
    species = [["oak", "Picea", "wibble"][i % 3] for i in range(30)]
    away_m = rng.uniform(0, 90, 30)
    plain = score(trees(30, species=species, **columns), {role: lie(role, away_m) for role in EVERY_ROLE})
    mixed = score(
        trees(30, species=[species[i] for i in order], **{name: cells[order] for name, cells in columns.items()}),
        {role: lie(role, away_m[order]) for role in EVERY_ROLE},
    )
    assert np.array_equal(plain.value[order], mixed.value)
    assert np.array_equal(plain.decisive[order], mixed.decisive)
