"""The fast engine: segments in the cells of a uniform grid, searched by a small compiled kernel (_grid.c).

Every segment stands, by value, in each cell it crosses. A tree looks through its own cell and then ring by ring round
it, until the next ring is farther than the best so far, so the cost does not grow with the size of a feature. Inside
is told by the polygons that hold the centre of the tree's cell, and the edges crossed between centre and tree.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from riskmap.errors import MachineError
from riskmap.measure import _grid, pieces
from riskmap.measure.shapes import TIE_M, Found, Shapes
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["find_near"]

RINGS, LINES, POINTS = 1, 2, 4  # kinds of segments, as the kernel numbers them
LEAST_CELL_M, MOST_CELL_M = 8.0, 32.0
MOST_CELLS = 6_000_000  # of one grid; trees spread wider are taken in tiles
MOST_STEPS = 200  # cells from a tree to the end of its reach
MOST_SQUARES = 1000  # coarse squares along one side, to tell which features come near any point
WIDE_REACH = 4  # cells
FEW_FEATURES = 64  # fewer are filled in one go
LEAST_CHUNK = 2048  # points a thread takes at once
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
class Grid:
    """Square cells from a corner in the working CRS."""

    x_m: float
    y_m: float
    cell_m: float
    columns: int
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Some of the points, metres from the corner of a grid."""

    x: FloatArray
    y: FloatArray
    scale: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """Cells that points stand in: columns by row, ascending."""

    row_start: IntArray
    column: IntArray
    place: Int32Array  # by point: its cell in the list
    wanted: npt.NDArray[np.uint8]  # by cell: some point may look into it


@dataclass(frozen=True, slots=True, kw_only=True)
class Holders:
    """Which polygons hold the centres of the cells that points stand in."""

    place: Int32Array  # by point: its cell in the list
    start: IntArray  # by cell listed: where its polygons start
    part: Int32Array  # ascending within a cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Segments of some kinds, by value in the cells of one grid."""

    grid: Grid
    start: npt.NDArray[np.uint32]  # by cell, and one more
    segment: FloatArray  # (segment, 5): ends, and in the last 8 bytes rank and polygon
    steps: npt.NDArray[np.uint8]
    half_m: FloatArray | None  # by rank

    def points(self, x_m: FloatArray, y_m: FloatArray, scale: FloatArray) -> Points:
        """Points as metres from the corner."""
        return Points(x=x_m - self.grid.x_m, y=y_m - self.grid.y_m, scale=np.ascontiguousarray(scale))


def find_near(shapes: Shapes, x_m: FloatArray, y_m: FloatArray, scale: FloatArray, reach_m: float) -> Found:
    """Find what lies near each point; the same as `pieces.find_near`, which serves where a shape is not plain 2D.

    Parameters
    ----------
    shapes : Shapes
        Of one role.
    x_m, y_m : ndarray, shape (point,)
        Planar metres, all finite, best in Morton order. [m]
    scale : ndarray, shape (point,)
        Planar metres per ground metre at each point.
    reach_m : float
        Nothing farther than this on the ground is reported. [m]
    """
    packed = _pack(shapes)
    if packed is None:
        return pieces.find_near(shapes, x_m, y_m, scale, reach_m)
    n = len(x_m)
    edge_m, drawn_m = np.full(n, np.nan), np.full(n, np.nan)
    rank, within = np.full(n, -1, dtype=np.int64), np.zeros(n, dtype=bool)
    pairs = [np.empty((0, 2), dtype=np.int64)]
    for tile in _tiles(x_m, y_m, reach_m * float(scale.max(initial=1.0))):
        looked = _look_at_tile(packed, (x_m[tile], y_m[tile], scale[tile]), reach_m)
        edge_m[tile], drawn_m[tile], rank[tile], within[tile], inside = looked
        inside[:, 0] = tile[inside[:, 0]]
        pairs.append(inside)
    every = np.concatenate(pairs)
    return Found(
        edge_m=edge_m,
        drawn_m=drawn_m,
        rank=rank,
        within_width=within,
        inside_point=every[:, 0],
        inside_rank=every[:, 1],
    )


def _pack(shapes: Shapes) -> Packed | None:
    """Features as bytes; None where the kernel can't read one of them."""
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


