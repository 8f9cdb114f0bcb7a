"""At most so many kinds of guard on one site: crews carry few tools, rolls are bought whole."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Generic, TypeVar

import numpy as np

from riskmap.choose.asked import Place, Verdict
from riskmap.model import BoolArray, FloatArray

__all__ = ["Kept", "Tried", "burden", "keep_kinds", "keys_used", "only_kinds"]

LEFT_OPEN: Final = 1e6  # money that a tree left wholly open counts as: no saving is worth one
MOST_TRIED: Final = 60  # sets of kinds that are looked at
NEAR: Final = 1e-9
T = TypeVar("T")


def only_kinds(place: Place, kinds: frozenset[str]) -> Place:
    """Return the same place with some kinds of guard only; shared fences stay, they are built apart.

    Parameters
    ----------
    place : Place
        What holds over the whole site.
    kinds : frozenset of str
        Keys of guards for single trees.
    """
    guards = tuple(guard for guard in place.catalogue.guards if guard.group or guard.key in kinds)
    return replace(place, catalogue=replace(place.catalogue, guards=guards), shelves={}, menus={})


def keys_used(verdicts: list[Verdict]) -> frozenset[str]:
    """Return the kinds of guard that are bought."""
    bought = (verdict.keys.split("; ") for verdict in verdicts if verdict.action in {"fit", "swap"} and verdict.keys)
    return frozenset(key for keys in bought for key in keys)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried(Generic[T]):
    """What is best with some kinds.

    Attributes
    ----------
    total : float
        What it costs, or less than nothing where it gains: the less the better.
    least : float
        No choice among these kinds, or among fewer of them, costs less.
    used : mapping
        Kinds that it buys, with how much hangs on each.
    found : object
        The choice itself.
    """

    total: float
    least: float
    used: Mapping[str, float]
    found: T


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept(Generic[T]):
    """The best choice found with few enough kinds; `least` is what no such choice goes below."""

    tried: Tried[T]
    least: float

    @property
    def proven(self) -> bool:
        """Whether nothing better can be."""
        return self.tried.total - self.least <= NEAR * max(abs(self.tried.total), 1.0)

    def told(self, *, sure: bool = True) -> dict[str, Any]:
        """Return what run.json says of it.

        Parameters
        ----------
        sure : bool
            No choice gets better with fewer kinds; else nothing is proven, and there is no gap to tell.
        """
        gap = 0.0 if self.proven else (self.tried.total - self.least) / max(abs(self.tried.total), 1.0)
        return {"used": sorted(self.tried.used), "proven": sure and self.proven, "gap": gap if sure else None}


def keep_kinds(attempt: Callable[[frozenset[str]], Tried[T]], kinds: frozenset[str], most: int) -> Kept[T]:
    """Return the best choice with few enough kinds, by branching over whether a kind may be used.

    Parameters
    ----------
    attempt : callable
        Given kinds that may be used, returns the best choice among them.
    kinds : frozenset of str
        All kinds.
    most : int
        Kinds that may be used.

    Notes
    -----
    First one kind after another is dropped, each time the one on which least hangs. Then sets of kinds that could
    still be better are worked through, the most promising first, until none is left or `MOST_TRIED` were looked at;
    what the rest could reach at best is the proven bound. It rests on this: with fewer kinds no choice gets better.

    Examples
    --------
    Three kinds save 5, 4 and 3 where all cost 12; two may be used:

    >>> def attempt(kinds):
    ...     worth = {key: {"a": 5.0, "b": 4.0, "c": 3.0}[key] for key in kinds}
    ...     return Tried(total=12 - sum(worth.values()), least=12 - sum(worth.values()), used=worth, found=None)
    >>> kept = keep_kinds(attempt, frozenset("abc"), 2)
    >>> kept.told()
    {'used': ['a', 'b'], 'proven': True, 'gap': 0.0}
    """
    known: dict[frozenset[str], Tried[T]] = {}

    def tried(some: frozenset[str]) -> Tried[T]:
        if some not in known:
            known[some] = attempt(some)
        return known[some]

    best = first = tried(kinds)
    while len(best.used) > most:
        dropped = min(sorted(best.used), key=lambda key: best.used[key])
        best = tried(frozenset(best.used) - {dropped})
    number = itertools.count()
    nodes: list[tuple[float, int, frozenset[str], frozenset[str]]] = [
        (first.least, next(number), kinds, frozenset[str]())
    ]
    closed = math.inf
    while nodes and len(known) < MOST_TRIED:
        least, _, allowed, kept = heapq.heappop(nodes)
        if least >= best.total - NEAR * max(abs(best.total), 1.0):
            closed = min(closed, least)
            break
        here = tried(allowed)
        if len(here.used) <= most:
            best = min(best, here, key=lambda one: one.total)
            closed = min(closed, here.least)
            continue
        key = max(sorted(set(here.used) - kept), key=lambda one: here.used[one])
        for some, sure in ((allowed - {key}, kept), (allowed, kept | {key})):
            only = sure if len(sure) == most else some
            heapq.heappush(nodes, (max(least, tried(only).least), next(number), only, sure))
    bound = min([closed, best.total, *(node[0] for node in nodes)])
    return Kept(tried=best, least=bound)


def burden(verdict: Verdict, need: BoolArray, shares: FloatArray) -> float:
    """Return what one tree costs over the years, with what is left of the agents that should have been stopped.

    Parameters
    ----------
    verdict : Verdict
        What to do.
    need : ndarray, shape (agent,)
        Agents to be stopped.
    shares : ndarray, shape (agent,)
        What a year of damage by each costs, as a share of the tree.
    """
    over = float(np.nan_to_num(verdict.over))
    if verdict.action == "look" or verdict.open:
        leaves = np.array(verdict.leaves) if verdict.leaves else np.ones(len(need))
        over += LEFT_OPEN * float((leaves * shares)[need].sum())
    return over
