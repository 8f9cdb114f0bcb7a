"""Where one shared fence beats single guards: on the ground, clear of water, drives and roads, with its line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from riskmap import tables
from riskmap.choose.asked import Asked, Place, Verdict
from riskmap.choose.context import Alike
from riskmap.choose.demand import Ground
from riskmap.choose.explain import explain
from riskmap.choose.fences import FenceKind, Fencing, choose_fences
from riskmap.choose.fit import quick_level
from riskmap.choose.menu import Menu
from riskmap.choose.part import Part
from riskmap.choose.pick import FULL, Pick, pick_guards
from riskmap.choose.words import count_words, height_words, money_words
from riskmap.model import BoolArray, FloatArray, IntArray, Site

__all__ = ["Shared", "no_fences", "share_fences"]

SKIRTED: Final = ("fence_deer_woven", "fence_deer_plastic")  # fences that a rabbit fence may be fastened to
SKIRT: Final = "fence_rabbit"
CLEAR_OF: Final = frozenset({"water", "driveway", "road"})
STEPPED_OVER_MM: Final = 1250.0  # a lower fence needs no gate
TINY: Final = 1e-9  # money
CLEAR_M: Final = 0.5  # a fence keeps this far from water, drives and roads
CORNERS: Final = 4  # a quarter circle of a fence line has so many sides
MOST_CORNERS: Final = 128  # of one piece of an obstacle: a link meets a piece at a price that grows with its corners
TINY_M: Final = 1.0  # smaller pieces are not cut further


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """Shared fences and what they change.

    Attributes
    ----------
    verdicts : list of Verdict
        Those given, and one more for every group of trees inside a fence.
    of_tree : ndarray, shape (tree,)
        Place of each tree's verdict.
    cost, cost_per_year : ndarray, shape (tree,)
        Each tree's share of its fence; 0 outside.
    fences : list of dict
        Each fence: its line, what it is made of, costs and stops.
    facts : dict
        What everything costs with single guards alone, as chosen, and at least.
    """

    verdicts: list[Verdict]
    of_tree: IntArray
    cost: FloatArray
    cost_per_year: FloatArray
    fences: list[dict[str, Any]]
    facts: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One kind of shared fence: what it is built of, and its money."""

    parts: tuple[Part, ...]
    kind: FenceKind  # over the years
    rate: float  # money a metre now
    gate: float

    def stops(self, agents: tuple[str, ...], ground: Ground) -> tuple[IntArray, FloatArray]:
        """Return what it does against every agent: level, and share of the pressure left."""
        answers = [[quick_level(part, agent, ground) for agent in agents] for part in self.parts]
        level = np.array([[answer[0] for answer in row] for row in answers]).max(axis=0)
        leaves = np.array([[answer[1] for answer in row] for row in answers]).min(axis=0)
        return level, leaves


def no_fences(verdicts: list[Verdict], of_tree: IntArray) -> Shared:
    """Return verdicts as they are, with no fence.

    Parameters
    ----------
    verdicts : list of Verdict
        What to do.
    of_tree : ndarray, shape (tree,)
        Place of each tree's verdict.
    """
    nothing = np.zeros(len(of_tree))
    return Shared(verdicts=verdicts, of_tree=of_tree, cost=nothing, cost_per_year=nothing.copy(), fences=[], facts={})


