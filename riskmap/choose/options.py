"""Every set of guards worth thinking about at one group of trees, where money decides between them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from riskmap.choose.menu import Menu
from riskmap.choose.pick import Pick, Question, Sheet, open_sheet
from riskmap.model import BoolArray, FloatArray

__all__ = ["MOST_OPTIONS", "Option", "list_options"]

MOST_OPTIONS: Final = 11  # and nothing


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
    """Return the sets that no other set beats on every agent for less money, cheapest first.

    Parameters
    ----------
    menu : Menu
        Parts and options of the place.
    question : Question
        Agents to choose against, years and the trees; a guard already on costs nothing.

    Notes
    -----
    Where a mulch ring fits, it is what keeps a mower off: collars are left out. A repellent stands alone or with
    a ring. Sets that do nothing more than what is on already are left out too.
    """
    sheet = open_sheet(menu, question)
    need = question.need
    ring = sheet.ring()
    added: list[list[int]] = [[], *([[ring]] if ring >= 0 else [])]
    sprays: list[list[int]] = [[], *([place] for place in _repellents(menu, sheet, need))]
    found = [
        (cost + float(sheet.first[extra].sum()), [*places, *extra])
        for cost, places in [(0.0, []), *_cheapest_by_cover(menu, sheet, need, no_collar=ring >= 0)]
        for extra in ([*first, *second] for first, second in product(added, sprays if not places else [[]]))
        if places or extra
    ]
    found.sort(key=lambda one: (one[0], one[1]))
    kept: list[list[int]] = []
    covers: list[FloatArray] = [_base_cover(menu, question)]
    for _, places in found:
        cover = 1 - menu.leaves[places].min(axis=0)[need]
        if not any((other >= cover - 1e-12).all() for other in covers):
            kept.append(places)
            covers.append(cover)
    return [_option(menu, sheet, question, places) for places in _few(menu, sheet, need, kept)]


def _base_cover(menu: Menu, question: Question) -> FloatArray:
    """What is taken off already."""
    if question.have is None:
        return np.zeros(int(question.need.sum()))
    return np.asarray(1 - menu.leaves[menu.parts.index(question.have)][question.need])


def _cheapest_by_cover(menu: Menu, sheet: Sheet, need: BoolArray, *, no_collar: bool) -> list[tuple[float, list[int]]]:
    """The cheapest single guard or pair for every pattern of what is taken off."""
    shelf = menu.shelf
    usable = sheet.usable
    if no_collar:
        collar = np.array([part.guard.kind == "collar" for part in menu.parts], dtype=bool)
        usable = usable & ~collar[shelf.inner] & (shelf.single | ~collar[shelf.outer])
    cover = np.round((1 - menu.option_leaves[:, need]) * 100).astype(np.int64)
    places = np.flatnonzero(usable & (cover > 0).any(axis=1))
    if not len(places):
        return []
    cost = sheet.first[shelf.inner[places]] + np.where(shelf.single[places], 0.0, sheet.first[shelf.outer[places]])
    order = places[np.lexsort((places, np.round(cost, 6)))]
    pattern = cover[order] @ (101 ** np.arange(need.sum(), dtype=np.int64))
    _, first = np.unique(pattern, return_index=True)
    by_place = dict(zip(places.tolist(), cost.tolist(), strict=True))
    return [
        (by_place[int(option)], [int(at) for at in (shelf.inner[option], shelf.outer[option]) if at >= 0])
        for option in order[np.sort(first)]
    ]


def _repellents(menu: Menu, sheet: Sheet, need: BoolArray) -> list[int]:
    """The cheapest repellent that helps, if any does."""
    helpful = [
        place
        for place, part in enumerate(menu.parts)
        if part.guard.kind == "spray" and menu.level[place, need].any() and sheet.suits[place]
    ]
    return sorted(helpful, key=lambda place: (sheet.first[place], place))[:1]


def _few(menu: Menu, sheet: Sheet, need: BoolArray, kept: list[list[int]]) -> list[list[int]]:
    """At most `MOST_OPTIONS` of them: the one that takes most off, and those that take most off for their money."""
    if len(kept) <= MOST_OPTIONS:
        return kept
    takes = np.array([(1 - menu.leaves[places].min(axis=0)[need]).sum() for places in kept])
    cost = np.array([sheet.first[places].sum() for places in kept])
    rank = np.lexsort((np.arange(len(kept)), -takes / np.maximum(cost, 0.01)))
    chosen = {int(np.lexsort((cost, -takes))[0]), *map(int, rank[: MOST_OPTIONS - 1])}
    return [kept[place] for place in sorted(chosen)]


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
    return Option(
        pick=sheet.pick(places, follows=_follows(menu, places)),
        cover=1 - least,
        life_years=lasting,
        whole=float(prices[bought].sum()),
    )


def _follows(menu: Menu, places: list[int]) -> bool:
    """Whether the first two parts take turns through the year."""
    shelf = menu.shelf
    if len(places) < 2:
        return False
    pair = (shelf.inner == places[0]) & (shelf.outer == places[1])
    return bool((pair & shelf.follows).any())
