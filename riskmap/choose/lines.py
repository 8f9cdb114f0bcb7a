"""Shared fences that may be built: of what, what they cost, and what they stop."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely

from riskmap import tables
from riskmap.choose.asked import Asked, Place, Verdict
from riskmap.choose.context import Alike
from riskmap.choose.cost import Rates, times_bought
from riskmap.choose.demand import Ground
from riskmap.choose.explain import explain
from riskmap.choose.fences import FenceKind
from riskmap.choose.fit import quick_level
from riskmap.choose.menu import Menu
from riskmap.choose.part import Part
from riskmap.choose.pick import FULL, Pick
from riskmap.choose.words import count_words, height_words, money_words
from riskmap.model import FloatArray, IntArray

__all__ = ["FenceLine", "equal_shares", "fence_facts", "fence_lines", "fenced_verdict", "ground_of"]

SKIRTED: Final = ("fence_deer_woven", "fence_deer_plastic")  # fences that a rabbit fence may be fastened to
SKIRT: Final = "fence_rabbit"
STEPPED_OVER_MM: Final = 1250.0  # a lower fence needs no gate


@dataclass(frozen=True, slots=True, kw_only=True)
class FenceLine:
    """One kind of shared fence: what it is built of, and its money."""

    parts: tuple[Part, ...]
    kind: FenceKind  # over the years
    rate: float  # money a metre now
    gate: float
    years: float
    gated: bool  # too high to step over
    rate_span: tuple[float, float]  # at low and at high prices
    gate_span: tuple[float, float]

    def stops(self, agents: tuple[str, ...], ground: Ground) -> tuple[IntArray, FloatArray]:
        """Return what it does against every agent: level, and share of the pressure left."""
        answers = [[quick_level(part, agent, ground) for agent in agents] for part in self.parts]
        level = np.array([[answer[0] for answer in row] for row in answers]).max(axis=0)
        leaves = np.array([[answer[1] for answer in row] for row in answers]).min(axis=0)
        return level, leaves

    def lasting(self, agents: tuple[str, ...], ground: Ground) -> tuple[FloatArray, FloatArray]:
        """Return the share of every agent's pressure that it takes off, and for how long."""
        leaves = np.array([[quick_level(part, agent, ground)[1] for agent in agents] for part in self.parts])
        life = np.array([part.guard.life_years for part in self.parts])
        least = leaves.min(axis=0)
        return 1 - least, np.where(leaves <= least, life[:, None], 0.0).max(axis=0)

    def money(self, area: Any) -> float:
        """Return what it costs now round some ground, in whole cents."""
        return round(self.rate * float(area.length) + self.gate, 2)

    def money_span(self, area: Any) -> tuple[float, float]:
        """Return the same at low and at high prices."""
        low, high = (
            round(rate * float(area.length) + gate, 2)
            for rate, gate in zip(self.rate_span, self.gate_span, strict=True)
        )
        return low, high

    def share_per_year(self, area: Any, many: int) -> float:
        """Return each tree's share of it a year, renewals included."""
        return round((self.kind.rate * float(area.length) + self.gate) / many / self.years, 2)


def fence_lines(place: Place, years: float) -> list[FenceLine]:
    """Return the kinds of fence that may be built, with a rabbit fence fastened to a deer fence as one more."""
    rates = place.catalogue.rates
    standoff_m = tables.work_figures()["fence_standoff_m"].central
    every = [
        Part(guard=guard, height_mm=max(guard.heights_mm), standoff_mm=standoff_m * 1000)
        for guard in place.catalogue.guards
        if guard.group and guard.heights_mm
    ]
    priced = {part.guard.key: part for part in every if not math.isnan(_a_metre(part, rates))}
    built = [(key,) for key in priced] + [(key, SKIRT) for key in SKIRTED if key in priced and SKIRT in priced]
    found = []
    for keys in built:
        parts = tuple(priced[key] for key in keys)
        prices = [_a_metre(part, rates) for part in parts]
        renewed = sum(
            price * float(times_bought(years, part.guard.life_years)) for price, part in zip(prices, parts, strict=True)
        )
        gated = max(part.top_mm for part in parts) > STEPPED_OVER_MM
        gate = rates.small.get("gate", 0.0) if gated else 0.0
        kind = FenceKind(key="; ".join(keys), rate=renewed, gate=gate, standoff_m=standoff_m)
        spans = [rates.span_of(part.guard) for part in parts]
        low, high = (sum(price * span[end] for price, span in zip(prices, spans, strict=True)) for end in range(2))
        found.append(
            FenceLine(
                parts=parts,
                kind=kind,
                rate=sum(prices),
                gate=gate,
                years=years,
                gated=gated,
                rate_span=(low, high),
                gate_span=rates.spans.get("gate", (gate, gate)) if gated else (0.0, 0.0),
            )
        )
    return found