def share_fences(site: Site, place: Place, alike: Alike, verdicts: list[Verdict]) -> Shared:
    """Find the groups of trees for which one fence, with what is still needed inside, costs less.

    Parameters
    ----------
    site : Site
        Trees and ground.
    place : Place
        Guards and rates.
    alike : Alike
        Groups of trees that are alike.
    verdicts : list of Verdict
        What single guards do for each group.
    """
    same = no_fences(verdicts, alike.group)
    fit = np.array(
        [verdict.action == "fit" and not alike.guard_now[at] for at, verdict in enumerate(verdicts)], dtype=bool
    )
    able = fit & ~alike.hard
    trees = np.flatnonzero(able[alike.group] & site.trees.placed) if len(verdicts) else np.zeros(0, dtype=np.int64)
    if len(trees) < 3:
        return same
    years = float(alike.years[np.unique(alike.group[trees])].max())
    lines = _lines(place, years)
    inside = _inside(place, alike, verdicts, lines, np.unique(alike.group[trees]))
    own = np.array([verdict.over for verdict in verdicts])
    helped: BoolArray = np.asarray((own[:, None] - inside > TINY).any(axis=1))
    trees = trees[helped[alike.group[trees]]]
    if not _may_pay(own[alike.group[trees]], inside[alike.group[trees]], lines):
        return same
    survey = _Survey(
        place=place,
        alike=alike,
        lines=lines,
        ground=_Obstacles.of(site),
        trees=trees,
        xy_m=np.column_stack([site.trees.x_m, site.trees.y_m])[trees],
        own=own[alike.group[trees]],
        inside=inside[alike.group[trees]],
        years=years,
    )
    fencing = choose_fences(
        survey.xy_m,
        survey.own,
        survey.inside,
        tuple(line.kind for line in lines),
        crosses=survey.ground.crosses,
        allowed=lambda some, kind: survey.ground.length_m(survey.xy_m[some], lines[kind].kind.standoff_m),
        clear=lambda some: survey.ground.clear(survey.xy_m[some], max(line.kind.standoff_m for line in lines)),
    )
    return survey.apply(same, fencing)


def _lines(place: Place, years: float) -> list[_Line]:
    """Kinds of fence that may be built, with a rabbit fence fastened to a deer fence as one more."""
    work = tables.work_figures()
    gate, standoff_m = work["gate"].central, work["fence_standoff_m"].central
    guards = {guard.key: guard for guard in place.catalogue.guards if guard.group and guard.price_central is not None}
    built = [(key,) for key in guards] + [(key, SKIRT) for key in SKIRTED if key in guards and SKIRT in guards]
    found = []
    for keys in built:
        parts = tuple(
            Part(guard=guards[key], height_mm=max(guards[key].heights_mm), standoff_mm=standoff_m * 1000)
            for key in keys
        )
        prices = [guards[key].price_central or 0.0 for key in keys]
        renewed = sum(
            price * math.ceil(years / guards[key].life_years - 1e-9) for key, price in zip(keys, prices, strict=True)
        )
        gates = gate if max(part.top_mm for part in parts) > STEPPED_OVER_MM else 0.0
        kind = FenceKind(key="; ".join(keys), rate=renewed, gate=gates, standoff_m=standoff_m)
        found.append(_Line(parts=parts, kind=kind, rate=sum(prices), gate=gates))
    return found


def _ground(place: Place, alike: Alike, group: int) -> Ground:
    """The ground of one group."""
    return Ground(snow_mm=float(alike.snow_mm[group]), deer=place.deer, stem_mm=math.inf, southern=place.southern)


def _left_inside(place: Place, alike: Alike, group: int, line: _Line) -> BoolArray:
    """Agents that trees of one group still need guards against inside a fence."""
    level, _ = line.stops(place.agents, _ground(place, alike, group))
    return np.asarray(alike.need[group] & (level < FULL))


def _inner(place: Place, alike: Alike, group: int, need: BoolArray) -> tuple[Menu, Pick | None]:
    """The guards for what trees of one group still need inside a fence."""
    menu, question = Asked(place=place, alike=alike, group=group).question()
    return menu, pick_guards(menu, replace(question, need=need))[0] if need.any() else None


def _inside(place: Place, alike: Alike, verdicts: list[Verdict], lines: list[_Line], groups: IntArray) -> FloatArray:
    """What single guards inside each kind of fence cost, by group; as without it where it stops nothing."""
    own = np.array([verdict.over for verdict in verdicts])
    inside = np.repeat(own[:, None], len(lines), axis=1)
    for group in groups.tolist():
        cost: dict[bytes, float] = {alike.need[group].tobytes(): own[group]}
        for number, line in enumerate(lines):
            need = _left_inside(place, alike, group, line)
            if need.tobytes() not in cost:
                _, pick = _inner(place, alike, group, need)
                left = own[group] if need.any() else 0.0
                cost[need.tobytes()] = left if pick is None else min(pick.over, own[group])
            inside[group, number] = cost[need.tobytes()]
    return inside


