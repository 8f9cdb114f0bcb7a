"""Trees with a guard on: it stays, is loosened, added to, swapped or taken off."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from riskmap.choose.asked import Asked, Place, Verdict, keys_of, look_at
from riskmap.choose.context import Alike
from riskmap.choose.explain import explain, named, shortfall
from riskmap.choose.menu import Menu
from riskmap.choose.now import Named, Wear, wear_of
from riskmap.choose.part import Part
from riskmap.choose.pick import Pick
from riskmap.choose.words import agent_words, height_words, joined
from riskmap.model import Guard

__all__ = ["judge_guard_on", "judged", "loosen_hours", "remove_hours"]

MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
IDLE: Final = " What is on is of no use here any more: take it off where it is in the way."
APART: Final = frozenset({"ground", "spray"})  # kinds that a guard on the stem is not in the way of


def judge_guard_on(place: Place, alike: Alike, group: int, now: Named) -> Verdict:
    """Decide about a guard that is on: keep, loosen, add to it, swap, remove, or look.

    Parameters
    ----------
    place : Place
        What holds over the whole site.
    alike : Alike
        The groups.
    group : int
        Which of them.
    now : Named
        The guard that is on.
    """
    guard = now.guard
    assert guard is not None
    asked = Asked(place=place, alike=alike, group=group)
    wear = wear_of(
        guard,
        asked.stand,
        month=place.month,
        years_on=int(alike.years_on[group]),
        southern=place.southern,
        units=place.units,
    )
    if not asked.need.any():
        return _unneeded(asked, now, wear)
    if wear.outgrown:
        off = f"Take the {guard.label.lower()} off: {wear.outgrown}. "
        spoilt = Part(guard=guard, height_mm=0.0)
        return _put_back(asked, now, wear) or asked.fit(action="swap", before=off, taken_off=spoilt)
    if guard.kind == "spray" or guard.key == "weed_mat":  # wears off by itself, or guards against nothing
        return asked.fit()
    part = now.part(buried=not alike.hard[group])
    return _judge(asked, part, wear) if part is not None else _of_unknown_height(asked, guard, wear)


def _of_unknown_height(asked: Asked, guard: Guard, wear: Wear) -> Verdict:
    """Judge a guard at its lowest and its highest; where the two differ, somebody must measure it."""
    place, alike, group = asked.place, asked.alike, asked.group

    def at(height_mm: float) -> Verdict:
        gap_mm = guard.standoff_min_mm or 0.0
        part = Part(guard=guard, height_mm=height_mm, standoff_mm=gap_mm, buried=not alike.hard[group])
        return _judge(asked, part, wear)

    heights_mm = sorted(guard.heights_mm)
    if guard.kind == "wrap":  # wound from the base to the lowest branch
        return at(max((height for height in heights_mm if height <= asked.stand.clear_mm), default=heights_mm[0]))
    verdicts = {height_mm: at(height_mm) for height_mm in heights_mm}
    low, *_, high = verdicts.values()
    if low.action != "swap" or high.action == "swap":
        return low if low.action != "swap" else high
    enough_mm = next(height_mm for height_mm, verdict in verdicts.items() if verdict.action != "swap")
    text = height_words(enough_mm, place.units)
    return look_at(f"Measure the {guard.label.lower()} that is on: {text} or more is enough.", place, asked.need)


def _put_back(asked: Asked, now: Named, wear: Wear) -> Verdict | None:
    """Take a winter guard off now and put the same one on again, where it is out of season and does its work alone."""
    part, place = now.part(buried=not bool(asked.alike.hard[asked.group])), asked.place
    if part is None or not part.guard.seasonal or place.month in part.months(southern=place.southern):
        return None
    menu, (pick, _, _) = asked.picks(part)
    if pick is None or pick.parts != (part,):
        return None
    reason = explain(menu, pick, asked.need, asked.must, asked.stand, place.units)
    verdict = asked.verdict("remove", "", menu, pick)
    month = MONTHS[verdict.on_month - 1]
    hours = round(remove_hours(part.guard, place) + part.guard.minutes / 60, 4)
    return replace(
        verdict,
        reason=f"Take it off now: {wear.outgrown}. Put it back on in {month}. {reason}",
        cost=place.paid(hours),
        hours=hours,
    )


def _unneeded(asked: Asked, now: Named, wear: Wear) -> Verdict:
    """A guard on a tree that no agent at or above the floor bears on."""
    guard, place = now.guard, asked.place
    assert guard is not None
    buried, gap_mm = not asked.alike.hard[asked.group], guard.standoff_min_mm or 0.0
    tallest = Part(guard=guard, height_mm=max(guard.heights_mm, default=0.0), standoff_mm=gap_mm, buried=buried)
    known = now.part(buried=buried)
    part = known or tallest  # of unknown height: as much as it may do
    menu = asked.question(part)[0]
    helped = asked.helped(menu, part)
    harmless = guard.kind in {"ground", "paint", "spray"} or guard.group
    name = guard.label.lower()
    if harmless or (helped.any() and not wear.outgrown and not wear.tight):
        against = joined([agent_words(agent) for agent in keys_of(place.agents, helped)])
        why = f"it still helps against {against}" if against else "it does no harm"
        verdict = asked.verdict("keep", f"The {name} stays: {why}.", menu, asked.with_on(menu, part))
        return verdict if known else replace(verdict, guard=guard.label, height_mm=float("nan"))
    why = wear.outgrown or "no agent is left that it could stop"
    hours = remove_hours(guard, place)
    reason = f"Take the {name} off: {why}."
    return Verdict(action="remove", reason=reason, cost=place.paid(hours), hours=hours)


def remove_hours(guard: Guard, place: Place) -> float:
    """Return the work of taking a guard off."""
    return round(guard.minutes / 60 * place.catalogue.rates.remove_share, 4)


def _judge(asked: Asked, part: Part, wear: Wear) -> Verdict:
    """Keep a guard that does its work, add to it, loosen it, or swap it."""
    menu, (pick, _, _) = asked.picks(part)
    if pick is None:
        lacks = shortfall(menu, part, asked.need, asked.stand, asked.place.units)
        before = f"Take off: {part.label(asked.place.units)}{lacks}. "
        return asked.fit(action="swap", before=before, taken_off=part)
    if part not in pick.parts and all(one.guard.kind in APART for one in pick.parts) and asked.helped(menu, part).any():
        pick = asked.with_on(menu, part, pick.parts)
    return judged(asked, menu, pick, part, wear, more=asked.left_open(menu, pick))


def judged(asked: Asked, menu: Menu, pick: Pick, part: Part, wear: Wear, *, more: str = "") -> Verdict:
    """Return the verdict on a guard that is on, given the set chosen.

    Parameters
    ----------
    asked : Asked
        The trees.
    menu : Menu
        The place.
    pick : Pick
        The set chosen, with or without the guard that is on.
    part : Part
        The guard that is on.
    wear : Wear
        Whether it must be loosened.
    more : str
        Why the set leaves something open.
    """
    units = asked.place.units
    name = part.label(units)
    does = asked.need & (menu.level[menu.parts.index(part)] > 0)
    said = asked.need if does.any() or part not in pick.parts else asked.need | asked.helped(menu, part)
    reason = explain(menu, pick, said, asked.must, asked.stand, units) + more
    if part not in pick.parts:
        lacks = shortfall(menu, part, asked.need, asked.stand, units)
        return asked.verdict("swap", f"Take off: {name}{lacks}. {reason}", menu, pick, taken_off=part)
    added = tuple(other for other in pick.parts if other != part)
    tight = f" Loosen it: {wear.tight}." if wear.tight else ""
    if added:
        idle = "" if (said & (menu.level[menu.parts.index(part)] > 0)).any() else IDLE
        verdict = asked.verdict("fit", f"Keep what is on ({name}) and add to it.{tight} {reason}{idle}", menu, pick)
        hours = loosen_hours(part, wear)
        return replace(
            verdict,
            cost=round(verdict.cost + asked.place.paid(hours), 2),
            hours=round(verdict.hours + hours, 4),
            guard=named(added, units),
            keys="; ".join(other.guard.key for other in added),
            height_mm=max(other.height_mm for other in added) or float("nan"),
        )
    verdict = asked.verdict("loosen" if wear.tight else "keep", f"On already.{tight} {reason}", menu, pick)
    hours = loosen_hours(part, wear)
    return replace(verdict, cost=asked.place.paid(hours), hours=hours)


def loosen_hours(part: Part, wear: Wear) -> float:
    """Return the work of loosening a guard that is on and stays: as long as fitting it, where it must be loosened."""
    return round(part.guard.minutes / 60, 4) if wear.tight else 0.0
