"""Reads everything a site file names, collecting every fault before speaking."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption, Inputs, LayerSource, Settings, TreeTable, Watch
from riskmap.read.background import look_at_background
from riskmap.read.guard_lists import GuardListsRead, read_guard_lists
from riskmap.read.layers import LayerReading, NearTrees, read_layer
from riskmap.read.rasters import RasterReading, read_raster
from riskmap.read.trees import TreesRead, read_trees

__all__ = ["Ground", "read_ground", "read_inputs"]


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
    problems: list[Problem] = []
    trees: TreesRead | None = None
    try:
        trees = read_trees(settings)
        watch.log(f"{settings.trees.file}: {trees.read_as.rows:,} rows")
    except InputError as error:
        problems += error.problems
    near_trees = near(settings, trees.table) if near is not None and trees is not None else None
    ground = read_ground(settings, near=near_trees, watch=watch)
    if trees is None:
        raise InputError([*problems, *ground.problems])
    return ground.with_trees(trees)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Everything a site file names but its trees."""

    settings: Settings
    layers: tuple[LayerReading, ...]
    rasters: tuple[RasterReading, ...]
    guards: GuardListsRead
    pictures: tuple[RasterReading, ...] = ()  # what the map draws below all else

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Every fault of it."""
        others: tuple[LayerReading | RasterReading, ...] = (*self.layers, *self.rasters, *self.pictures)
        return (*(fault for other in others for fault in other.problems), *self.guards.problems)

    def with_trees(self, trees: TreesRead) -> Inputs:
        """Return it together with trees that were read."""
        others: tuple[LayerReading | RasterReading, ...] = (*self.layers, *self.rasters)
        return Inputs(
            settings=self.settings,
            trees=trees.table,
            layers=tuple(reading.layer for reading in self.layers if reading.layer is not None),
            rasters=tuple(reading.raster for reading in self.rasters if reading.raster is not None),
            read_as=(
                trees.read_as,
                *(entry for other in (*others, *self.pictures) for entry in other.read_as),
                *self.guards.read_as,
            ),
            repaired=tuple(repair for reading in self.layers for repair in reading.repaired),
            problems=(*trees.problems, *self.problems),
            notes=(*trees.notes, *(note for other in others for note in other.notes)),
            assumptions=(
                *trees.assumptions,
                *(taken for other in others for taken in other.assumptions),
                *_unread_log(self.settings),
            ),
            guard_lists=self.guards.lists,
        )


def read_ground(
    settings: Settings,
    *,
    near: NearTrees | None = None,
    otherwise: Callable[[LayerSource], LayerReading | None] | None = None,
    watch: Watch,
) -> Ground:
    """Read layers, rasters and guard lists; nothing is raised for what is wrong with them.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    near : callable, optional
        Tells where a layer can matter to the trees; without it big layers are read whole too.
    otherwise : callable, optional
        Asked first for every layer; one that it returns None for is read here.
    watch : Watch
        Told how far the work has come.
    """
    total = 1 + len(settings.layers) + len(settings.rasters)
    watch.progress(1, total)
    layers = []
    for source in settings.layers:
        found = otherwise(source) if otherwise else None
        layers.append(found or read_layer(source, settings, near=near))
        watch.log(f"{source.file}: {source.role}")
        watch.progress(1 + len(layers), total)
    rasters = []
    for raster in settings.rasters:
        rasters.append(read_raster(raster, settings))
        watch.progress(1 + len(layers) + len(rasters), total)
    return Ground(
        settings=settings,
        layers=tuple(layers),
        rasters=tuple(rasters),
        guards=read_guard_lists(settings),
        pictures=look_at_background(settings),
    )


def _unread_log(settings: Settings) -> tuple[Assumption, ...]:
    """What is said of a log of work and damage: it is kept, and nothing is taken from it yet."""
    if not settings.log:
        return ()
    why = f"this version does not count the work and damage recorded in {shown(settings.log)}"
    return (Assumption(topic="log", taken="every tree stands as the trees file says", why=why, key="log"),)
