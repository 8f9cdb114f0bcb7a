"""Every set of guards worth thinking about at one group of trees, where money decides between them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from riskmap.choose.menu import Menu
from riskmap.choose.pick import Pick, Question, Sheet, open_sheet
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["MOST_OPTIONS", "Option", "list_options"]

MOST_OPTIONS: Final = 11  # and nothing
MOWER_TOP_MM: Final = 620.0  # a guard against mowers alone is no taller: 24 in
TINY: Final = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One set of guards, with what it takes off each agent's pressure and for how long.

    Attributes
    ----------
    pick : Pick
        The guards, and what they cost.
    cover : ndarray, shape (agent,)
        Share of the pressure that is taken off.
    life_years : ndarray, shape (agent,)
        How long what is bought lasts.
    whole : float
        Money while it lasts and is needed: seasonal work and taking off included.
    """

    pick: Pick
    cover: FloatArray
    life_years: FloatArray
    whole: float


def list_options(menu: Menu, question: Question) -> list[Option]:
    """Return the sets that no other set beats on every agent, as long and for less money; cheapest first.

    Parameters
    ----------
    menu : Menu
        Parts and options of the place.
    question : Question
        Agents to choose against, years and the trees; a guard already on costs nothing.

    Notes
    -----
    Against a mower alone, a ring, a collar and low guards are thought of, no cages: money decides between them. A
    repellent stands alone or with a ring. Sets that do no more than what is on are left out.
    """
    sheet = open_sheet(menu, question)
    ring = sheet.ring()
    guards = _guards(menu, sheet, question)
    sprays = _repellents(menu, sheet, question.need)
    rings = [ring] if ring >= 0 else []
    groups = [guards, *(_part(menu, sheet, question, place) for place in (*rings, *sprays))]
    groups += [_both(guards, _part(menu, sheet, question, place)) for place in rings]
    groups += [
        _both(_part(menu, sheet, question, one), _part(menu, sheet, question, other))
        for one in rings
        for other in sprays
    ]
    sets = _Sets.joined(groups)
    sets = sets.only(_not_too_much(menu, question, sets))
    before = [_Sets.none(question)]
    if question.have is not None:
        before.append(_part(menu, sheet, question, menu.parts.index(question.have)))
    sets = _unbeaten(sets, _Sets.joined(before))
    return [_option(menu, sheet, question, places) for places in _few(sets, question)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sets:
    """Sets of parts: what they cost, leave of each agent in need, and how long they last against it."""

    places: list[list[int]]
    cost: FloatArray  # (set,)
    least: FloatArray  # (set, agent in need)
    lasting: FloatArray

    @classmethod
    def joined(cls, groups: list[_Sets]) -> _Sets:
        """Put lists of sets one after another."""
        return cls(
            places=[places for group in groups for places in group.places],
            cost=np.concatenate([group.cost for group in groups]),
            least=np.concatenate([group.least for group in groups]),
            lasting=np.concatenate([group.lasting for group in groups]),
        )

    @classmethod
    def none(cls, question: Question) -> _Sets:
        """Nothing at all."""
        shape = (1, int(question.need.sum()))
        return cls(places=[[]], cost=np.zeros(1), least=np.ones(shape), lasting=np.zeros(shape))

    def only(self, some: IntArray) -> _Sets:
        """Return some of the sets, in the order given."""
        places = [self.places[int(place)] for place in some]
        return _Sets(places=places, cost=self.cost[some], least=self.least[some], lasting=self.lasting[some])

    def effect(self) -> FloatArray:
        """Return what they take off and how long they last: no less in both is no worse."""
        return np.concatenate([1 - self.least, self.lasting], axis=1)


def _together(
    one: FloatArray, one_lasts: FloatArray, other: FloatArray, other_lasts: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What two leave together, and how long whichever leaves least lasts."""
    least = np.minimum(one, other)
    first = np.where((one <= least) & (one < 1), one_lasts, 0.0)
    second = np.where((other <= least) & (other < 1), other_lasts, 0.0)
    return least, np.maximum(first, second)


def _lives(menu: Menu, question: Question) -> FloatArray:
    """Years that each part lasts against each agent in need, no longer than that goes on; what is on already lasts."""
    lives = [math.inf if part == question.have else part.guard.life_years for part in menu.parts]
    return np.asarray(np.minimum(np.array(lives)[:, None], question.each[question.need]))


def _part(menu: Menu, sheet: Sheet, question: Question, place: int) -> _Sets:
    """One part as a set."""
    least = menu.leaves[[place]][:, question.need]
    lasting = np.where(least < 1, _lives(menu, question)[[place]], 0.0)
    return _Sets(places=[[place]], cost=sheet.first[[place]], least=least, lasting=lasting)


def _both(sets: _Sets, more: _Sets) -> _Sets:
    """Every set with one part more."""
    least, lasting = _together(sets.least, sets.lasting, more.least, more.lasting)
    places = [[*places, *more.places[0]] for places in sets.places]
    return _Sets(places=places, cost=sets.cost + more.cost, least=least, lasting=lasting)


def _guards(menu: Menu, sheet: Sheet, question: Question) -> _Sets:
    """The cheapest single guard or pair for every pattern of what is taken off, and for how long."""
    shelf, need = menu.shelf, question.need
    at = np.flatnonzero(sheet.usable & (menu.option_leaves[:, need] < 1).any(axis=1))
    inner, outer, single = shelf.inner[at], shelf.outer[at], shelf.single[at]
    cost = sheet.first[inner] + np.where(single, 0.0, sheet.first[outer])
    lives = _lives(menu, question)
    beyond = np.where(single[:, None], 1.0, menu.leaves[outer][:, need])
    least, lasting = _together(menu.leaves[inner][:, need], lives[inner], beyond, lives[outer])
    _, digit = np.unique(np.round(least * 100) * 1e6 + np.round(lasting * 100), return_inverse=True)
    pattern = np.zeros(len(at), dtype=np.int64)
    for column in digit.reshape(least.shape).T:
        _, pattern = np.unique(pattern * (int(digit.max(initial=0)) + 1) + column, return_inverse=True)
    order = np.lexsort((at, np.round(cost, 6)))
    _, first = np.unique(pattern[order], return_index=True)
    some = order[np.sort(first)]
    places = [[int(part) for part in (inner[place], outer[place]) if part >= 0] for place in some]
    return _Sets(places=places, cost=cost[some], least=least[some], lasting=lasting[some])


def _repellents(menu: Menu, sheet: Sheet, need: BoolArray) -> list[int]:
    """The cheapest repellent that helps, if any does."""
    helpful = [
        place
        for place, part in enumerate(menu.parts)
        if part.guard.kind == "spray" and menu.level[place, need].any() and sheet.suits[place]
    ]
    return sorted(helpful, key=lambda place: (sheet.first[place], place))[:1]


def _not_too_much(menu: Menu, question: Question, sets: _Sets) -> IntArray:
    """Sets that keep something off besides the mower, or are no taller than a mower asks for."""
    others = np.array([agent != "mower" for agent in menu.agents])[question.need]
    more = (sets.least[:, others] < 1).any(axis=1)
    tallest = np.array([max(menu.parts[part].height_mm for part in places) for places in sets.places])
    return np.flatnonzero(more | (tallest <= MOWER_TOP_MM))


def _unbeaten(sets: _Sets, before: _Sets) -> _Sets:
    """Sets, cheapest first, that none before them nor anything cheaper beats."""
    sizes = np.array([len(places) for places in sets.places], dtype=np.int64)
    order = np.lexsort((np.arange(len(sizes)), sizes, np.round(sets.cost, 6)))
    effect = sets.effect()
    found = np.concatenate([before.effect(), np.empty_like(effect)])
    many, kept = len(before.places), []
    for place in order:
        if not (found[:many] >= effect[place] - TINY).all(axis=1).any():
            found[many] = effect[place]
            many += 1
            kept.append(place)
    return sets.only(np.array(kept, dtype=np.int64))


def _few(sets: _Sets, question: Question) -> list[list[int]]:
    """At most `MOST_OPTIONS`: what takes most off, and what takes most off for its money, of all or of one agent."""
    if len(sets.places) <= MOST_OPTIONS:
        return sets.places
    weighed = (1 - sets.least) * sets.lasting * question.shares[question.need]  # shares of the tree, over the years
    each = np.column_stack([weighed.sum(axis=1), weighed])
    rate = each / np.maximum(sets.cost, 0.01)[:, None]
    ranks = np.argsort(np.argsort(-rate, axis=0, kind="stable"), axis=0, kind="stable")
    most = int(np.lexsort((sets.cost, -each[:, 0]))[0])
    best = np.lexsort((np.arange(len(each)), ranks[:, 0], ranks.min(axis=1)))
    chosen = [most, *(int(place) for place in best if place != most)][:MOST_OPTIONS]
    return [sets.places[place] for place in sorted(chosen)]


def _option(menu: Menu, sheet: Sheet, question: Question, places: list[int]) -> Option:
    """One set with its cover and life."""
    leaves = menu.leaves[places]
    least = leaves.min(axis=0)
    life = np.array([menu.parts[place].guard.life_years for place in places])
    if question.have is not None:
        life = np.where([menu.parts[place] == question.have for place in places], np.inf, life)
    lasting = np.where(leaves <= least + 1e-12, life[:, None], 0.0).max(axis=0)
    years = float(np.clip(lasting[least < 1].max(initial=0.0), 1.0, question.years))
    prices = menu.shelf.prices_at(question.stand.stem_mm).over(years, menu.shelf.rates.hour)
    bought = [place for place in places if menu.parts[place] != question.have]
    pick = sheet.pick(places, follows=_follows(menu, places))
    return Option(
        pick=pick,
        cover=1 - least,
        life_years=lasting,
        whole=float(prices[bought].sum()) - sum(material for _, material in pick.drawn),
    )


def _follows(menu: Menu, places: list[int]) -> bool:
    """Whether the first two parts take turns through the year."""
    shelf = menu.shelf
    if len(places) < 2:
        return False
    pair = (shelf.inner == places[0]) & (shelf.outer == places[1])
    return bool((pair & shelf.follows).any())
