"""What can be had at each group of trees, and what it costs and prevents at each tree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from riskmap.choose.already import judged, loosen_hours, remove_hours
from riskmap.choose.asked import Asked, Place, Verdict, keys_of
from riskmap.choose.case import Case
from riskmap.choose.context import Alike
from riskmap.choose.explain import explain, neighbour
from riskmap.choose.menu import Menu
from riskmap.choose.now import Wear, name_guard, wear_of
from riskmap.choose.options import Option, list_options
from riskmap.choose.part import Part
from riskmap.choose.pick import FULL, Pick
from riskmap.choose.stock import line_sets
from riskmap.choose.words import below_words
from riskmap.model import FloatArray, StockLine

__all__ = ["Offer", "drawn_lines", "make_offer", "offer_sheets", "prevention", "whole_costs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """Options of one group; none where nothing can be chosen.

    `plain` is how many of them are bought whole; those that follow draw on stock.
    """

    asked: Asked
    menu: Menu
    options: tuple[Option, ...]
    plain: int
    on: Part | None
    wear: Wear

    @property
    def have(self) -> Part | None:
        """The guard that is on, if it may stay."""
        return None if self.wear.outgrown else self.on

    def asks(self, option: int) -> tuple[float, float]:
        """Return the money and the hours that one option asks for; 0 is what must be done anyhow."""
        asked = self.asked
        if option:
            pick = self.options[option - 1].pick
            money, work = asked.asks(pick, None if self.on in pick.parts else self.on)
            loosened = loosen_hours(self.on, self.wear) if self.on is not None and self.on in pick.parts else 0.0
            return money + asked.place.paid(loosened), work + loosened
        if self.on is None:
            return 0.0, 0.0
        place = asked.place
        hours = remove_hours(self.on.guard, place) if self.wear.outgrown else loosen_hours(self.on, self.wear)
        return place.paid(hours), hours

    def base(self) -> FloatArray:
        """Return what a guard that is on takes off each agent's pressure."""
        menu = self.menu
        if self.have is None:
            return np.zeros(len(menu.agents))
        return np.asarray(1 - menu.leaves[menu.parts.index(self.have)])

    def verdict(self, option: int, *, must: bool, why: str) -> Verdict:
        """Return what to do at trees that get one option; `why` says why those that get none have none."""
        verdict = self._verdict(option, must=must, why=why)
        return replace(verdict, alternatives=self._beside(option)) if option else verdict

    def _beside(self, option: int) -> dict[str, Any]:
        """The next cheaper option and the next dearer one, stock left out."""
        asked = self.asked
        currency, units = asked.place.catalogue.rates.currency, asked.place.units
        pick = self.options[option - 1].pick
        others = [one.pick for one in self.options[: self.plain] if one.pick.parts != pick.parts]
        beside = {
            "next_cheaper": [one for one in others if one.first <= pick.first][-1:],
            "next_better": [one for one in others if one.first > pick.first][:1],
        }
        return {
            name: neighbour(self.menu, found[0], asked.need, currency, units) for name, found in beside.items() if found
        }

    def _verdict(self, option: int, *, must: bool, why: str) -> Verdict:
        """What to do, without what stands beside it."""
        asked, menu = self.asked, self.menu
        if self.have is not None:
            pick = self.options[option - 1].pick if option else asked.with_on(menu, self.have)
            return judged(asked, menu, pick, self.have, self.wear, more=self._no_more(pick, why))
        off = f"Take off what is on: {self.wear.outgrown}. " if self.wear.outgrown else ""
        if option:
            pick = self.options[option - 1].pick
            reason = explain(menu, pick, asked.need, asked.must, asked.stand, asked.place.units)
            reason += self._no_more(pick, why)
            taken_off = None if self.on in pick.parts else self.on
            return asked.verdict("swap" if off else "fit", f"{off}{reason}", menu, pick, taken_off=taken_off)
        if off:
            money, hours = self.asks(0)
            return Verdict(action="remove", reason=off.strip(), cost=money, hours=hours)
        if must:
            reason = f"Accepted without a guard: {why if self.options else 'none that may be used fits here'}."
            return Verdict(action="accept", reason=reason, open="; ".join(keys_of(menu.agents, asked.must)))
        return Verdict(action="none needed", reason=f"{below_words(asked.place.floor)}.")

    def _no_more(self, pick: Pick, why: str) -> str:
        """Why money buys no other set, where one would stop what this set leaves open; empty where none would."""
        left = self.asked.must & (pick.level < FULL)
        stopped = [(option.pick.level[left] >= FULL).any() for option in self.options]
        return f" No more is bought: {why}." if any(stopped) else ""


