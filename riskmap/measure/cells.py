"""Segments laid out in the cells of a grid, straight from their bytes, and which polygons hold the centres of cells."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from riskmap.cores import cores
from riskmap.errors import MachineError
from riskmap.measure import _grid
from riskmap.measure.order import morton_order
from riskmap.measure.shapes import Shapes
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = [
    "LINES",
    "MOST_CELLS",
    "MOST_CELL_M",
    "POINTS",
    "RINGS",
    "Cells",
    "Extent",
    "Grid",
    "Holders",
    "Int32Array",
    "Packed",
    "Places",
    "at_once",
    "lay_out",
    "pack",
]

RINGS, LINES, POINTS = 1, 2, 4  # kinds of segments, as the kernel numbers them
LEAST_CELL_M, MOST_CELL_M = 8.0, 48.0
MOST_CELLS = 6_000_000  # of one grid; points spread wider are taken in tiles
MOST_STEPS = 200  # cells from a point to the end of its reach
MOST_SQUARES = 1000  # coarse squares along one side, to tell which features come near any point
WIDE_REACH = 4  # cells
FEW_FEATURES = 64  # fewer are filled in one go
OFF_ROUND_M = 0.3712158203125  # moves the corner off round numbers; a short binary fraction, so subtraction is exact

Int32Array = npt.NDArray[np.int32]
Places: TypeAlias = tuple[FloatArray, FloatArray, FloatArray]  # planar x and y, scale
Part = TypeVar("Part")


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """All features as well-known binary, with what a first look at it tells."""

    wkb: Any
    offset: IntArray
    box: FloatArray  # (feature, 4): west, south, east, north
    count: IntArray  # (feature, 3): segments of rings, other segments, polygons
    part_first: Int32Array  # polygons are numbered through all features
    part_owner: Int32Array  # rank of the feature, by polygon
    half_width_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """Bounds of some points and their largest scale: with many points each look at all of them counts."""

    west: float
    south: float
    east: float
    north: float
    most_scale: float

    @classmethod
    def of(cls, places: Places) -> Extent:
        """Look at all points."""
        x_m, y_m, scale = places
        edges = (x_m.min(), y_m.min(), x_m.max(), y_m.max())
        west, south, east, north = map(float, edges)
        return cls(west=west, south=south, east=east, north=north, most_scale=float(scale.max()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Square cells from a corner in the working CRS."""

    x_m: float
    y_m: float
    cell_m: float
    columns: int
    rows: int

    def corner_and_size(self) -> tuple[float, float, float, int, int]:
        """Return what the kernel wants to know of a grid."""
        return self.x_m, self.y_m, self.cell_m, self.columns, self.rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """Cells that points stand in: columns by row, ascending."""

    row_start: IntArray
    column: IntArray
    before: npt.NDArray[np.uint32]  # by cell: how many of the list come before it
    wanted: npt.NDArray[np.uint8]  # by cell: some point may look into it
    wide: bool  # the reach is many cells


@dataclass(frozen=True, slots=True, kw_only=True)
class Holders:
    """Which polygons hold the centres of the cells that points stand in."""

    before: npt.NDArray[np.uint32]  # by cell: how many of the list come before it
    start: IntArray  # by cell listed: where its polygons start
    part: Int32Array  # ascending within a cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Segments of some kinds in the cells of one grid: which vertices, of the bytes in which they stand."""

    grid: Grid
    start: npt.NDArray[np.uint32]  # by cell, and one more
    stretch: (
        IntArray  # three to a stretch: its first vertex, and packed how many segments, rank, polygon, place in cell
    )
    wkb: Any
    steps: npt.NDArray[np.uint8]
    half_m: FloatArray | None  # by rank


