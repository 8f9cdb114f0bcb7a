"""What to do at each tree: nothing first, then the cheapest guards that stop what must be stopped."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from conftest import make_settings, make_site
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap import tables
from riskmap.choose import choose_guards
from riskmap.choose.catalogue import Catalogue, open_catalogue
from riskmap.choose.demand import Ground
from riskmap.choose.menu import Menu, make_menu, stock_shelf
from riskmap.choose.now import name_guard
from riskmap.choose.pick import FULL, Pick, Question, pick_guards
from riskmap.choose.suit import Stand, unsuited
from riskmap.model import (
    Choices,
    ChoiceSettings,
    Coded,
    Exposure,
    GuardLists,
    GuardSettings,
    Local,
    Pressure,
    SilentWatch,
    Site,
    Stems,
)

WAGE = tables.work_figures()["labour_hour"].central
AGENTS = ("beaver", "deer_browse", "antler_rub", "rabbit", "vole", "mower", "snow_throw", "spray_drift")
WHIP = {"stem_mm": 12.0, "height_m": 1.0, "age_years": 0.0, "form": "whip"}
STANDARD = {"stem_mm": 64.0, "height_m": 4.0, "age_years": 2.0, "form": "standard"}
WAGE = tables.work_figures()["labour_hour"].central
BIG = {"stem_mm": 300.0, "height_m": 12.0, "age_years": 40.0, "form": "standard"}


def make_pressure(site: Site, values: list[dict[str, float]], *, snow_m: float = 0.0, **stems: Any) -> Pressure:
    """Pressure of agents by name at every tree; agents not named are surveyed and absent."""
    n = site.trees.n
    value = np.array([[row.get(agent, 0.0) for agent in AGENTS] for row in values], dtype=np.float32)
    value = value.reshape(n, len(AGENTS))
    table = site.trees.table
    known = ~(np.isnan(table.stem_mm) & np.isnan(table.height_m) & np.isnan(table.age_years))
    ended = np.zeros((n, len(AGENTS)), dtype=bool)
    ended[table.stem_mm > 250] = [agent != "beaver" for agent in AGENTS]
    given_stems: dict[str, Any] = {
        "caliper_mm": table.stem_mm,
        "height_m": table.height_m,
        "age_years": table.age_years,
        "size_known": known,
        "young": np.zeros(n, dtype=bool),
        "taxon": Coded.missing(n),
        "leaf": Coded.of(["broadleaf"] * n),
        "bark": Coded.of(["thin"] * n),
        "form": table.form,
        "sensitivity": np.ones((n, len(AGENTS)), dtype=np.float32),
        "size_factor": np.where(ended, 0, 1).astype(np.float32),
        "ended": ended,
        "snow_m": np.full(n, snow_m),
    }
    return Pressure(
        agents=AGENTS,
        value=value,
        loss=value * np.float32(0.5),
        pressure_any=np.nan_to_num(1 - np.prod(1 - value, axis=1)),
        loss_any=value.sum(axis=1) * 0.5,
        decisive=np.argmax(value, axis=1),
        not_scored=pa.nulls(n, pa.string()),
        stems=Stems(**{**given_stems, **stems}),
    )


def choose(
    values: list[dict[str, float]] | dict[str, float],
    *,
    snow_m: float = 0.0,
    exposures: dict[str, Exposure] | None = None,
    stems: dict[str, Any] | None = None,
    settings: dict[str, Any] | None = None,
    **trees: Any,
) -> Choices:
    """Choose for trees in a row, all alike but for their pressure."""
    values = [values] if isinstance(values, dict) else values
    site = make_site([[10.0 * i, 0.0] for i in range(len(values))], settings=settings, **trees)
    pressure = make_pressure(site, values, snow_m=snow_m, **(stems or {}))
    return choose_guards(site, exposures or {}, pressure, watch=SilentWatch())


def only(choices: Choices, name: str) -> str:
    """The text of one column at the only tree."""
    (text,) = getattr(choices, name).texts()
    return str(text)


# ------------------------------------------------------------------------------------------------- nothing comes first


def test_an_old_tree_needs_nothing() -> None:
    found = choose({"beaver": 0.04}, **BIG)
    assert only(found, "action") == "none needed"
    assert only(found, "guard") == ""
    assert only(found, "reason") == (
        "Every pressure scored here is below 'some' (under 5 % a year). Too thick, tall or old to be harmed by deer "
        "browse, antler rub, rabbits, voles, mowers and trimmers, thrown snow and grit and spray drift."
    )
    assert found.cost.tolist() == [0.0]


def test_a_big_tree_by_water_gets_a_beaver_guard_and_nothing_else() -> None:
    found = choose({"beaver": 0.2}, **BIG)
    assert only(found, "action") == "fit"
    assert only(found, "agents_stopped") == "beaver"
    assert "beaver" in only(found, "reason")


def test_the_floor_decides_what_must_be_stopped() -> None:
    values = {"vole": 0.04, "mower": 0.2}
    assert only(choose(values, **STANDARD), "agents_stopped") == "mower"
    low = choose(values, settings={"choice": ChoiceSettings(floor="slight")}, **STANDARD)
    assert only(low, "agents_stopped") == "vole; mower"
    high = choose(values, settings={"choice": ChoiceSettings(floor="severe")}, **STANDARD)
    assert only(high, "action") == "none needed"


@pytest.mark.parametrize(("pressure", "action"), [(0.05, "fit"), (0.0499, "none needed")])
def test_the_floor_itself_must_be_stopped(pressure: float, action: str) -> None:
    assert only(choose({"vole": pressure}, **STANDARD), "action") == action


def test_a_tree_without_any_size_is_looked_at_and_never_bought_for() -> None:
    found = choose({"vole": 0.3})
    assert only(found, "action") == "look"
    assert only(found, "reason") == "No caliper, height or year is known: look at the tree first."
    assert found.cost.tolist() == [0.0]


def test_a_tree_without_any_size_is_told_so() -> None:
    unscored = {"value": np.full((1, len(AGENTS)), np.nan, dtype=np.float32)}
    site = make_site([[0.0, 0.0]])
    pressure = replace(make_pressure(site, [{}]), **unscored)
    found = choose_guards(site, {}, pressure, watch=SilentWatch())
    assert only(found, "action") == "look"
    assert only(found, "reason") == "No caliper, height or year is known: look at the tree first."


def test_a_planting_list_without_sizes_is_young() -> None:
    found = choose({"vole": 0.3}, stems={"young": np.array([True])}, form="whip")
    assert only(found, "action") == "fit"
    assert "guards for 1 tree of unknown size are cut for young whips" in {one.taken for one in found.assumptions}


def test_rows_that_are_not_kept_are_no_trees() -> None:
    found = choose([{"vole": 0.3}, {"vole": 0.3}], kept=np.array([True, False]), **STANDARD)
    assert found.action.texts() == ["fit", "not a tree"]
    assert found.cost[1] == 0


def test_trees_that_could_not_be_scored_are_looked_at() -> None:
    found = choose(dict.fromkeys(AGENTS, math.nan), **WHIP)
    assert only(found, "action") == "look"
    assert "not_scored" in only(found, "reason")


def test_a_tree_inside_a_drive_is_looked_at() -> None:
    drive = Exposure(
        role="driveway",
        reach_m=20.0,
        distance_m=np.zeros(1),
        inside=np.ones(1, dtype=bool),
        edge_m=np.ones(1),
        nearest_layer=np.ones(1, dtype=np.int64),
        nearest_feature=np.ones(1, dtype=np.int64),
        known=np.ones(1, dtype=bool),
        edge_of_data=np.zeros(1, dtype=bool),
    )
    found = choose({"mower": 0.3}, exposures={"driveway": drive}, **STANDARD)
    assert only(found, "action") == "look"
    in_a_pit = choose({"mower": 0.3}, exposures={"driveway": drive}, surface="pit", **STANDARD)
    assert only(in_a_pit, "action") == "fit"


# --------------------------------------------------------------------------------------------- the three worked trees


def test_willow_whip_by_an_active_colony() -> None:
    values = {"beaver": 0.176, "deer_browse": 0.307, "rabbit": 0.159, "vole": 0.102}
    found = choose(values, snow_m=0.3, species="Salix alba", **WHIP)
    assert only(found, "guard_keys") == "shelter_solid; beaver_cage"
    assert only(found, "agents_stopped") == "beaver; deer_browse; rabbit; vole"
    assert only(found, "agents_open") == ""
    assert found.guard_height_mm.tolist() == [1800]  # 1.5 m and half of 0.3 m of snow: a 1.5 m tube is too low


def test_red_maple_in_turf_gets_a_ring_and_a_collar_where_the_ring_is_refused() -> None:
    values = {"mower": 0.33, "snow_throw": 0.039, "antler_rub": 0.037}
    assert only(choose(values, surface="turf", **STANDARD), "guard_keys") == "mulch_ring"
    refused = choose(values, settings={"guards": GuardSettings(never=("mulch_ring",))}, surface="turf", **STANDARD)
    assert only(refused, "guard_keys") == "vinyl_collar"
    assert only(choose(values, surface="pit", **STANDARD), "guard_keys") == "vinyl_collar"
    ringed = choose({**values, "mower": 0.095}, mulch_radius_m=0.6, **STANDARD)  # what the ring leaves of 33 %
    assert only(ringed, "action") == "none needed"
    assert "but for mowers and trimmers, which the mulch ring that is laid keeps off" in only(ringed, "reason")
    assert only(choose({**values, "mower": 0.3}, mulch_radius_m=0.3, **STANDARD), "guard_keys") == "mulch_ring"


def test_winter_wrap_on_a_gravel_drive() -> None:
    values = {"mower": 0.33, "snow_throw": 0.10}
    dearer = ("shelter_split", "coated_netting", "hwcloth_half", "hwcloth_quarter")
    found = choose(values, settings={"guards": GuardSettings(never=dearer)}, **STANDARD)
    assert "paper_wrap" in only(found, "guard_keys")
    assert "mulch_ring" in only(found, "guard_keys")
    assert (found.on_month[0], found.off_month[0]) == (11, 4)


def test_oak_in_rough_grass_by_a_hedge() -> None:
    values = {"vole": 0.16, "rabbit": 0.09, "deer_browse": 0.291, "antler_rub": 0.045}
    oak = {"stem_mm": 25.0, "height_m": 1.2, "age_years": 2.0}
    found = choose(values, snow_m=0.5, **oak)
    assert only(found, "guard") == "Solid tree shelter, 1.8 m"
    never = {"guards": GuardSettings(never=("shelter_solid",))}
    caged = choose(values, snow_m=0.5, settings=never, **oak)
    assert only(caged, "guard_keys") == "hwcloth_quarter; cage_2x4"
    assert caged.guard_height_mm.tolist() == [1829]
    assert only(caged, "reason") == (
        "Quarter-inch hardware cloth cylinder, 1.22 m: stops rabbits (opening 5.7 mm, 6.4 mm or finer needed; wire "
        "0.64 mm, 0.6 mm or thicker needed; top at 1.14 m, 1.1 m or higher needed), voles (opening 5.7 mm, 6.4 mm or "
        "finer needed; buried 75 mm, 50 mm or deeper needed; top at 1.14 m, 0.65 m or higher needed). Welded cage of "
        "2 x 4 in mesh, 1.83 m: stops deer browse at the published minimum (opening 48.8 mm, 150 mm or finer needed; "
        "top at 1.83 m, 1.75 m or higher needed)."
    )


# ------------------------------------------------------------------------------------------------- what stays is said


def test_what_stays_open_is_said_and_why() -> None:
    found = choose(
        {"beaver": 0.2},
        surface="pit",
        settings={"guards": GuardSettings(never=("hwcloth_half", "hwcloth_quarter"))},
        **STANDARD | {"stem_mm": 90.0},
    )
    assert only(found, "guard_keys") == "paint_sand"
    assert only(found, "agents_open") == "beaver"
    assert "only partly stops beaver" in only(found, "reason")
    assert only(found, "reason").endswith(
        "mesh, 0.91 m would stop beaver, but not here: no cage, frame or ring in a pit, grate or planter."
    )


def test_a_ring_is_laid_beside_a_guard_that_still_helps() -> None:
    """A winter wrap keeps a little thrown grit off: that a ring comes is no reason to pay for taking it off."""
    on = {"guard_now": "paper wrap 1.8 m", "surface": "turf", **STANDARD | {"stem_mm": 45.0}}
    found = choose({"mower": 0.3, "snow_throw": 0.02}, **on)
    assert (only(found, "action"), only(found, "guard")) == ("fit", "Mulch ring")
    assert only(found, "reason").startswith(
        "Keep what is on (Paper wrap, 1.8 m) and add to it. Paper wrap, 1.8 m: stops thrown snow and grit (top at 1.8 m"
    )
    swapped = choose({"mower": 0.3}, **on)
    assert only(swapped, "action") == "swap"
    assert float(found.cost[0]) < float(swapped.cost[0])  # taking off is work


def test_a_guard_that_is_of_no_use_any_more_is_said_to_be() -> None:
    found = choose({"snow_throw": 0.07}, guard_now="wire cage 5 ft", **STANDARD)
    assert only(found, "action") == "fit"
    assert only(found, "reason").startswith("Keep what is on (Welded cage of 2 x 4 in mesh, 1.52 m) and add to it.")
    assert only(found, "reason").endswith("What is on is of no use here any more: take it off where it is in the way.")


def test_a_tree_without_a_place_says_so() -> None:
    site = make_site([[math.nan, 0.0]], **WHIP)
    found = choose_guards(site, {}, make_pressure(site, [{}]), watch=SilentWatch())
    assert only(found, "action") == "look"
    assert only(found, "reason") == "It has no place that could be read: find it, and write its coordinates."


def test_it_is_said_why_the_best_set_leaves_open_what_another_guard_would_stop() -> None:
    """No wall stands inside mesh or outside it here, so drift and beaver can't both be stopped."""
    settings = {"guards": GuardSettings(never=("cage_2x4", "beaver_cage", "winter_spiral"))}
    found = choose({"beaver": 0.3, "rabbit": 0.3, "spray_drift": 0.3}, settings=settings, surface="pit", **WHIP)
    assert only(found, "agents_open") == "spray_drift"
    assert only(found, "reason").endswith(
        "Solid tree shelter, 0.6 m would stop spray drift in its place. No set that fits here stops all of them; this "
        "one keeps off most of what would be lost."
    )