def _a_metre(part: Part, rates: Rates) -> float:
    """Price of a metre of fence: the user's where there is one, of a roll by its length; nan where nobody knows."""
    price, _, roll_m = rates.price_of(part)
    return price / roll_m if roll_m else price


def ground_of(place: Place, alike: Alike, group: int) -> Ground:
    """Return the ground of one group, as fences see it."""
    return place.ground(float(alike.snow_mm[group]), float(alike.pile_mm[group]))


def fence_facts(place: Place, alike: Alike, line: FenceLine, area: Any, trees: IntArray, number: int) -> dict[str, Any]:
    """Return one fence as the result holds it.

    Parameters
    ----------
    place, alike
        Guards and rates, and the groups of trees that are alike.
    line : FenceLine
        What it is built of.
    area : Polygon
        The ground inside.
    trees : ndarray
        Trees inside that it is for.
    number : int
        Its number on the map.
    """
    groups = np.unique(alike.group[trees])
    levels = np.array([line.stops(place.agents, ground_of(place, alike, int(group)))[0] for group in groups])
    stopped = (alike.need[groups] & (levels >= FULL)).any(axis=0)
    return {
        "number": number,
        "keys": [part.guard.key for part in line.parts],
        "label": " with ".join(part.label(place.units) for part in line.parts),
        "line": shapely.get_exterior_ring(area),
        "trees": trees,
        "length_m": round(float(area.length), 1),
        "area_m2": round(float(area.area), 1),
        "gates": int(line.gated),
        "cost": line.money(area),
        "cost_span": line.money_span(area),
        "currency": place.catalogue.rates.currency,
        "stops": [place.agents[at] for at in np.flatnonzero(stopped)],
    }


def equal_shares(cost: float, many: int) -> FloatArray:
    """Return equal shares in whole cents that add up."""
    cents = round(cost * 100)
    each = np.full(many, cents // many, dtype=np.float64)
    each[: cents % many] += 1
    return each / 100


def fenced_verdict(asked: Asked, line: FenceLine, told: Mapping[str, Any], menu: Menu, inner: Pick | None) -> Verdict:
    """Return what to do at trees of one group inside one fence: what the fence stops, and guards for the rest.

    Parameters
    ----------
    asked : Asked
        The group.
    line : FenceLine
        What the fence is built of.
    told : mapping
        The fence, as `fence_facts` tells it.
    menu : Menu
        The place.
    inner : Pick or None
        Guards for single trees inside.
    """
    place, alike = asked.place, asked.alike
    level, leaves = line.stops(place.agents, ground_of(place, alike, asked.group))
    pick = Pick(
        parts=(*line.parts, *(inner.parts if inner else ())),
        follows=False,
        level=np.maximum(level, inner.level if inner else 0).astype(np.int8),
        leaves=np.minimum(leaves, inner.leaves if inner else 1.0),
        first=inner.first if inner else 0.0,
        hours=inner.hours if inner else 0.0,
        over=inner.over if inner else 0.0,
        drawn=inner.drawn if inner else (),
    )
    length = height_words(told["length_m"] * 1000, place.units)
    many = count_words(len(told["trees"]), "tree")
    share = money_words(told["cost"] / len(told["trees"]), told["currency"])
    reason = explain(menu, pick, asked.need, asked.must, asked.stand, place.units)
    before = f"Shared fence {told['number']}, {length} round {many}, {share} a tree. "
    verdict = asked.verdict("fit", before + reason, menu, pick)
    cover, life = line.lasting(place.agents, ground_of(place, alike, asked.group))
    theirs = np.where((cover > 0) & (1 - cover <= leaves), life, 0.0)
    return replace(verdict, lasts=tuple(np.maximum(verdict.lasts, theirs).tolist()))
