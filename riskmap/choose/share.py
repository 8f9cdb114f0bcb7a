"""Where one shared fence beats single guards: on the ground, clear of water, drives and roads, with its line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely

from riskmap.choose.asked import Asked, Place, Verdict
from riskmap.choose.context import Alike
from riskmap.choose.fences import Fencing, choose_fences
from riskmap.choose.lines import FenceLine, equal_shares, fence_facts, fence_lines, fenced_verdict, ground_of
from riskmap.choose.menu import Menu
from riskmap.choose.obstacles import Obstacles
from riskmap.choose.pick import FULL, Pick, pick_guards
from riskmap.model import BoolArray, FloatArray, IntArray, Site

__all__ = ["Shared", "no_fences", "share_fences"]

TINY: Final = 1e-9  # money


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
    lines = fence_lines(place, years)
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
        ground=Obstacles.of(site),
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


def _left_inside(place: Place, alike: Alike, group: int, line: FenceLine) -> BoolArray:
    """Agents that trees of one group still need guards against inside a fence."""
    level, _ = line.stops(place.agents, ground_of(place, alike, group))
    return np.asarray(alike.need[group] & (level < FULL))


def _inner(place: Place, alike: Alike, group: int, need: BoolArray) -> tuple[Menu, Pick | None]:
    """The guards for what trees of one group still need inside a fence."""
    menu, question = Asked(place=place, alike=alike, group=group).question()
    return menu, pick_guards(menu, replace(question, need=need))[0] if need.any() else None


def _inside(
    place: Place, alike: Alike, verdicts: list[Verdict], lines: list[FenceLine], groups: IntArray
) -> FloatArray:
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


def _may_pay(own: FloatArray, inside: FloatArray, lines: list[FenceLine]) -> bool:
    """Whether a fence of no length would pay for all trees together."""
    saved = (own[:, None] - inside).sum(axis=0)
    return any(saved[number] > line.kind.cost(0.0) for number, line in enumerate(lines))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Survey:
    """Trees that may be fenced, what may be built, and the ground."""

    place: Place
    alike: Alike
    lines: list[FenceLine]
    ground: Obstacles
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
            told = fence_facts(self.place, self.alike, line, area, ours, number)
            fences.append(told)
            for group in np.unique(self.alike.group[ours]).tolist():
                of_tree[ours[self.alike.group[ours] == group]] = len(verdicts)
                verdicts.append(self.verdict(group, line, told))
            cost[ours] = equal_shares(told["cost"], len(ours))
            per_year[ours] = line.share_per_year(area, len(ours))
        facts = {"single": fencing.single, "chosen": total, "bound": fencing.bound, "years": self.years}
        return Shared(
            verdicts=verdicts,
            of_tree=of_tree,
            cost=cost,
            cost_per_year=per_year,
            fences=fences,
            facts={name: round(value, 2) for name, value in facts.items()} if fences else {},
        )

    def verdict(self, group: int, line: FenceLine, told: Mapping[str, Any]) -> Verdict:
        """What to do at trees of one group inside one fence."""
        menu, inner = _inner(self.place, self.alike, group, _left_inside(self.place, self.alike, group, line))
        asked = Asked(place=self.place, alike=self.alike, group=group)
        return fenced_verdict(asked, line, told, menu, inner)