def make_offer(place: Place, alike: Alike, group: int, stock: tuple[StockLine, ...] = ()) -> Offer | None:
    """Return the options of one group, stock drawn on or not; None where nothing can be chosen."""
    text = alike.guard_now[group]
    now = name_guard(text, place.catalogue.own) if text else None
    asked = Asked(place=place, alike=alike, group=group)
    if alike.state[group] or alike.paved[group] or not asked.need.any() or (now and not now.known):
        return None
    on, wear = None, Wear()
    if now and now.guard is not None and now.guard.kind != "spray":
        guard, buried = now.guard, not alike.hard[group]
        wear = wear_of(
            guard,
            asked.stand,
            month=place.month,
            years_on=int(alike.years_on[group]),
            southern=place.southern,
            units=place.units,
        )
        lowest = min(guard.heights_mm, default=0.0)  # of unknown height: as little as it may be
        gap_mm = guard.standoff_min_mm or 0.0
        on = now.part(buried=buried) or Part(guard=guard, height_mm=lowest, standoff_mm=gap_mm, buried=buried)
    menu, question = asked.question(None if wear.outgrown else on)
    plain = list_options(menu, question)
    drawn = {
        (option.pick.parts, option.pick.drawn): option
        for lines in line_sets(stock)
        for option in list_options(menu, replace(question, lines=lines))
        if option.pick.drawn
    }
    return Offer(asked=asked, menu=menu, options=(*plain, *drawn.values()), plain=len(plain), on=on, wear=wear)


def offer_sheets(offers: list[Offer | None], case: Case) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return cost, loss prevented and hours by tree and option, all beyond option 0, which is what must be done anyhow.

    Options that a tree does not have cost infinity.
    """
    alike, worth = case.alike, case.worth
    most = max((len(offer.options) for offer in offers if offer), default=0)
    shape = (len(alike.group), most + 1)
    cost, benefit, work = np.full(shape, np.inf), np.zeros(shape), np.full(shape, np.inf)
    cost[:, 0] = work[:, 0] = 0.0
    loss = np.nan_to_num(case.pressure.loss, nan=0.0).astype(np.float64)
    order = np.argsort(alike.group, kind="stable")
    ends = np.cumsum(alike.count)
    for group, (offer, end, count) in enumerate(zip(offers, ends, alike.count, strict=True)):
        if offer is None or not offer.options:
            continue
        trees = order[end - count : end]
        yearly = loss[trees] * worth[trees, None]
        years = alike.years_each[group]
        base = prevention(offer.base()[None], np.full((1, len(years)), np.inf), years)
        cover = np.array([option.cover for option in offer.options])
        life = np.array([option.life_years for option in offer.options])
        anyhow = offer.asks(0)
        asks = np.array([offer.asks(number) for number in range(1, len(offer.options) + 1)]) - anyhow
        some = slice(1, len(offer.options) + 1)
        cost[trees, some], work[trees, some] = np.maximum(np.round(asks[:, 0], 2), 0.0), asks[:, 1]
        benefit[trees, some] = np.maximum(yearly @ (prevention(cover, life, years) - base).T, 0.0)
    return cost, benefit, work


def prevention(cover: FloatArray, life_years: FloatArray, years: FloatArray | np.ndarray) -> FloatArray:
    """Return the years of loss that sets of guards prevent, by agent, while what is bought lasts and is needed.

    Parameters
    ----------
    cover, life_years : ndarray, shape (set, agent)
        Share of the pressure that is taken off, and for how long.
    years : ndarray, shape (agent,)
        How long each agent goes on.
    """
    return np.asarray(np.minimum(years, life_years) * cover)


def drawn_lines(offers: list[Offer | None], alike: Alike, columns: int, lines: int) -> tuple[FloatArray, ...]:
    """Return the pieces that each option takes from each line of the stock list, by tree and option."""
    by_group = np.zeros((lines, len(offers), columns))
    for group, offer in enumerate(offers):
        for number, option in enumerate(offer.options if offer else (), start=1):
            for line, _ in option.pick.drawn:
                by_group[line, group, number] += 1
    return tuple(each[alike.group] for each in by_group)


def whole_costs(offers: list[Offer | None], alike: Alike) -> FloatArray:
    """Return the cost by tree and option over the years in which what is bought prevents loss."""
    most = max((len(offer.options) for offer in offers if offer), default=0)
    by_group = np.zeros((len(offers), most + 1))
    for group, offer in enumerate(offers):
        for number, option in enumerate(offer.options if offer else (), start=1):
            by_group[group, number] = option.whole
    return by_group[alike.group]
