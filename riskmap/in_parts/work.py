"""The work on one part: measured, scored and chosen for, its rows of the tree table kept, and what adds up."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from riskmap.check import gather_result
from riskmap.choose import Share, choose_guards, part_steps
from riskmap.deliver.columns import point_column, result_table
from riskmap.deliver.html_map.many import Lookout, Overview, pick_trees
from riskmap.in_parts.budget import Ladder
from riskmap.in_parts.ground import with_ground
from riskmap.in_parts.plan import part_name
from riskmap.in_parts.workshop import Workshop
from riskmap.measure import engine_name, measure_exposures
from riskmap.model import (
    Assumption,
    Exposure,
    FloatArray,
    IntArray,
    Note,
    Pressure,
    RasterValues,
    Result,
    SilentWatch,
    Site,
    Tally,
)
from riskmap.model.part import take_rows
from riskmap.score import score_pressure

__all__ = ["LEAST", "Done", "Task", "ladder_of", "price_part", "work_on_part"]

LEAST: Final = "least"  # the loss that a tree must at least have to be one of the worst, as known so far


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One part to be worked on."""

    folder: Path
    name: str  # of the workshop that stands there
    number: int
    look: Lookout
    worst: int  # trees of the whole site that the map shows
    share: Share | None = None  # of a budget; None where there is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What a part tells of itself; its table lies beside it.

    Attributes
    ----------
    loss : ndarray
        Of the part's trees that may be among the worst of all; they lie beside it too.
    seconds : float
        How long the part took.
    """

    number: int
    tally: Tally
    overview: Overview
    notes: tuple[Note, ...]
    assumptions: tuple[Assumption, ...]
    told: Mapping[str, Any]
    loss: FloatArray
    seconds: float


def work_on_part(task: Task) -> Done:
    """Do the main job on one part; what comes of it is kept in the workshop, the last thing last."""
    began = time.perf_counter()
    shop = Workshop.reached(task.folder, task.name)
    result = _work_out(shop, task.number, task.share)
    table = result_table(result).append_column("geometry", point_column(result))
    with shop.writing(part_name(task.number, "table")) as file, pa.ipc.new_file(str(file), table.schema) as stream:
        stream.write_table(table)
    worst = _worst(result, shop.load(LEAST), task.worst)
    shop.save(part_name(task.number, "worst"), some_of(result, worst) if len(worst) else None)
    done = Done(
        number=task.number,
        tally=result.tally,
        overview=Overview.of(result, task.look),
        notes=tuple(result.notes),
        assumptions=tuple(result.assumptions),
        loss=loss_of(result)[worst],
        told={name: result.choices.extra[name] for name in ("fences", "fencing")},
        seconds=time.perf_counter() - began,
    )
    shop.save(part_name(task.number, "done"), done)
    return done


def price_part(task: Task) -> float:
    """Keep what steps of guards cost and prevent at one part, best first; return what must be spent anyhow."""
    shop = Workshop.reached(task.folder, task.name)
    site, exposures, _, pressure = _score(shop, task.number)
    steps = part_steps(site, exposures, pressure)
    ladder = Ladder.of(steps.cost, steps.benefit, steps.anyhow)
    with shop.writing(part_name(task.number, "steps")) as file, file.open("wb") as held:
        np.save(held, np.stack([ladder.slope, ladder.cost, ladder.benefit]))
    shop.save(part_name(task.number, "priced"), steps.anyhow)
    return steps.anyhow


def ladder_of(shop: Workshop, number: int) -> Ladder:
    """Return the steps of a part that was priced; they stay on disk."""
    slope, cost, benefit = np.load(shop.path(part_name(number, "steps")), mmap_mode="r")
    return Ladder(slope=slope, cost=cost, benefit=benefit, anyhow=shop.load(part_name(number, "priced")))


def _work_out(shop: Workshop, number: int, share: Share | None) -> Result:
    """Measure, score and choose."""
    site, exposures, rasters, pressure = _score(shop, number)
    choices = choose_guards(site, exposures, pressure, share=share, watch=SilentWatch())
    return gather_result(site, exposures, rasters, pressure, choices, engine=engine_name())


def _score(shop: Workshop, number: int) -> tuple[Site, dict[str, Exposure], tuple[RasterValues, ...], Pressure]:
    """Measure and score."""
    site, rasters = (shop.load(part_name(number, what)) for what in ("site", "rasters"))
    if site is None or rasters is None:
        raise shop.broken(f"part {number}")
    watch, site = SilentWatch(), with_ground(site, shop, number)
    exposures = measure_exposures(site, watch=watch)
    pressure = score_pressure(site, exposures, rasters, watch=watch)
    notes = tuple(note for note in pressure.notes if note.code != "species_unknown")  # the whole site's are told once
    return site, exposures, rasters, replace(pressure, notes=notes)


def _worst(result: Result, least: float | None, most: int) -> IntArray:
    """The part's trees that may be among the worst of all, as far as is known."""
    chosen = pick_trees(result, most=most)
    loss = loss_of(result)[chosen]
    return chosen[loss >= (-np.inf if least is None else least)]


def loss_of(result: Result) -> FloatArray:
    """Return what trees are ranked by: expected loss, below all others where it is unknown or the tree has no place."""
    return np.where(result.site.trees.placed, np.nan_to_num(result.pressure.loss_any, nan=-1.0), -2.0)


def _beside(result: Result) -> dict[str, Any]:
    """What stands beside the choice at each tree."""
    return {name: result.choices.extra[name] for name in ("alternative", "alternatives", "loss_prevented")}


def some_of(result: Result, rows: IntArray) -> Result:
    """Return a result with some of its trees, and nothing of the ground."""
    n, site = result.site.trees.n, result.site
    trees = take_rows(site.trees, rows, n=n)
    inputs = replace(site.inputs, trees=trees.table)
    kept: dict[str, Exposure] = {role: take_rows(seen, rows, n=n) for role, seen in result.exposures.items()}
    rasters: tuple[RasterValues, ...] = tuple(take_rows(raster, rows, n=n) for raster in result.rasters)
    return Result(
        site=replace(site, inputs=inputs, trees=trees, layers=(), rasters=()),
        exposures=kept,
        rasters=rasters,
        pressure=take_rows(result.pressure, rows, n=n),
        choices=take_rows(replace(result.choices, extra=_beside(result)), rows, n=n),
        bands=result.bands[rows],
        notes=(),
        assumptions=(),
        engine=result.engine,
    )
