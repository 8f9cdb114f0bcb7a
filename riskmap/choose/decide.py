"""What to do for one group of trees that are alike: fit, keep, loosen, swap, remove, look, or nothing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from riskmap.choose.catalogue import Catalogue
from riskmap.choose.context import Alike
from riskmap.choose.demand import Ground
from riskmap.choose.explain import explain, named, neighbour, would_stop
from riskmap.choose.menu import Menu, Shelf, make_menu, stock_shelf
from riskmap.choose.now import Named, Wear, name_guard, wear_of
from riskmap.choose.part import Part
from riskmap.choose.pick import FULL, Pick, Picks, Question, pick_guards
from riskmap.choose.suit import Stand
from riskmap.choose.words import agent_words, height_words, joined
from riskmap.errors import shown
from riskmap.model import BoolArray

__all__ = ["Place", "Verdict", "decide_group"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What holds over the whole site.

    Attributes
    ----------
    floor : str
        Band from which on agents must be stopped.
    month : int
        Month in which the work is planned.
    """

    catalogue: Catalogue
    agents: tuple[str, ...]
    deer: tuple[str, ...]
    southern: bool
    month: int
    floor: str
    units: str
    growth_mm: float
    shelves: dict[tuple[bool, tuple[Part, ...]], Shelf] = field(default_factory=dict)
    menus: dict[tuple[float, bool, tuple[Part, ...]], Menu] = field(default_factory=dict)

    def menu(self, snow_mm: float, *, hard: bool, extra: tuple[Part, ...] = ()) -> Menu:
        """Return the menu of one kind of place, made once; `extra` are guards already on."""
        key = (snow_mm, hard, extra)
        if key not in self.menus:
            on = (hard, extra)
            if on not in self.shelves:
                self.shelves[on] = stock_shelf(self.catalogue, buried=not hard, extra=extra)
            ground = Ground(snow_mm=snow_mm, deer=self.deer, stem_mm=float("inf"), southern=self.southern)
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
    alternatives: dict[str, Any] = field(default_factory=dict)


def decide_group(place: Place, alike: Alike, group: int) -> Verdict:
    """Decide for one group.

    Parameters
    ----------
    place : Place
        What holds over the whole site.
    alike : Alike
        The groups.
    group : int
        Which of them.
    """
    state = int(alike.state[group])
    if state:
        return _not_asked(state)
    need = alike.need[group]
    now = name_guard(alike.guard_now[group]) if alike.guard_now[group] else Named(known=True)
    if not now.known:
        text = shown(alike.guard_now[group])
        return _look(f"The guard written for this tree, '{text}', is none we know: look at it.", place, need)
    if need.any() and alike.paved[group]:
        return _look("Stands inside a cleared drive or walk: a pit, or the point is off. Look first.", place, need)
    if now.guard is None:
        if need.any():
            return _Asked(place=place, alike=alike, group=group).fit()
        return _nothing(place, alike.ended[group])
    return _with_guard_on(place, alike, group, now)


def _not_asked(state: int) -> Verdict:
    """Trees that are not chosen for."""
    if state == 1:
        return Verdict(action="not a tree", reason="Left out by trees.keep or trees.drop.")
    if state == 2:
        return Verdict(action="look", reason="No caliper, height or year is known: look at the tree first.")
    return Verdict(action="look", reason="No agent could be scored here: see not_scored.")


def _look(reason: str, place: Place, need: BoolArray) -> Verdict:
    """A tree that somebody must look at before anything is bought."""
    return Verdict(action="look", reason=reason, open="; ".join(_keys(place.agents, need)))


def _nothing(place: Place, ended: BoolArray) -> Verdict:
    """A tree that needs nothing, with the reason."""
    over = [agent_words(agent) for agent in _keys(place.agents, ended)]
    past = f" Past {joined(over)} by size, age or height." if over else ""
    return Verdict(action="none needed", reason=f"No agent reaches the floor ('{place.floor}').{past}")


