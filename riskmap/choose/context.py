"""Trees that are alike for choosing a guard, grouped: the work is done once for each group."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from riskmap import tables
from riskmap.model import BoolArray, Exposure, FloatArray, IntArray, Pressure, Site
from riskmap.rules import BAND_LIMITS, BAND_WORDS

__all__ = ["FORMS", "Alike", "Needs", "group_alike", "needs_of"]

FORMS: Final = ("whip", "feathered", "standard", "multi_stem", "shrub", "conifer")
HARD_SURFACES: Final = frozenset({"pit", "planter"})
SNOW_STEP_MM: Final = 50.0  # heights are chosen for snow rounded up to this
STEM_STEPS_MM: Final = (
    (40.0, 5.0),
    (100.0, 10.0),
    (300.0, 20.0),
    (np.inf, 50.0),
)  # calipers are rounded up, more finely when thin
CLEAR_STEP_MM: Final = 100.0  # clear stem and room are rounded down
OPEN_MM: Final = 3000.0  # clear stem and room from here on count as endless
FULL_RING_M: Final = 0.6
MOST_CODES: Final = 2**62
WHIP_HEIGHT_M: Final = 1.5  # a tree of unknown form is a whip below this or below the caliper, a standard above
WHIP_CALIPER_MM: Final = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """Groups of trees that are alike; `group` is the place of each tree's group, the rest one entry a group."""

    group: IntArray  # (tree,)
    count: IntArray
    need: BoolArray  # (group, agent): agents that guards are chosen against
    must: BoolArray  # (group, agent): of these, agents at or above the floor
    live: BoolArray  # (group, agent): not ended, and pressure at least slight; where a guard is on
    ended: BoolArray  # (group, agent): ended by size, age or height; where nothing is to be done
    snow_mm: FloatArray
    pile_mm: FloatArray  # of the snow, what plough or blower piled up
    stem_mm: FloatArray
    form: tuple[str, ...]
    clear_mm: FloatArray
    room_mm: FloatArray
    hard: BoolArray
    ringed: BoolArray
    ring_holds: BoolArray  # a mower would reach the floor, but a full mulch ring is laid already
    paved: BoolArray  # stands inside a cleared drive or walk and is no pit
    years: IntArray  # the longest that an agent in need goes on
    years_each: IntArray  # (group, agent): how long each agent in need goes on
    state: IntArray  # 0 choose, 1 not a tree, 2 size unknown, 3 without a place or score
    guard_now: tuple[str, ...]  # "" where none is written
    years_on: IntArray  # whole years the guard has been on, -1 unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What each tree asks for.

    Attributes
    ----------
    must, live : ndarray, shape (tree, agent)
        Agents at or above the floor; agents not ended whose pressure is at least slight.
    need : ndarray, shape (tree, agent)
        Agents that guards are chosen against: those that must be stopped, or all that live where money decides.
    caliper_mm : ndarray, shape (tree,)
        Caliper, known or taken. [mm]
    years : ndarray, shape (tree, agent)
        Years that each agent in need goes on; 0 where it is not in need.
    """

    must: BoolArray
    live: BoolArray
    need: BoolArray
    caliper_mm: FloatArray
    years: FloatArray


def needs_of(
    pressure: Pressure,
    figures: Mapping[str, Mapping[str, float]],
    *,
    floor: str,
    deer_reach_m: float,
    all_live: bool = False,
) -> Needs:
    """Return what each tree asks for.

    Parameters
    ----------
    pressure : Pressure
        Pressure by agent, and what each stem is.
    figures : mapping
        Figures by agent: safe calipers, growth of stems.
    floor : str
        Band from which on agents must be stopped.
    deer_reach_m : float
        Height to which deer browse. [m]
    all_live : bool
        Choose against every agent that lives, not only those at or above the floor.
    """
    value = np.nan_to_num(pressure.value, nan=0.0)
    must = value >= np.float32(BAND_LIMITS[BAND_WORDS.index(floor) - 1])
    live = (value >= np.float32(BAND_LIMITS[0])) & ~pressure.stems.ended
    need = must | live if all_live else must
    stem_mm = pressure.stems.caliper_mm
    caliper_mm = np.where(np.isnan(stem_mm), figures["stem"]["start_caliper_mm"], stem_mm)
    return Needs(
        must=must,
        live=live,
        need=need,
        caliper_mm=caliper_mm,
        years=_years_of_need(pressure, figures, caliper_mm, deer_reach_m, need),
    )


def _years_of_need(
    pressure: Pressure,
    figures: Mapping[str, Mapping[str, float]],
    caliper_mm: FloatArray,
    deer_reach_m: float,
    need: BoolArray,
) -> FloatArray:
    """Years that each agent goes on: until the stem is safe, or the leader out of reach."""
    work = tables.work_figures()
    longest = work["need_years"].central
    growth_mm = figures["stem"]["growth_mm_per_year"]
    years = np.full(need.shape, longest)
    for place, agent in enumerate(pressure.agents):
        safe_mm = figures[agent].get("safe_caliper_mm")
        if safe_mm is not None:
            years[:, place] = (safe_mm - caliper_mm) / growth_mm
        elif agent == "deer_browse":
            settled_m = pressure.stems.snow_m - (0.0 if pressure.stems.pile_m is None else pressure.stems.pile_m)
            missing_m = deer_reach_m + settled_m / 2 - np.nan_to_num(pressure.stems.height_m, nan=0.0)
            years[:, place] = missing_m / work["growth_m"].central
    return np.where(need, np.clip(np.ceil(years - 1e-6), 1, longest), 0.0)


def group_alike(
    site: Site,
    exposures: Mapping[str, Exposure],
    pressure: Pressure,
    *,
    needs: Needs,
) -> Alike:
    """Group trees that are alike for choosing.

    Parameters
    ----------
    site : Site
        Trees with their form, surface, room and the guard they have.
    exposures : mapping
        Role to exposure; the drive tells pits or misplaced points.
    pressure : Pressure
        Its stems say what is known of each tree.
    needs : Needs
        What each tree asks for.
    """
    caliper_mm = needs.caliper_mm
    table, stems = site.trees.table, pressure.stems
    n = site.trees.n
    ringed = _ringed(site)
    mower = np.array([agent == "mower" for agent in pressure.agents])
    held = ringed[:, None] & mower  # the ring is what stops a mower at the published minimum
    need, must = needs.need & ~held, needs.must & ~held
    busy = need.any(axis=1)
    noted = table.guard_now.codes >= 0
    state = _state(site, pressure)
    relevant = (busy | noted) & (state == 0)
    form = _form_of(pressure, caliper_mm)
    clear_mm = _clear_mm(table.lowest_branch_m, form)
    years, in_years = _distinct_rows(np.where(need, needs.years, 0.0).astype(np.int64))
    surface = np.array([value in HARD_SURFACES for value in table.surface.values] + [False])[table.surface.codes]
    drive = exposures.get("driveway")
    inside = drive.inside if drive is not None else np.zeros(n, dtype=bool)
    columns = {
        "need": _bits(need),
        "must": _bits(must),
        "live": np.where(noted, _bits(needs.live), 0),
        "snow": np.ceil(np.nan_to_num(stems.snow_m, nan=0.0) * 1000 / SNOW_STEP_MM - 1e-6),
        "pile": np.rint((np.zeros(n) if stems.pile_m is None else stems.pile_m) * 1000 / SNOW_STEP_MM),
        "stem": _stem_class_mm(caliper_mm),
        "form": form,
        "clear": _rounded_down(clear_mm),
        "room": _rounded_down(np.where(np.isnan(table.room_m), np.inf, table.room_m * 1000)),
        "hard": surface,
        "ringed": ringed,
        "paved": inside & ~surface,
        "years": in_years,
        "now": np.where(noted, table.guard_now.codes, -1),
        "on": np.where(noted, _years_on(site), -1),
    }
    shown = {name: np.where(relevant, column, 0).astype(np.int64) for name, column in columns.items()}
    shown["ended"] = np.where(relevant, 0, _bits(stems.ended))
    shown["ring_holds"] = (needs.must & held).any(axis=1).astype(np.int64)
    shown["now"] = np.where(relevant, shown["now"], -1)
    shown["state"] = state
    first, group, count = _distinct(list(shown.values()), n)
    at = {name: column[first] for name, column in shown.items()}
    texts = (*table.guard_now.values, "")
    agents = np.arange(len(pressure.agents))

    def flags(name: str) -> BoolArray:
        return (at[name][:, None] >> agents & 1).astype(bool)

    return Alike(
        group=group,
        count=count,
        need=flags("need"),
        must=flags("must"),
        live=flags("live"),
        ended=flags("ended"),
        snow_mm=at["snow"].astype(float) * SNOW_STEP_MM,
        pile_mm=at["pile"].astype(float) * SNOW_STEP_MM,
        stem_mm=at["stem"].astype(float),
        form=tuple(FORMS[code] for code in at["form"]),
        clear_mm=np.where(at["clear"] * CLEAR_STEP_MM >= OPEN_MM, np.inf, at["clear"] * CLEAR_STEP_MM),
        room_mm=np.where(at["room"] * CLEAR_STEP_MM >= OPEN_MM, np.inf, at["room"] * CLEAR_STEP_MM),
        hard=at["hard"].astype(bool),
        ringed=at["ringed"].astype(bool),
        ring_holds=at["ring_holds"].astype(bool),
        paved=at["paved"].astype(bool),
        years=years[at["years"]].max(axis=1, initial=0),
        years_each=years[at["years"]],
        state=at["state"],
        guard_now=tuple(texts[code] for code in at["now"]),
        years_on=at["on"],
    )


def _form_of(pressure: Pressure, caliper_mm: FloatArray) -> IntArray:
    """Return each tree's form as a place in `FORMS`; unknown ones by leaf and size."""
    stems = pressure.stems
    place = {word: number for number, word in enumerate(FORMS)}
    known = np.array([place.get(word, -1) for word in stems.form.values] + [-1], dtype=np.int64)[stems.form.codes]
    conifer = np.array([word == "conifer" for word in stems.leaf.values] + [False])[stems.leaf.codes]
    small = (np.nan_to_num(stems.height_m, nan=np.inf) < WHIP_HEIGHT_M) | (caliper_mm < WHIP_CALIPER_MM)
    guessed = np.select([conifer, small], [place["conifer"], place["whip"]], place["standard"])
    return np.where(known >= 0, known, guessed)