def test_what_a_repellent_only_partly_stops_is_said_without_measures_of_mesh() -> None:
    found = choose({"deer_browse": 0.3}, settings={"local": Local(deer=("moose",))}, **WHIP)
    assert "only partly stops deer browse (taste, smell or shock)" in only(found, "reason")
    assert only(found, "reason").endswith("No guard for single trees that may be used stops deer browse here.")


def test_nothing_that_fits_is_looked_at_with_the_reason() -> None:
    moose = {"local": Local(deer=("moose",)), "guards": GuardSettings(never=("repellent_contact", "repellent_odour"))}
    found = choose({"deer_browse": 0.3}, settings=moose, **WHIP)
    assert only(found, "action") == "look"
    assert only(found, "agents_open") == "deer_browse"
    assert "No guard for single trees that may be used stops deer browse here." in only(found, "reason")


def test_a_repellent_is_better_than_nothing() -> None:
    found = choose({"deer_browse": 0.3}, settings={"local": Local(deer=("moose",))}, **WHIP)
    assert only(found, "guard_keys") == "repellent_contact"
    assert only(found, "agents_open") == "deer_browse"


def test_uncut_tubes_never_go_over_a_branched_tree_or_a_conifer() -> None:
    for form in ("standard", "conifer", "shrub", "multi_stem"):
        tree = {**WHIP, "form": form, "lowest_branch_m": 0.1}
        found = choose({"deer_browse": 0.3, "vole": 0.2, "rabbit": 0.3}, **tree)
        assert "shelter_solid" not in only(found, "guard_keys")


