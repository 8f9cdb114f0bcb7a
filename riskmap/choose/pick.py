"""The cheapest set of guards for one group of trees that are alike, or the best that can be had."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from riskmap.choose.cost import SAME_HEIGHT_MM
from riskmap.choose.menu import Menu
from riskmap.choose.part import Part
from riskmap.choose.suit import Stand
from riskmap.model import BoolArray, FloatArray, IntArray, StockLine

__all__ = ["Pick", "Picks", "Question", "Sheet", "open_sheet", "pick_guards"]

FULL: Final = 2  # levels from here on count as stopped
TINY: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked for one group.

    Attributes
    ----------
    need : ndarray, shape (agent,)
        Agents that must be stopped.
    years : float
        Years for which guards are reckoned.
    each : ndarray, shape (agent,)
        How long each agent in need goes on: a guard is renewed only while one that it helps against does.
    stand : Stand
        What the trees offer a guard.
    shares : ndarray, shape (agent,)
        What a year of damage by each agent costs, as a share of the tree: decides among partial answers.
    have : Part or None
        A guard already on: it costs nothing and may stay.
    lines : tuple of (int, StockLine)
        Lines of the stock list, with their numbers, that may be drawn on: such a piece costs no material.
    """

    need: BoolArray
    years: float
    each: FloatArray
    stand: Stand
    shares: FloatArray
    have: Part | None = None
    lines: tuple[tuple[int, StockLine], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """A set of guards.

    Attributes
    ----------
    parts : tuple of Part
        Inner first; ground measures and repellents last.
    follows : bool
        The two parts take turns through the year.
    level, leaves : ndarray, shape (agent,)
        What the set does against each agent.
    first, hours, over : float
        Money now, work now, money over the years asked about.
    drawn : tuple of (int, float)
        Lines of the stock list that pieces come from, each with the material that need not be bought. [money]
    """

    parts: tuple[Part, ...]
    follows: bool
    level: npt.NDArray[np.int8]
    leaves: FloatArray
    first: float
    hours: float
    over: float
    drawn: tuple[tuple[int, float], ...] = ()

    def stops(self, need: BoolArray) -> bool:
        """Whether it stops every agent in need."""
        return bool((self.level[need] >= FULL).all())


Picks: TypeAlias = tuple[Pick | None, Pick | None, Pick | None]  # the best, the next cheaper, the next better


def pick_guards(menu: Menu, question: Question) -> Picks:
    """Choose for one group.

    Parameters
    ----------
    menu : Menu
        Parts and options of the place.
    question : Question
        Agents in need, years and the trees.

    Returns
    -------
    tuple of three Pick or None
        The set to use: the cheapest that stops every agent in need, else the best partial one, else None; the
        dearest among the cheaper sets, which leaves something open; the cheapest that does better (stops at more
        than the published minimum).

    Notes
    -----
    Where a mower strikes the stem and a mulch ring fits, the ring is what keeps it off unless the guard chosen for
    the other agents does; a collar only where a ring is refused.
    """
    sheet = open_sheet(menu, question)
    have = question.have
    if have is not None:
        on = menu.parts.index(have)
        if (menu.level[on, question.need] >= FULL).all():
            return sheet.pick([on]), None, None
    return sheet.choose(sheet.ring())


def open_sheet(menu: Menu, question: Question) -> Sheet:
    """Return what every option costs these trees, and which may be used.

    Parameters
    ----------
    menu : Menu
        Parts and options of the place.
    question : Question
        Agents in need, years and the trees.
    """
    shelf = menu.shelf
    prices = shelf.prices_at(question.stand.stem_mm)
    hour = shelf.rates.hour
    years = np.where((menu.level > 0) & question.need, question.each, 1.0).max(axis=1, initial=1.0)
    over, first, hours = prices.over(years, hour), prices.first(hour), prices.hours
    suits = shelf.suits(question.stand)
    if question.have is not None:
        free = np.arange(len(suits)) != shelf.parts.index(question.have)
        over, first, hours, suits = over * free, first * free, hours * free, suits | ~free
    suits = suits & ~np.isnan(over)
    stocked = _stocked(menu, question, prices.material)
    if stocked:
        saved = np.zeros(len(suits))
        saved[list(stocked)] = [material for _, material in stocked.values()]
        over, first = over - saved, first - saved
    usable = suits[shelf.inner] & (shelf.single | suits[shelf.outer])
    return Sheet(
        menu=menu, question=question, over=over, first=first, hours=hours, suits=suits, usable=usable, stocked=stocked
    )


def _stocked(menu: Menu, question: Question, material: FloatArray) -> dict[int, tuple[int, float]]:
    """Parts that a line of the stock list gives: the line, and the material that is not bought."""
    found: dict[int, tuple[int, float]] = {}
    for number, line in question.lines:
        for place, part in enumerate(menu.parts):
            fits = line.height_mm is None or abs(line.height_mm - part.height_mm) <= SAME_HEIGHT_MM
            if part.guard.key == line.key and fits and part != question.have and material[place] > 0:
                found.setdefault(place, (number, float(material[place])))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The options that may be used and what they cost here."""

    menu: Menu
    question: Question
    over: FloatArray
    first: FloatArray
    hours: FloatArray
    suits: BoolArray  # (part,)
    usable: BoolArray  # (option,)
    stocked: dict[int, tuple[int, float]]  # parts on hand: line of the stock list, material not bought

    def ring(self) -> int:
        """Return the mulch ring, where the mower is in need and a ring fits; else -1."""
        menu = self.menu
        if "mower" not in menu.agents:
            return -1
        mower = menu.agents.index("mower")
        rings = self.suits & ~menu.shelf.guarding & (menu.level[:, mower] >= FULL)
        return int(np.argmax(rings)) if self.question.need[mower] and rings.any() else -1

    def choose(self, ring: int = -1) -> Picks:
        """Choose among guards; with `ring`, lay it wherever the others leave the mower open."""
        menu, need, shelf = self.menu, self.question.need, self.menu.shelf
        level, leaves = menu.option_level, menu.option_leaves
        cost = self.over[shelf.inner] + np.where(shelf.single, 0.0, self.over[shelf.outer]) + self._taking_off()
        usable, laid = self.usable, np.zeros(len(self.usable), dtype=bool)
        if ring >= 0:
            mower = menu.agents.index("mower")
            others = need & (np.arange(len(need)) != mower)
            if not others.any():
                return self.pick([ring]), None, self._beside_ring(mower)
            laid = level[:, mower] < FULL
            level, leaves = level.copy(), leaves.copy()
            level[laid, mower], leaves[laid, mower] = menu.level[ring, mower], menu.leaves[ring, mower]
            cost = cost + np.where(laid, self.over[ring], 0.0)
            alone: BoolArray = np.asarray((menu.level[:, others] >= FULL).all(axis=1))
            usable = usable & (shelf.single | ~(alone[shelf.inner] | alone[shelf.outer]))

        def picked(option: int) -> Pick:
            return self.pick(self._places(option, ring if laid[option] else -1), follows=bool(shelf.follows[option]))

        stopped = (level[:, need] >= FULL).sum(axis=1)
        full = usable & (stopped == need.sum())
        if not full.any():
            return self._partial(leaves[:, need], cost, usable, stopped, picked, ring), None, None
        strength = level[:, need].astype(np.int64).sum(axis=1)
        best = _least(full, cost, -strength)
        cheaper = usable & (cost < cost[best] - TINY) & (stopped > 0)
        better = full & (level[:, need].min(axis=1) > level[best, need].min())
        below = picked(_least(cheaper, -stopped, cost)) if cheaper.any() else None
        above = picked(_least(better, cost, -strength)) if better.any() else None
        return picked(best), below, above

    def _taking_off(self) -> FloatArray:
        """What each option costs in taking off a guard that is on: nothing where it stays."""
        shelf, have = self.menu.shelf, self.question.have
        if have is None:
            return np.zeros(len(shelf.inner))
        on = self.menu.parts.index(have)
        hours = shelf.prices_at(self.question.stand.stem_mm).remove_hours[on]
        return np.where((shelf.inner == on) | (shelf.outer == on), 0.0, hours * shelf.rates.hour)

    def _beside_ring(self, mower: int) -> Pick | None:
        """The cheapest guard that stops the mower wholly, beside a ring that doesn't."""
        shelf = self.menu.shelf
        options = self.usable & shelf.single & (self.menu.option_level[:, mower] > FULL)
        places = [int(place) for place in shelf.inner[options]]
        return self.pick([min(places, key=lambda at: (self.over[at], at))]) if places else None

    def _partial(
        self,
        leaves: FloatArray,
        cost: FloatArray,
        usable: BoolArray,
        stopped: IntArray,
        picked: Callable[[int], Pick],
        ring: int,
    ) -> Pick | None:
        """The option that holds most of what the agents cost, the cheapest of those; with a repellent if it helps."""
        need = self.question.need
        weights = self.question.shares[need]
        held = ((1 - leaves) * weights).sum(axis=1)
        bare = ((1 - self.menu.leaves[ring, need]) * weights).sum() if ring >= 0 else 0.0
        helping: BoolArray = usable & np.asarray(held > bare + TINY)
        if helping.any():
            best = picked(_least(helping & (held >= held[helping].max() - TINY), cost, -stopped))
            places, follows = [self.menu.parts.index(part) for part in best.parts], best.follows
            open_agents = need & (best.leaves > 0.5 + TINY)
        else:
            places, follows = ([ring] if ring >= 0 else []), False
            open_agents = need & (self.menu.leaves[ring] > 0.5 + TINY) if ring >= 0 else need
        places += self._repellents(open_agents)
        return self.pick(places, follows=follows) if places else None

    def _repellents(self, open_agents: BoolArray) -> list[int]:
        """The cheapest repellent that helps against an open agent, if any does."""
        menu = self.menu
        helpful = [
            place
            for place, part in enumerate(menu.parts)
            if part.guard.kind == "spray" and menu.level[place, open_agents].any() and not np.isnan(self.over[place])
        ]
        return [min(helpful, key=lambda place: (self.over[place], place))] if helpful else []

    def _places(self, option: int, ring: int) -> list[int]:
        """Places of an option's parts."""
        places = (int(self.menu.shelf.inner[option]), int(self.menu.shelf.outer[option]), ring)
        return [place for place in places if place >= 0]

    def pick(self, places: list[int], *, follows: bool = False) -> Pick:
        """Some parts as a Pick."""
        menu = self.menu
        return Pick(
            parts=tuple(menu.parts[place] for place in places),
            follows=follows,
            level=menu.level[places].max(axis=0),
            leaves=menu.leaves[places].min(axis=0),
            first=float(self.first[places].sum()),
            hours=float(self.hours[places].sum()),
            over=float(self.over[places].sum()),
            drawn=tuple(self.stocked[place] for place in places if place in self.stocked),
        )


def _least(among: BoolArray, *keys: FloatArray | IntArray) -> int:
    """The marked option that is least by the first key, then the next, then its place."""
    places = np.flatnonzero(among)
    ordered = [np.round(key[places].astype(float), 6) for key in reversed(keys)]
    return int(places[np.lexsort((places, *ordered))[0]])
