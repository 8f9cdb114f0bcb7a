"""Guards that are on already: which guard a cell names, and whether it stays."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from riskmap import tables
from riskmap.choose.demand import months_of
from riskmap.choose.part import Part
from riskmap.choose.suit import Stand
from riskmap.choose.words import length_words
from riskmap.model import Guard
from riskmap.units import LENGTH_M

__all__ = ["Named", "Wear", "name_guard", "touch_years", "wear_of"]

NOTHING: Final = frozenset(
    {"none", "no", "nothing", "n", "0", "-", "--", "–", "—", "false", "unguarded", "nil", "not guarded", "removed"}
    | {"n/a", "n.a.", "na", "null", "nan"}  # an empty cell says as much
    | {"stake", "stakes", "staked", "staking", "stake only", "stakes only", "staked only", "stakes and ties"}
    | {"watering bag", "water bag"}  # hold or water a tree, keep nothing off its bark
)
NONE_OF_IT: Final = re.compile(  # "none (removed)", "no cage"; not "no longer tight", "none recorded"
    r"(none|nothing|unguarded)(?=\s*[(,;:/-]|$)"
    r"|(no|without)( a| any)? ((tree|trunk|plastic|wire|stem) )?"
    r"(guards?|cages?|tubes?|wraps?|shelters?|mesh|netting|fences?|spirals?|collars?|protection|protectors?)"
    r"( on| fitted)?$"
)
WHOLE: Final = {"wrap": "paper_wrap", "wrapped": "paper_wrap"}  # too short to be looked for inside other words
SEVERAL: Final = {  # words for several things that wear and stop unlike each other -> those things
    **dict.fromkeys(("plastic guard", "plastic"), "a spiral, a trunk guard, a tree tube or a plastic mesh tube"),
    **dict.fromkeys(("tree guard", "guard", "yes"), "a tree tube, a wire cage, a spiral or a trunk guard"),
    **dict.fromkeys(("wire mesh", "mesh", "wire"), "hardware cloth, chicken wire or a welded cage"),
}
HEIGHT: Final = re.compile(r"(\d+(?:[.,]\d+)?)\s*(mm|cm|m|in|inch|inches|ft|feet|foot|\"|')(?![a-z])")
UNIT_WORDS: Final = {"inch": "in", "inches": "in", '"': "in", "feet": "ft", "foot": "ft", "'": "ft"}
LEAST_HEIGHT_MM: Final = 180.0  # a shorter length in a cell is an opening, not a height
LOOSE_WORDS: Final = re.compile(r"[^a-z0-9/]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a guard_now cell names.

    Attributes
    ----------
    known : bool
        False where we don't know the words.
    guard : Guard or None
        None where nothing is on, or where the words are not known.
    height_mm : float
        Height that the cell gives; nan where it gives none.
    may_be : str
        What words stand for that name no one thing; empty for all others.
    """

    known: bool
    guard: Guard | None = None
    height_mm: float = float("nan")
    may_be: str = ""

    def part(self, *, buried: bool) -> Part | None:
        """Return it as it stands at the tree, with the height that the cell names."""
        if self.guard is None or np.isnan(self.height_mm):
            return None
        return Part(
            guard=self.guard,
            height_mm=self.height_mm,
            standoff_mm=self.guard.standoff_min_mm or 0.0,
            buried=buried,
        )


@cache
def name_guard(text: str, own: tuple[Guard, ...] = ()) -> Named:
    """Match the words of a cell to the catalogue.

    Parameters
    ----------
    text : str
        Cell of guard_now: a key, a label or common words, with or without a height.
    own : tuple of Guard
        Guards that the user describes; one with a key of ours takes its place.

    Returns
    -------
    Named
        Nothing on, a guard we know, or words we don't know.

    Examples
    --------
    >>> found = name_guard("Tree tube 1.2 m")
    >>> found.guard.key, found.height_mm
    ('shelter_solid', 1200.0)
    >>> name_guard("none").guard is None, name_guard("mystery device").known
    (True, False)
    >>> name_guard("no cage").guard is None, name_guard("Plastic guard").may_be
    (True, 'a spiral, a trunk guard, a tree tube or a plastic mesh tube')
    """
    plain = text.strip().lower()
    if plain in NOTHING or NONE_OF_IT.match(plain):
        return Named(known=True)
    words = _words(plain)
    guards = {**tables.guards(), **{guard.key: guard for guard in own}}
    if words in WHOLE and not any(words == _words(name) for guard in own for name in (guard.key, guard.label)):
        return Named(known=True, guard=guards[WHOLE[words]])
    best: tuple[int, Guard] | None = None
    for guard in guards.values():
        for name in (guard.key, guard.label, *guard.also_called):
            asked = _words(name)
            if f" {asked} " in f" {words} " and (best is None or len(asked) > best[0]):
                best = (len(asked), guard)
    if best is None:
        several = (what for name, what in SEVERAL.items() if f" {_words(name)} " in f" {words} ")
        return Named(known=False, may_be=next(several, ""))
    return Named(known=True, guard=best[1], height_mm=_height_mm(plain, best[1]))