def _tiles(x_m: FloatArray, y_m: FloatArray, reach_m: float) -> list[IntArray]:
    """Points in groups that lie close enough together for one grid each."""
    waiting, tiles = [np.arange(len(x_m))] if len(x_m) else [], []
    while waiting:
        tile = waiting.pop()
        west, east, south, north = x_m[tile].min(), x_m[tile].max(), y_m[tile].min(), y_m[tile].max()
        area = (east - west + 2 * reach_m) * (north - south + 2 * reach_m)
        small = max(east - west, north - south) <= 2 * reach_m
        if small or area <= MOST_CELLS * MOST_CELL_M**2:
            tiles.append(tile)
            continue
        wide = east - west >= north - south
        low = x_m[tile] <= (west + east) / 2 if wide else y_m[tile] <= (south + north) / 2
        waiting += [tile[~low], tile[low]]
    return tiles


def _look_at_tile(packed: Packed, places: Places, reach_m: float) -> tuple[Any, ...]:
    """Edge, least distance as drawn, its feature, whether a width is stood in, and pairs of inside, for one tile."""
    n = len(places[0])
    kinds = (RINGS, LINES, POINTS) if packed.half_width_m.any() else (RINGS, LINES | POINTS)
    edge_m, within = np.full(n, np.nan), np.zeros(n, dtype=bool)
    inside = np.empty((0, 2), dtype=np.int64)
    looks = []
    for kind in kinds:
        cells, holders = _cells(packed, kind, places, reach_m)
        if cells is None:
            continue
        points = cells.points(*places)
        away_m, owner, stood = _nearest(cells, points, reach_m, None)
        within |= stood
        looks.append((cells, points, away_m, owner))
        if holders is not None:
            edge_m = away_m
            inside = _insides(packed, cells, points, holders)
    drawn_m, rank = _settle_kinds(looks, n)
    return edge_m, drawn_m, rank, within, inside


def _settle_kinds(looks: list[tuple[Cells, Points, FloatArray, Int32Array]], n: int) -> tuple[FloatArray, IntArray]:
    """Least distance over all kinds; the first feature within a tie of it, asked for again where kinds tie."""
    drawn_m = np.full(n, np.nan)
    for _, _, away_m, _ in looks:
        drawn_m = np.fmin(drawn_m, away_m)
    most = np.iinfo(np.int64).max
    rank, near = np.full(n, most, dtype=np.int64), np.zeros(n, dtype=np.int64)
    with np.errstate(invalid="ignore"):
        for _, _, away_m, owner in looks:
            tied = away_m <= drawn_m + TIE_M
            near += tied
            rank[tied] = np.minimum(rank[tied], owner[tied])
    again = np.flatnonzero(near > 1)
    if len(again):
        rank[again] = most
        for cells, points, _, _ in looks:
            some = Points(x=points.x[again], y=points.y[again], scale=points.scale[again])
            _, owner, _ = _nearest(cells, some, 0.0, drawn_m[again] + TIE_M)
            hit = owner >= 0
            rank[again[hit]] = np.minimum(rank[again[hit]], owner[hit])
    return drawn_m, np.where(rank == most, -1, rank)


def _cells(packed: Packed, kind: int, places: Places, reach_m: float) -> tuple[Cells | None, Holders | None]:
    """Segments of some kinds that may be in reach, in a grid over the points and their reach.

    For rings also which polygons hold the centres of the points' cells; the corner is moved until no ring passes
    through a centre.
    """
    x_m, y_m, scale = places
    far_m = (reach_m + float(packed.half_width_m.max(initial=0.0))) * float(scale.max()) + 1.0
    segments = packed.count[:, 0 if kind == RINGS else 1]
    chosen = np.flatnonzero((segments > 0) & _may_reach(packed.box, x_m, y_m, far_m))
    room = int(segments[chosen].sum())
    if not room:
        return None, None
    west, south = float(x_m.min()) - far_m, float(y_m.min()) - far_m
    east, north = float(x_m.max()) + far_m, float(y_m.max()) + far_m
    area = (east - west) * (north - south)
    cell_m = float(np.clip(np.sqrt(area / room), LEAST_CELL_M, MOST_CELL_M))
    cell_m = max(cell_m, far_m / MOST_STEPS, float(np.sqrt(area / MOST_CELLS)))
    box = packed.box
    chosen = chosen[pieces.morton_order(box[chosen, 0] + box[chosen, 2], box[chosen, 1] + box[chosen, 3])]
    for moved in range(1, 50):
        corner_x, corner_y = (np.floor(edge) - 1.0 - OFF_ROUND_M * moved for edge in (west, south))
        grid = Grid(
            x_m=float(corner_x),
            y_m=float(corner_y),
            cell_m=cell_m,
            columns=int((east - corner_x) / cell_m) + 1,
            rows=int((north - corner_y) / cell_m) + 1,
        )
        filled = _filled(packed, kind, chosen, grid, _listed_cells(grid, x_m, y_m, far_m))
        if filled is not None:
            return filled
    raise MachineError("no grid could be laid whose cell centres lie off every edge: a fault of riskmap")


