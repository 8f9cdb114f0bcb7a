"""Whether a guard stops an agent: facts of the trade, published rules, and guards that must not be substituted."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap import tables
from riskmap.choose.demand import Ground, months_of, ways_against
from riskmap.choose.fit import fit_part, quick_level
from riskmap.choose.menu import parts_of
from riskmap.choose.part import Part
from riskmap.choose.say import sentence

NO, PARTLY, MINIMUM, STOPS = range(4)
BARE = Ground(snow_mm=0.0)


def part(key: str, height_mm: float | None = None, standoff_mm: float | None = None, **changed: Any) -> Part:
    """One guard of the catalogue, at its tallest unless told, with measures changed where a test asks."""
    guard = replace(tables.guards()[key], **changed)
    return Part(
        guard=guard,
        height_mm=max(guard.heights_mm, default=0.0) if height_mm is None else height_mm,
        standoff_mm=(guard.standoff_min_mm or 0.0) if standoff_mm is None else standoff_mm,
    )


def level(one: Part, agent: str, ground: Ground = BARE) -> int:
    """What it does: 3 stops, 2 at the published minimum, 1 partly, 0 no."""
    return fit_part(one, agent, ground).level


def said(one: Part, agent: str, ground: Ground = BARE) -> str:
    """The answer in words."""
    return sentence(fit_part(one, agent, ground))


# ------------------------------------------------------------------- facts of the trade: common practice, no source


def test_paper_wrap_keeps_off_spray_ice_and_grit_but_no_rabbit_deer_or_vole() -> None:  # common practice, no source
    wrap = part("paper_wrap")
    assert level(wrap, "snow_throw") == STOPS
    assert level(wrap, "spray_drift") == PARTLY  # it keeps spray off while it is on
    assert "solid wall" in said(wrap, "spray_drift")
    assert {level(wrap, agent) for agent in ("rabbit", "deer_browse", "vole")} == {NO}
    assert "chewed through" in said(wrap, "rabbit")


def test_paper_wrap_is_on_from_late_november_to_easter() -> None:  # common practice, no source
    guard = tables.guards()["paper_wrap"]
    assert (guard.on_month, guard.off_month) == (11, 4)
    assert "Easter" in guard.off_when
    assert "light" in guard.off_when
    assert guard.needs_clear_stem_m is not None  # wound from the base to the lowest branch


def test_rabbit_fence_stands_tight_side_down_and_keeps_mowers_off() -> None:  # common practice, no source
    fence = part("rabbit_fence")
    guard = fence.guard
    assert guard.opening_mm is not None and guard.opening_top_mm is not None
    assert guard.opening_mm < guard.opening_top_mm
    assert (guard.standoff_min_mm, guard.standoff_max_mm) == (100, 150)  # 4 to 6 in
    assert guard.off_month is None  # may stay all year
    assert level(fence, "rabbit") == STOPS
    assert level(fence, "mower") == STOPS


def test_rabbit_fence_fails_where_snow_lifts_rabbits_past_its_tight_part() -> None:
    words = said(part("rabbit_fence"), "rabbit", Ground(snow_mm=300))
    assert words == "does not stop rabbits (tight mesh up to 0.3 m, 0.45 m or higher needed)"


def test_rigid_mesh_tubes_come_in_three_heights_and_help_against_rabbits_rub_and_mowers() -> None:
    # common practice, no source
    tubes = [part(f"plastic_mesh_{inches}") for inches in (18, 24, 36)]
    assert [round(tube.height_mm / 25.4) for tube in tubes] == [18, 24, 36]
    assert all(tube.guard.off_month is None and tube.guard.life_years >= 4 for tube in tubes)
    assert all(level(tube, "mower") == STOPS for tube in tubes)
    assert level(tubes[1], "rabbit") >= MINIMUM
    assert level(tubes[2], "rabbit") == STOPS
    assert level(tubes[2], "antler_rub") == PARTLY
    assert all(level(tube, "vole") == NO for tube in tubes)


def test_half_inch_coated_netting_needs_air_space() -> None:  # common practice, no source
    netting = part("coated_netting", standoff_mm=150)
    assert [level(netting, agent) for agent in ("rabbit", "antler_rub", "mower")] == [STOPS, STOPS, STOPS]
    assert level(netting, "beaver") == NO
    assert level(part("coated_netting", standoff_mm=0), "rabbit") == NO
    assert "gap to the stem 0 mm, 25 mm or more needed" in said(part("coated_netting", standoff_mm=0), "rabbit")


def test_half_inch_hardware_cloth_stops_beaver_rub_and_rabbits_not_voles() -> None:  # common practice, no source
    cloth = part("hwcloth_half")
    assert [level(cloth, agent) for agent in ("beaver", "antler_rub", "rabbit")] == [STOPS, STOPS, STOPS]
    assert level(cloth, "vole") == NO
    assert level(cloth, "spray_drift") == NO


def test_quarter_inch_hardware_cloth_also_stops_voles_but_not_spray() -> None:  # common practice, no source
    cloth = part("hwcloth_quarter")
    assert [level(cloth, agent) for agent in ("beaver", "antler_rub", "rabbit", "vole")] == [STOPS] * 4
    assert level(cloth, "spray_drift") == NO


def test_vinyl_collar_is_for_mowers_only() -> None:  # common practice, no source
    collar = part("vinyl_collar")
    assert level(collar, "mower") == STOPS
    assert {level(collar, agent) for agent in tables.agents() if agent != "mower"} == {NO}
    assert collar.guard.price_high is not None and collar.guard.price_high <= 2  # under about two dollars


def test_split_shelter_stops_spray_and_may_stay_on_in_summer() -> None:  # common practice, no source
    shelter = part("shelter_split")
    assert level(shelter, "spray_drift") == STOPS
    assert shelter.guard.off_month is None


def test_odour_repellent_is_renewed_every_four_to_five_weeks() -> None:  # common practice, no source
    guard = tables.guards()["repellent_odour"]
    assert guard.renew_days is not None and 28 <= guard.renew_days <= 35
    assert "upwind" in guard.harms
    assert "rain-fast" in guard.harms


@pytest.mark.parametrize("snow_mm", [0.0, 300.0, 600.0])
def test_rabbits_and_deer_work_above_the_snow_voles_under_it(snow_mm: float) -> None:  # common practice, no source
    def needed_mm(agent: str, kind: str) -> float:
        tops = [
            clause.needed_mm(Ground(snow_mm=snow_mm))
            for way in ways_against(agent)
            if way.level == MINIMUM or agent == "vole"
            for clause in way.clauses
            if clause.measure == "top_mm"
        ]
        return min(tops)

    assert needed_mm("rabbit", "") == 460 + snow_mm
    assert needed_mm("vole", "") == 150 + snow_mm  # only to the snow's top, and a hand over
    assert needed_mm("deer_browse", "") >= 1500 + snow_mm / 2


# -------------------------------------------------------------------------------------------------- published rules


def test_rabbit_guard_in_six_inches_of_snow_is_two_feet_high() -> None:  # University of Nebraska Extension
    ground = Ground(snow_mm=152.4)
    assert level(part("hwcloth_half", 609.6), "rabbit", ground) == NO  # 152 + 460 = 612 mm: 2 ft is 2 mm short
    assert level(part("hwcloth_half", 612.5), "rabbit", ground) == MINIMUM


def test_rabbit_guard_rises_with_snow() -> None:  # University of Vermont; University of Illinois: 2 ft above the snow
    ground = Ground(snow_mm=400)
    assert level(part("hwcloth_half", 1000), "rabbit", ground) == STOPS
    assert level(part("hwcloth_half", 999), "rabbit", ground) == MINIMUM
    assert level(part("hwcloth_half", 859), "rabbit", ground) == NO


@pytest.mark.parametrize(
    ("opening_mm", "wire_mm", "expected"), [(31, 1.2, STOPS), (36, 1.2, NO), (31, 1.0, PARTLY), (36, 1.0, NO)]
)
def test_rabbit_netting(opening_mm: float, wire_mm: float, expected: int) -> None:  # Forestry Commission PN 2
    assert level(part("poultry_net_31", opening_mm=opening_mm, wire_mm=wire_mm), "rabbit") == expected


def test_standard_wire_gauges() -> None:  # Forestry Commission Practice Note 2 prints 1.2 and 1.0 mm
    assert tables.guards()["poultry_net_31"].wire_mm == pytest.approx(0.048 * 25.4, abs=0.001)  # 18 SWG
    assert level(part("poultry_net_31", wire_mm=0.040 * 25.4), "rabbit") == PARTLY  # 19 SWG, 1.016 mm


@pytest.mark.parametrize(("opening_mm", "expected"), [(25.0, NO), (6.4, STOPS), (6.5, NO)])
def test_vole_mesh(opening_mm: float, expected: int) -> None:  # Kansas State; eXtension: quarter of an inch
    assert level(part("hwcloth_quarter", opening_mm=opening_mm), "vole") == expected


def test_vole_guard_of_solid_plastic_is_seated_into_the_soil() -> None:  # Scotland Forestry Grant Scheme, vole guard
    assert level(part("winter_spiral", 200), "vole") == STOPS
    assert level(replace(part("winter_spiral", 200), buried=False), "vole") == NO


@pytest.mark.parametrize(
    ("kind", "height_mm", "opening_mm", "expected"),
    [
        ("roe", 1500, 150, STOPS),
        ("muntjac", 1500, 150, NO),
        ("muntjac", 1500, 75, STOPS),
        ("red", 1500, 150, NO),
        ("red", 1800, 200, STOPS),
        ("fallow", 1800, 200, STOPS),
        ("fallow", 1500, 200, NO),
    ],
)
def test_deer_fences(kind: str, height_mm: float, opening_mm: float, expected: int) -> None:  # RPA item FG9
    fence = part("fence_deer_woven", height_mm, opening_mm=opening_mm)
    assert level(fence, "deer_browse", Ground(deer=(kind,))) == expected


def test_of_several_kinds_of_deer_all_must_be_stopped() -> None:
    tube = part("shelter_solid", 1500)
    assert level(tube, "deer_browse", Ground(deer=("roe",))) == STOPS
    assert level(tube, "deer_browse", Ground(deer=("roe", "red"))) == NO


def test_beaver_guard_of_the_grant() -> None:  # RPA item BC4: 50 mm, 1.8 to 2.5 mm wire, 0.9 m, gap 0.25 m
    cage = part("beaver_cage", 900, 250, opening_mm=50, wire_mm=1.8)
    assert level(cage, "beaver") == STOPS
    assert level(replace(cage, standoff_mm=150), "beaver") == MINIMUM  # Beaver Trust: 0.15 m
    assert level(replace(cage, standoff_mm=149), "beaver") == NO
    assert level(replace(cage, height_mm=899), "beaver") == NO
    assert level(part("beaver_cage", 900, 250, wire_mm=1.7), "beaver") == NO


def test_beaver_guard_stands_above_snow_and_flood() -> None:  # University of Illinois: to snow or flood height
    cage = part("beaver_cage", 1219, 250)
    assert level(cage, "beaver", Ground(snow_mm=600)) == STOPS
    assert level(cage, "beaver", Ground(snow_mm=650)) == NO
    assert level(cage, "beaver", Ground(flood_mm=650)) == NO


@pytest.mark.parametrize(("snow_mm", "expected"), [(0, MINIMUM), (80, NO)])
def test_white_tailed_deer_ask_for_five_feet(snow_mm: float, expected: int) -> None:  # USDA FS: tubes of 5 ft or more
    assert level(part("poultry_net_25", 1524), "deer_browse", Ground(snow_mm=snow_mm)) == expected


def test_hardware_cloth_openings_are_the_mesh_less_a_wire() -> None:  # ASTM A740: mesh is one opening and one wire
    half, quarter = tables.guards()["hwcloth_half"], tables.guards()["hwcloth_quarter"]
    assert half.opening_mm == pytest.approx((0.5 - 0.041) * 25.4, abs=0.01)
    assert quarter.opening_mm == pytest.approx((0.25 - 0.025) * 25.4, abs=0.01)


# ---------------------------------------------------------------------------------------------- must not substitute


@pytest.mark.parametrize(
    ("one", "agent", "why"),
    [
        (part("poultry_net_31", opening_mm=36), "rabbit", "opening 36 mm, 31 mm or finer needed"),
        (part("poultry_net_25"), "vole", "opening 25 mm, 6.4 mm or finer needed"),
        (part("poultry_net_25"), "beaver", "hexagon mesh, welded"),
        (part("shelter_solid", 600), "deer_browse", "top at 0.56 m, 1.5 m or higher needed"),  # Keeton 2008
        (part("hwcloth_half"), "vole", "opening 11.7 mm, 6.4 mm or finer needed"),
        (part("cage_2x4"), "rabbit", "opening 48.8 mm, 13 mm or finer needed"),
        (part("paper_wrap"), "vole", "chewed through"),
        (part("shelter_solid", 1800), "beaver", "chewed through"),
    ],
)
def test_must_not_substitute(one: Part, agent: str, why: str) -> None:
    assert level(one, agent) == NO
    assert why in said(one, agent)


def test_sixty_centimetre_tube_fails_roe_too() -> None:  # Keeton 2008: 60 cm tubes had high browse; roe ask for 1.2 m
    assert level(part("shelter_solid", 600), "deer_browse", Ground(deer=("roe",))) == NO


@pytest.mark.parametrize(("stem_mm", "expected"), [(50.8, NO), (74.9, NO), (75.0, PARTLY), (200.0, PARTLY)])
def test_paint_is_not_for_thin_stems(stem_mm: float, expected: int) -> None:  # Beaver Trust and others: not saplings
    assert level(part("paint_sand"), "beaver", Ground(stem_mm=stem_mm)) == expected


# ------------------------------------------------------------------------------------------------------------- laws

PARTS = parts_of(tuple(tables.guards().values()), buried=True)
AGENTS = st.sampled_from(sorted(tables.agents()))
SNOW_MM = st.integers(0, 20).map(lambda step: step * 50.0)


@settings(max_examples=200, deadline=None)
@given(one=st.sampled_from(PARTS), agent=AGENTS, snow_mm=SNOW_MM, more_mm=SNOW_MM)
def test_more_snow_never_makes_a_guard_better(one: Part, agent: str, snow_mm: float, more_mm: float) -> None:
    less = fit_part(one, agent, Ground(snow_mm=snow_mm))
    more = fit_part(one, agent, Ground(snow_mm=snow_mm + more_mm))
    assert more.level <= less.level
    assert more.leaves >= less.leaves


@settings(max_examples=300, deadline=None)
@given(
    one=st.sampled_from(PARTS),
    agent=AGENTS,
    snow_mm=SNOW_MM,
    deer=st.lists(st.sampled_from(["roe", "muntjac", "red", "white_tailed", "elk", "moose"]), min_size=1, max_size=3),
    southern=st.booleans(),
)
def test_the_quick_answer_is_the_whole_one(
    one: Part, agent: str, snow_mm: float, deer: list[str], southern: bool
) -> None:
    ground = Ground(snow_mm=snow_mm, deer=tuple(deer), stem_mm=90.0, southern=southern)
    answer = fit_part(one, agent, ground)
    assert quick_level(one, agent, ground) == (answer.level, answer.leaves)


@settings(max_examples=200, deadline=None)
@given(one=st.sampled_from(PARTS), agent=AGENTS, snow_mm=SNOW_MM)
def test_a_guard_never_raises_what_is_left(one: Part, agent: str, snow_mm: float) -> None:
    answer = fit_part(one, agent, Ground(snow_mm=snow_mm))
    assert 0 <= answer.leaves <= 1
    assert (answer.leaves < 1) == (answer.level > 0)


@settings(max_examples=200, deadline=None)
@given(
    one=st.sampled_from([part for part in PARTS if part.guard.opening_mm and part.guard.kind == "cylinder"]),
    agent=AGENTS,
    finer=st.floats(0.3, 1.0),
)
def test_a_finer_mesh_or_a_taller_guard_is_never_worse(one: Part, agent: str, finer: float) -> None:
    guard = one.guard
    top_mm = None if guard.opening_top_mm is None else guard.opening_top_mm * finer
    better = replace(one, guard=replace(guard, opening_mm=guard.opening_mm * finer, opening_top_mm=top_mm))
    assert level(better, agent) >= level(one, agent)
    assert level(replace(one, height_mm=one.height_mm + 200), agent) >= level(one, agent)


@settings(max_examples=100, deadline=None)
@given(one=st.sampled_from(PARTS), agent=AGENTS, snow_mm=SNOW_MM, units=st.sampled_from(["metric", "us"]))
def test_every_answer_says_why(one: Part, agent: str, snow_mm: float, units: str) -> None:
    answer = fit_part(one, agent, Ground(snow_mm=snow_mm))
    words = sentence(answer, units)
    assert "(" in words and words.endswith(")")
    assert "nan" not in words and "None" not in words
    assert words.startswith("does not ") == (answer.level == NO)


def test_months_go_round_the_year() -> None:
    assert months_of(11, 4) == {11, 12, 1, 2, 3, 4}
    assert months_of(4, 10) == set(range(4, 11))
    assert months_of(None, None) == set(range(1, 13))
    assert months_of(11, 4, southern=True) == {5, 6, 7, 8, 9, 10}


def test_winter_guards_follow_the_snow_south() -> None:
    assert level(part("paper_wrap"), "snow_throw", Ground(southern=True)) == STOPS


def test_words_of_every_row_are_those_the_code_knows() -> None:
    kinds = {"wrap", "cylinder", "tube", "spiral", "halfwrap", "collar", "paint", "spray", "ground", "line", "frame"}
    meshes = {"", "welded", "hexagon", "rigid_plastic", "woven"}
    for guard in tables.guards().values():
        assert guard.kind in kinds
        assert guard.mesh in meshes
        assert set(guard.chewed_by) <= set(tables.agents())
        assert set(guard.repels) <= set(tables.agents())
        assert guard.group == (guard.kind == "line")
        assert guard.stake == "" or guard.stake in tables.work_figures()
    for agent in tables.agents():
        assert ways_against(agent), f"no guard can stop {agent}"
