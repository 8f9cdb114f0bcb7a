"""Kernels, local facts and bands: laws, published tables, hand sums. Each check names its source."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import make_settings
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap import rules, tables
from riskmap.model import Local
from riskmap.rules import RULES, Measured, band_of, drift_percent, local_share, mean_ramp, reach_m, season_shares
from riskmap.units import length_factor

FIGURES = tables.figures()
METRES = st.floats(0, 2000, allow_nan=False)
AGENTS = sorted(tables.agents())


def at(*distances_m: float, **more: object) -> Measured:
    """Trees outside a role at some distances."""
    distance_m = np.array(distances_m, dtype=float)
    return Measured(distance_m=distance_m, edge_m=distance_m, **{"throw_m": 7.8, **more})  # type: ignore[arg-type]


def kernel(agent: str, *distances_m: float, **more: object) -> np.ndarray:
    return RULES[tables.agents()[agent].rule](at(*distances_m, **more), FIGURES[agent])


# laws


@pytest.mark.parametrize("agent", AGENTS)
@given(a=METRES, b=METRES, accuracy_m=st.floats(0, 20))
@settings(max_examples=60, deadline=None)
def test_pressure_never_rises_with_distance(agent: str, a: float, b: float, accuracy_m: float) -> None:
    near, far = kernel(agent, min(a, b), max(a, b), accuracy_m=accuracy_m, rubs_edges=True)
    most = FIGURES[agent].get("edge_factor", 1.0)
    assert 0 <= far <= near + 1e-9
    assert near <= most + 1e-9


@pytest.mark.parametrize("agent", AGENTS)
def test_nothing_is_left_past_the_reach_and_something_within(agent: str) -> None:
    far_m = reach_m(agent, FIGURES)
    if agent == "sunscald":  # no distance at all
        assert far_m == 0
        return
    throw_m = far_m if agent == "snow_throw" else 7.8
    near, far, unmeasured = kernel(agent, far_m * 0.5, far_m * 1.001, np.nan, throw_m=throw_m)
    assert near > 0
    assert far == unmeasured == 0


@given(signed_m=st.floats(-30, 30), accuracy_m=st.floats(0.01, 20))
@settings(max_examples=60, deadline=None)
def test_the_mean_over_the_position_error_is_the_mean(signed_m: float, accuracy_m: float) -> None:
    def curve(s_m: np.ndarray) -> np.ndarray:
        return mean_ramp(s_m, 0.0, top=0.8, level_to_m=2.0, end_m=5.0)

    places_m = signed_m + accuracy_m * (np.arange(20_000) + 0.5) / 10_000 - accuracy_m
    (mean,) = mean_ramp(np.array([signed_m]), accuracy_m, top=0.8, level_to_m=2.0, end_m=5.0)
    assert mean == pytest.approx(curve(places_m).mean(), abs=1e-4)


# bands


def test_bands_begin_at_their_limits() -> None:
    pressure = np.array([0, 0.0049, 0.005, 0.0499, 0.05, 0.1499, 0.15, 0.3499, 0.35, 1, np.nan])
    assert band_of(pressure).tolist() == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, -1]
    assert band_of(pressure.astype(np.float32)).tolist() == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, -1]
    assert len(rules.BAND_WORDS) == len(rules.BAND_LIMITS) + 1


# beaver and deer: reference values of the published fits


def test_beaver_half_normal() -> None:
    """Sigma 30 m, nothing past 100 m (RPA-BC4; NHFG); values by hand."""
    assert kernel("beaver", 10, 30, 60, 100, 101) == pytest.approx([0.946, 0.607, 0.135, 0.004, 0.0], abs=0.002)


def test_beaver_scale_lies_between_three_published_ones() -> None:
    """Knapdale 72 % within 10 m; McGinley and Whitham 1985 71 % cut at 3.5 m, 20 % at 73 m; Adirondack ponds 66 m."""
    figures = {**FIGURES["beaver"], "sigma_m": 45.8}
    near, far = RULES["half_normal"](at(3.5, 73), figures)
    assert far / near == pytest.approx(0.20 / 0.71, abs=0.002)  # 45.8 m goes through both points
    straight = {**FIGURES["vole"], "lambda_m": 54.9, "d_max_m": 100.0}  # the exponential through both has 54.9 m
    near, far = RULES["bare_ground"](at(3.5, 73, snow_lies=False), straight)
    assert far / near == pytest.approx(0.20 / 0.71, abs=0.002)
    row = tables.figure_rows()["beaver"]["sigma_m"]
    assert row.central == pytest.approx((9.3 * 45.8 * 66) ** (1 / 3), abs=0.5)
    assert row.low is not None and row.high is not None
    assert row.low == pytest.approx(9.3, abs=1) and row.high == pytest.approx(66, abs=1)


def test_deer_kernel() -> None:
    """Red deer GPS fit, half at 175 m; eight times more at 50 m than at 400 m."""
    assert kernel("deer_browse", 175)[0] == pytest.approx(0.50, abs=0.01)
    near, far = kernel("deer_browse", 50, 400)
    assert near / far >= 8
    assert kernel("deer_browse", 25, 100, 300, 600) == pytest.approx([0.99, 0.80, 0.21, 0.04], abs=0.01)


def test_deer_density() -> None:
    """Gill and Morgan 2010: over 14/km2 regeneration is most likely inadequate; none is done by no deer."""

    def share(density: float) -> float:
        return local_share("deer_browse", Local(deer_per_km2=density), FIGURES["deer_browse"])

    assert share(14) == pytest.approx(0.75, abs=0.02)
    assert share(14) >= 0.7
    assert [share(0), share(12)] == pytest.approx([0.0, 0.654], abs=0.001)
    assert [share(6.75), share(8.9), share(23)] == pytest.approx([0.25, 0.44, 0.93], abs=0.01)


def test_published_rates_as_hazards() -> None:
    """Knapdale: 10 % in 17 months, 13 % in 30. Sullivan 2018: 33.9 % in a year. Beskydy 20 %, Czech plots 10 %."""
    beaver = tables.figure_rows()["beaver"]["h0_per_year"]
    assert beaver.low is not None and beaver.low <= -np.log(1 - 0.13) / (30 / 12)  # 13 % in 30 months, the slower
    assert beaver.central > -np.log(1 - 0.10) / (17 / 12) > beaver.low  # plots reach far from the water's edge
    rate = tables.figure_rows()["vole"]["h0_per_year"]
    shares = [1 - np.exp(-(rate.low or 0)), 1 - np.exp(-rate.central), 1 - np.exp(-(rate.high or 0))]
    assert shares == pytest.approx([0.10, 0.20, 0.339], abs=0.005)


def test_ring_of_bare_ground_against_voles() -> None:
    """0.6 m of bare ground takes 33 % off without snow and 10 % under snow (assumed lambdas)."""
    figures = FIGURES["vole"]
    open_ground = kernel("vole", 0, bare_radius_m=np.array([0.6]), snow_lies=False)[0]
    assert 1 - open_ground == pytest.approx(0.33, abs=0.01)
    only_snow = RULES["bare_ground"](at(0, bare_radius_m=0.6), {**figures, "snow_weight": 1.0})[0]
    assert 1 - only_snow == pytest.approx(0.10, abs=0.01)


def test_a_ditch_counts_as_water() -> None:
    """Abbott 2012: stumps fall off from canals; a ditch 20 m off is pressure though the pond is 200 m away."""
    assert kernel("beaver", 20)[0] > 0
    assert kernel("beaver", 200)[0] == 0


# contact agents


def test_mower_reach_and_ring() -> None:
    """Full inside turf, linear to 0 at the reach; a ring of 0.6 m leaves a quarter, no ring leaves less."""
    assert kernel("mower", 0, 0.25, 0.5, 1) == pytest.approx([1, 0.5, 0, 0])
    for ring_m, left in ((0, 1.0), (0.3, 0.4), (0.6, 0.25), (3.0, 0.25)):
        assert kernel("mower", 0, inside=True, ring_radius_m=ring_m)[0] == pytest.approx(left)


def test_position_error_blurs_the_turf_edge() -> None:
    """On the edge with 3 m of error half the places are in turf, and of the reach outside half counts: by hand."""
    assert kernel("mower", 0, accuracy_m=3.0)[0] == pytest.approx((3 + 0.5 * 0.5) / 6)
    deep = Measured(distance_m=np.array([0.0]), inside=True, edge_m=np.array([10.0]), accuracy_m=3.0)
    assert RULES["contact"](deep, FIGURES["mower"])[0] == pytest.approx(1.0)


def test_throw_is_level_to_half_and_ends_at_the_throw() -> None:
    assert kernel("snow_throw", 0, 3.9, 5.85, 7.8, 20) == pytest.approx([1, 1, 0.5, 0, 0])
    assert kernel("snow_throw", 1, snow_lies=False)[0] == 0
    assert kernel("snow_throw", 0, throw_m=0.0)[0] == 0


# spray drift: FOCUS Surface Water Scenarios, Appendix B, table B.1 (regression) and JKI 2010 / Rautmann 2001 (table)

DISTANCES_M = (1, 3, 5, 10, 15, 20, 30, 40, 50)
BASIC_DRIFT = {
    "arable": (2.77, 0.95, 0.57, 0.29, 0.20, 0.15, 0.10, 0.07, 0.06),
    "fruit_early": (None, 29.20, 19.89, 11.81, 5.55, 2.77, 1.04, 0.52, 0.30),
    "fruit_late": (None, 15.73, 8.41, 3.60, 1.81, 1.09, 0.54, 0.32, 0.22),
    "vines_late": (None, 8.02, 3.62, 1.23, 0.65, 0.42, 0.22, 0.14, 0.10),
}


def drift(crop: str, *x_m: float) -> np.ndarray:
    return drift_percent(np.array(x_m, dtype=float), crop, FIGURES["spray_drift"])


def test_drift_regression_of_focus() -> None:
    assert drift("arable", 1, 3, 5) == pytest.approx([2.7593, 0.9424748, 0.5719342], abs=1e-6)
    assert drift("fruit_early", 3, 5, 20, 50) == pytest.approx([29.1973659, 19.8844422, 2.7618138, 0.3012008], abs=1e-6)
    assert drift("fruit_late", 3, 5, 20, 50) == pytest.approx([15.7246994, 8.4108487, 1.0813887, 0.2155992], abs=1e-6)
    assert drift("fruit_early", 1)[0] == pytest.approx(66.702, abs=1e-4)


def test_drift_of_two_applications() -> None:
    """FOCUS table B.1, arable, n = 2: the same form with the figures of its row."""
    twice = {**FIGURES["spray_drift"], "arable_a": 2.4376, "arable_b": -1.0100}
    assert drift_percent(np.array([1.0, 3, 5]), "arable", twice) == pytest.approx(
        [2.4376, 0.8036556, 0.4797365], abs=1e-6
    )


@pytest.mark.parametrize(
    ("crop", "near_m", "mean"),
    [
        ("arable", 1, 1.9273922),
        ("arable", 3, 0.8160023),
        ("arable", 5, 0.5224362),
        ("fruit_early", 3, 26.1193421),
        ("fruit_early", 5, 18.5428680),
        ("fruit_early", 20, 2.6038558),
        ("fruit_early", 50, 0.2940792),
    ],
)
def test_mean_drift_over_a_metre(crop: str, near_m: float, mean: float) -> None:
    """FOCUS package output: mean over a strip of 1 m, here by summing our curve over 2,000 slices."""
    slices_m = near_m + (np.arange(2000) + 0.5) / 2000
    assert drift(crop, *slices_m).mean() == pytest.approx(mean, abs=1e-5)


@pytest.mark.parametrize("crop", sorted(BASIC_DRIFT))
def test_the_curve_follows_the_basic_drift_table(crop: str) -> None:
    """JKI 2010 against FOCUS: within 0.02 points or 8 %."""
    for x_m, percent in zip(DISTANCES_M, BASIC_DRIFT[crop], strict=True):
        if percent is not None:
            assert drift(crop, x_m)[0] == pytest.approx(percent, abs=max(0.02, 0.08 * percent))


@pytest.mark.parametrize(
    ("crop", "percent", "x_m"),
    [
        ("arable", 1, 2.82),
        ("arable", 0.5, 5.74),
        ("arable", 0.1, 29.75),
        ("vines_late", 1, 11.36),
        ("vines_late", 0.5, 17.69),
        ("vines_late", 0.1, 49.51),
        ("fruit_early", 1, 30.44),
        ("fruit_early", 0.1, 78.88),
    ],
)
def test_where_drift_has_fallen(crop: str, percent: float, x_m: float) -> None:
    """Worked out by hand from the FOCUS regression."""
    below, above = drift(crop, x_m + 0.01, x_m - 0.01)
    assert below < percent < above


def test_drift_falls_with_distance_and_with_applications() -> None:
    """FOCUS table B.1, arable: n = 1 above n = 2 above n = 3 at every distance."""
    x_m = np.linspace(1, 100, 200)
    rows = [(2.7593, -0.9778), (2.4376, -1.0100), (2.0244, -0.9956)]
    curves = [drift_percent(x_m, "arable", {**FIGURES["spray_drift"], "arable_a": a, "arable_b": b}) for a, b in rows]
    assert all((np.diff(curve) < 0).all() for curve in curves)
    assert (curves[0] > curves[1]).all() and (curves[1][1:] > curves[2][1:]).all()


def test_backpack_points_lie_near_the_field_crop_curve() -> None:
    """Thistle 2017: 1 % of the rate at 1.5 m, 0.1 % at 20 m; the power law through both, and ours of one order."""
    b = np.log(0.1 / 1.0) / np.log(20 / 1.5)
    a = 1.0 / 1.5**b
    assert [a * 1.5**b, a * 20**b] == pytest.approx([1.000, 0.100], abs=1e-3)
    assert (a, b) == (pytest.approx(1.434, abs=0.001), pytest.approx(-0.889, abs=0.001))
    assert drift("arable", 5)[0] / (a * 5**b) == pytest.approx(1.7, abs=0.1)


def test_drift_share_is_full_at_the_edge() -> None:
    """A share of the drift at 1 m from field crops, never over 1."""
    assert kernel("spray_drift", 0, 1, 5) == pytest.approx([1, 1, 0.5719 / 2.76], abs=0.001)
    assert kernel("spray_drift", 15, crop="fruit_early")[0] == 1


# road salt


def test_salt_lies_near_the_road() -> None:
    """Pedersen 2000 (far more within 2 m), Lundmark 2007 (main part within 10 m): shares of the 0-100 m total."""
    x_m = (np.arange(100_000) + 0.5) / 1000
    density = kernel("road_salt", *x_m)
    shares = [density[x_m < upto_m].sum() / density.sum() for upto_m in (2, 10, 20)]
    assert shares == pytest.approx([0.55, 0.85, 0.92], abs=0.01)


# where rates and reaches come from


def test_mower_rate_from_wounded_trees() -> None:
    """Morgenroth 2015: 43.9 % of trees without surface roots wounded; low is that share spread over ten seasons."""
    assert tables.figure_rows()["mower"]["h0_per_year"].low == pytest.approx(-np.log(1 - 0.439) / 10, abs=0.003)


def test_throws_are_six_tenths_of_the_advertised() -> None:
    """Makers' pages: two stage 40-45 ft, single stage 20-25 ft, three stage 60 ft; plough cast 15 ft (Zionsville)."""
    figures = FIGURES["snow_throw"]
    for tool, least_ft, most_ft in (("single_stage", 20, 25), ("two_stage", 40, 45), ("three_stage", 60, 60.5)):
        least_m, most_m = (0.6 * feet * length_factor("ft", "m") for feet in (least_ft, most_ft))
        assert least_m - 0.1 <= figures[f"throw_{tool}_m"] <= most_m
    assert figures["throw_plough_m"] == pytest.approx(15 * length_factor("ft", "m"), abs=0.5)
    assert figures["throw_shovel_m"] == 3.0  # recalled