def _words(text: str) -> str:
    """Words of a text, plain and single-spaced, plurals cut."""
    return " ".join(word.removesuffix("s") for word in LOOSE_WORDS.sub(" ", text.lower()).split())


def _height_mm(text: str, guard: Guard) -> float:
    """The height a cell gives, or the only one the guard has; nan where neither tells."""
    for number, unit in HEIGHT.findall(text):
        metres = float(number.replace(",", ".")) * LENGTH_M[UNIT_WORDS.get(unit, unit)]
        if metres * 1000 >= LEAST_HEIGHT_MM:
            return round(metres * 1000, 3)
    if len(guard.heights_mm) == 1:
        return guard.heights_mm[0]
    return 0.0 if not guard.heights_mm else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """How a guard that is on has worn.

    Attributes
    ----------
    outgrown : str
        Why it harms the stem, empty where it doesn't.
    tight : str
        Why it must be loosened, empty where it needn't.
    """

    outgrown: str = ""
    tight: str = ""


def wear_of(guard: Guard, stand: Stand, *, month: int, years_on: int, southern: bool, units: str = "metric") -> Wear:
    """Return whether a guard that is on harms the stem or must be loosened.

    Parameters
    ----------
    guard : Guard
        The guard.
    stand : Stand
        The tree: its caliper, and what that grows in a year.
    month : int
        Month in which the work is planned.
    years_on : int
        Whole years it has been on; -1 where nobody said.
    southern : bool
        Seasons shift six months.
    units : {"metric", "us"}
        Units that people read.
    """
    if guard.group or guard.kind in {"ground", "spray", "paint", "frame"}:
        return Wear()
    outgrown = _out_of_season(guard, month, years_on, southern)
    widest_mm = guard.diameter_mm or guard.max_stem_mm
    if not outgrown and widest_mm is not None and stand.stem_mm >= widest_mm:
        stem, width = (length_words(round(length_mm), units) for length_mm in (stand.stem_mm, widest_mm))
        outgrown = f"the stem, {stem}, fills it ({width})"
    loosen_mm = tables.work_figures()["loosen_mm"].central
    gap_mm = _gap_mm(guard, stand, years_on)
    if outgrown or gap_mm >= loosen_mm:
        return Wear(outgrown=outgrown)
    gap, wanted = (length_words(round(max(length_mm, 0.0)), units) for length_mm in (gap_mm, loosen_mm))
    close = f"{gap} of gap to the stem, {wanted} needed"
    return Wear(tight=close) if guard.split else Wear(outgrown=close)


def _out_of_season(guard: Guard, month: int, years_on: int, southern: bool) -> str:
    """Why a seasonal guard may not be on now."""
    if not guard.seasonal:
        return ""
    on = months_of(guard.on_month, guard.off_month, southern=southern)
    if month not in on and month % 12 + 1 not in on:  # a month before it goes on again it may as well stay
        return f"it comes off {guard.off_when}"
    if guard.life_years <= 1 and years_on >= 2:
        return f"it has been on for {years_on} years, two winters are enough"
    return ""


def _gap_mm(guard: Guard, stand: Stand, years_on: int) -> float:
    """Gap left to the stem: of tubes by their width, of cylinders by the years they have been on."""
    if guard.diameter_mm:
        return (guard.diameter_mm - stand.stem_mm) / 2
    if guard.kind == "cylinder" and years_on >= 0:
        return (guard.standoff_min_mm or 0.0) - years_on * stand.growth_mm / 2
    return float("inf")


def touch_years(gap_mm: float, growth_mm: float) -> float:
    """Return the years until a growing stem touches a guard: gap over half the yearly caliper growth.

    Examples
    --------
    >>> round(touch_years(76.2, 12.7), 6)  # 3 in of gap, half an inch a year
    12.0
    """
    return gap_mm / (growth_mm / 2)
