"""Reads everything a site file names, collecting every fault before speaking."""

from __future__ import annotations

from collections.abc import Callable

from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption, Inputs, Settings, TreeTable, Watch
from riskmap.read.guard_lists import read_guard_lists
from riskmap.read.layers import LayerReading, NearTrees, read_layer
from riskmap.read.rasters import RasterReading, read_raster
from riskmap.read.trees import TreesRead, read_trees

__all__ = ["read_inputs"]


def read_inputs(
    settings: Settings, *, near: Callable[[Settings, TreeTable], NearTrees] | None = None, watch: Watch
) -> Inputs:
    """Read trees, layers and rasters.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    near : callable, optional
        Tells from the trees where a layer can matter to them; without it big layers are read whole too.
    watch : Watch
        Told how far the work has come.

    Returns
    -------
    Inputs
        Everything read; faults stand in `Inputs.problems`.

    Raises
    ------
    InputError
        With every fault, where the trees can't be read at all.
    """
    total = 1 + len(settings.layers) + len(settings.rasters)
    problems: list[Problem] = []
    trees: TreesRead | None = None
    try:
        trees = read_trees(settings)
        watch.log(f"{settings.trees.file}: {trees.read_as.rows:,} rows")
    except InputError as error:
        problems += error.problems
    watch.progress(1, total)
    layers = []
    near_trees = near(settings, trees.table) if near is not None and trees is not None else None
    for source in settings.layers:
        layers.append(read_layer(source, settings, near=near_trees))
        watch.log(f"{source.file}: {source.role}")
        watch.progress(1 + len(layers), total)
    rasters = []
    for raster in settings.rasters:
        rasters.append(read_raster(raster, settings))
        watch.progress(1 + len(layers) + len(rasters), total)
    others: tuple[LayerReading | RasterReading, ...] = (*layers, *rasters)
    guards = read_guard_lists(settings)
    problems += [*(trees.problems if trees else ()), *(fault for other in others for fault in other.problems)]
    problems += guards.problems
    if trees is None:
        raise InputError(problems)
    return Inputs(
        settings=settings,
        trees=trees.table,
        layers=tuple(reading.layer for reading in layers if reading.layer is not None),
        rasters=tuple(reading.raster for reading in rasters if reading.raster is not None),
        read_as=(trees.read_as, *(entry for other in others for entry in other.read_as), *guards.read_as),
        repaired=tuple(repair for reading in layers for repair in reading.repaired),
        problems=tuple(problems),
        notes=(*trees.notes, *(note for other in others for note in other.notes)),
        assumptions=(
            *trees.assumptions,
            *(taken for other in others for taken in other.assumptions),
            *_unread_log(settings),
        ),
        guard_lists=guards.lists,
    )


def _unread_log(settings: Settings) -> tuple[Assumption, ...]:
    """What is said of a log of work and damage: it is kept, and nothing is taken from it yet."""
    if not settings.log:
        return ()
    why = f"this version does not count the work and damage recorded in {shown(settings.log)}"
    return (Assumption(topic="log", taken="every tree stands as the trees file says", why=why, key="log"),)
