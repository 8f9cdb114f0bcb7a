"""Whether a guard stops an agent, worked out from its measures, with every number that decided it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeAlias

from riskmap.choose.demand import Clause, Ground, months_of, ways_against
from riskmap.choose.part import Part

__all__ = ["Answer", "Check", "fit_part", "quick_level"]

WORD_WEIGHT = 10  # a guard of another kind is farther from a demand than one that is too low


_LiveWay: TypeAlias = tuple[int, float, tuple[str, ...], tuple[tuple[Clause, float | None], ...], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One measure of the guard beside what is needed."""

    clause: Clause
    has: float | str | None
    needs: float | str
    holds: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a guard does against one agent: 3 stops, 2 stops at the published minimum, 1 partly, 0 no.

    Attributes
    ----------
    leaves : float
        Share of the pressure that is left.
    checks : tuple of Check
        The comparisons of the way that holds; empty at level 0.
    short : tuple of Check
        At levels 0 and 1: what fails of the full way that comes nearest.
    """

    agent: str
    level: int
    leaves: float
    way: str
    checks: tuple[Check, ...] = ()
    short: tuple[Check, ...] = ()
    chewed: bool = False


@lru_cache(maxsize=200_000)
def fit_part(part: Part, agent: str, ground: Ground) -> Answer:
    """Work out what one guard does against one agent at one place.

    Parameters
    ----------
    part : Part
        The guard with its height and stand-off.
    agent : str
        Key of the agent.
    ground : Ground
        Snow, flood, deer and stem at the tree.

    Returns
    -------
    Answer
        The best way that holds; of several kinds of deer, the kind that is stopped least.
    """
    if agent in part.guard.chewed_by:
        return Answer(agent=agent, level=0, leaves=1.0, way="", chewed=True)
    if agent == "deer_browse":
        return min(
            (_best(part, agent, ground, kind) for kind in ground.deer),
            key=lambda answer: (answer.level, -answer.leaves),
        )
    return _best(part, agent, ground, "")


@lru_cache(maxsize=20_000)
def _live_ways(part: Part, agent: str, southern: bool) -> tuple[_LiveWay, ...]:
    """Ways whose clauses that do not hang on the place all hold, with those that do; the strongest first."""
    bare = Ground(southern=southern)
    live = []
    for way in ways_against(agent):
        fixed = [clause for clause in way.clauses if not clause.above and clause.measure != "stem_mm"]
        if all(_check(clause, part, agent, bare).holds for clause in fixed):
            local = [clause for clause in way.clauses if clause.above or clause.measure == "stem_mm"]
            tops = tuple((clause, part.measure(clause.measure)) for clause in local if clause.above)
            least_mm = max((clause.number_mm for clause in local if not clause.above), default=0.0)
            live.append((way.level, way.row.leaves, way.deer, tops, least_mm))
    return tuple(sorted(live, key=lambda way: (-way[0], way[1])))


def quick_level(part: Part, agent: str, ground: Ground) -> tuple[int, float]:
    """Return what `fit_part` works out, level and share left, without the reasons.

    Examples
    --------
    >>> from riskmap import tables
    >>> tube = Part(guard=tables.guards()["shelter_solid"], height_mm=1800)
    >>> quick_level(tube, "deer_browse", Ground(snow_mm=300)), quick_level(tube, "beaver", Ground())
    ((2, 0.0), (0, 1.0))
    """
    if agent in part.guard.chewed_by:
        return 0, 1.0
    ways = _live_ways(part, agent, ground.southern)
    if agent == "deer_browse":
        return min(
            (_first_that_holds(ways, ground, kind) for kind in ground.deer), key=lambda found: (found[0], -found[1])
        )
    return _first_that_holds(ways, ground, "")


def _first_that_holds(ways: tuple[_LiveWay, ...], ground: Ground, kind: str) -> tuple[int, float]:
    """Level and share left of the strongest way that holds at this place."""
    for level, leaves, deer, tops, least_mm in ways:
        if kind and deer and kind not in deer:
            continue
        if least_mm and not ground.stem_mm >= least_mm:
            continue
        if all(has is not None and has >= clause.needed_mm(ground) - 1e-9 for clause, has in tops):
            return level, leaves
    return 0, 1.0


def _best(part: Part, agent: str, ground: Ground, kind: str) -> Answer:
    """The best way that holds, with what the nearest full way lacks where none stops the agent."""
    best = Answer(agent=agent, level=0, leaves=1.0, way="")
    nearest: tuple[tuple[int, int, int], tuple[Check, ...]] | None = None
    ways = ways_against(agent)
    fullest = max((way.level for way in ways), default=0)
    for way in ways:
        if kind and way.deer and kind not in way.deer:
            continue
        checks = tuple(_check(clause, part, agent, ground) for clause in way.clauses)
        missed = tuple(check for check in checks if not check.holds)
        if not missed and (way.level, -way.row.leaves) > (best.level, -best.leaves):
            best = Answer(agent=agent, level=way.level, leaves=way.row.leaves, way=way.row.way, checks=checks)
        if missed and way.level >= min(fullest, 2):
            alike = sum(check.holds and check.clause.sense == "=" for check in checks)
            distance = (sum(map(_weight, missed)), -alike, way.level)
            if nearest is None or distance < nearest[0]:
                nearest = (distance, missed)
    if best.level > 1 or nearest is None:
        return best
    return replace(best, short=nearest[1])


def _weight(check: Check) -> int:
    """How far a failed check is from holding: words count more than numbers."""
    return WORD_WEIGHT if check.clause.sense == "=" or check.has is None else 1


def _check(clause: Clause, part: Part, agent: str, ground: Ground) -> Check:
    """Compare one clause with the guard; a blank never holds."""
    if clause.sense == "on":
        return _check_months(clause, part, ground)
    if clause.sense == "=":
        return _check_words(clause, part, agent)
    needs = clause.needed_mm(ground)
    has = ground.stem_mm if clause.measure == "stem_mm" else part.measure(clause.measure)
    if has is None or math.isnan(has):
        return Check(clause=clause, has=None, needs=needs, holds=False)
    holds = has <= needs + 1e-9 if clause.sense == "<=" else has >= needs - 1e-9
    return Check(clause=clause, has=has, needs=needs, holds=holds)


def _check_words(clause: Clause, part: Part, agent: str) -> Check:
    """Compare kind, mesh, solid, stiff or repels."""
    guard = part.guard
    if clause.measure == "repels":
        repels = agent in guard.repels
        return Check(clause=clause, has="yes" if repels else "no", needs="yes", holds=repels)
    value = getattr(guard, clause.measure)
    has = {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
    return Check(clause=clause, has=has, needs="|".join(clause.words), holds=has in clause.words)


def _check_months(clause: Clause, part: Part, ground: Ground) -> Check:
    """Whether it is on in all the months asked for."""
    first, last = (int(word) for word in clause.words)
    wanted = months_of(first, last, southern=ground.southern)
    on = wanted & part.months(southern=ground.southern)
    return Check(clause=clause, has=float(len(on)), needs=float(len(wanted)), holds=on == wanted)