def _may_pay(own: FloatArray, inside: FloatArray, lines: list[_Line]) -> bool:
    """Whether a fence of no length would pay for all trees together."""
    saved = (own[:, None] - inside).sum(axis=0)
    return any(saved[number] > line.kind.cost(0.0) for number, line in enumerate(lines))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Obstacles:
    """What a fence may not cross."""

    tree: shapely.STRtree
    pieces: shapely.STRtree  # the same ground cut small
    shapes: npt.NDArray[np.object_]
    half_m: FloatArray  # half the width of lines

    @classmethod
    def of(cls, site: Site) -> _Obstacles:
        """Gather water, drives and roads."""
        layers = [layer for layer in site.layers if layer.role in CLEAR_OF]
        shapes = np.concatenate([np.empty(0, dtype=object), *(layer.geometry for layer in layers)])
        width_m = np.concatenate([np.empty(0), *(layer.data.width_m for layer in layers)])
        return cls(
            tree=shapely.STRtree(shapes),
            pieces=shapely.STRtree(_cut_small(shapes)),
            shapes=shapes,
            half_m=np.nan_to_num(width_m, nan=0.0) / 2,
        )

    def crosses(self, start_m: FloatArray, end_m: FloatArray) -> BoolArray:
        """Return which straight links cross any of it."""
        links = shapely.linestrings(np.stack([start_m, end_m], axis=1))
        crossed = np.zeros(len(links), dtype=bool)
        crossed[np.unique(self.pieces.query(links, predicate="intersects")[0])] = True
        return crossed

    def clear(self, xy_m: FloatArray, standoff_m: float) -> BoolArray:
        """Return which trees lie so far off that no fence round them is cut back there."""
        within_m = standoff_m + CLEAR_M + self.half_m
        near = shapely.STRtree(shapely.points(xy_m)).query(self.shapes, predicate="dwithin", distance=within_m)[1]
        clear = np.ones(len(xy_m), dtype=bool)
        clear[near] = False
        return clear

    def area(self, xy_m: FloatArray, standoff_m: float) -> Any:
        """Return the ground inside a fence round some trees, cut back from obstacles; None where it can't stand."""
        trees = shapely.multipoints(xy_m)
        whole = shapely.buffer(shapely.convex_hull(trees), standoff_m, quad_segs=CORNERS)
        near = self.tree.query(whole, predicate="intersects")
        if len(near):
            round_it = shapely.buffer(whole, CLEAR_M + float(self.half_m[near].max()))
            there = shapely.buffer(shapely.intersection(self.shapes[near], round_it), CLEAR_M + self.half_m[near])
            cut = shapely.difference(whole, shapely.union_all(there))
            whole = next((part for part in shapely.get_parts(cut) if shapely.contains(part, trees)), None)
        if whole is None or shapely.get_num_interior_rings(whole):
            return None
        return whole

    def length_m(self, xy_m: FloatArray, standoff_m: float) -> float | None:
        """Return the length of a fence round some trees; None where it can't stand."""
        area = self.area(xy_m, standoff_m)
        return None if area is None else float(area.length)


