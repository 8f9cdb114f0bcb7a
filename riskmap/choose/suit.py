"""Whether a guard physically goes round a stem: thickness, form, branches, room and the ground it stands in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from riskmap.choose.part import CLASPING, Part
from riskmap.choose.words import height_words, length_words

__all__ = ["Stand", "unsuited"]

CAGE_MM: Final = 150.0  # a cylinder this far off the stem is a cage: none in pits, grates and planters
STAKE_MM: Final = 50.0  # room that stakes take outside a cylinder


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What one tree, or many alike, offers a guard.

    Attributes
    ----------
    stem_mm, growth_mm : float
        Caliper now, and what it grows in the first year.
    form : str
        whip, feathered, standard, multi_stem, shrub or conifer.
    clear_mm : float
        Height of the lowest branch; infinite on a whip.
    room_mm : float
        Free ground round the stem; infinite where nobody said.
    hard : bool
        Stands in a pit, grate or planter: no cage, no burial, no ring.
    ringed : bool
        Has a mulch ring of full width already.
    """

    stem_mm: float
    growth_mm: float
    form: str
    clear_mm: float
    room_mm: float
    hard: bool
    ringed: bool


def unsuited(part: Part, stand: Stand, units: str = "metric") -> str:
    """Return why a guard can't go on this tree; empty where it can.

    Parameters
    ----------
    part : Part
        The guard with its height and stand-off.
    stand : Stand
        The tree.
    units : {"metric", "us"}
        Units that people read.
    """
    guard = part.guard
    if stand.hard and (guard.kind in {"ground", "frame"} or part.standoff_mm >= CAGE_MM):
        return "no cage, frame or ring in a pit, grate or planter"
    if guard.kind == "ground" and stand.ringed:
        return "has a ring already"
    return _unsuited_stem(part, stand, units) or _too_wide(part, stand, units)


def _unsuited_stem(part: Part, stand: Stand, units: str) -> str:
    """Why the stem does not take it: too thin, too thick, of another form, or branched too low."""
    guard = part.guard
    thickest_mm = stand.stem_mm + stand.growth_mm
    if guard.min_stem_mm is not None and stand.stem_mm < guard.min_stem_mm:
        return f"stem {_mm(stand.stem_mm, units)}, not on stems under {_mm(guard.min_stem_mm, units)}"
    if guard.max_stem_mm is not None and thickest_mm > guard.max_stem_mm:
        return f"stem {_mm(thickest_mm, units)} within a year, not on stems over {_mm(guard.max_stem_mm, units)}"
    if guard.suits and stand.form not in guard.suits:
        return f"not for a {stand.form.replace('_', '-')} tree"
    clear_mm = _clear_needed_mm(part)
    if clear_mm > stand.clear_mm:
        return f"{height_words(stand.clear_mm, units)} of clear stem, {height_words(clear_mm, units)} needed"
    return ""


def _too_wide(part: Part, stand: Stand, units: str) -> str:
    """Why there is no room for it."""
    room_mm = _room_needed_mm(part, stand.stem_mm)
    if room_mm > stand.room_mm:
        return f"{height_words(stand.room_mm, units)} of room, {height_words(room_mm, units)} needed"
    return ""


def _clear_needed_mm(part: Part) -> float:
    """Clear stem that a guard needs: to its top where it clasps the stem or is closed round it."""
    guard = part.guard
    if guard.needs_clear_stem_m is None:
        return 0.0
    closed = guard.kind in CLASPING or guard.kind == "tube"
    return max(guard.needs_clear_stem_m * 1000, part.top_mm if closed else 0.0)


def _room_needed_mm(part: Part, stem_mm: float) -> float:
    """Free ground that a guard takes from the stem's middle."""
    guard = part.guard
    if guard.kind == "ground":
        return guard.ring_radius_mm or 0.0
    if guard.kind == "cylinder":
        return stem_mm / 2 + part.standoff_mm + STAKE_MM
    return guard.room_mm or 0.0


def _mm(length_mm: float, units: str) -> str:
    """A stem in words."""
    return length_words(round(length_mm), units)