def _may_reach(box: FloatArray, x_m: FloatArray, y_m: FloatArray, far_m: float) -> BoolArray:
    """Whether the bounds of each feature come near any point, by counting points in coarse squares once."""
    west, south = float(x_m.min()) - far_m, float(y_m.min()) - far_m
    side_m = max(far_m, 64.0, max(np.ptp(x_m), np.ptp(y_m)) / MOST_SQUARES)
    columns, rows = int((np.ptp(x_m) + 2 * far_m) / side_m) + 1, int((np.ptp(y_m) + 2 * far_m) / side_m) + 1
    square = ((y_m - south) / side_m).astype(np.int64) * columns + ((x_m - west) / side_m).astype(np.int64)
    total = np.zeros((rows + 1, columns + 1), dtype=np.int64)
    total[1:, 1:] = np.bincount(square, minlength=rows * columns).reshape(rows, columns).cumsum(0).cumsum(1)
    with np.errstate(invalid="ignore"):  # null features have no bounds
        low_x, low_y = ((box[:, i] - far_m - corner) / side_m for i, corner in ((0, west), (1, south)))
        high_x, high_y = ((box[:, i] + far_m - corner) / side_m for i, corner in ((2, west), (3, south)))
        c0, c1 = np.clip(low_x, 0, columns).astype(np.int64), np.clip(high_x + 1, 0, columns).astype(np.int64)
        r0, r1 = np.clip(low_y, 0, rows).astype(np.int64), np.clip(high_y + 1, 0, rows).astype(np.int64)
    near: BoolArray = total[r1, c1] - total[r0, c1] - total[r1, c0] + total[r0, c0] > 0
    return near & (c1 > c0) & (r1 > r0)


def _filled(
    packed: Packed, kind: int, chosen: IntArray, grid: Grid, listed: Listed
) -> tuple[Cells, Holders | None] | None:
    """Segments in their cells, and which polygons hold the centres; None where a ring runs through a centre."""
    start = np.zeros(grid.columns * grid.rows + 2, dtype=np.uint32)
    box = packed.box
    low, high = ((box[chosen, i] - grid.y_m) / grid.cell_m for i in (1, 3))
    bands = np.linspace(0, grid.rows, 1 + _bands(len(chosen))).astype(np.int64).tolist()

    def common(band: int) -> tuple[Any, ...]:
        first, last = bands[band], bands[band + 1]
        met = chosen[(low <= last + 0.5) & (high >= first - 0.5)]
        size = (grid.cell_m, grid.columns, grid.rows, first, last)
        features = (packed.wkb, packed.offset, met, packed.part_first, packed.box)
        return (*features, kind, grid.x_m, grid.y_m, *size, listed.wanted)

    held = _at_once(lambda band: _grid.count(*common(band), start, listed.row_start, listed.column), len(bands) - 1)
    counted = [found for found in held if found is not None]
    if len(counted) < len(held):
        return None
    np.cumsum(start, out=start)
    segment = np.empty((sum(total for total, _ in counted), 5))
    _at_once(lambda band: _grid.fill(*common(band), start, segment), len(bands) - 1)
    steps = np.empty(grid.columns * grid.rows, dtype=np.uint8)
    _grid.ring_steps(start, grid.columns, grid.rows, steps)
    cells = Cells(
        grid=grid,
        start=start,
        segment=segment,
        steps=steps,
        half_m=packed.half_width_m if kind == LINES and packed.half_width_m.any() else None,
    )
    return cells, _holders(b"".join(pairs for _, pairs in counted), listed) if kind == RINGS else None


def _bands(features: int) -> int:
    """Bands of rows that are filled at once."""
    return 1 if features < FEW_FEATURES else 2 * (os.cpu_count() or 1)