def test_a_guard_is_renewed_only_while_what_it_stops_goes_on() -> None:
    """Beaver go on for 15 years, browse on a whip of 1.3 m for 2: one tube inside the cage that stays, not three."""
    whip = {**WHIP, "height_m": 1.3}
    found = choose({"beaver": 0.2, "deer_browse": 0.3}, snow_m=0.35, **whip)
    assert only(found, "guard_keys") == "shelter_solid; beaver_cage"
    cage, tube = (tables.guards()[key] for key in ("beaver_cage", "shelter_solid"))
    fitted = found.cost[0]  # both once, and both taken off once: no renewal
    off = (cage.minutes + tube.minutes) / 60 * tables.work_figures()["remove_share"].central * 29.95
    assert found.cost_per_year[0] == pytest.approx((fitted + off) / 15, abs=0.01)


def test_heights_stand_above_the_snow() -> None:
    values = {"rabbit": 0.2, "vole": 0.2}
    heights = [choose(values, snow_m=snow_m, **WHIP).guard_height_mm[0] for snow_m in (0.0, 0.3, 0.6)]
    tops = [460 + snow for snow in (0, 300, 600)]
    assert all(height >= top for height, top in zip(heights, tops, strict=True))
    assert heights == sorted(heights)


def test_us_units_are_read_in_inches_and_feet() -> None:
    found = choose({"vole": 0.2}, settings={"units": "us"}, **STANDARD)
    assert " in" in only(found, "reason") and " mm" not in only(found, "reason")