def test_lengths_by_definition() -> None:
    """The international foot (1959) against the US survey foot of 1200/3937 m: 4 ft in 2,000,000."""
    feet_m = [feet * length_factor("ft", "m") for feet in (45, 250, 75, 35)]
    assert feet_m == pytest.approx([13.716, 76.2, 22.86, 10.668], abs=1e-9)
    survey_m = 2_000_000 * 1200 / 3937
    assert survey_m - 2_000_000 * length_factor("ft", "m") == pytest.approx(1.2192, abs=0.001)


# seasons


def test_antlers_by_kind() -> None:
    """NCM, BDS: white-tailed, red and fallow rub in October and roe hardly; roe fray in April (BDS, POR06)."""
    for kind in ("white_tailed", "red", "fallow"):
        assert season_shares("antler_rub", kinds=(kind,))[9] == pytest.approx(0.35)
    roe = season_shares("antler_rub", kinds=("roe",))
    assert roe[9] < 0.02
    assert roe[3] > 0.2


def test_fallow_browse_in_early_summer() -> None:
    """Forestry 73(5), 2000: fallow deer in young broadleaves peak in early summer, rarely in winter."""
    months = season_shares("deer_browse", kinds=("fallow",))
    assert max(months) == months[5] and months[0] < 0.05


@pytest.mark.parametrize("agent", AGENTS)
def test_seasons_shift_by_half_a_year_in_the_south(agent: str) -> None:
    north, south = season_shares(agent), season_shares(agent, southern=True)
    assert south == north[6:] + north[:6]
    assert sum(south) == pytest.approx(1)


def test_several_kinds_take_the_worst_month_of_each() -> None:
    both = season_shares("antler_rub", kinds=("roe", "red"))
    assert sum(both) == pytest.approx(1)
    assert both[3] > 0.1 and both[9] > 0.15


# deer kinds


def test_the_tallest_kind_sets_the_reach() -> None:
    figures = FIGURES["deer_browse"]
    assert rules.deer_reach_m(Local(deer=("roe", "elk")), "europe", figures) == 2.0
    assert rules.deer_reach_m(Local(), "north_america", figures) == 1.8
    assert rules.deer_reach_m(Local(), "britain", figures) == 1.5


def test_agents_are_switched_on_and_off() -> None:
    eight = rules.agents_on(make_settings())
    assert len(eight) == 8 and "hare" not in eight
    chosen = rules.agents_on(make_settings(agents_on=("hare",), agents_off=("vole",)))
    assert set(chosen) == {*eight, "hare"} - {"vole"}