def _ringed(site: Site) -> BoolArray:
    """Which trees stand in a full mulch ring; mulch of unknown width counts as one, as it does in the score."""
    table, local = site.trees.table, site.inputs.settings.local
    mulched = np.array([value == "mulch" for value in table.surface.values] + [False])[table.surface.codes]
    usual_m = np.where(mulched & (local.mulch_radius_m == 0), np.inf, local.mulch_radius_m)
    radius_m = np.where(np.isnan(table.mulch_radius_m), usual_m, table.mulch_radius_m)
    return np.asarray(radius_m >= FULL_RING_M)


def _state(site: Site, pressure: Pressure) -> IntArray:
    """Which trees can be chosen for at all."""
    table, stems = site.trees.table, pressure.stems
    unscored = ~(pressure.value == pressure.value).any(axis=1)
    unsized = ~stems.size_known & ~stems.young & site.trees.placed
    return np.select([~table.kept, unsized, ~site.trees.placed, unscored], [1, 2, 4, 3], 0).astype(np.int64)


def _clear_mm(lowest_branch_m: FloatArray, form: IntArray) -> FloatArray:
    """Height of the lowest branch: as given, else by form."""
    standard_mm = tables.work_figures()["clear_m"].central * 1000
    by_form = np.array([np.inf, 0.0, standard_mm, 0.0, 0.0, 0.0])[form]
    return np.where(np.isnan(lowest_branch_m), by_form, lowest_branch_m * 1000)