# ------------------------------------------------------------------------------------------------- guards already on

OAK = {"stem_mm": 25.0, "height_m": 1.2, "age_years": 2.0, "form": "whip"}
OAK_VALUES = {"vole": 0.16, "rabbit": 0.09, "deer_browse": 0.291}


@pytest.mark.parametrize(
    ("guard_now", "action", "guard"),
    [
        ("tree tube 1.8 m", "keep", "Solid tree shelter, 1.8 m"),
        ("tree tube 1.2 m", "swap", "Solid tree shelter, 1.8 m"),
        ("tree tube", "look", ""),
        ("none", "fit", "Solid tree shelter, 1.8 m"),
        ("Trunk wrap 4 ft", "swap", "Solid tree shelter, 1.8 m"),
        ("ornamental thing", "look", ""),
    ],
)
def test_guards_that_are_on(guard_now: str, action: str, guard: str) -> None:
    found = choose(OAK_VALUES, snow_m=0.5, guard_now=guard_now, **OAK)
    assert (only(found, "action"), only(found, "guard")) == (action, guard)
    if action in {"keep", "look"}:
        assert found.cost.tolist() == [0.0]


def test_a_guard_that_is_on_is_added_to_where_that_is_cheaper() -> None:
    never = {"guards": GuardSettings(never=("shelter_solid",))}
    found = choose(OAK_VALUES, snow_m=0.5, guard_now="1/4 hardware cloth 1.22 m", settings=never, **OAK)
    assert (only(found, "action"), only(found, "guard_keys")) == ("fit", "cage_2x4")
    assert only(found, "reason").startswith("Keep what is on (Quarter-inch hardware cloth cylinder, 1.22 m)")
    assert found.cost[0] < choose(OAK_VALUES, snow_m=0.5, settings=never, **OAK).cost[0]