def _cut_small(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Shapes in pieces that cover the same ground, none of them with many corners unless it is tiny."""
    small = []
    while len(shapes):
        west, south, east, north = shapely.bounds(shapes).T
        wide_m, tall_m = east - west, north - south
        done = (shapely.get_num_coordinates(shapes) <= MOST_CORNERS) | (np.maximum(wide_m, tall_m) < TINY_M)
        small.append(shapes[done])
        across = wide_m >= tall_m
        to_x, to_y = np.where(across, west + wide_m / 2, east + 1), np.where(across, north + 1, south + tall_m / 2)
        from_x, from_y = np.where(across, to_x, west - 1), np.where(across, south - 1, to_y)
        halves = (shapely.box(west - 1, south - 1, to_x, to_y), shapely.box(from_x, from_y, east + 1, north + 1))
        cut = np.concatenate([shapely.intersection(shapes[~done], half[~done]) for half in halves])
        shapes = cut[~shapely.is_empty(cut)]
    return np.concatenate([np.empty(0, dtype=object), *small])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Survey:
    """Trees that may be fenced, what may be built, and the ground."""

    place: Place
    alike: Alike
    lines: list[_Line]
    ground: _Obstacles
    trees: IntArray
    xy_m: FloatArray  # of `trees`, as the two that follow
    own: FloatArray
    inside: FloatArray
    years: float

    def apply(self, same: Shared, fencing: Fencing) -> Shared:
        """Put the fences into the result."""
        verdicts, of_tree = list(same.verdicts), same.of_tree.copy()
        cost, per_year = same.cost.copy(), same.cost_per_year.copy()
        fences = []
        free = np.ones(len(self.trees), dtype=bool)
        free[[at for fenced in fencing.groups for at in fenced.trees]] = False
        total = fencing.total
        for number, fenced in enumerate(fencing.groups, start=1):
            line = self.lines[fenced.kind]
            area = self.ground.area(self.xy_m[fenced.trees], line.kind.standoff_m)
            also = np.flatnonzero(free & shapely.contains_xy(area, *self.xy_m.T))  # they stand inside in any case
            free[also] = False
            ours = self.trees[np.sort(np.append(fenced.trees, also))]
            total -= float((self.own[also] - self.inside[also, fenced.kind]).sum())
            told = self.told(line, area, ours, number)
            fences.append(told)
            for group in np.unique(self.alike.group[ours]).tolist():
                of_tree[ours[self.alike.group[ours] == group]] = len(verdicts)
                verdicts.append(_verdict(self.place, self.alike, group, line, told))
            cost[ours] = _shares(told["cost"], len(ours))
            whole = line.kind.rate * told["line"].length + line.gate
            per_year[ours] = round(whole / len(ours) / self.years, 2)
        facts = {"single": fencing.single, "chosen": total, "bound": fencing.bound, "years": self.years}
        return Shared(
            verdicts=verdicts,
            of_tree=of_tree,
            cost=cost,
            cost_per_year=per_year,
            fences=fences,
            facts={name: round(value, 2) for name, value in facts.items()} if fences else {},
        )

    def told(self, line: _Line, area: Any, trees: IntArray, number: int) -> dict[str, Any]:
        """Return one fence as the result holds it."""
        place, alike = self.place, self.alike
        groups = np.unique(alike.group[trees])
        levels = np.array([line.stops(place.agents, _ground(place, alike, int(group)))[0] for group in groups])
        stopped = (alike.need[groups] & (levels >= FULL)).any(axis=0)
        return {
            "number": number,
            "keys": [part.guard.key for part in line.parts],
            "label": " with ".join(part.label(place.units) for part in line.parts),
            "line": shapely.get_exterior_ring(area),
            "trees": trees,
            "length_m": round(float(area.length), 1),
            "area_m2": round(float(area.area), 1),
            "gates": int(line.gate > 0),
            "cost": round(line.rate * float(area.length) + line.gate, 2),
            "currency": place.catalogue.rates.currency,
            "stops": [place.agents[at] for at in np.flatnonzero(stopped)],
        }


def _shares(cost: float, many: int) -> FloatArray:
    """Equal shares in whole cents that add up."""
    cents = round(cost * 100)
    each = np.full(many, cents // many, dtype=np.float64)
    each[: cents % many] += 1
    return each / 100


def _verdict(place: Place, alike: Alike, group: int, line: _Line, told: Mapping[str, Any]) -> Verdict:
    """What to do at trees of one group inside one fence: what the fence stops, and guards for the rest."""
    asked = Asked(place=place, alike=alike, group=group)
    menu, inner = _inner(place, alike, group, _left_inside(place, alike, group, line))
    level, leaves = line.stops(place.agents, _ground(place, alike, group))
    pick = Pick(
        parts=(*line.parts, *(inner.parts if inner else ())),
        follows=False,
        level=np.maximum(level, inner.level if inner else 0).astype(np.int8),
        leaves=np.minimum(leaves, inner.leaves if inner else 1.0),
        first=inner.first if inner else 0.0,
        hours=inner.hours if inner else 0.0,
        over=inner.over if inner else 0.0,
    )
    length = height_words(told["length_m"] * 1000, place.units)
    many = count_words(len(told["trees"]), "tree")
    share = money_words(told["cost"] / len(told["trees"]), told["currency"])
    reason = explain(menu, pick, asked.need, asked.must, asked.stand, place.units)
    before = f"Shared fence {told['number']}, {length} round {many}, {share} a tree. "
    return asked.verdict("fit", before + reason, menu, pick)
