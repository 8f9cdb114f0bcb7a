"""The engine that is always there: lines cut into short pieces, an index over them, points in Morton order."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.cores import cores
from riskmap.measure.shapes import TIE_M, Found, Look, Shapes
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["cut_lines", "lay", "points_inside"]

SEGMENTS = 15  # of a piece: 16 vertices
SHORT_M = 40.0  # up to here all pairs in reach are soon measured; beyond, the index finds the nearest first
MOST_SQUARES = 1000  # coarse squares along one side, to tell which features come near any point
CHUNK = 4096  # points a thread takes at once
MOST_WIDTHS = 8  # line widths that are searched one by one; more are searched pair by pair

Geometries = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Features taken apart: one polygon, line or point each."""

    part: Geometries
    kind: npt.NDArray[np.int32]
    rank: IntArray

    @classmethod
    def of(cls, geometry: Geometries) -> Parts:
        """Take features apart; collections may hold multi-parts."""
        part, rank = shapely.get_parts(geometry, return_index=True)
        part, outer = shapely.get_parts(part, return_index=True)
        kept = ~shapely.is_empty(part)
        part, rank = part[kept], rank[outer][kept]
        kind = shapely.get_type_id(part)
        kind[kind == shapely.GeometryType.LINEARRING] = shapely.GeometryType.LINESTRING
        return cls(part=part, kind=kind, rank=rank.astype(np.int64))


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """Distances of some points to the pieces of one kind."""

    least_m: FloatArray  # on the ground, half the width taken off (may be below 0); nan beyond the reach
    pairs: tuple[IntArray, IntArray, FloatArray] | None = None  # of all in reach: point, piece, distance


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """Pieces of one kind under one index."""

    index: shapely.STRtree
    geometry: Geometries
    rank: IntArray
    half_width_m: FloatArray
    ring: bool

    def near(self, points: Geometries, scale: FloatArray, reach_m: float) -> Near:
        """Find the ground distance to the nearest piece; pair by pair where that is quicker, or widths differ."""
        far_m = reach_m + float(self.half_width_m.max())
        if far_m > SHORT_M and np.ptp(self.half_width_m) == 0.0:
            return Near(least_m=self._least_by_index(points, scale, far_m))
        at, piece = self.index.query(points, "dwithin", np.nextafter(far_m * scale, np.inf))
        away_m = shapely.distance(points[at], self.geometry[piece]) / scale[at] - self.half_width_m[piece]
        least_m = np.full(len(points), np.inf)
        np.minimum.at(least_m, at, away_m)
        return Near(least_m=np.where(least_m <= reach_m, least_m, np.nan), pairs=(at, piece, away_m))

    def _least_by_index(self, points: Geometries, scale: FloatArray, reach_m: float) -> FloatArray:
        """The least distance, half the width that all have taken off; nan beyond the reach."""
        least = np.full(len(points), np.nan)
        (at, _), away = self.index.query_nearest(
            points, max_distance=reach_m * float(scale.max()), return_distance=True, all_matches=False
        )
        away = away / scale[at]
        near = away <= reach_m
        least[at[near]] = away[near] - self.half_width_m[0]
        return least

    def first_within(
        self, points: Geometries, scale: FloatArray, limit_m: FloatArray, first: IntArray, near: Near
    ) -> None:
        """Lower `first` to the least rank of a piece within the limit (nan: none) of each point."""
        if near.pairs is not None:
            at, piece, away_m = near.pairs
            close = away_m <= limit_m[at]
            np.minimum.at(first, at[close], self.rank[piece[close]])
            return
        some = np.flatnonzero(np.isfinite(limit_m))  # all pieces have one half width
        far_m = (limit_m[some] + self.half_width_m[0]) * scale[some]
        at, piece = self.index.query(points[some], "dwithin", np.nextafter(far_m, np.inf))
        np.minimum.at(first, some[at], self.rank[piece])


