"""The fast engine: segments in the cells of a uniform grid, searched by a small compiled kernel (_grid.c).

Each cell knows which stretches of which features cross it; their vertices stay in the bytes that were read. A tree
looks through its own cell and then ring by ring round it, until the next ring is farther than the best so far, so the
cost does not grow with the size of a feature. Inside is told by the polygons that hold the centre of the tree's cell,
and the edges crossed between centre and tree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from riskmap.cores import cores
from riskmap.measure import _grid, pieces
from riskmap.measure.cells import (
    LINES,
    MOST_CELL_M,
    MOST_CELLS,
    POINTS,
    RINGS,
    Cells,
    Extent,
    Holders,
    Int32Array,
    Packed,
    Places,
    at_once,
    lay_out,
    pack,
)
from riskmap.measure.shapes import TIE_M, Found, Look, Shapes
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["cover_share", "lay"]

FIRST = 0.7236067977  # direction in which arcs start, radians; no usual edge lies that way
LEAST_CHUNK = 2048  # points a thread takes at once
MOST_RANK = np.iinfo(np.int32).max

Part = TypeVar("Part")


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """Segments of one kind laid out, and what tells of inside."""

    cells: Cells
    holders: Holders | None  # of rings
    part_owner: Int32Array  # rank of the feature, by polygon

    def insides(self, places: Places) -> IntArray:
        """Pairs of point and rank."""
        if self.holders is None:
            return np.empty((0, 2), dtype=np.int64)
        return _insides(self.part_owner, self.cells, places, self.holders)


def lay(shapes: Shapes, x_m: FloatArray, y_m: FloatArray, scale: FloatArray, reach_m: float) -> Look:
    """Lay shapes out for looks from these points; as `pieces.lay`, which serves where a shape is not plain 2D.

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
    packed = pack(shapes)
    if packed is None:
        return pieces.lay(shapes, x_m, y_m, scale, reach_m)
    tiles = _tiles((x_m, y_m, scale), reach_m)
    if len(tiles) == 1:
        laid = _lay_tile(packed, (x_m, y_m, scale), tiles[0][1], reach_m)
        return lambda part: _look(laid, (x_m[part], y_m[part], scale[part]), reach_m)
    looks = []
    for tile, extent in tiles:
        places = x_m[tile], y_m[tile], scale[tile]
        looks.append(_look(_lay_tile(packed, places, extent, reach_m), places, reach_m))
    return _together([np.arange(len(x_m))[tile] for tile, _ in tiles], looks, len(x_m)).part


def _together(tiles: list[IntArray], looks: list[Found], n: int) -> Found:
    """What was found tile by tile, point by point."""
    edge_m, drawn_m = np.full(n, np.nan), np.full(n, np.nan)
    rank, within = np.full(n, -1, dtype=np.int32), np.zeros(n, dtype=bool)
    for tile, found in zip(tiles, looks, strict=True):
        edge_m[tile], drawn_m[tile], rank[tile], within[tile] = (
            found.edge_m,
            found.drawn_m,
            found.rank,
            found.within_width,
        )
    none = [np.empty(0, dtype=np.int64)]
    return Found(
        edge_m=edge_m,
        drawn_m=drawn_m,
        rank=rank,
        within_width=within,
        inside_point=np.concatenate(
            none + [tile[found.inside_point] for tile, found in zip(tiles, looks, strict=True)]
        ),
        inside_rank=np.concatenate(none + [found.inside_rank for found in looks]),
    )


def cover_share(areas: Shapes, x_m: FloatArray, y_m: FloatArray, radius_m: FloatArray) -> FloatArray | None:
    """Share of the circle round each point that areas cover; None where the kernel can't read one of them.

    Parameters
    ----------
    areas : Shapes
        Polygons that do not overlap, ground on the left of every ring.
    x_m, y_m : ndarray, shape (point,)
        Planar metres, all finite. [m]
    radius_m : ndarray, shape (point,)
        Planar radius at each point. [m]
    """
    packed = pack(areas)
    if packed is None:
        return None
    share = np.zeros(len(x_m))
    even = np.ones(len(x_m))  # radii are planar
    for tile, extent in _tiles((x_m, y_m, even), float(radius_m.max(initial=0.0))):
        x, y, radius = x_m[tile], y_m[tile], radius_m[tile]
        end = x + radius * np.cos(FIRST), y + radius * np.sin(FIRST)
        cells, holders = lay_out(packed, RINGS, (x, y, even[tile]), extent, float(radius.max()), end)
        if cells is None or holders is None:
            continue
        covered = np.zeros(len(x), dtype=np.uint8)
        covered[_insides(packed.part_owner, cells, (*end, radius), holders)[:, 0]] = 1
        share[tile] = _shares(cells, (x, y, radius), covered)
    return share


def _shares(cells: Cells, circles: Places, covered: npt.NDArray[np.uint8]) -> FloatArray:
    """The kernel's shares of circles: x, y, radius."""
    (x, y, radius), share = circles, np.empty(len(circles[0]))

    def work_out(part: slice) -> None:
        _grid.shares(
            *(x[part], y[part], radius[part], covered[part], FIRST, cells.start, cells.stretch, cells.wkb),
            *(*cells.grid.corner_and_size(), share[part]),
        )

    _in_threads(work_out, len(x))
    return share