def _keys(agents: tuple[str, ...], flags: BoolArray) -> list[str]:
    """Agents that are flagged."""
    return [agents[number] for number in np.flatnonzero(flags)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """One group with agents in need."""

    place: Place
    alike: Alike
    group: int

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

    def picks(self, have: Part | None = None) -> tuple[Menu, Picks]:
        """Choose, with a guard that is on counted as free."""
        alike, group = self.alike, self.group
        extra = (have,) if have else ()
        menu = self.place.menu(float(alike.snow_mm[group]), hard=bool(alike.hard[group]), extra=extra)
        question = Question(
            need=self.need,
            years=float(max(alike.years[group], 1)),
            stand=self.stand,
            have=have,
        )
        return menu, pick_guards(menu, question)

    def fit(self, *, action: str = "fit", before: str = "", have: Part | None = None) -> Verdict:
        """Say what to fit; `before` is said first; a guard that is on and stays is not bought again."""
        menu, (pick, below, above) = self.picks(have)
        units, currency = self.place.units, self.place.catalogue.rates.currency
        if pick is None:
            why = " ".join(would_stop(menu, int(number), self.stand, units) for number in np.flatnonzero(self.need))
            return _look(f"{before}Nothing that may be used fits here. {why}", self.place, self.need)
        reason = explain(menu, pick, self.need, self.stand, units)
        verdict = self.verdict(action, f"{before}{reason}", menu, pick)
        beside = {
            name: neighbour(menu, other, self.need, currency, units)
            for name, other in (("next_cheaper", below), ("next_better", above))
            if other is not None
        }
        return replace(verdict, alternatives=beside)

    def verdict(self, action: str, reason: str, menu: Menu, pick: Pick) -> Verdict:
        """Turn a set into the columns of the result."""
        years = float(max(self.alike.years[self.group], 1))
        need = self.need
        seasonal = [part for part in pick.parts if part.guard.off_month is not None]
        timed = seasonal or [part for part in pick.parts if part.guard.on_month is not None]
        shift = 6 if self.place.southern else 0
        on, off = (timed[0].guard.on_month, timed[0].guard.off_month) if timed else (None, None)
        return Verdict(
            action=action,
            reason=reason,
            guard=named(pick.parts, self.place.units),
            keys="; ".join(part.guard.key for part in pick.parts),
            height_mm=max((part.height_mm for part in pick.parts), default=0.0) or float("nan"),
            stopped="; ".join(_keys(menu.agents, need & (pick.level >= FULL))),
            open="; ".join(_keys(menu.agents, need & (pick.level < FULL))),
            cost=round(pick.first, 2),
            cost_per_year=round(pick.over / years, 2),
            hours=round(pick.hours, 4),
            on_month=(on - 1 + shift) % 12 + 1 if on else 0,
            off_month=(off - 1 + shift) % 12 + 1 if off else 0,
            off_when="; ".join(dict.fromkeys(part.guard.off_when for part in pick.parts if part.guard.off_when)),
        )


def _with_guard_on(place: Place, alike: Alike, group: int, now: Named) -> Verdict:
    """Decide about a guard that is on."""
    guard = now.guard
    assert guard is not None
    asked = _Asked(place=place, alike=alike, group=group)
    wear = wear_of(
        guard,
        stem_mm=float(alike.stem_mm[group]),
        month=place.month,
        years_on=int(alike.years_on[group]),
        southern=place.southern,
    )
    if not asked.need.any():
        return _unneeded(asked, now, wear)
    if wear.outgrown:
        return asked.fit(action="swap", before=f"Take the {guard.label.lower()} off: {wear.outgrown}. ")
    buried = not bool(alike.hard[group])
    part = now.part(buried=buried)
    if part is not None:
        return _judge(asked, part, wear)
    heights = sorted(guard.heights_mm)
    low, high = (
        _judge(
            asked, Part(guard=guard, height_mm=height, standoff_mm=guard.standoff_min_mm or 0.0, buried=buried), wear
        )
        for height in (heights[0], heights[-1])
    )
    if low.action != "swap" or high.action == "swap":
        return low if low.action != "swap" else high
    enough = next(
        height for height in heights if _judge(asked, Part(guard=guard, height_mm=height), wear).action != "swap"
    )
    text = height_words(enough, place.units)
    return _look(f"Measure the {guard.label.lower()} that is on: {text} or more is enough.", place, asked.need)


def _unneeded(asked: _Asked, now: Named, wear: Wear) -> Verdict:
    """A guard on a tree that no agent at or above the floor bears on."""
    guard, place = now.guard, asked.place
    assert guard is not None
    live = asked.alike.live[asked.group]
    harmless = guard.kind in {"ground", "paint", "spray"} or guard.group
    name = guard.label.lower()
    if harmless or (live.any() and not wear.outgrown and not wear.tight):
        left = joined([agent_words(agent) for agent in _keys(place.agents, live)])
        why = f"some pressure is left of {left}" if live.any() else "it does no harm"
        return Verdict(action="keep", reason=f"The {name} stays: {why}.", guard=guard.label, keys=guard.key)
    why = wear.outgrown or "no agent is left that it could stop"
    hours = guard.minutes / 60 * place.catalogue.rates.remove_share
    return Verdict(action="remove", reason=f"Take the {name} off: {why}.", hours=round(hours, 4))


def _judge(asked: _Asked, part: Part, wear: Wear) -> Verdict:
    """Keep a guard that does its work, add to it, loosen it, or swap it."""
    menu, (pick, _, _) = asked.picks(part)
    name = part.label(asked.place.units)
    if pick is None or part not in pick.parts:
        return asked.fit(action="swap", before=f"Take off: {name}. ")
    added = tuple(other for other in pick.parts if other != part)
    tight = f" Loosen it: {wear.tight}." if wear.tight else ""
    reason = explain(menu, pick, asked.need, asked.stand, asked.place.units)
    if added:
        verdict = asked.verdict("fit", f"Keep what is on ({name}) and add to it.{tight} {reason}", menu, pick)
        return replace(
            verdict,
            guard=named(added, asked.place.units),
            keys="; ".join(other.guard.key for other in added),
            height_mm=max(other.height_mm for other in added) or float("nan"),
        )
    action = "loosen" if wear.tight else "keep"
    hours = part.guard.minutes / 60 if wear.tight else 0.0
    return replace(asked.verdict(action, f"On already.{tight} {reason}", menu, pick), hours=round(hours, 4))