def lay(shapes: Shapes, x_m: FloatArray, y_m: FloatArray, scale: FloatArray, reach_m: float) -> Look:
    """Lay shapes out for looks from these points.

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
    geometry = shapes.geometry().copy()
    far_m = (reach_m + float(shapes.half_width_m.max(initial=0.0))) * float(scale.max(initial=1.0)) + 1.0
    geometry[~_may_reach(shapely.bounds(geometry), x_m, y_m, far_m)] = None
    parts = Parts.of(geometry)
    kinds = _all_pieces(parts, shapes.half_width_m)
    return lambda part: _look(parts, kinds, (x_m[part], y_m[part], scale[part]), reach_m)


def _may_reach(box: FloatArray, x_m: FloatArray, y_m: FloatArray, far_m: float) -> BoolArray:
    """Whether the bounds of each feature come near any point, by counting coarse squares that points stand in."""
    if not len(x_m):
        return np.zeros(len(box), dtype=bool)
    west, south = float(x_m.min()), float(y_m.min())
    side_m = max(far_m, 16.0, max(np.ptp(x_m), np.ptp(y_m)) / MOST_SQUARES)
    column, row = ((x_m - west) / side_m).astype(np.int64), ((y_m - south) / side_m).astype(np.int64)
    columns, rows = int(column.max()) + 1, int(row.max()) + 1
    stood = np.zeros((rows + 1, columns + 1), dtype=np.int64)
    stood[row + 1, column + 1] = 1
    before = stood.cumsum(axis=0).cumsum(axis=1)
    null: BoolArray = np.isnan(box[:, 0])
    box = np.where(null.reshape(-1, 1), 0.0, box)
    ends = []
    for corner, low, high, most in ((west, 0, 2, columns), (south, 1, 3, rows)):
        ends.append(np.clip((box[:, low] - far_m - corner) / side_m, 0, most).astype(np.int64))
        ends.append(np.clip((box[:, high] + far_m - corner) / side_m + 1, 0, most).astype(np.int64))
    c0, c1, r0, r1 = ends
    squares = before[r1, c1] - before[r0, c1] - before[r1, c0] + before[r0, c0]
    near: BoolArray = ~null & (c1 > c0) & (r1 > r0) & (squares > 0)
    return near


def _look(
    parts: Parts, kinds: list[Pieces], places: tuple[FloatArray, FloatArray, FloatArray], reach_m: float
) -> Found:
    """What lies near some points."""
    x_m, y_m, scale = places
    points, n = shapely.points(x_m, y_m), len(x_m)
    edge_m, drawn_m = np.full(n, np.nan), np.full(n, np.nan)
    rank, within = np.full(n, -1, dtype=np.int32), np.zeros(n, dtype=bool)

    def measure(part: slice) -> None:
        edge_m[part], drawn_m[part], rank[part], within[part] = _near(kinds, points[part], scale[part], reach_m)

    if kinds and n:
        _in_threads(measure, n)
    inside_point, inside_rank = _insides(parts, points, x_m, y_m)
    return Found(
        edge_m=edge_m,
        drawn_m=drawn_m,
        rank=rank,
        within_width=within,
        inside_point=inside_point,
        inside_rank=inside_rank,
    )


def _near(
    kinds: list[Pieces], points: Geometries, scale: FloatArray, reach_m: float
) -> tuple[FloatArray, FloatArray, IntArray, BoolArray]:
    """Edge, least distance as drawn, its feature, and whether a width is stood in, for one chunk."""
    n = len(points)
    edge_m, drawn_m, within = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool)
    found = [kind.near(points, scale, reach_m) for kind in kinds]
    for kind, near in zip(kinds, found, strict=True):
        if kind.ring:
            edge_m = np.fmin(edge_m, near.least_m)
        elif kind.half_width_m.any():
            within |= near.least_m <= 0.0
        drawn_m = np.fmin(drawn_m, np.maximum(near.least_m, 0.0))
    most = np.iinfo(np.int64).max
    first = np.full(n, most, dtype=np.int64)
    for kind, near in zip(kinds, found, strict=True):
        kind.first_within(points, scale, drawn_m + TIE_M, first, near)
    return edge_m, drawn_m, np.where(first < most, first, -1), within


def _in_threads(measure: Callable[[slice], None], n: int) -> None:
    """Run chunks on all cores; the index is only read, and no prepared geometry comes here."""
    parts = [slice(start, start + CHUNK) for start in range(0, n, CHUNK)]
    workers = min(cores(), len(parts))
    if workers < 2:
        for part in parts:
            measure(part)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(measure, parts))


def _all_pieces(parts: Parts, half_width_m: FloatArray) -> list[Pieces]:
    """Rings, lines by width, and points, cut and indexed."""
    found = []
    area = parts.kind == shapely.GeometryType.POLYGON
    rings, polygon = shapely.get_rings(parts.part[area], return_index=True)
    if len(rings):
        found.append(_pieces(rings, parts.rank[area][polygon], np.zeros(len(rings)), ring=True))
    half_m = np.where(parts.kind == shapely.GeometryType.POINT, 0.0, half_width_m[parts.rank])
    widths = np.unique(half_m[~area])
    alike = [half_m == width for width in widths] if len(widths) <= MOST_WIDTHS else [True]
    for same in alike:
        some = ~area & same
        if some.any():
            found.append(_pieces(parts.part[some], parts.rank[some], half_m[some], ring=False))
    return found


def _pieces(lines: Geometries, rank: IntArray, half_width_m: FloatArray, *, ring: bool) -> Pieces:
    """Cut lines and index the pieces; points stay as they are."""
    pieces, line = cut_lines(lines)
    return Pieces(
        index=shapely.STRtree(pieces), geometry=pieces, rank=rank[line], half_width_m=half_width_m[line], ring=ring
    )


def cut_lines(lines: Geometries) -> tuple[Geometries, IntArray]:
    """Cut lines and rings into pieces of at most 16 vertices that share end points; points are left whole.

    Returns
    -------
    pieces : ndarray of geometries
    line : ndarray of int
        Which line each piece is of.
    """
    is_point = shapely.get_type_id(lines) == shapely.GeometryType.POINT
    whole = np.flatnonzero(is_point)
    cut = np.flatnonzero(~is_point)
    xy, owner = shapely.get_coordinates(lines[cut], return_index=True)
    count = np.bincount(owner, minlength=len(cut))
    segments = count - 1
    parts = -(-segments // SEGMENTS)
    line = np.repeat(np.arange(len(cut)), parts)
    nth = np.arange(len(line)) - np.repeat(np.cumsum(parts) - parts, parts)
    start = nth * segments[line] // parts[line]
    end = (nth + 1) * segments[line] // parts[line]
    length = end - start + 1
    piece = np.repeat(np.arange(len(line)), length)
    first = np.repeat((np.cumsum(count) - count)[line] + start, length)
    within = np.arange(len(piece)) - np.repeat(np.cumsum(length) - length, length)
    pieces: Geometries = (
        shapely.linestrings(xy[first + within], indices=piece) if len(piece) else np.empty(0, dtype=object)
    )
    return np.concatenate([lines[whole], pieces]), np.concatenate([whole, cut[line]]).astype(np.int64)


def points_inside(polygons: Geometries, x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """Return the numbers of the points that any of the polygons holds, each once."""
    return np.unique(_held(polygons, shapely.points(x_m, y_m), x_m, y_m)[0])


def _insides(parts: Parts, points: Geometries, x_m: FloatArray, y_m: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs of point and feature where a polygon holds the point, its edge included."""
    area = np.flatnonzero(parts.kind == shapely.GeometryType.POLYGON)
    at, polygon = _held(parts.part[area], points, x_m, y_m)
    pairs = np.unique(np.column_stack([at, parts.rank[area[polygon]]]), axis=0)
    return pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)


def _held(polygons: Geometries, points: Geometries, x_m: FloatArray, y_m: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs of point and polygon that holds it.

    Prepared polygons make this quick, and stay in this thread: in several at once they break the heap.
    """
    none = np.empty(0, dtype=np.int64)
    if not len(polygons) or not len(x_m):
        return none, none
    at, polygon = shapely.STRtree(polygons).query(points)
    wanted = np.unique(polygon)
    own = shapely.transform(polygons[wanted], _as_they_are)  # copies: what is prepared is not handed on
    shapely.prepare(own)
    slot = np.searchsorted(wanted, polygon)
    by_polygon = np.argsort(slot, kind="stable")
    at, slot = at[by_polygon], slot[by_polygon]
    holds = shapely.intersects_xy(own[slot], x_m[at], y_m[at])
    return at[holds], wanted[slot[holds]]


def _as_they_are(xy: Any) -> Any:
    """Coordinates unchanged."""
    return xy
