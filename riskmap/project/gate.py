"""Inputs -> Site: trees, layers and rasters brought together in one metric CRS."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyproj

from riskmap.errors import InputError, Problem
from riskmap.model import (
    Assumption,
    BoolArray,
    FloatArray,
    GroundLayer,
    Inputs,
    LayerData,
    LayerSource,
    Note,
    RasterData,
    RasterPoints,
    Site,
    Trees,
    TreeTable,
    Watch,
)
from riskmap.project.exchanged import refuse_exchanged
from riskmap.project.ground import FAR_M, Window, kilometres_off, move_covers, move_layer
from riskmap.project.steps import LONLAT, Steps, crs_name, flat_crs
from riskmap.project.working import LARGEST_SCALE, choose_crs, middle_of, stretch_at, stretch_between

__all__ = ["Footing", "Whereabouts", "already_said", "notes_of_moving", "project_inputs", "project_part", "whereabouts"]

FIRST_ROWS = 20
MARGIN_M = 1.1 * FAR_M
BLANK_DEG = 0.001  # nearer to 0,0 than this is a blank, not a place


@dataclass(frozen=True, slots=True, kw_only=True)
class Footing:
    """What is settled by all trees together before any is placed."""

    crs: pyproj.CRS  # the working one
    middle: tuple[float, float]  # of the site, in degrees
    area: tuple[float, float, float, float] | None  # west, south, east, north in degrees, of nine trees in ten

    @classmethod
    def of(cls, inputs: Inputs) -> Footing:
        """Settle it.

        Raises
        ------
        InputError
            The working CRS named in site.toml does not fit, x and y are exchanged, or the trees have no CRS.
        """
        table, file = inputs.trees, inputs.settings.trees.file
        if table.crs is None:
            what, remedy = "nobody says which coordinate reference system x and y are in", "name it, such as EPSG:4326"
            raise InputError([Problem(file=file, what=what, remedy=remedy, key="trees.crs")])
        given = np.isfinite(table.x) & np.isfinite(table.y)
        lon, lat = _degrees_of(table, given, Steps(), file)
        sound = given & np.isfinite(lon) & np.isfinite(lat) & ~_at_zero(table, lon, lat)
        counted = sound & table.kept if (sound & table.kept).any() else sound
        refuse_exchanged(table, lon, lat, counted, file)
        middle = middle_of(lon[counted], lat[counted]) if counted.any() else (0.0, 0.0)
        area = _core_area(lon[counted], lat[counted])
        lon, lat = _degrees_of(table, given, Steps(area), file)
        return cls(crs=choose_crs(inputs.settings, table.crs, lon[counted], lat[counted]), middle=middle, area=area)


def project_part(inputs: Inputs, whole: Site, footing: Footing) -> Site:
    """Place some of the trees of a site whose ground stands in metres already.

    Parameters
    ----------
    inputs : Inputs
        The part's trees, and the rasters of the site.
    whole : Site
        Its ground is the part's; what was said of it is not said again.
    footing : Footing
        Of the whole.
    """
    steps = Steps(footing.area)
    trees, unplaced = _place_trees(inputs, steps, footing)
    rasters = tuple(_raster_points(raster, trees, steps) for raster in inputs.rasters)
    inputs = replace(inputs, trees=trees.table)
    return replace(
        whole, inputs=inputs, trees=trees, rasters=rasters, notes=tuple(unplaced), assumptions=(), datum_steps=()
    )


def project_inputs(inputs: Inputs, *, watch: Watch) -> Site:
    """Bring everything into one metric CRS.

    Parameters
    ----------
    inputs : Inputs
        As read and checked; each thing in its own CRS.
    watch : Watch
        Told how far the work has come.

    Returns
    -------
    Site
        Rows in file order; trees without a place keep their row.

    Raises
    ------
    InputError
        The working CRS named in site.toml does not fit, or nobody knows the CRS of the trees.
    """
    footing = Footing.of(inputs)
    steps, crs = Steps(footing.area), footing.crs
    trees, unplaced = _place_trees(inputs, steps, footing)
    way_in = _WayIn(crs=crs, steps=steps, window=_window_of(trees, inputs), middle=footing.middle, trees=trees)
    layers, notes = [], []
    for done, data in enumerate(inputs.layers):
        watch.progress(done, len(inputs.layers))
        ground, said = _bring_layer(data, way_in)
        layers.append(ground)
        notes += [note for note in said if not already_said(note, inputs.notes)]
    rasters = tuple(_raster_points(raster, trees, steps) for raster in inputs.rasters)
    local = inputs.settings.local
    surveyed = {layer.role for layer in layers if len(layer.geometry)} | {*local.everywhere, *local.nowhere}
    return Site(
        inputs=replace(inputs, trees=trees.table),
        crs=crs,
        trees=trees,
        layers=tuple(layers),
        rasters=rasters,
        surveyed=frozenset(surveyed),
        notes=(*steps.notes, *unplaced, *notes),
        assumptions=(_working_crs(inputs, crs), *steps.assumptions),
        datum_steps=tuple(steps.records),
    )


def _working_crs(inputs: Inputs, crs: pyproj.CRS) -> Assumption:
    """Which metric CRS distances were taken in, and why that one."""
    own = inputs.trees.crs
    why = "named in the site file" if inputs.settings.crs else "the UTM zone, or metric map, of the middle of the site"
    if not inputs.settings.crs and own is not None and crs == flat_crs(own):
        why = "the trees' own, in metres and true to shape here"
    return Assumption(topic="crs", taken=crs_name(crs), why=why, key="crs")


def _place_trees(inputs: Inputs, steps: Steps, footing: Footing) -> tuple[Trees, list[Note]]:
    """Trees in the working CRS, and what must be said."""
    table, file = inputs.trees, inputs.settings.trees.file
    assert table.crs is not None
    crs, middle = footing.crs, footing.middle
    given = np.isfinite(table.x) & np.isfinite(table.y)
    lon, lat = _degrees_of(table, given, steps, file)
    sound = given & np.isfinite(lon) & np.isfinite(lat)
    blank = sound & _at_zero(table, lon, lat)
    sound &= ~blank
    x_m, y_m, scale = (np.full(len(lon), np.nan) for _ in range(3))
    x_m[sound], y_m[sound] = steps.way(table.crs, crs, file=file).there(table.x[sound], table.y[sound])
    found = sound & np.isfinite(x_m) & np.isfinite(y_m)
    scale[found] = stretch_between(crs, x_m[found], y_m[found])
    found &= ~np.isfinite(scale)  # at the rim of the map a node may have no place
    scale[found] = stretch_at(crs, lon[found], lat[found])[0]
    with np.errstate(invalid="ignore"):
        placed = sound & np.isfinite(x_m) & np.isfinite(y_m) & (scale <= LARGEST_SCALE) & _same_side(lon, lat, middle)
    unplaced = {"place_at_zero": blank, "tree_far": given & ~blank & ~placed}
    trees = Trees(
        table=_remarked(table, unplaced),
        x_m=np.where(placed, x_m, np.nan),
        y_m=np.where(placed, y_m, np.nan),
        lon=lon,
        lat=lat,
        scale=np.where(placed, scale, 1.0),
        placed=placed,
    )
    return trees, _unplaced_notes(inputs, unplaced)


def _degrees_of(table: TreeTable, given: BoolArray, steps: Steps, file: str) -> tuple[FloatArray, FloatArray]:
    """WGS 84 longitude and latitude; as given where the file was in WGS 84."""
    lon, lat = np.full(len(given), np.nan), np.full(len(given), np.nan)
    if table.lonlat_as_given:
        lon[given], lat[given] = table.x[given], table.y[given]
    elif table.crs is not None:
        lon[given], lat[given] = steps.way(table.crs, LONLAT, file=file).there(table.x[given], table.y[given])
    return lon, lat


def _at_zero(table: TreeTable, lon: FloatArray, lat: FloatArray) -> BoolArray:
    """Whether a point is a blank written as 0,0 (in degrees that is open sea)."""
    blank: BoolArray = (table.x == 0) & (table.y == 0)
    if table.crs is not None and table.crs.is_geographic:
        blank |= (np.abs(lon) < BLANK_DEG) & (np.abs(lat) < BLANK_DEG)
    return blank


def _same_side(lon: FloatArray, lat: FloatArray, middle: tuple[float, float]) -> BoolArray:
    """Whether a point lies within a sixth of the way round the world from the middle of the site."""
    turn, up, middle_up = np.radians(lon - middle[0]), np.radians(lat), np.radians(middle[1])
    with np.errstate(invalid="ignore"):
        apart = np.sin(up) * np.sin(middle_up) + np.cos(up) * np.cos(middle_up) * np.cos(turn)
        same: BoolArray = apart > 0.5
    return same


def _core_area(lon: FloatArray, lat: FloatArray) -> tuple[float, float, float, float] | None:
    """West, south, east, north of nine trees in ten, to choose datum operations by."""
    if not len(lon):
        return None
    middle, _ = middle_of(lon, lat)
    west, east = middle + np.quantile((lon - middle + 180.0) % 360.0 - 180.0, [0.05, 0.95])
    south, north = np.quantile(lat, [0.05, 0.95])
    turn = [float((edge + 180.0) % 360.0 - 180.0) for edge in (west, east)]
    return turn[0], float(south), turn[1], float(north)


def _remarked(table: TreeTable, code: dict[str, BoolArray]) -> TreeTable:
    """The table with a remark at trees that have coordinates but no place on the map."""
    if not any(where.any() for where in code.values()):
        return table
    remarks = list(table.remarks or ((),) * len(table.row))
    for word, where in code.items():
        for at in np.flatnonzero(where):
            remarks[at] = remarks[at] if word in remarks[at] else (*remarks[at], word)
    return replace(table, remarks=tuple(remarks))


def _unplaced_notes(inputs: Inputs, unplaced: dict[str, BoolArray]) -> list[Note]:
    """Say which trees have coordinates that lead nowhere near the site, unless reading or checking has said so."""
    what = {
        "place_at_zero": ("coordinates of 0,0 are a blank, not a place", "mend them; these trees are not scored"),
        "tree_far": (
            "these trees lie too far from all the others to be measured on one map",
            "mend their coordinates, or run them as a site of their own",
        ),
    }
    said = {note.code for note in inputs.notes}
    table = inputs.trees
    return [
        Note.at(
            where,
            row=table.row,
            tree_id=table.tree_id,
            code=code,
            file=inputs.settings.trees.file,
            what=what[code][0],
            remedy=what[code][1],
        )
        for code, where in unplaced.items()
        if where.any() and code not in said
    ]


def _window_of(trees: Trees, inputs: Inputs) -> Window | None:
    """Where the placed trees stand."""
    if not trees.placed.any():
        return None
    margin_m = max(MARGIN_M, 1.1 * inputs.settings.measure.report_within_m)
    return Window(x_m=trees.x_m[trees.placed], y_m=trees.y_m[trees.placed], margin_m=LARGEST_SCALE * margin_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """Where the trees of a site stand, as far as its ground asks for it."""

    crs: pyproj.CRS  # the working one
    window: Window
    middle: tuple[float, float]  # longitude and latitude
    steps: Steps


def whereabouts(inputs: Inputs) -> Whereabouts | None:
    """Return where the trees stand, the very way `project_inputs` finds it; None where none has a place.

    Raises
    ------
    InputError
        As `project_inputs`.
    """
    footing = Footing.of(inputs)
    steps = Steps(footing.area)
    trees, _ = _place_trees(inputs, steps, footing)
    window = _window_of(trees, inputs)
    return None if window is None else Whereabouts(crs=footing.crs, window=window, middle=footing.middle, steps=steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class _WayIn:
    """What every layer needs to be brought over."""

    crs: pyproj.CRS
    steps: Steps
    window: Window | None
    middle: tuple[float, float]
    trees: Trees


def _bring_layer(data: LayerData, way_in: _WayIn) -> tuple[GroundLayer, list[Note]]:
    """One layer in the working CRS, and what must be said of it."""
    source, steps, window, middle = data.source, way_in.steps, way_in.window, way_in.middle
    crs, trees = way_in.crs, way_in.trees
    notes: list[Note] = []

    def say(code: str, what: str, remedy: str) -> None:
        notes.append(Note(code=code, file=source.file, layer=source.layer or source.role, what=what, remedy=remedy))

    way = steps.way(data.crs, crs, file=source.file, layer=source.layer or source.role)
    moved = move_layer(data, way, window, middle)
    ground = moved.ground
    if not len(data.geometry):
        say(
            "layer_empty",
            f"the {source.role} layer holds no features, so {source.role} counts as not surveyed",
            f'give its features; if there is none, take the layer out and put nowhere = ["{source.role}"] '
            "under [local]",
        )
    elif window is not None and not window.near(ground.geometry, float(np.median(trees.scale[trees.placed]))):
        off_km = kilometres_off(data.geometry, Steps(steps.area).way(data.crs, LONLAT, file=source.file), middle)
        about = f", about {off_km:,.0f} km from the middle of the site" if np.isfinite(off_km) else ""
        say(
            "layer_far",
            f"the {source.role} layer comes nowhere within {FAR_M / 1000:g} km of any tree{about}: it says nothing of "
            f"{source.role} here, which counts as not surveyed",
            "give the layer of this place, or its right coordinate system (layers.crs)",
        )
        none = np.empty(0, dtype=object)
        nothing = replace(data, geometry=none, feature=data.feature[:0], width_m=data.width_m[:0])
        ground = GroundLayer(data=nothing, geometry=none)
    notes += notes_of_moving(source, moved.lost, moved.mended)
    if data.covers is not None:
        covers_crs = data.covers_crs or data.crs
        way = steps.way(covers_crs, crs, file=source.covers or source.file)
        ground = replace(ground, covers=move_covers(data.covers, way, covers_crs, middle))
    return ground, notes


def notes_of_moving(source: LayerSource, lost: Sequence[int], mended: Sequence[int]) -> list[Note]:
    """Return what must be said of features that the way into the working CRS did not leave as they were.

    Parameters
    ----------
    source : LayerSource
        Their layer.
    lost, mended : sequence of int
        Numbers of those that have no place there, and of those that had to be repaired.
    """
    said = {
        "geometry_dropped": (
            lost,
            f"these {source.role} features have no place in the working coordinate system and were left out",
            "look at their coordinates",
        ),
        "geometry_repaired": (
            mended,
            f"these {source.role} polygons crossed themselves once in metres and were repaired",
            "look at them",
        ),
    }
    return [
        Note(
            code=code, file=source.file, layer=source.layer or source.role, what=what, remedy=remedy,
            count=len(features), rows=tuple(features[:FIRST_ROWS]),
        )
        for code, (features, what, remedy) in said.items()
        if features
    ]  # fmt: skip


def already_said(note: Note, notes: Sequence[Note]) -> bool:
    """Return whether reading or checking said the same of the same layer."""
    return any((note.code, note.file, note.layer) == (said.code, said.file, said.layer) for said in notes)


def _raster_points(raster: RasterData, trees: Trees, steps: Steps) -> RasterPoints:
    """Where each tree falls in one raster: its own coordinates taken to the raster's CRS, the raster untouched."""
    table = trees.table
    x, y = np.full(trees.n, np.nan), np.full(trees.n, np.nan)
    if table.crs is not None and trees.placed.any():
        way = steps.way(table.crs, raster.crs, file=raster.source.file)
        x[trees.placed], y[trees.placed] = way.there(table.x[trees.placed], table.y[trees.placed])
    a, b, c, d, e, f = raster.transform
    area = a * e - b * d
    return RasterPoints(
        data=raster,
        column=(e * (x - c) - b * (y - f)) / area,
        row=(a * (y - f) - d * (x - c)) / area,
    )