def test_a_swap_says_what_the_guard_that_is_on_fails_to_do() -> None:
    found = choose(OAK_VALUES, snow_m=0.5, guard_now="tree tube 1.2 m", **OAK)
    assert only(found, "reason").startswith(
        "Take off: Solid tree shelter, 1.2 m, which does not stop deer browse (top at 1.16 m, 1.75 m or higher needed)."
    )


def test_a_cage_that_is_on_stays_round_the_cylinder_that_voles_ask_for() -> None:
    found = choose({"vole": 0.2}, guard_now="wire cage 5 ft", **STANDARD)
    alone = choose({"vole": 0.2}, **STANDARD)
    assert (only(found, "action"), only(found, "guard_keys")) == ("fit", only(alone, "guard_keys"))
    assert only(found, "reason").startswith("Keep what is on (Welded cage of 2 x 4 in mesh, 1.52 m)")
    assert found.cost.tolist() == alone.cost.tolist()  # nothing is paid for taking the cage off


@pytest.mark.parametrize(
    ("left", "action"), [({"mower": 0.04}, "keep"), ({"snow_throw": 0.04}, "remove"), ({"antler_rub": 0.04}, "remove")]
)
def test_a_guard_stays_for_what_it_can_stop_only(left: dict[str, float], action: str) -> None:
    found = choose(left, guard_now="vinyl collar", **STANDARD)
    assert only(found, "action") == action
    if action == "keep":
        assert only(found, "guard") == "Vented vinyl collar, 225 mm"
        assert only(found, "reason") == "The vented vinyl collar stays: it still helps against mowers and trimmers."
        assert only(found, "off_when") == "when it no longer opens with the stem"


def test_a_wrap_of_unknown_height_reaches_the_lowest_branch() -> None:
    january = {"date": dt.date(2026, 1, 20)}
    found = choose({"snow_throw": 0.07}, guard_now="paper wrap", settings=january, **STANDARD)  # 1.8 m of clear stem
    assert (only(found, "action"), only(found, "guard")) == ("keep", "Paper wrap, 1.8 m")
    low = choose({"snow_throw": 0.07}, guard_now="paper wrap", settings=january, lowest_branch_m=0.7, **STANDARD)
    assert only(low, "action") != "keep"


def test_gaps_are_read_in_inches_where_the_site_reads_inches() -> None:
    stem = {**STANDARD, "stem_mm": 80.0}
    found = choose(
        {"rabbit": 0.2}, guard_now="hardware cloth 1/2 in 4 ft", guard_since=["2019"], settings={"units": "us"}, **stem
    )
    assert "Loosen it: 0.59 in of gap to the stem, 0.98 in needed." in only(found, "reason")


def test_a_growth_of_the_users_own_decides_when_a_guard_is_tight() -> None:
    on = {"guard_now": "hardware cloth 1/2 in 1.2 m", "guard_since": ["2019"], **STANDARD}
    slow = {"overrides": {"stem": {"growth_mm_per_year": 2.0}}}
    assert only(choose({"rabbit": 0.2}, **on), "action") == "loosen"
    assert only(choose({"rabbit": 0.2}, settings=slow, **on), "action") == "keep"


@pytest.mark.parametrize(("beaver", "guard"), [(1.0, "paint_sand"), (0.05, "paper_wrap")])
def test_a_loss_of_the_users_own_decides_among_partial_answers(beaver: float, guard: str) -> None:
    """Paint halves beaver, wrap halves spray, and the two do not go on one stem together."""
    never = tuple(key for key in tables.guards() if key not in ("paint_sand", "paper_wrap"))
    own = {"guards": GuardSettings(never=never), "overrides": {"beaver": {"share_lost": beaver}}}
    found = choose({"beaver": 0.2, "spray_drift": 0.2}, settings=own, **{**STANDARD, "stem_mm": 80.0})
    assert only(found, "guard_keys") == guard


def test_a_cage_that_keeps_the_mower_off_is_not_swapped_for_a_ring() -> None:
    found = choose({"mower": 0.33}, guard_now="wire cage 5 ft", **STANDARD)
    assert (only(found, "action"), only(found, "guard_keys")) == ("keep", "cage_2x4")