def _stem_class_mm(caliper_mm: FloatArray) -> FloatArray:
    """Calipers rounded up to their step."""
    limits = np.array([limit for limit, _ in STEM_STEPS_MM])
    steps = np.array([step for _, step in STEM_STEPS_MM])
    step = steps[np.searchsorted(limits, caliper_mm)]
    return np.asarray(np.ceil(caliper_mm / step - 1e-6) * step)


def _rounded_down(length_mm: FloatArray) -> FloatArray:
    """Lengths in steps, rounded down; from `OPEN_MM` on all alike."""
    return np.floor(np.minimum(length_mm, OPEN_MM) / CLEAR_STEP_MM + 1e-6)


def _years_on(site: Site) -> IntArray:
    """Whole years that the guard now on has been on; -1 where nobody said."""
    now, since = site.inputs.settings.date, site.trees.table.guard_since
    if since.null_count == len(since):
        return np.full(len(since), -1, dtype=np.int64)
    texts = since.to_pylist()
    return np.array([now.year - int(text[:4]) if text and text[:4].isdigit() else -1 for text in texts], dtype=np.int64)


def _bits(flags: BoolArray) -> IntArray:
    """Rows of flags as one number each."""
    return np.asarray(flags.astype(np.int64) @ (1 << np.arange(flags.shape[1], dtype=np.int64)))


def _distinct_rows(numbers: IntArray) -> tuple[IntArray, IntArray]:
    """The distinct rows of small numbers, and which of them each row is."""
    base = int(numbers.max(initial=0)) + 1
    weights = base ** np.arange(numbers.shape[1], dtype=np.int64)
    codes, place = np.unique(numbers @ weights, return_inverse=True)
    return codes[:, None] // weights % base, place.astype(np.int64)


def _distinct(columns: list[IntArray], n: int) -> tuple[IntArray, IntArray, IntArray]:
    """First row of every distinct combination, each row's combination, and how many rows have it."""
    code = np.zeros(n, dtype=np.int64)
    size = 1
    for column in columns:
        if not n:
            break
        low = int(column.min())
        width = int(column.max()) - low + 1
        if size * width > MOST_CODES:
            code = np.unique(code, return_inverse=True)[1]
            size = int(code.max()) + 1
        code = code * width + (column - low)
        size *= width
    _, first, group, count = np.unique(code, return_index=True, return_inverse=True, return_counts=True)
    return first, group.astype(np.int64), count.astype(np.int64)
