"""One group of trees asked about: what holds at its place, which guards it gets, and the columns of the result."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from riskmap.choose.catalogue import Catalogue
from riskmap.choose.context import Alike
from riskmap.choose.demand import Ground
from riskmap.choose.explain import explain, most_held, named, neighbour, would_stop
from riskmap.choose.menu import Menu, Shelf, make_menu, stock_shelf
from riskmap.choose.part import Part
from riskmap.choose.pick import FULL, Pick, Picks, Question, open_sheet, pick_guards
from riskmap.choose.suit import Stand
from riskmap.model import BoolArray, FloatArray, StockLine

__all__ = ["Asked", "Place", "Verdict", "keys_of", "look_at"]


TINY: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What holds over the whole site.

    Attributes
    ----------
    shares : tuple of float
        What a year of damage by each agent costs, as a share of the tree.
    floor : str
        Band from which on agents must be stopped.
    month : int
        Month in which the work is planned.
    flood_mm : float
        Depth of floods: beavers swim, and gnaw above it.
    """

    catalogue: Catalogue
    agents: tuple[str, ...]
    shares: tuple[float, ...]
    deer: tuple[str, ...]
    southern: bool
    month: int
    floor: str
    units: str
    growth_mm: float
    flood_mm: float = 0.0
    shelves: dict[tuple[bool, tuple[Part, ...]], Shelf] = field(default_factory=dict)
    menus: dict[tuple[float, float, bool, tuple[Part, ...]], Menu] = field(default_factory=dict)

    def paid(self, hours: float) -> float:
        """Return the money for so much work, in whole cents."""
        return round(hours * self.catalogue.rates.hour, 2)

    def ground(self, snow_mm: float, pile_mm: float = 0.0) -> Ground:
        """Return what the ground asks of a guard under so much snow, of which so much was piled up."""
        return Ground(
            snow_mm=snow_mm,
            pile_mm=pile_mm,
            flood_mm=self.flood_mm,
            deer=self.deer,
            stem_mm=float("inf"),
            southern=self.southern,
        )

    def menu(self, snow_mm: float, pile_mm: float = 0.0, *, hard: bool, extra: tuple[Part, ...] = ()) -> Menu:
        """Return the menu of one kind of place, made once; `extra` are guards already on."""
        key = (snow_mm, pile_mm, hard, extra)
        if key not in self.menus:
            on = (hard, extra)
            if on not in self.shelves:
                self.shelves[on] = stock_shelf(self.catalogue, buried=not hard, extra=extra)
            ground = self.ground(snow_mm, pile_mm)
            self.menus[key] = make_menu(self.shelves[on], self.agents, ground)
        return self.menus[key]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What to do at every tree of one group, as the columns of the result."""

    action: str
    reason: str
    guard: str = ""
    keys: str = ""
    height_mm: float = float("nan")
    stopped: str = ""
    open: str = ""
    cost: float = 0.0
    cost_per_year: float = 0.0
    hours: float = 0.0
    on_month: int = 0
    off_month: int = 0
    off_when: str = ""
    over: float = 0.0  # money over the years of need
    material: tuple[tuple[str, float, float], ...] = ()  # key, height and money of every part
    leaves: tuple[float, ...] = ()  # share of each agent's pressure left; empty: all of it
    lasts: tuple[float, ...] = ()  # years for which each agent is kept off so
    drawn: tuple[tuple[int, float], ...] = ()  # lines of the stock list, and the material not bought
    alternatives: dict[str, Any] = field(default_factory=dict)


def keys_of(agents: tuple[str, ...], flags: BoolArray) -> list[str]:
    """Return the agents that are flagged."""
    return [agents[number] for number in np.flatnonzero(flags)]


def look_at(reason: str, place: Place, need: BoolArray) -> Verdict:
    """Return the verdict on a tree that somebody must look at before anything is bought."""
    return Verdict(action="look", reason=reason, open="; ".join(keys_of(place.agents, need)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One group with agents in need."""

    place: Place
    alike: Alike
    group: int
    lines: tuple[tuple[int, StockLine], ...] = ()  # of the stock list, that may be drawn on

    @property
    def need(self) -> BoolArray:
        """Agents that must be stopped."""
        need: BoolArray = self.alike.need[self.group]
        return need

    @property
    def stand(self) -> Stand:
        """What the trees offer a guard."""
        alike, group = self.alike, self.group
        return Stand(
            stem_mm=float(alike.stem_mm[group]),
            growth_mm=self.place.growth_mm,
            form=alike.form[group],
            clear_mm=float(alike.clear_mm[group]),
            room_mm=float(alike.room_mm[group]),
            hard=bool(alike.hard[group]),
            ringed=bool(alike.ringed[group]),
        )

    @property
    def must(self) -> BoolArray:
        """Of these, the agents at or above the floor."""
        must: BoolArray = self.alike.must[self.group]
        return must

    def question(self, have: Part | None = None) -> tuple[Menu, Question]:
        """Return the menu of the place and what is asked of it; a guard that is on counts as free."""
        alike, group = self.alike, self.group
        extra = (have,) if have else ()
        menu = self.place.menu(
            float(alike.snow_mm[group]), float(alike.pile_mm[group]), hard=bool(alike.hard[group]), extra=extra
        )
        years = float(max(alike.years[group], 1))
        question = Question(
            need=self.need,
            years=years,
            each=alike.years_each[group].astype(float),
            stand=self.stand,
            shares=np.array(self.place.shares),
            have=have,
            lines=self.lines,
        )
        return menu, question

    def picks(self, have: Part | None = None) -> tuple[Menu, Picks]:
        """Choose, with a guard that is on counted as free."""
        menu, question = self.question(have)
        return menu, pick_guards(menu, question)

    def with_on(self, menu: Menu, have: Part, parts: tuple[Part, ...] = ()) -> Pick:
        """Return a guard that is on, at no cost, alone or with other parts, as a set."""
        return open_sheet(menu, self.question(have)[1]).pick([menu.parts.index(part) for part in (have, *parts)])

    def helped(self, menu: Menu, part: Part) -> BoolArray:
        """Return the agents that live here, also below the floor, and that a part does something against."""
        return np.asarray(self.alike.live[self.group] & (menu.level[menu.parts.index(part)] > 0))

    def fit(self, *, action: str = "fit", before: str = "", taken_off: Part | None = None) -> Verdict:
        """Say what to fit; `before` is said first; taking off what is on is work too."""
        menu, (pick, below, above) = self.picks()
        units, currency = self.place.units, self.place.catalogue.rates.currency
        if pick is None:
            why = " ".join(would_stop(menu, int(number), self.stand, units) for number in np.flatnonzero(self.need))
            return look_at(f"{before}Nothing that may be used fits here. {why}", self.place, self.need)
        reason = explain(menu, pick, self.need, self.must, self.stand, units) + self.left_open(menu, pick)
        if keys_of(self.place.agents, self.must) == ["snow_throw"]:
            reason += " If that is too much for thrown snow alone, raise choice.floor."
        verdict = self.verdict(action, f"{before}{reason}", menu, pick, taken_off=taken_off)
        beside = {
            name: neighbour(menu, other, self.need, currency, units)
            for name, other in (("next_cheaper", below), ("next_better", above))
            if other is not None
        }
        return replace(verdict, alternatives=beside)

    def left_open(self, menu: Menu, pick: Pick) -> str:
        """Return why the best set leaves something open, where a guard that fits would stop it."""
        return most_held(menu, pick, self.need, self.must, self.stand)

    def asks(self, pick: Pick, taken_off: Part | None = None) -> tuple[float, float]:
        """Return the money, in whole cents, and the hours that a set asks for here."""
        rates = self.place.catalogue.rates
        removal = taken_off.guard.minutes / 60 * rates.remove_share if taken_off else 0.0
        return round(pick.first + removal * rates.hour, 2), round(pick.hours + removal, 4)

    def _material(self, menu: Menu, pick: Pick) -> tuple[tuple[str, float, float], ...]:
        """Key, height and material of every part of a set that stands on the menu and is not on hand."""
        money = menu.shelf.prices_at(self.stand.stem_mm).material
        on_hand = [material for _, material in pick.drawn]
        found = []
        for part in pick.parts:
            material = float(money[menu.parts.index(part)]) if part in menu.parts else None
            if material in on_hand:
                on_hand.remove(material)
            elif material is not None:
                found.append((part.guard.key, part.height_mm, material))
        return tuple(found)

    def verdict(self, action: str, reason: str, menu: Menu, pick: Pick, *, taken_off: Part | None = None) -> Verdict:
        """Turn a set into the columns of the result; taking off what is on is work that this run asks for."""
        cost, hours = self.asks(pick, taken_off)
        years = float(max(self.alike.years[self.group], 1))
        need = self.need
        seasonal = [part for part in pick.parts if part.guard.off_month is not None]
        timed = seasonal or [part for part in pick.parts if part.guard.on_month is not None]
        shift = 6 if self.place.southern else 0
        on, off = (timed[0].guard.on_month, timed[0].guard.off_month) if timed else (None, None)
        return Verdict(
            action=action,
            reason=f"{reason} Taken from stock." if pick.drawn else reason,
            guard=named(pick.parts, self.place.units),
            keys="; ".join(part.guard.key for part in pick.parts),
            height_mm=max((part.height_mm for part in pick.parts), default=0.0) or float("nan"),
            stopped="; ".join(keys_of(menu.agents, need & (pick.level >= FULL))),
            open="; ".join(keys_of(menu.agents, self.must & (pick.level < FULL))),
            cost=cost,
            cost_per_year=round((pick.over + cost - pick.first) / years, 2),
            hours=hours,
            on_month=(on - 1 + shift) % 12 + 1 if on else 0,
            off_month=(off - 1 + shift) % 12 + 1 if off else 0,
            over=pick.over,
            material=self._material(menu, pick),
            leaves=tuple(pick.leaves.tolist()),
            lasts=tuple(_lasting(menu, pick).tolist()),
            drawn=pick.drawn,
            off_when="; ".join(dict.fromkeys(part.guard.off_when for part in pick.parts if part.guard.off_when)),
        )


def _lasting(menu: Menu, pick: Pick) -> FloatArray:
    """How long a set keeps each agent off: as long as the part that leaves least of it lasts."""
    parts = [part for part in pick.parts if part in menu.parts]
    lasting = np.zeros(len(menu.agents))
    for part in parts:
        leaves = menu.leaves[menu.parts.index(part)]
        lasting = np.where(
            (leaves < 1) & (leaves <= pick.leaves + TINY), np.maximum(lasting, part.guard.life_years), lasting
        )
    return lasting