def test_a_wrap_in_summer_comes_off() -> None:
    july = {"date": dt.date(2026, 7, 1)}
    found = choose({}, guard_now="paper wrap", settings=july, **STANDARD)
    assert only(found, "action") == "remove"
    assert "light" in only(found, "reason")
    assert found.hours[0] > 0


def test_a_winter_guard_in_summer_comes_off_and_goes_back_on() -> None:
    july = {"date": dt.date(2026, 7, 1)}
    found = choose({"vole": 0.2}, guard_now="spiral 0.6 m", settings=july, **WHIP)
    assert (only(found, "action"), only(found, "guard_keys")) == ("remove", "winter_spiral")
    assert "Put it back on in November." in only(found, "reason")
    assert found.hours[0] > 0
    assert found.cost[0] == pytest.approx(found.hours[0] * WAGE, abs=0.005)  # work alone, at the wage


def test_a_guard_on_a_tree_past_every_agent_comes_off() -> None:
    found = choose({}, guard_now="tree tube 1.2 m", **BIG)
    assert only(found, "action") == "remove"
    assert found.hours[0] > 0
    assert found.cost[0] == pytest.approx(found.hours[0] * WAGE, abs=0.005)  # work alone, at the wage


def test_a_beaver_cage_stays_for_life() -> None:
    assert only(choose({"beaver": 0.2}, guard_now="beaver cage 1.2 m", **BIG), "action") == "keep"


def test_a_tight_guard_is_loosened() -> None:
    found = choose(
        {"rabbit": 0.2}, guard_now="hardware cloth 1/2 in 1.2 m", guard_since=["2019"], **{**STANDARD, "stem_mm": 80.0}
    )
    assert only(found, "action") == "loosen"
    assert "gap to the stem" in only(found, "reason")
    assert found.hours[0] > 0
    assert found.cost[0] == pytest.approx(found.hours[0] * WAGE, abs=0.005)  # work alone, at the wage


# --------------------------------------------------------------------------------------------------------------- laws

LOWEST = st.sampled_from([0.0, 150.0, 300.0, 500.0])
NEEDS = st.lists(st.booleans(), min_size=len(AGENTS), max_size=len(AGENTS)).map(np.array).filter(np.any)
STANDS = st.builds(
    Stand,
    stem_mm=st.sampled_from([10.0, 30.0, 60.0, 90.0, 200.0]),
    growth_mm=st.just(10.0),
    form=st.sampled_from(["whip", "feathered", "standard", "conifer"]),
    clear_mm=st.sampled_from([0.0, 1000.0, math.inf]),
    room_mm=st.sampled_from([200.0, 900.0, math.inf]),
    hard=st.booleans(),
    ringed=st.booleans(),
)
CATALOGUE = open_catalogue(make_settings())
MENUS: dict[Any, Menu] = {}


def menu_of(stand: Stand, snow_mm: float, without: frozenset[str] = frozenset()) -> Menu:
    """The menu of one place, kept between examples."""
    key = (stand.hard, snow_mm, without)
    if key not in MENUS:
        guards = tuple(guard for guard in CATALOGUE.guards if guard.key not in without)
        some = Catalogue(guards=guards, known=CATALOGUE.known, rates=CATALOGUE.rates, assumptions=())
        ground = Ground(snow_mm=snow_mm, stem_mm=math.inf)
        MENUS[key] = make_menu(stock_shelf(some, buried=not stand.hard), AGENTS, ground)
    return MENUS[key]


def best_of(menu: Menu, stand: Stand, need: Any, years: float = 5.0) -> Pick | None:
    """The set chosen."""
    shares = np.array([tables.figures()[agent]["share_lost"] for agent in menu.agents])
    each = np.where(need, years, 0.0)
    return pick_guards(menu, Question(need=need, years=years, each=each, stand=stand, shares=shares))[0]


@settings(max_examples=60, deadline=None)
@given(stand=STANDS, need=NEEDS, snow_mm=LOWEST)
def test_the_cheapest_full_set_is_chosen(stand: Stand, need: Any, snow_mm: float) -> None:
    """By trying every single and pair that fits: none stops all for less, unless it does without the ring."""
    without = frozenset({"mulch_ring"})
    menu = menu_of(stand, snow_mm, without)
    pick = best_of(menu, stand, need)
    over = menu.shelf.prices_at(stand.stem_mm).over(5.0, CATALOGUE.rates.hour)
    suits = [not unsuited(part, stand) and part.guard.kind not in {"ground", "spray"} for part in menu.parts]
    sets = [(place,) for place in range(len(menu.parts))]
    sets += [(int(a), int(b)) for a, b in zip(menu.shelf.inner, menu.shelf.outer, strict=True) if b >= 0]
    full = [
        sum(over[place] for place in places)
        for places in sets
        if all(suits[place] for place in places)
        and all(max(menu.level[place, agent] for place in places) >= FULL for agent in np.flatnonzero(need))
    ]
    if full:
        assert pick is not None
        assert pick.stops(need)
        assert pick.over == pytest.approx(min(full))
    elif pick is not None:
        assert not pick.stops(need)


