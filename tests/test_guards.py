"""The catalogue, what guards cost, and guards that are on already."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from conftest import make_settings
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap import tables
from riskmap.choose.catalogue import open_catalogue
from riskmap.choose.cost import Rates, bill_of, cut_length_m, pieces_per_roll, wrap_length_m
from riskmap.choose.menu import parts_of
from riskmap.choose.now import name_guard, touch_years, wear_of
from riskmap.choose.part import Part
from riskmap.choose.suit import Stand, unsuited
from riskmap.errors import InputError
from riskmap.model import GuardSettings

IN, FT = 25.4, 304.8
RATES = Rates(
    currency="USD",
    hour=30.0,
    small={"tie": 0.1, "t_post": 5.0, "step_in_post": 2.0, "timber_stake": 1.5},
    remove_share=0.5,
    paint_m2=7.0,
)
WHIP = Stand(stem_mm=12, growth_mm=10, form="whip", clear_mm=math.inf, room_mm=math.inf, hard=False, ringed=False)
STANDARD = replace(WHIP, stem_mm=60, form="standard", clear_mm=1800)


def part(key: str, height_mm: float = 0.0, standoff_mm: float | None = None) -> Part:
    """One guard of the catalogue."""
    guard = tables.guards()[key]
    gap_mm = (guard.standoff_min_mm or 0.0) if standoff_mm is None else standoff_mm
    return Part(guard=guard, height_mm=height_mm or max(guard.heights_mm, default=0.0), standoff_mm=gap_mm)


# ------------------------------------------------------------------------------------- cut lengths: hand arithmetic


def test_cage_pieces_of_a_hundred_foot_roll() -> None:  # planters report 12.5 ft pieces, 8 a roll
    piece_m = 2 * math.pi * 1.99 * 0.3048
    assert piece_m / 0.3048 == pytest.approx(12.5035, abs=1e-4)
    assert pieces_per_roll(30.48, piece_m) == 7  # whole pieces of the exact length: the eighth is 0.03 ft short
    assert pieces_per_roll(30.48, 12.5 * 0.3048) == 8


def test_square_cage_pieces() -> None:  # planters' page: 4 x 4 ft, 16.5 ft pieces
    assert pieces_per_roll(50 * 0.3048, 16.5 * 0.3048) == 3
    assert pieces_per_roll(100 * 0.3048, 16.5 * 0.3048) == 6


def test_ten_foot_piece_is_a_three_foot_cage() -> None:  # planters' page: 5 of 50 ft
    assert 10 / math.pi == pytest.approx(3.18, abs=0.01)
    assert cut_length_m(0, 10 / math.pi / 2 * FT, 0) == pytest.approx(10 * 0.3048)
    assert pieces_per_roll(50 * 0.3048, 10 * 0.3048) == 5


@pytest.mark.parametrize(
    ("stem_in", "gap_in", "overlap_in", "length_in", "rolls"),
    [
        (2.0, 3, 2, 27.13, {25: 11, 50: 22, 100: 44}),
        (2.0, 6, 4, 47.98, {100: 25}),
        (2.5, 12, 4, 87.25, {100: 13}),
    ],
)
def test_cylinder_pieces(
    stem_in: float, gap_in: float, overlap_in: float, length_in: float, rolls: dict[int, int]
) -> None:  # by hand: 2 pi (r + s) + o
    length_m = cut_length_m(stem_in * IN, gap_in * IN, overlap_in * IN)
    assert length_m / 0.0254 == pytest.approx(length_in, abs=0.01)
    for feet, pieces in rolls.items():
        assert pieces_per_roll(feet * 0.3048, length_m) == pieces


def test_welded_wire_is_cut_at_a_wire() -> None:
    assert cut_length_m(20, 300, 50.8, 50.8) == pytest.approx(math.ceil((2 * math.pi * 310 + 50.8) / 50.8) * 0.0508)


def test_wrap_length() -> None:  # by hand: pitch 2.68 in, 17.91 turns of hypot(4.712, 2.68) in
    length_m = wrap_length_m(1.5 * IN, 48 * IN, 4 * IN, 0.33)
    assert length_m / 0.0254 == pytest.approx(97.1, abs=0.1)
    assert pieces_per_roll(50 * 0.3048, length_m) == 6


# --------------------------------------------------------------------------------------------------- bills: by hand


def test_bill_of_a_tube() -> None:
    bill = bill_of(part("shelter_solid", 1800), 12, RATES)
    assert bill.material == pytest.approx(5.0 * 1.5 + 1.5 + 2 * 0.1)
    assert bill.first(30) == pytest.approx(9.2 + 5 / 60 * 30)
    assert bill.over(5, 30) == pytest.approx(9.2 + 2.5 + 1.25)  # taking it off is half the fitting
    assert bill.over(6, 30) == bill.over(5, 30)  # no second tube for a year in which the stem is all but safe
    assert bill.over(7, 30) > bill.over(5, 30) + 9  # a second tube


def test_bill_of_a_cylinder_pays_for_the_offcut() -> None:
    bill = bill_of(part("hwcloth_quarter", 610), 25, RATES)
    piece_m = (2 * math.pi * 62.5 + 40) / 1000
    assert math.floor(7.6 / piece_m) == 17
    assert bill.material == pytest.approx(35 / 17 + 2.0 + 3 * 0.1)


def test_bill_of_a_ring() -> None:  # r 0.75 m, 75 mm deep: 0.1325 m3
    assert bill_of(part("mulch_ring"), 60, RATES).material == pytest.approx(math.pi * 0.75**2 * 0.075 * 52)


def test_mulch_volume_in_feet() -> None:  # r 3 ft, 3 in deep: 7.07 ft3, 0.262 yd3
    volume_ft3 = math.pi * 3**2 * 0.25
    assert volume_ft3 == pytest.approx(7.07, abs=0.01)
    ring = replace(tables.guards()["mulch_ring"], ring_radius_mm=3 * FT, depth_mm=3 * IN, price_central=1.0)
    bill = bill_of(Part(guard=ring, height_mm=0), 60, RATES)
    assert bill.material / 0.3048**3 == pytest.approx(volume_ft3)
    assert bill.material / 0.9144**3 == pytest.approx(0.262, abs=0.001)


def test_sand_in_paint() -> None:  # 20 oz in a US gallon; texts print 140 g/L
    grams_per_litre = 20 * 28.349523 / 3.785412
    assert grams_per_litre == pytest.approx(149.8, abs=0.1)
    assert "149.8" in tables.guards()["paint_sand"].note


def test_seasonal_guards_cost_work_every_year() -> None:
    spiral = bill_of(part("winter_spiral", 600), 12, RATES)
    assert spiral.refit_hours > spiral.hours > 0
    assert spiral.over(3, 30) > spiral.first(30) + 2 * spiral.refit_hours * 30 - 1e-9


def test_years_to_touch() -> None:  # by hand: 3 in of gap at 0.5 in a year; 4 in tube on a 0.5 in stem
    assert touch_years(3 * IN, 0.5 * IN) == pytest.approx(12)
    assert touch_years((4 - 0.5) / 2 * IN, 0.5 * IN) == pytest.approx(7)


def test_girth_to_diameter() -> None:
    assert 14 / math.pi == pytest.approx(4.46, abs=0.01)  # cm


@settings(max_examples=100, deadline=None)
@given(
    one=st.sampled_from(parts_of(tuple(tables.guards().values()), buried=True)),
    stem_mm=st.floats(8, 400),
    years=st.integers(1, 15),
)
def test_bills_are_sane(one: Part, stem_mm: float, years: int) -> None:
    bill = bill_of(one, stem_mm, RATES)
    assert bill.material >= 0 and bill.hours > 0
    assert bill.over(years, 30) >= bill.first(30) - 1e-9
    assert bill.over(years + 1, 30) >= bill.over(years, 30) - 1e-9
    thicker = bill_of(one, stem_mm * 1.5, RATES)
    assert thicker.material >= bill.material - 1e-9


# --------------------------------------------------------------------------------------------------------- the rows


def test_catalogue_without_guards_never_to_be_used() -> None:
    found = open_catalogue(make_settings(guards=GuardSettings(never=("paint_sand",))))
    assert "paint_sand" not in {guard.key for guard in found.guards}
    assert "paint_sand" in found.known
    assert found.rates.currency == "USD"
    assert {assumption.topic for assumption in found.assumptions} == {"guards.prices", "guards.labour_per_hour"}


def test_wage_of_the_user() -> None:
    found = open_catalogue(make_settings(guards=GuardSettings(labour_per_hour=50.0)))
    assert found.rates.hour == 50
    assert {assumption.topic for assumption in found.assumptions} == {"guards.prices"}


def test_prices_are_never_mixed_between_currencies() -> None:
    with pytest.raises(InputError) as caught:
        open_catalogue(make_settings(guards=GuardSettings(currency="GBP", labour_per_hour=20.0)))
    assert str(caught.value) == (
        "site.toml: guards.currency is GBP, but the built-in prices are in USD; "
        "give a price list in GBP, or leave the currency out (guards.prices)"
    )


def test_all_built_in_prices_are_in_one_currency() -> None:
    assert {guard.currency for guard in tables.guards().values()} == {"USD"}
    for guard in tables.guards().values():
        assert guard.price_low is not None and guard.price_central is not None and guard.price_high is not None
        assert guard.price_low <= guard.price_central <= guard.price_high
        assert guard.price_year is not None


# ---------------------------------------------------------------------------------------------------- what it suits


@pytest.mark.parametrize(
    ("one", "stand", "why"),
    [
        (part("shelter_solid", 1200), STANDARD, "stem 70 mm within a year, not on stems over 50 mm"),
        (part("shelter_solid", 1200), replace(STANDARD, stem_mm=30), "not for a standard tree"),
        (part("shelter_solid", 1200), replace(WHIP, form="conifer"), "not for a conifer tree"),
        (part("paint_sand", 900), replace(STANDARD, stem_mm=50), "stem 50 mm, not on stems under 75 mm"),
        (part("paper_wrap", 1800), replace(STANDARD, clear_mm=1500), "1.5 m of clear stem, 1.8 m needed"),
        (part("cage_2x4", 1829), replace(WHIP, hard=True), "no cage, frame or ring in a pit, grate or planter"),
        (part("mulch_ring"), replace(STANDARD, hard=True), "no cage, frame or ring in a pit, grate or planter"),
        (part("mulch_ring"), replace(STANDARD, ringed=True), "has a ring already"),
        (part("cage_2x4", 1829), replace(WHIP, room_mm=300), "0.3 m of room, 0.36 m needed"),
    ],
)
def test_unsuited(one: Part, stand: Stand, why: str) -> None:
    assert unsuited(one, stand) == why


def test_suited() -> None:
    assert unsuited(part("shelter_solid", 1800), WHIP) == ""
    assert unsuited(part("cage_2x4", 1829), STANDARD) == ""
    assert unsuited(part("paper_wrap", 1800), STANDARD) == ""
    assert unsuited(part("hwcloth_half", 1219), replace(STANDARD, hard=True)) == ""


# ----------------------------------------------------------------------------------------------------- guards now on


@pytest.mark.parametrize(
    ("text", "key", "height_mm"),
    [
        ("Tree tube 1.2 m", "shelter_solid", 1200),
        ("TREE SHELTER (120 cm)", "shelter_solid", 1200),
        ("shelter_solid 1.5m", "shelter_solid", 1500),
        ("4 ft wire cage", "cage_2x4", 1219.2),
        ("beaver cage", "beaver_cage", math.nan),
        ("chicken wire, 24in", "poultry_net_25", 609.6),
        ('1/4 inch hardware cloth 36"', "hwcloth_quarter", 914.4),
        ("Spiral guards", "winter_spiral", math.nan),
        ("Paper wrap", "paper_wrap", math.nan),
        ("mulch", "mulch_ring", 0),
        ("Vented vinyl collar", "vinyl_collar", 225),
        ("split tube 60 cm", "shelter_split", 600),
        ("Trunk wrap", "paper_wrap", math.nan),
        ("wrap", "paper_wrap", math.nan),
        ("spiral wrap", "winter_spiral", math.nan),
        ("no. 4 wire cage", "cage_2x4", math.nan),
        ("no tag, wire cage on", "cage_2x4", math.nan),
    ],
)
def test_name_guard(text: str, key: str, height_mm: float) -> None:
    found = name_guard(text)
    assert found.guard is not None
    assert found.guard.key == key
    assert found.height_mm == pytest.approx(height_mm, nan_ok=True)


@pytest.mark.parametrize(
    "text",
    [
        "none",
        "No",
        " - ",
        "--",
        "0",
        "nothing",
        "N/A",
        "na",
        "n.a.",
        "none (taken off)",
        "no cage",
        "No guard on",
        "without any tree guard",
        "none - removed 2024",
        "no protection",
        "removed",
        "Staked",
        "stakes and ties",
        "watering bag",
    ],
)
def test_nothing_on(text: str) -> None:
    assert name_guard(text).known
    assert name_guard(text).guard is None


@pytest.mark.parametrize(
    "text",
    [
        *("mystery device", "yes", "cagey", "=cmd()", "?", "unknown", "not known", "No. 4", "no longer tight"),
        *("without stakes", "no top netting seen", "no data", "no record", "nothing known", "none recorded"),
    ],
)
def test_words_we_do_not_know(text: str) -> None:
    assert not name_guard(text).known


@pytest.mark.parametrize("text", ["plastic guard", "White plastic guards", "tree guard", "wire mesh", "guard", "Yes"])
def test_words_for_several_things_stay_unknown_and_say_which(text: str) -> None:
    found = name_guard(text)
    assert not found.known
    assert " or a " in found.may_be
    things = found.may_be.replace(" or ", ", ").split(", ")
    assert all(name_guard(thing.removeprefix("a ")).guard is not None for thing in things)


def test_every_guard_is_known_by_its_key_and_label() -> None:
    for key, guard in tables.guards().items():
        for text in (key, guard.label):
            found = name_guard(text)
            assert found.guard is not None and found.guard.key == key, text


def wear(
    key: str, stem_mm: float = 20, month: int = 1, years_on: int = -1, *, southern: bool = False
) -> tuple[str, str]:
    """Why a guard must come off, and why it must be loosened."""
    stand = replace(WHIP, stem_mm=stem_mm)
    found = wear_of(tables.guards()[key], stand, month=month, years_on=years_on, southern=southern)
    return found.outgrown, found.tight


def test_wraps_come_off_in_the_growing_season() -> None:
    assert wear("paper_wrap", month=1) == ("", "")
    assert "Easter" in wear("paper_wrap", month=7)[0]
    assert wear("paper_wrap", month=7, southern=True) == ("", "")
    assert wear("paper_wrap", month=10) == ("", "")  # it goes on again in November
    assert "two winters" in wear("paper_wrap", years_on=2)[0]


def test_stems_that_fill_their_guard() -> None:
    assert wear("shelter_solid", stem_mm=40) == ("", "")
    assert "24 mm of gap" in wear("shelter_solid", stem_mm=52)[0]
    assert "fills it" in wear("shelter_solid", stem_mm=100)[0]
    assert "25 mm needed" in wear("plastic_mesh_36", stem_mm=80)[1]
    assert wear("hwcloth_half", years_on=4) == ("", "")
    assert "20 mm of gap" in wear("hwcloth_half", years_on=6)[1]  # 50 mm of gap, 10 mm of caliper a year
    assert wear("mulch_ring", stem_mm=400) == ("", "")
