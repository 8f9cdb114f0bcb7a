"""Why a set of guards was chosen, in sentences with both numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from riskmap.choose.demand import Ground
from riskmap.choose.fit import fit_part
from riskmap.choose.menu import Menu
from riskmap.choose.part import Part
from riskmap.choose.pick import FULL, Pick
from riskmap.choose.say import sentence
from riskmap.choose.suit import Stand, unsuited
from riskmap.choose.words import agent_words, joined, money_words
from riskmap.model import BoolArray, FloatArray

__all__ = ["explain", "most_held", "named", "neighbour", "shortfall", "would_stop"]


def named(parts: tuple[Part, ...], units: str) -> str:
    """Return a set's name: parts joined by plus signs, inner first."""
    return " + ".join(part.label(units) for part in parts)


def explain(menu: Menu, pick: Pick, need: BoolArray, must: BoolArray, stand: Stand, units: str) -> str:
    """Return what each part stops and what stays open, with the numbers that decide.

    Parameters
    ----------
    menu : Menu
        Where the agents, the ground and all other guards stand.
    pick : Pick
        The set chosen.
    need, must : ndarray, shape (agent,)
        Agents that guards are chosen against; of these, agents that have to be stopped.
    stand : Stand
        The tree.
    units : {"metric", "us"}
        Units that people read.
    """
    said = []
    ground = replace(menu.ground, stem_mm=stand.stem_mm)
    credited = {int(place): _credited(pick, menu.agents[place], ground) for place in np.flatnonzero(need)}
    for part in pick.parts:
        ours = [place for place, (by, level) in credited.items() if by == part and level > 0]
        words = [sentence(fit_part(part, menu.agents[place], ground), units) for place in ours]
        full = [text.removeprefix("stops ") for text in words if text.startswith("stops ")]
        partly = [text for text in words if not text.startswith("stops ")]
        does = "; ".join(filter(None, ["stops " + ", ".join(full) if full else "", *partly]))
        said.append(f"{part.label(units)}: {does or _outlasts(part, credited, menu, ground) or 'adds nothing here'}.")
    if pick.follows:
        said.append("The two take turns through the year.")
    for place, (_, level) in credited.items():
        if level == 0 and must[place]:
            said.append(_open_words(menu, pick, place, stand, units))
        elif level < FULL and must[place]:
            said.append(would_stop(menu, place, stand, units))
    return " ".join(said)


def most_held(menu: Menu, pick: Pick, need: BoolArray, must: BoolArray, stand: Stand) -> str:
    """Return why the best set leaves open what a guard that fits would stop; empty where it leaves nothing such.

    Parameters
    ----------
    menu : Menu
        Where the agents, the ground and all other guards stand.
    pick : Pick
        The set that holds most of what the agents cost.
    need, must : ndarray, shape (agent,)
        Agents that guards are chosen against; of these, agents that have to be stopped.
    stand : Stand
        The tree.
    """
    left = np.flatnonzero(must & (pick.level < FULL))
    if all(all(_why_not(menu, int(place), stand, "metric")[0].values()) for place in left):
        return ""
    whom = "all of them" if need.sum() > 1 else "it"
    return f" No set that fits here stops {whom}; this one keeps off most of what would be lost."


def shortfall(menu: Menu, part: Part, need: BoolArray, stand: Stand, units: str) -> str:
    """Return what a guard that is on fails to stop, as the rest of a sentence; empty where it stops all in need.

    Parameters
    ----------
    menu : Menu
        Where the agents and the ground stand.
    part : Part
        The guard that is on.
    need : ndarray, shape (agent,)
        Agents that must be stopped.
    stand : Stand
        The tree.
    units : {"metric", "us"}
        Units that people read.
    """
    ground = replace(menu.ground, stem_mm=stand.stem_mm)
    answers = [fit_part(part, menu.agents[place], ground) for place in np.flatnonzero(need)]
    lacks = joined([sentence(answer, units) for answer in answers if answer.level < FULL])
    return f", which {lacks}" if lacks else ""


def _credited(pick: Pick, agent: str, ground: Ground) -> tuple[Part, int]:
    """The part that does most against an agent, and how much."""
    answers = [fit_part(part, agent, ground) for part in pick.parts]
    best = max(range(len(answers)), key=lambda number: (answers[number].level, -answers[number].leaves, -number))
    return pick.parts[best], answers[best].level


def _outlasts(part: Part, credited: Mapping[int, tuple[Part, int]], menu: Menu, ground: Ground) -> str:
    """What a part goes on stopping when the part that does as much is worn out; empty where it outlasts none."""
    longer = []
    for place, (by, level) in credited.items():
        ours, theirs = (fit_part(each, menu.agents[place], ground) for each in (part, by))
        if level > 0 and ours.leaves <= theirs.leaves and part.guard.life_years > by.guard.life_years:
            longer.append(agent_words(menu.agents[place]))
    return f"goes on against {joined(longer)} when the other is worn out" if longer else ""


def _open_words(menu: Menu, pick: Pick, place: int, stand: Stand, units: str) -> str:
    """Why one agent stays open: what the set lacks, and why what would stop it does not go here."""
    agent, ground = menu.agents[place], replace(menu.ground, stem_mm=stand.stem_mm)
    each = [sentence(fit_part(part, agent, ground), units) for part in pick.parts]
    if len(each) > 1:
        each = [f"{part.label(units)} {lacking}" for part, lacking in zip(pick.parts, each, strict=True)]
    lacks = joined(each)
    return f"Left open: {lacks}. {would_stop(menu, place, stand, units)}".strip()


def would_stop(menu: Menu, place: int, stand: Stand, units: str) -> str:
    """Return why no guard here stops an agent: the cheapest that would, and why it can't be used."""
    whom = agent_words(menu.agents[place])
    why, first = _why_not(menu, place, stand, units)
    if not why:
        return f"No guard for single trees that may be used stops {whom} here."
    part = min(why, key=lambda at: (bool(why[at]), first[at], at))
    label = menu.parts[part].label(units)
    return (
        f"{label} would stop {whom}, but not here: {why[part]}."
        if why[part]
        else f"{label} would stop {whom} in its place."
    )


def _why_not(menu: Menu, place: int, stand: Stand, units: str) -> tuple[dict[int, str], FloatArray]:
    """Why each part that stops an agent does not go here, empty where it does; and what every part costs."""
    first = menu.shelf.prices_at(stand.stem_mm).first(menu.shelf.rates.hour)
    able = [int(part) for part in np.flatnonzero(menu.level[:, place] >= FULL) if not np.isnan(first[part])]
    return {part: unsuited(menu.parts[part], stand, units) for part in able}, first


def neighbour(menu: Menu, pick: Pick, need: BoolArray, currency: str, units: str) -> dict[str, object]:
    """Return a set beside the one chosen: its name, what it costs and what it leaves open.

    Parameters
    ----------
    menu : Menu
        Where the agents stand.
    pick : Pick
        The next cheaper or the next better set.
    need : ndarray, shape (agent,)
        Agents that had to be stopped.
    currency : str
        Of the money.
    units : {"metric", "us"}
        Units that people read.
    """
    left = [menu.agents[place] for place in np.flatnonzero(need & (pick.level < FULL))]
    return {
        "guard": named(pick.parts, units),
        "keys": [part.guard.key for part in pick.parts],
        "cost": round(pick.first, 2),
        "cost_words": money_words(pick.first, currency),
        "leaves_open": left,
    }