def _tiles(places: Places, reach_m: float) -> list[tuple[IntArray | slice, Extent]]:
    """Points in groups that lie close enough together for one grid each; reach on the ground."""
    x_m, y_m, scale = places
    waiting: list[IntArray | slice] = [slice(None)] if len(x_m) else []
    tiles: list[tuple[IntArray | slice, Extent]] = []
    most_m = 0.0
    while waiting:
        tile = waiting.pop()
        extent = Extent.of((x_m[tile], y_m[tile], scale[tile]))
        most_m = max(most_m, reach_m * max(extent.most_scale, 1.0))
        west, east, south, north = extent.west, extent.east, extent.south, extent.north
        area = (east - west + 2 * most_m) * (north - south + 2 * most_m)
        small = max(east - west, north - south) <= 2 * most_m
        if small or area <= MOST_CELLS * MOST_CELL_M**2:
            tiles.append((tile, extent))
            continue
        wide = east - west >= north - south
        low = x_m[tile] <= (west + east) / 2 if wide else y_m[tile] <= (south + north) / 2
        points = np.arange(len(x_m))[tile]
        waiting += [points[~low], points[low]]
    return tiles


def _lay_tile(packed: Packed, places: Places, extent: Extent, reach_m: float) -> dict[int, Laid]:
    """Lay out each kind of segments of which any may be in reach of the points of one tile."""
    laid = {}
    for kind in (RINGS, LINES, POINTS) if packed.half_width_m.any() else (RINGS, LINES | POINTS):
        cells, holders = lay_out(packed, kind, places, extent, reach_m)
        if cells is not None:
            laid[kind] = Laid(cells=cells, holders=holders, part_owner=packed.part_owner)
    return laid


def _look(laid: dict[int, Laid], places: Places, reach_m: float) -> Found:
    """What lies near points of one tile."""
    n = len(places[0])
    seen = {kind: _nearest(of_kind.cells, places, reach_m, None) for kind, of_kind in laid.items()}
    drawn_m, rank = _settle_kinds([(laid[kind].cells, *look[:2]) for kind, look in seen.items()], places)
    inside = laid[RINGS].insides(places) if RINGS in laid else np.empty((0, 2), dtype=np.int64)
    return Found(
        edge_m=seen[RINGS][0] if RINGS in seen else np.full(n, np.nan),
        drawn_m=drawn_m,
        rank=rank,
        within_width=seen[LINES][2] if LINES in seen else np.zeros(n, dtype=bool),
        inside_point=inside[:, 0],
        inside_rank=inside[:, 1],
    )


def _settle_kinds(seen: list[tuple[Cells, FloatArray, Int32Array]], places: Places) -> tuple[FloatArray, Int32Array]:
    """Least distance over all kinds; the first feature within a tie of it, asked for again where kinds tie."""
    if not seen:
        n = len(places[0])
        return np.full(n, np.nan), np.full(n, -1, dtype=np.int32)
    _, drawn_m, rank = seen[0]
    again = np.zeros(len(drawn_m), dtype=bool)
    for _, away_m, owner in seen[1:]:
        with np.errstate(invalid="ignore"):
            nearer = np.isnan(drawn_m) | (away_m + TIE_M < drawn_m)
            again = again & ~nearer | (np.abs(drawn_m - away_m) <= TIE_M)
        rank = np.where(nearer, owner, rank)
        drawn_m = np.fmin(drawn_m, away_m)
    tied = np.flatnonzero(again)
    if len(tied):
        some = places[0][tied], places[1][tied], places[2][tied]
        first = np.full(len(tied), MOST_RANK, dtype=np.int32)
        for cells, _, _ in seen:
            _, owner, _ = _nearest(cells, some, 0.0, drawn_m[tied] + TIE_M)
            first = np.where(owner >= 0, np.minimum(first, owner), first)
        rank = rank.copy()
        rank[tied] = first
    return drawn_m, rank


def _nearest(
    cells: Cells, places: Places, reach_m: float, limit_m: FloatArray | None
) -> tuple[FloatArray, Int32Array, BoolArray]:
    """Distance, first rank, and whether a width is stood in."""
    (x_m, y_m, scale), n = places, len(places[0])
    away_m, rank, stood = np.empty(n), np.empty(n, dtype=np.int32), np.empty(n, dtype=np.uint8)

    def search(part: slice) -> None:
        _grid.nearest(
            *(x_m[part], y_m[part], scale[part], reach_m, TIE_M, None if limit_m is None else limit_m[part]),
            *(cells.start, cells.stretch, cells.wkb, cells.half_m, *cells.grid.corner_and_size(), cells.steps),
            *(away_m[part], rank[part], stood[part]),
        )

    _in_threads(search, n)
    return away_m, rank, stood.view(bool)


def _insides(part_owner: Int32Array, cells: Cells, places: Places, holders: Holders) -> IntArray:
    """Pairs of point and rank: the point lies inside a polygon of that feature."""

    def search(part: slice) -> bytes:
        found: bytes = _grid.inside(
            *(places[0][part], places[1][part], holders.before, holders.start, holders.part),
            *(cells.start, cells.stretch, cells.wkb, *cells.grid.corner_and_size(), part.start),
        )
        return found

    pairs = np.frombuffer(b"".join(_in_threads(search, len(places[0]))), dtype=np.int32).reshape(-1, 2)
    ranks = np.column_stack([pairs[:, 0], part_owner[pairs[:, 1]]]).astype(np.int64)
    new = np.ones(len(ranks), dtype=bool)
    new[1:] = (np.diff(ranks, axis=0) != 0).any(axis=1)  # parts of one feature stand together
    return ranks[new]


def _in_threads(search: Callable[[slice], Part], n: int) -> list[Part]:
    """Run over slices of the points on all cores, in order."""
    size = max(LEAST_CHUNK, -(-n // (8 * cores())))
    parts = [slice(start, min(start + size, n)) for start in range(0, n, size)]
    return at_once(lambda number: search(parts[number]), len(parts))
