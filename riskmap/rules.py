"""How pressure falls with distance, what local facts scale it, and how it is put into words.

Hazard per year is h0 · Q(local facts) · K(distance) · S(species, bark) · Z(size, age). K, Q and the bands live here,
since maps and guards need them too; S and Z need the stem and live in `score`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from riskmap import tables
from riskmap.model import BoolArray, FloatArray, Local, Settings

__all__ = [
    "BAND_LIMITS",
    "BAND_WORDS",
    "CLEARED_BY",
    "CROP_OF_SPRAYER",
    "EDGE_RUBBERS",
    "RULES",
    "Figures",
    "Measured",
    "Rule",
    "agents_on",
    "band_of",
    "deer_kinds",
    "deer_reach_m",
    "drift_percent",
    "local_share",
    "reach_m",
    "season_shares",
    "struck_by_machine",
]

BAND_WORDS: Final = ("none", "slight", "some", "strong", "severe")
BAND_LIMITS: Final = (0.005, 0.05, 0.15, 0.35)  # each is the least pressure of the next word

DEER_BY_REGION: Final = {
    "north_america": ("white_tailed",),
    "britain": ("roe", "fallow", "muntjac"),
    "europe": ("roe", "red"),
}
EDGE_RUBBERS: Final = frozenset({"red", "white_tailed"})  # kinds that rub near edges
CLEARED_BY: Final = {"driveway": "two_stage", "road": "plough"}  # where the layer does not say
CROP_OF_SPRAYER: Final = {"knapsack": "arable", "boom": "arable", "airblast": "fruit_early", "none": "arable"}

Figures: TypeAlias = Mapping[str, float]  # one agent's figures by name, such as sigma_m
Numbers: TypeAlias = FloatArray | float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """How an agent's source lies from each tree, and what else its kernel asks for; shape (tree,) or one number.

    distance_m is 0 inside and nan past the reach (surveyed and farther: K is 0).
    """

    distance_m: FloatArray
    inside: BoolArray | bool = False
    edge_m: Numbers = np.nan  # to the nearest ring of the role, from inside or out
    bare_radius_m: Numbers = 0.0  # free of vegetation round the stem
    ring_radius_m: Numbers = 0.0  # mulch ring
    accuracy_m: Numbers = 0.0  # position error
    snow_lies: BoolArray | bool = True
    mown: BoolArray | bool = False  # turf at a stem inside rough grass
    throw_m: Numbers = 0.0
    wind: Numbers = 1.0  # times the throw, or the salt
    crop: str = "arable"  # drift class
    rubs_edges: bool = False  # kinds of deer that rub near edges

    def farther_m(self) -> FloatArray:
        """Distance with infinity past the reach."""
        return np.where(np.isnan(self.distance_m), np.inf, self.distance_m)

    def signed_m(self) -> FloatArray:
        """Distance to the edge: below zero inside, minus infinity inside where no edge is in reach."""
        depth = np.where(np.isnan(self.edge_m), np.inf, self.edge_m)
        return np.where(self.inside, -depth, self.farther_m())


Rule: TypeAlias = Callable[[Measured, Figures], FloatArray]


def half_normal(measured: Measured, figures: Figures) -> FloatArray:
    """Fall off as a half-normal curve and end at d_max."""
    distance_m = measured.farther_m()
    share = np.exp(-0.5 * (distance_m / figures["sigma_m"]) ** 2)
    return np.where(distance_m <= figures["d_max_m"], share, 0.0)


def log_logistic(measured: Measured, figures: Figures) -> FloatArray:
    """Stay level near cover, halve at d50 and end at d_max."""
    distance_m = measured.farther_m()
    share = 1.0 / (1.0 + (distance_m / figures["d50_m"]) ** figures["b"])
    return np.where(distance_m <= figures["d_max_m"], share, 0.0)


def edge_log_logistic(measured: Measured, figures: Figures) -> FloatArray:
    """As `log_logistic`, more within a band along the edge of cover, on either side."""
    share = log_logistic(measured, figures)
    if not measured.rubs_edges:
        return share
    edge_m = np.where(np.isnan(measured.edge_m), np.inf, measured.edge_m)
    from_edge_m = np.where(measured.inside, edge_m, measured.farther_m())
    return np.where(from_edge_m <= figures["edge_band_m"], share * figures["edge_factor"], share)


def bare_ground(measured: Measured, figures: Figures) -> FloatArray:
    """Fall off with the bare ground between stem and rough grass, less steeply in months with snow."""
    bare_m = np.maximum(measured.farther_m(), measured.bare_radius_m)
    snow_share = np.where(measured.snow_lies, figures["snow_weight"], 0.0)
    under_snow = np.exp(-bare_m / figures["lambda_snow_m"])
    in_the_open = np.exp(-bare_m / figures["lambda_m"])
    share = snow_share * under_snow + (1.0 - snow_share) * in_the_open
    share = np.where(measured.mown, share * figures["sward_mown"], share)
    return np.where(bare_m <= figures["d_max_m"], share, 0.0)


def contact(measured: Measured, figures: Figures) -> FloatArray:
    """Full inside turf, linear to nothing at the reach; a mulch ring holds the machine off, but never wholly."""
    reach_m = figures["reach_m"]
    top = np.maximum(1.0 - np.asarray(measured.ring_radius_m) / reach_m, figures["ring_floor"])
    return mean_ramp(measured.signed_m(), measured.accuracy_m, top=top, level_to_m=reach_m * (1 - top), end_m=reach_m)


def throw(measured: Measured, figures: Figures) -> FloatArray:
    """Full to half the throw, linear to nothing at the throw; nothing where no snow lies."""
    throw_m = np.asarray(measured.throw_m * measured.wind * figures["gravel_factor"])
    thrown = throw_m > 0
    end_m = np.where(thrown, throw_m, 1.0)
    share = mean_ramp(measured.signed_m(), measured.accuracy_m, top=1.0, level_to_m=end_m / 2, end_m=end_m)
    return np.where(thrown & measured.snow_lies, share, 0.0)


def struck_by_machine(measured: Measured, figures: Figures) -> FloatArray:
    """Return the chance that the clearing machine itself comes within its strike reach of the stem."""
    reach = figures["strike_reach_m"]
    share = mean_ramp(measured.signed_m(), measured.accuracy_m, top=1.0, level_to_m=reach, end_m=reach)
    return np.where((np.asarray(measured.throw_m) > 0) & measured.snow_lies, share, 0.0)


def mean_ramp(
    signed_m: FloatArray, accuracy_m: Numbers, *, top: Numbers, level_to_m: Numbers, end_m: Numbers
) -> FloatArray:
    """Mean over ±accuracy_m of a curve at `top` to `level_to_m` and linear to 0 at `end_m`, the edge being straight.

    Examples
    --------
    >>> mean_ramp(np.array([-np.inf, 0.0, 0.25, 0.5]), 0.0, top=1.0, level_to_m=0.0, end_m=0.5)
    array([1. , 1. , 0.5, 0. ])
    >>> mean_ramp(np.array([100.0]), 3.0, top=1.0, level_to_m=0.0, end_m=0.5)
    array([0.])
    """
    slope = top / np.maximum(end_m - level_to_m, 1e-12)

    def area(upto_m: FloatArray) -> FloatArray:
        """Area under the curve from 0 to `upto_m`."""
        until = np.minimum(upto_m, end_m)
        area: FloatArray = top * until - slope * np.clip(until - level_to_m, 0.0, None) ** 2 / 2
        return area

    exact = np.clip(slope * (end_m - signed_m), 0.0, top)
    half = np.maximum(accuracy_m, 1e-6)
    near = np.clip(signed_m, -1e6, 1e6)  # keeps infinities out of the difference
    mean = np.clip((area(near + half) - area(near - half)) / (2 * half), 0.0, top)
    deep = np.isinf(signed_m) | (np.asarray(accuracy_m) < 1e-3)
    return np.where(deep, exact, mean)


def drift(measured: Measured, figures: Figures) -> FloatArray:
    """Fall off as published spray drift, as a share of its value at 1 m from field crops."""
    distance_m = measured.farther_m()
    share = np.minimum(drift_percent(distance_m, measured.crop, figures) / figures["drift_at_1m_percent"], 1.0)
    return np.where(distance_m <= figures["d_max_m"], share, 0.0)


def drift_percent(distance_m: FloatArray, crop: str, figures: Figures) -> FloatArray:
    """Return ground deposit in percent of the applied rate: A x^B, beyond the hinge C x^D.

    Parameters
    ----------
    distance_m : ndarray
        Distance from the sprayed edge. [m]
    crop : str
        arable, vines_late, fruit_early or fruit_late.
    figures : mapping
        Figures of spray_drift.

    Examples
    --------
    >>> drift_percent(np.array([1.0, 3.0]), "arable", tables.figures()["spray_drift"]).round(4)
    array([2.7593, 0.9425])
    """
    x_m = np.maximum(distance_m, figures["nearest_m"])
    near = figures[f"{crop}_a"] * x_m ** figures[f"{crop}_b"]
    if f"{crop}_hinge_m" not in figures:
        return np.asarray(np.minimum(near, 100.0))
    far = figures[f"{crop}_c"] * x_m ** figures[f"{crop}_d"]
    return np.asarray(np.minimum(np.where(x_m <= figures[f"{crop}_hinge_m"], near, far), 100.0))


def splash_and_spray(measured: Measured, figures: Figures) -> FloatArray:
    """Fall off as road salt: steep splash and a longer spray, as a share of the road edge."""
    distance_m = measured.farther_m()
    splash = figures["splash_share"] / figures["splash_m"]
    spray = (1 - figures["splash_share"]) / figures["spray_m"]
    density = splash * np.exp(-distance_m / figures["splash_m"]) + spray * np.exp(-distance_m / figures["spray_m"])
    return np.where(distance_m <= figures["d_max_m"], measured.wind * density / (splash + spray), 0.0)


def anywhere(measured: Measured, figures: Figures) -> FloatArray:  # noqa: ARG001 - every rule is called alike
    """Hold everywhere alike."""
    return np.ones_like(measured.distance_m)


RULES: Final[dict[str, Rule]] = {
    "half_normal": half_normal,
    "log_logistic": log_logistic,
    "edge_log_logistic": edge_log_logistic,
    "bare_ground": bare_ground,
    "contact": contact,
    "throw": throw,
    "drift": drift,
    "splash_and_spray": splash_and_spray,
    "anywhere": anywhere,
}


def band_of(pressure: npt.NDArray[np.floating]) -> npt.NDArray[np.int8]:
    """Return which of `BAND_WORDS` each pressure is; -1 where it is nan (not scored).

    Examples
    --------
    >>> band_of(np.array([0.0, 0.005, 0.149, 0.35, np.nan]))
    array([ 0,  1,  2,  4, -1], dtype=int8)
    """
    limits = np.asarray(BAND_LIMITS, dtype=pressure.dtype)
    bands = np.searchsorted(limits, pressure, side="right").astype(np.int8)
    bands[np.isnan(pressure)] = -1
    return bands


def local_share(agent: str, local: Local, figures: Figures) -> float:
    """Return Q: how much of the full hazard the local facts leave.

    Examples
    --------
    >>> round(local_share("deer_browse", Local(deer_per_km2=12), tables.figures()["deer_browse"]), 3)
    0.654
    """
    match agent:
        case "beaver":
            return figures[f"q_{local.beaver}"]
        case "deer_browse" | "antler_rub":
            return _rising_share(local.deer_per_km2, figures["density_half_per_km2"], power=3)
        case "rabbit":
            return _rising_share(local.rabbits_per_ha, figures["density_half_per_ha"], power=1)
        case "vole":
            return figures[f"q_{local.voles}"]
        case "spray_drift":
            return 0.0 if local.sprayer == "none" and not local.spot_spray else 1.0
    return 1.0


def _rising_share(number: float, half: float, *, power: int) -> float:
    """Share that is 0 at none and a half at `half`."""
    return number**power / (number**power + half**power)


def agents_on(settings: Settings) -> tuple[str, ...]:
    """Return the agents that are scored: those on by default and those asked for, less those switched off."""
    return tuple(
        key
        for key, agent in tables.agents().items()
        if key not in settings.agents_off and (not agent.off_by_default or key in settings.agents_on)
    )


def reach_m(agent: str, figures: Mapping[str, Figures]) -> float:
    """Return the distance past which an agent does nothing; 0 where distance does not matter.

    Parameters
    ----------
    agent : str
        Key of the agent.
    figures : mapping
        Figures of every agent, as `tables.figures` returns them.

    Returns
    -------
    float
        Widest reach, half the usual width of centre lines included. [m]

    Examples
    --------
    >>> [reach_m(agent, tables.figures()) for agent in ("beaver", "mower", "snow_throw", "sunscald")]
    [101.0, 0.5, 17.25, 0.0]
    """
    ours = figures[agent]
    half_width_m = max((value for name, value in ours.items() if name.startswith("half_width_")), default=0.0)
    throws = [value for name, value in ours.items() if name.startswith("throw_")]
    if throws:
        farthest = max(1.0, ours["downwind"]) * max(1.0, ours["gravel_factor"])
        return max(throws) * farthest + half_width_m
    return ours.get("d_max_m", ours.get("reach_m", 0.0)) + half_width_m


def deer_kinds(local: Local, region: str) -> tuple[str, ...]:
    """Return the kinds of deer named, or the usual ones of the region."""
    return local.deer or DEER_BY_REGION[region]


def deer_reach_m(local: Local, region: str, figures: Figures) -> float:
    """Return how high the tallest of the kinds of deer browses from bare ground; figures are those of deer_browse."""
    return max(figures[f"reach_{kind}_m"] for kind in deer_kinds(local, region))


def season_shares(agent: str, *, kinds: tuple[str, ...] = (), southern: bool = False) -> tuple[float, ...]:
    """Return each month's share of the yearly hazard, January first; of several kinds of deer the worst each month.

    Examples
    --------
    >>> season_shares("antler_rub", kinds=("white_tailed",))[9]
    0.35
    >>> season_shares("antler_rub", kinds=("white_tailed",), southern=True)[3]
    0.35
    """
    rows = {row.kind: row.months for row in tables.seasons() if row.agent == agent}
    months = np.max([rows.get(kind, rows[""]) for kind in kinds or ("",)], axis=0)
    months = np.roll(months / months.sum(), 6 if southern else 0)
    return tuple(round(float(month), 9) for month in months)