def pack(shapes: Shapes) -> Packed | None:
    """Return features as bytes; None where the kernel can't read one of them."""
    written = shapes.wkb()
    n = len(written.offset) - 1
    box, count = np.empty((n, 4)), np.empty((n, 3), dtype=np.int64)
    if _grid.survey(written.data, written.offset, box, count) < n:
        return None
    return Packed(
        wkb=written.data,
        offset=written.offset,
        box=box,
        count=count,
        part_first=(np.cumsum(count[:, 2]) - count[:, 2]).astype(np.int32),
        part_owner=np.repeat(np.arange(n, dtype=np.int32), count[:, 2]),
        half_width_m=shapes.half_width_m,
    )


def lay_out(
    packed: Packed,
    kind: int,
    places: Places,
    extent: Extent,
    reach_m: float,
    asked: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[Cells | None, Holders | None]:
    """Lay segments of some kinds that may be in reach out in a grid over the points and their reach.

    For rings also which polygons hold the centres of the cells of the points, or of others asked for within reach; the
    corner is moved until no ring passes through a centre.
    """
    x_m, y_m, _ = places
    far_m = (reach_m + float(packed.half_width_m.max(initial=0.0))) * extent.most_scale + 1.0
    segments = packed.count[:, 0 if kind == RINGS else 1]
    if not segments.any():
        return None, None
    chosen = np.flatnonzero((segments > 0) & _may_reach(packed, x_m, y_m, extent, far_m))
    room = int(segments[chosen].sum())
    if not room:
        return None, None
    west, south, east, north = extent.west - far_m, extent.south - far_m, extent.east + far_m, extent.north + far_m
    area = (east - west) * (north - south)
    cell_m = float(np.clip(np.sqrt(area / room), LEAST_CELL_M, MOST_CELL_M))
    cell_m = max(cell_m, far_m / MOST_STEPS, float(np.sqrt(area / MOST_CELLS)))
    box = packed.box
    chosen = chosen[morton_order(box[chosen, 0] + box[chosen, 2], box[chosen, 1] + box[chosen, 3])]
    for moved in range(1, 50):
        corner_x, corner_y = (np.floor(edge) - 1.0 - OFF_ROUND_M * moved for edge in (west, south))
        grid = Grid(
            x_m=float(corner_x),
            y_m=float(corner_y),
            cell_m=cell_m,
            columns=int((east - corner_x) / cell_m) + 1,
            rows=int((north - corner_y) / cell_m) + 1,
        )
        before = _standing(grid, x_m, y_m)
        wanted = _wanted(grid, x_m, y_m, before, far_m)
        listed = _listed_cells(grid, _standing(grid, *asked) if asked else before, wanted)
        filled = _filled(packed, kind, chosen, listed, grid)
        if filled is not None:
            return filled
    raise MachineError("no grid could be laid whose cell centres lie off every edge: a fault of riskmap")


def _may_reach(packed: Packed, x_m: FloatArray, y_m: FloatArray, extent: Extent, far_m: float) -> BoolArray:
    """Whether the bounds of each feature come near any point, told by coarse squares that points stand in."""
    west, south, east, north = extent.west, extent.south, extent.east, extent.north
    side_m = max(far_m, 16.0, max(east - west, north - south) / MOST_SQUARES)
    columns, rows = int((east - west) / side_m) + 1, int((north - south) / side_m) + 1
    near = np.empty(len(packed.box), dtype=np.uint8)
    _grid.may_reach(x_m, y_m, west, south, side_m, columns, rows, packed.box, far_m, near)
    return near.view(bool)


def _filled(
    packed: Packed, kind: int, chosen: IntArray, listed: Listed, grid: Grid
) -> tuple[Cells, Holders | None] | None:
    """Segments in their cells, and which polygons hold the centres; None where a ring runs through a centre."""
    start = np.zeros(grid.columns * grid.rows + 2, dtype=np.uint32)
    box = packed.box
    low, high = ((box[chosen, i] - grid.y_m) / grid.cell_m for i in (1, 3))
    bands = np.linspace(0, grid.rows, 1 + _bands(len(chosen))).astype(np.int64).tolist()

    def meet(band: int) -> tuple[bytes, bytes] | None:
        first, last = bands[band], bands[band + 1]
        met = chosen[(low <= last + 0.5) & (high >= first - 0.5)]
        size = (grid.cell_m, grid.columns, grid.rows, first, last)
        features = (packed.wkb, packed.offset, met, packed.part_first, packed.box)
        listing = (listed.wanted, start, listed.row_start, listed.column)
        found: tuple[bytes, bytes] | None = _grid.meet(*features, kind, grid.x_m, grid.y_m, *size, *listing)
        return found

    met = at_once(meet, len(bands) - 1)
    found = [of_band for of_band in met if of_band is not None]
    if len(found) < len(met):
        return None
    np.cumsum(start, out=start)
    stretch = np.empty((int(start[-1]), 3), dtype=np.int64)
    at_once(lambda band: _grid.fill(found[band][0], start, stretch), len(found))
    steps = np.zeros(grid.columns * grid.rows, dtype=np.uint8)
    if listed.wide:  # else the first rings are soon looked through
        _grid.ring_steps(start, grid.columns, grid.rows, steps)
    cells = Cells(
        grid=grid,
        start=start,
        stretch=stretch,
        wkb=packed.wkb,
        steps=steps,
        half_m=packed.half_width_m if kind == LINES and packed.half_width_m.any() else None,
    )
    return cells, _holders(b"".join(pairs for _, pairs in found), listed) if kind == RINGS else None


def _bands(features: int) -> int:
    """Bands of rows that are filled at once."""
    return 1 if features < FEW_FEATURES else 2 * cores()


def _listed_cells(grid: Grid, before: npt.NDArray[np.uint32], wanted: npt.NDArray[np.uint8] | None) -> Listed:
    """Cells that points stand in, and those that may be looked into (None: all)."""
    row_start, column = np.empty(grid.rows + 1, dtype=np.int64), np.empty(int(before[-1]), dtype=np.int64)
    _grid.list_cells(before, grid.columns, grid.rows, row_start, column)
    return Listed(
        row_start=row_start,
        column=column,
        before=before,
        wanted=np.ones(grid.columns * grid.rows, dtype=np.uint8) if wanted is None else wanted,
        wide=wanted is None,
    )


def _standing(grid: Grid, x_m: FloatArray, y_m: FloatArray) -> npt.NDArray[np.uint32]:
    """In how many cells before each points stand."""
    before = np.empty(grid.columns * grid.rows + 2, dtype=np.uint32)
    _grid.stand(x_m, y_m, *grid.corner_and_size(), before)
    return before


def _wanted(
    grid: Grid, x_m: FloatArray, y_m: FloatArray, before: npt.NDArray[np.uint32], far_m: float
) -> npt.NDArray[np.uint8] | None:
    """Cells that a point may look into; None where the reach is wide, since then little would be saved."""
    if far_m > WIDE_REACH * grid.cell_m:
        return None
    wanted = np.empty(grid.columns * grid.rows, dtype=np.uint8)
    if far_m <= grid.cell_m:
        _grid.want(x_m, y_m, far_m, *grid.corner_and_size(), wanted)
        return wanted
    _grid.ring_steps(before, grid.columns, grid.rows, wanted)  # rings of cells from the nearest point
    return (wanted <= int(far_m / grid.cell_m) + 1).view(np.uint8)


def _holders(held: bytes, listed: Listed) -> Holders:
    """Pairs of listed cell and polygon, grouped by cell, polygons ascending."""
    pairs = np.frombuffer(held, dtype=np.int32).reshape(-1, 2)
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    start = np.zeros(len(listed.column) + 1, dtype=np.int64)
    np.cumsum(np.bincount(pairs[:, 0], minlength=len(listed.column)), out=start[1:])
    return Holders(before=listed.before, start=start, part=np.ascontiguousarray(pairs[order, 1]))


def at_once(work: Callable[[int], Part], n: int) -> list[Part]:
    """Do n pieces of work on all cores, in order; the kernel lets go of the interpreter."""
    workers = min(cores(), n)
    if workers < 2:
        return [work(number) for number in range(n)]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, range(n)))
