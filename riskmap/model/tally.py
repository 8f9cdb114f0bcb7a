"""What adds up over trees: counts, money and hours, the same whether a run is done whole or part by part."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from riskmap.model.result import Result

__all__ = ["Tally", "TallyLine", "add_lines", "add_tallies", "tally_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TallyLine:
    """Trees of one group with one action and one guard; "" where there is none."""

    group: str
    action: str
    guard: str
    keys: str
    trees: int
    cents: int  # of money
    hours: float
    low_cents: int | None = None  # at low and at high prices and wage; None where nobody reckoned it
    high_cents: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Counts of a run or of a part of it.

    Attributes
    ----------
    rows, placed, scored : int
        Trees in all, with a place, scored by some agent.
    unscored : int
        Trees, not rows left out, that no agent could be scored at.
    agents : tuple of str
        Agents scored at some tree.
    prevented : float or None
        Loss that the guards prevent; None where nobody reckoned it. [money a year]
    box_m : tuple of float or None
        West, south, east, north of the placed trees, in the working CRS. [m]
    lines : tuple of TallyLine
        In the order of guards as they were chosen.
    """

    rows: int
    placed: int
    scored: int
    unscored: int
    agents: tuple[str, ...]
    prevented: float | None
    box_m: tuple[float, float, float, float] | None
    lines: tuple[TallyLine, ...]

    @property
    def cost(self) -> float:
        """Money asked for, in all."""
        return sum(line.cents for line in self.lines) / 100

    @property
    def cost_span(self) -> tuple[float, float] | None:
        """Money asked for, in all, at low and at high prices and wage; None where nobody reckoned it."""
        low, high = _added(line.low_cents for line in self.lines), _added(line.high_cents for line in self.lines)
        return None if low is None or high is None else (low / 100, high / 100)

    @property
    def hours(self) -> float:
        """Hours of work, in all."""
        return float(sum(line.hours for line in self.lines))


def tally_of(result: Result) -> Tally:
    """Count a run."""
    trees, choices, pressure = result.site.trees, result.choices, result.pressure
    scored = np.isfinite(pressure.value)
    without = pressure.not_scored.is_valid().to_numpy(zero_copy_only=False)
    is_tree = np.array([word != "not a tree" for word in (*choices.action.values, "")])[choices.action.codes]
    prevented = choices.extra.get("loss_prevented")
    here = trees.placed
    x_m, y_m = trees.x_m[here], trees.y_m[here]
    return Tally(
        rows=trees.n,
        placed=int(here.sum()),
        scored=int(pressure.not_scored.null_count),
        unscored=int(np.count_nonzero(is_tree & without)),
        agents=tuple(agent for number, agent in enumerate(pressure.agents) if scored[:, number].any()),
        prevented=None if prevented is None else float(np.nansum(prevented)),
        box_m=(float(x_m.min()), float(y_m.min()), float(x_m.max()), float(y_m.max())) if len(x_m) else None,
        lines=tuple(_lines(result)),
    )


def _lines(result: Result) -> Iterable[TallyLine]:
    """One line for each group, action and guard that has a tree, ordered by guard as chosen."""
    choices = result.choices
    columns = (choices.guard_keys, choices.guard, choices.action, result.site.trees.table.group)
    code = np.zeros(result.site.trees.n, dtype=np.int64)
    for column in columns:
        code = code * (len(column.values) + 1) + np.where(column.codes < 0, len(column.values), column.codes)
    _, first, place, trees = np.unique(code, return_index=True, return_inverse=True, return_counts=True)
    cents = np.bincount(place, weights=np.rint(np.nan_to_num(choices.cost) * 100), minlength=len(first))
    hours = np.bincount(place, weights=np.nan_to_num(choices.hours), minlength=len(first))
    span: Sequence[Iterable[int | None]] = [
        np.bincount(place, weights=np.rint(end * 100), minlength=len(first)).astype(np.int64).tolist()
        for end in choices.extra.get("cost_span", ())
    ] or [[None] * len(first)] * 2
    texts = [[(*column.values, "")[at] for at in column.codes[first].tolist()] for column in columns]
    for keys, guard, action, group, many, money, work, low, high in zip(
        *texts, trees, cents, hours, *span, strict=True
    ):
        yield TallyLine(
            group=group,
            action=action,
            guard=guard,
            keys=keys,
            trees=int(many),
            cents=int(money),
            hours=float(work),
            low_cents=low,
            high_cents=high,
        )


def add_lines(one: TallyLine, other: TallyLine) -> TallyLine:
    """Return the sum of two lines that count alike trees.

    Examples
    --------
    >>> line = TallyLine(group="", action="fit", guard="", keys="", trees=2, cents=50, hours=0.5, low_cents=40)
    >>> both = add_lines(line, line)
    >>> both.trees, both.cents, both.low_cents, both.high_cents
    (4, 100, 80, None)
    """
    return replace(
        one,
        trees=one.trees + other.trees,
        cents=one.cents + other.cents,
        hours=one.hours + other.hours,
        low_cents=_added([one.low_cents, other.low_cents]),
        high_cents=_added([one.high_cents, other.high_cents]),
    )


def _added(cents: Iterable[int | None]) -> int | None:
    """A sum; None where one of it is not known."""
    every = list(cents)
    known = [each for each in every if each is not None]
    return sum(known) if len(known) == len(every) else None


def add_tallies(tallies: Iterable[Tally]) -> Tally:
    """Return the sum of at least one tally.

    Examples
    --------
    >>> line = TallyLine(group="", action="keep", guard="", keys="", trees=2, cents=0, hours=0.5)
    >>> one = Tally(rows=2, placed=2, scored=2, unscored=0, agents=("vole",), prevented=None, box_m=(0, 0, 1, 1),
    ...             lines=(line,))
    >>> both = add_tallies([one, one])
    >>> both.rows, both.lines[0].trees, both.hours
    (4, 4, 1.0)
    """
    every = list(tallies)
    lines: dict[tuple[str, str, str, str], TallyLine] = {}
    for line in (line for tally in every for line in tally.lines):
        key = (line.group, line.action, line.guard, line.keys)
        lines[key] = add_lines(lines[key], line) if key in lines else line
    boxes = np.array([tally.box_m for tally in every if tally.box_m is not None]).reshape(-1, 4)
    prevented = [tally.prevented for tally in every if tally.prevented is not None]
    return Tally(
        rows=sum(tally.rows for tally in every),
        placed=sum(tally.placed for tally in every),
        scored=sum(tally.scored for tally in every),
        unscored=sum(tally.unscored for tally in every),
        agents=tuple(dict.fromkeys(agent for tally in every for agent in tally.agents)),
        prevented=sum(prevented) if prevented else None,
        box_m=(*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()) if len(boxes) else None,
        lines=tuple(lines.values()),
    )