def _listed_cells(grid: Grid, x_m: FloatArray, y_m: FloatArray, far_m: float) -> Listed:
    """Cells that points stand in, and those they may look into."""
    cells = grid.columns * grid.rows
    column = ((x_m - grid.x_m) / grid.cell_m).astype(np.int64)
    cell = ((y_m - grid.y_m) / grid.cell_m).astype(np.int64) * grid.columns + column
    there = np.zeros(cells + 2, dtype=np.uint32)
    there[cell + 1] = 1
    order = np.cumsum(there, dtype=np.uint32)
    listed = np.flatnonzero(there) - 1
    return Listed(
        row_start=np.searchsorted(listed, np.arange(grid.rows + 1) * grid.columns).astype(np.int64),
        column=listed % grid.columns,
        place=order[cell].astype(np.int32),
        wanted=_wanted(order, grid, far_m),
    )


def _wanted(order: npt.NDArray[np.uint32], grid: Grid, far_m: float) -> npt.NDArray[np.uint8]:
    """Cells that a point may look into; all of them where the reach is wide, since then little would be saved."""
    cells = grid.columns * grid.rows
    if far_m > WIDE_REACH * grid.cell_m:
        return np.ones(cells, dtype=np.uint8)
    steps = np.empty(cells, dtype=np.uint8)
    _grid.ring_steps(order, grid.columns, grid.rows, steps)
    wanted = steps <= int(far_m / grid.cell_m) + 1
    return wanted.view(np.uint8)


def _holders(held: bytes, listed: Listed) -> Holders:
    """Pairs of listed cell and polygon, grouped by cell, polygons ascending."""
    pairs = np.frombuffer(held, dtype=np.int32).reshape(-1, 2)
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    start = np.zeros(len(listed.column) + 1, dtype=np.int64)
    np.cumsum(np.bincount(pairs[:, 0], minlength=len(listed.column)), out=start[1:])
    return Holders(place=listed.place, start=start, part=np.ascontiguousarray(pairs[order, 1]))


def _nearest(
    cells: Cells, points: Points, reach_m: float, limit_m: FloatArray | None
) -> tuple[FloatArray, Int32Array, BoolArray]:
    """Distance, first owner, and whether a width is stood in."""
    n, grid = len(points.x), cells.grid
    away_m, owner, stood = np.full(n, np.nan), np.full(n, -1, np.int32), np.zeros(n, np.uint8)

    def search(part: slice) -> None:
        _grid.nearest(
            *(points.x[part], points.y[part], points.scale[part], reach_m, TIE_M),
            None if limit_m is None else np.ascontiguousarray(limit_m[part]),
            *(cells.start, cells.segment, cells.half_m, grid.cell_m, grid.columns, grid.rows, cells.steps),
            *(away_m[part], owner[part], stood[part]),
        )

    _in_threads(search, n)
    return away_m, owner, stood.view(bool)


def _insides(packed: Packed, cells: Cells, points: Points, holders: Holders) -> IntArray:
    """Pairs of point and rank: the point lies inside a polygon of that feature."""
    grid = cells.grid

    def search(part: slice) -> bytes:
        found: bytes = _grid.inside(
            *(points.x[part], points.y[part], holders.place[part], holders.start, holders.part),
            *(cells.start, cells.segment, grid.cell_m, grid.columns, grid.rows, part.start),
        )
        return found

    pairs = np.frombuffer(b"".join(_in_threads(search, len(points.x))), dtype=np.int32).reshape(-1, 2)
    ranks = np.column_stack([pairs[:, 0], packed.part_owner[pairs[:, 1]]]).astype(np.int64)
    new = np.ones(len(ranks), dtype=bool)
    new[1:] = (np.diff(ranks, axis=0) != 0).any(axis=1)  # parts of one feature stand together
    return ranks[new]


def _in_threads(search: Callable[[slice], Part], n: int) -> list[Part]:
    """Run over slices of the points on all cores, in order."""
    size = max(LEAST_CHUNK, -(-n // (8 * (os.cpu_count() or 1))))
    parts = [slice(start, min(start + size, n)) for start in range(0, n, size)]
    return _at_once(lambda number: search(parts[number]), len(parts))


def _at_once(work: Callable[[int], Part], n: int) -> list[Part]:
    """Do n pieces of work on all cores; the kernel lets go of the interpreter."""
    workers = min(os.cpu_count() or 1, n)
    if workers < 2:
        return [work(number) for number in range(n)]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, range(n)))