@settings(max_examples=60, deadline=None)
@given(
    stand=STANDS,
    need=NEEDS,
    snow_mm=LOWEST,
    without=st.sets(st.sampled_from(["shelter_solid", "hwcloth_quarter", "cage_2x4", "coated_netting"]), min_size=1),
)
def test_more_guards_allowed_never_cost_more(stand: Stand, need: Any, snow_mm: float, without: set[str]) -> None:
    more = best_of(menu_of(stand, snow_mm), stand, need)
    fewer = best_of(menu_of(stand, snow_mm, frozenset(without)), stand, need)
    if fewer is not None and fewer.stops(need):
        assert more is not None and more.stops(need)
        assert more.over <= fewer.over + 1e-9


@settings(max_examples=60, deadline=None)
@given(stand=STANDS, need=NEEDS, snow_mm=LOWEST)
def test_a_set_leaves_no_more_than_its_parts(stand: Stand, need: Any, snow_mm: float) -> None:
    menu = menu_of(stand, snow_mm)
    pick = best_of(menu, stand, need)
    if pick is not None:
        for part in pick.parts:
            place = menu.parts.index(part)
            assert (pick.leaves <= menu.leaves[place] + 1e-12).all()
        assert (pick.leaves >= 0).all() and (pick.leaves <= 1).all()


@settings(max_examples=40, deadline=None)
@given(stand=STANDS, need=NEEDS, snow_mm=LOWEST)
def test_a_collar_only_where_a_ring_is_refused(stand: Stand, need: Any, snow_mm: float) -> None:
    pick = best_of(menu_of(stand, snow_mm), stand, need)
    ring_fits = not stand.hard and not stand.ringed and stand.room_mm >= 750
    if pick is not None and ring_fits:
        assert "vinyl_collar" not in {part.guard.key for part in pick.parts}


def test_trees_are_chosen_for_one_by_one() -> None:
    """Reordering trees changes nothing."""
    rng = np.random.default_rng(7)
    values = [{agent: float(rng.choice([0.0, 0.02, 0.2])) for agent in AGENTS} for _ in range(60)]
    sizes = rng.choice([12.0, 40.0, 64.0, 120.0], size=60)
    order = rng.permutation(60)
    columns = {"height_m": 1.5, "age_years": 1.0}
    straight = choose(values, stem_mm=sizes, **columns)
    mixed = choose([values[i] for i in order], stem_mm=sizes[order], **columns)
    for name in ("action", "guard", "reason", "agents_stopped", "agents_open"):
        texts = getattr(straight, name).texts()
        assert getattr(mixed, name).texts() == [texts[i] for i in order]
    np.testing.assert_array_equal(mixed.cost, straight.cost[order])


def test_every_combination_of_agents_gets_an_answer() -> None:
    values = [
        {agent: 0.2 for agent, on in zip(AGENTS, flags, strict=True) if on}
        for flags in itertools.product([False, True], repeat=len(AGENTS))
    ]
    found = choose(values, snow_m=0.3, **WHIP)
    for row, action, stopped, left in zip(
        values, found.action.texts(), found.agents_stopped.texts(), found.agents_open.texts(), strict=True
    ):
        assert action == ("fit" if row else "none needed")
        assert set(filter(None, [*stopped.split("; "), *left.split("; ")])) == set(row)
    assert np.isfinite(found.cost).all()


def test_choices_have_the_same_length_everywhere() -> None:
    found = choose([{"vole": 0.2}, {}], **WHIP)
    for name in ("cost", "cost_per_year", "hours", "on_month", "off_month", "guard_height_mm"):
        assert getattr(found, name).shape == (2,)
    assert [len(found.extra["alternative"]), found.guard.texts()[1]] == [2, ""]


def test_empty_site() -> None:
    site = make_site(np.empty((0, 2)))
    found = choose_guards(site, {}, make_pressure(site, []), watch=SilentWatch())
    assert found.action.codes.shape == found.cost.shape == (0,)


# ------------------------------------------------------------------------------------------------- floods and seasons


@pytest.mark.parametrize(("flood_m", "least_mm"), [(0.0, 900.0), (0.5, 1100.0)])
def test_beaver_guards_stand_above_the_flood(flood_m: float, least_mm: float) -> None:
    """Top at or above 0.9 m and the flood + 0.6 m (Royal Parks Agency leaflet; Beaver Trust; common practice)."""
    local = Local(flood_m=flood_m, given=frozenset({"flood_m"}))
    found = choose([{"beaver": 0.6}], settings={"local": local}, **STANDARD)
    assert found.action.texts() == ["fit"]
    assert found.guard_height_mm[0] >= least_mm
    assert found.agents_stopped.texts() == ["beaver"]
    assert "local.flood_m" not in {one.topic for one in found.assumptions}


