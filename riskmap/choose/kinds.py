"""At most so many kinds of guard on one site: crews carry few tools, rolls are bought whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from riskmap.choose.asked import Place, Verdict
from riskmap.model import IntArray

__all__ = ["keep_kinds", "keys_used", "only_kinds"]

LEFT_OPEN: Final = 1e6  # money that an agent left open counts as: no saving is worth one


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


def keep_kinds(
    place: Place, verdicts: list[Verdict], count: IntArray, most: int, decide: Callable[[Place, int], Verdict]
) -> tuple[Place, list[Verdict]]:
    """Drop one kind after another, each time the one that costs least to do without, until few enough are left.

    Parameters
    ----------
    place : Place
        What holds over the whole site.
    verdicts : list of Verdict
        What is best for each group with every kind.
    count : ndarray, shape (group,)
        Trees of each group.
    most : int
        Kinds that may be used.
    decide : callable
        Decides for one group at a place.

    Returns
    -------
    tuple of Place and list of Verdict
        The place with the kinds that are left, and what is best there.

    Notes
    -----
    An agent left open weighs more than any saving. The result is good, not proven best.
    """
    kinds = keys_used(verdicts)
    while len(kinds) > most:
        tries = []
        for key in sorted(kinds):
            without = only_kinds(place, kinds - {key})
            groups = [group for group, verdict in enumerate(verdicts) if key in verdict.keys.split("; ")]
            changed = {group: decide(without, group) for group in groups}
            dearer = sum(count[group] * (_burden(new) - _burden(verdicts[group])) for group, new in changed.items())
            tries.append((float(dearer), key, without, changed))
        _, key, place, changed = min(tries, key=lambda one: one[:2])
        verdicts = [changed.get(group, verdict) for group, verdict in enumerate(verdicts)]
        kinds -= {key}
    return place, verdicts


def _burden(verdict: Verdict) -> float:
    """What one tree costs over the years, with what is left open."""
    opened = len(verdict.open.split("; ")) if verdict.open else 0
    return float(np.nan_to_num(verdict.over)) + LEFT_OPEN * opened
