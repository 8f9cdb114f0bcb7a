"""All parts as one result: what adds up, the trees that the map shows, and a table that stays on disk."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from riskmap.check import gather_result
from riskmap.deliver.html_map.many import Overview, pick_trees
from riskmap.in_parts.budget import Money
from riskmap.in_parts.fences import number_column, number_fences, number_words, offsets
from riskmap.in_parts.ground import drawn_ground
from riskmap.in_parts.heard import told_site
from riskmap.in_parts.plan import Plan, part_name
from riskmap.in_parts.words import join_assumptions, join_notes
from riskmap.in_parts.work import Done, some_of
from riskmap.in_parts.workshop import Workshop
from riskmap.model import Assumption, Choices, Result, add_tallies
from riskmap.model.part import join_rows

__all__ = ["join_parts"]


def join_parts(plan: Plan, dones: Sequence[Done], shop: Workshop, *, money: Money | None, worst: int) -> Result:
    """Return the whole run: its trees are the worst of all, everything else stands for all of them.

    Parameters
    ----------
    plan : Plan
        What the parts have in common.
    dones : sequence of Done
        All of them, in order.
    shop : Workshop
        Holds their tables, which are read as they are needed.
    money : Money or None
        The budget that they share.
    worst : int
        Trees that the map shows.
    """
    shown = _shown(shop, dones, worst)
    site = told_site(plan, shop)
    inputs = replace(site.inputs, trees=shown.site.trees.table)
    result = gather_result(
        replace(site, inputs=inputs, trees=shown.site.trees),
        shown.exposures,
        shown.rasters,
        replace(shown.pressure, notes=(), assumptions=()),
        replace(shown.choices, notes=(), assumptions=(), extra=_told(shown.choices, dones, money)),
        engine=shown.engine,
    )
    before = offsets([done.told["fences"] for done in dones])
    files = [shop.path(part_name(done.number, "table")) for done in dones]
    pieces = Pieces(files=tuple(zip(files, before, strict=True)))
    table = pa.concat_tables(pieces)
    return replace(
        result,
        notes=tuple(join_notes([site.inputs.notes, site.notes, *(done.notes for done in dones)])),
        assumptions=_assumptions(result, dones),
    ).knowing(
        tally=add_tallies(done.tally for done in dones),
        overview=Overview.together([done.overview for done in dones]),
        box=plan.box,
        table=table.drop_columns(["geometry"]),
        points=table.column("geometry"),
        pieces=pieces,
        ground=partial(drawn_ground, site, shop, plan.box),
    )


def _shown(shop: Workshop, dones: Sequence[Done], worst: int) -> Result:
    """The worst trees of all parts, as one result."""
    before = offsets([done.told["fences"] for done in dones])
    every = [(shop.load(part_name(done.number, "worst")), n) for done, n in zip(dones, before, strict=True)]
    parts: list[Result] = [_numbered(part, n) for part, n in every if part is not None]
    sizes = [part.site.trees.n for part in parts]
    trees = join_rows([part.site.trees for part in parts], sizes=sizes)
    first = parts[0]
    together = Result(
        site=replace(first.site, inputs=replace(first.site.inputs, trees=trees.table), trees=trees),
        exposures={role: join_rows([part.exposures[role] for part in parts], sizes=sizes) for role in first.exposures},
        rasters=tuple(join_rows(list(same), sizes=sizes) for same in zip(*(p.rasters for p in parts), strict=True)),
        pressure=join_rows([part.pressure for part in parts], sizes=sizes),
        choices=_choices([part.choices for part in parts], sizes),
        bands=np.concatenate([part.bands for part in parts]),
        notes=(),
        assumptions=(),
        engine=first.engine,
    )
    return some_of(together, _by_row(together, pick_trees(together, most=worst)))


def _numbered(part: Result, before: int) -> Result:
    """A part's trees that speak of their fences by the numbers among all."""
    return replace(part, choices=replace(part.choices, reason=number_words(part.choices.reason, before)))


def _by_row(result: Result, trees: np.ndarray) -> np.ndarray:
    """The same trees in the order of the file."""
    return trees[np.argsort(result.site.trees.table.row[trees], kind="stable")]


def _choices(parts: Sequence[Choices], sizes: Sequence[int]) -> Choices:
    """Choices of all parts; what stands beside each is numbered through."""
    told = [part.extra for part in parts]
    lists = [extra.get("alternatives", []) for extra in told]
    before = np.cumsum([0, *map(len, lists)])
    bare = [replace(part, extra={}) for part in parts]
    extra: dict[str, Any] = {
        "alternatives": [one for several in lists for one in several],
        "alternative": np.concatenate([extra["alternative"] + n for extra, n in zip(told, before, strict=False)]),
        "loss_prevented": np.concatenate([extra["loss_prevented"] for extra in told]),
    }
    return replace(join_rows(bare, sizes=sizes), extra=extra)


def _told(shown: Choices, dones: Sequence[Done], money: Money | None) -> dict[str, Any]:
    """What the choices of all parts tell besides."""
    told = {} if money is None else money.told(shown.currency)
    fences = number_fences([done.told["fences"] for done in dones])
    return {**shown.extra, "money": told, "fences": fences, "fencing": {}, "stock": {}}


def _assumptions(result: Result, dones: Sequence[Done]) -> tuple[Assumption, ...]:
    """What was taken: for the whole site as it stands, for trees added up."""
    own = {taken.topic for taken in result.assumptions}
    parts = [[taken for taken in done.assumptions if taken.topic not in own] for done in dones]
    cut = Assumption(
        topic="parts",
        taken=f"{len(dones):,} parts by place; a shared fence never crosses the line between two",
        why="so many trees are done part by part",
    )
    return (*result.assumptions, *join_assumptions(parts), cut)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """The tree table of all parts, in their order; it lies on disk, and what is looked at comes into memory."""

    files: tuple[tuple[Path, int], ...]  # each with how many shared fences stand before its own

    def __iter__(self) -> Iterator[pa.Table]:
        """One part after the other."""
        for file, before in self.files:
            yield number_column(pa.ipc.open_file(pa.memory_map(str(file))).read_all(), "guard_reason", before)