def test_no_flood_is_an_assumption_near_beavers_only() -> None:
    topics = [{one.topic for one in choose([{agent: 0.6}], **STANDARD).assumptions} for agent in ("beaver", "vole")]
    assert ["local.flood_m" in each for each in topics] == [True, False]


@pytest.mark.parametrize("southern", [True, False, None])
def test_a_part_of_a_site_knows_its_hemisphere(southern: bool | None) -> None:
    """A site cut into parts is told the seasons of the whole; else its own trees tell them: these stand north."""
    site = replace(make_site([[0.0, 0.0]], **STANDARD), southern=southern)
    found = choose_guards(site, {}, make_pressure(site, [{"mower": 0.6}]), watch=SilentWatch())
    north = choose([{"mower": 0.6}], **STANDARD)
    months = [int(each.on_month[0]) for each in (found, north)]
    assert months[1] > 0
    assert (months[0] - months[1]) % 12 == (6 if southern else 0)


# ---------------------------------------------------------------------------------------------- piles, floor, renewals


def test_a_pile_lifts_rabbits_and_not_deer() -> None:
    """decisions 5: rabbits walk up a pile of 0.5 m; deer stand beside it, on 0.3 m of settled snow."""
    flat, piled = ({"snow_m": snow} for snow in (0.3, 0.8))
    pile = {"stems": {"pile_m": np.array([0.5])}}
    deer = [choose({"deer_browse": 0.3}, **flat, **WHIP), choose({"deer_browse": 0.3}, **piled, **pile, **WHIP)]
    assert deer[0].guard_height_mm.tolist() == deer[1].guard_height_mm.tolist()
    rabbits = [choose({"rabbit": 0.3}, **flat, **WHIP), choose({"rabbit": 0.3}, **piled, **pile, **WHIP)]
    assert rabbits[1].guard_height_mm[0] >= rabbits[0].guard_height_mm[0] + 300


def test_thrown_snow_alone_names_the_floor() -> None:
    said = "If that is too much for thrown snow alone, raise choice.floor."
    assert said in only(choose({"snow_throw": 0.1}, snow_m=0.3, **STANDARD), "reason")
    assert said not in only(choose({"snow_throw": 0.1, "vole": 0.1}, snow_m=0.3, **STANDARD), "reason")


def test_guards_of_no_known_name_are_noted_once() -> None:
    found = choose([{"vole": 0.2}] * 3, guard_now=["green thing", "none", "Green Thing"], **WHIP)
    (note,) = [note for note in found.notes if note.code == "guard_unknown"]
    assert note.count == 2
    assert note.what.startswith("a guard of no known name at 2 trees: 'green thing'")
    assert "guards.own" in note.remedy
    assert found.action.texts() == ["look", "fit", "look"]
    assert not choose({"vole": 0.2}, guard_now="none", **WHIP).notes


def test_a_cell_may_name_a_guard_of_the_users_own() -> None:
    """By key or label; one with a key of ours is known by the words of ours, too, and is what the user says it is."""
    cage = tables.guards()["cage_2x4"]
    iron = replace(cage, key="rail_box", label="Paddock Rail Box", also_called=(), heights_mm=(1800.0,))
    tube = replace(tables.guards()["shelter_solid"], label="Town Quill")
    texts = ["Paddock rail box", "rail_box", "Town quill 1.8 m", "paddock"]
    site = make_site(np.zeros((4, 2)), guard_now=texts, **WHIP)
    pressure = make_pressure(site, [{"deer_browse": 0.2}] * 4)
    found = choose_guards(site, {}, pressure, watch=SilentWatch())
    assert found.action.texts() == ["look", "look", "look", "look"]
    site = replace(site, inputs=replace(site.inputs, guard_lists=GuardLists(own=(iron, tube))))
    found = choose_guards(site, {}, pressure, watch=SilentWatch())
    assert found.action.texts() == ["keep", "keep", "keep", "look"]
    (note,) = [note for note in found.notes if note.code == "guard_unknown"]
    assert note.what == "a guard of no known name at 1 tree: 'paddock'"
    assert name_guard("tree tube 4 ft", (tube,)).guard is tube


def test_a_word_for_several_guards_says_what_to_look_for() -> None:
    found = choose({"vole": 0.2}, guard_now="Plastic guard", **WHIP)
    what = "may be a spiral, a trunk guard, a tree tube or a plastic mesh tube"
    assert only(found, "reason").startswith(f"The guard written for this tree, 'Plastic guard', {what}: look which.")
    (note,) = [note for note in found.notes if note.code == "guard_unknown"]
    assert f"'Plastic guard' {what}" in note.what
