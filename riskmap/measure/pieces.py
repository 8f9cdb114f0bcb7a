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

__all__ = ["cut_lines", "lay", "morton_order", "points_inside"]

SEGMENTS = 15  # of a piece: 16 vertices
COARSE_M = 100_000.0  # sites smaller than this are sorted into 256 x 256 squares, larger ones into finer ones
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
class Pieces:
    """Pieces of one kind under one index."""

    index: shapely.STRtree
    geometry: Geometries
    rank: IntArray
    half_width_m: FloatArray
    ring: bool

    def least_m(self, points: Geometries, scale: FloatArray, reach_m: float) -> FloatArray:
        """Ground distance to the nearest piece, its half width taken off (may be below 0); nan beyond the reach."""
        if np.ptp(self.half_width_m) == 0.0:
            return self._least_by_index(points, scale, reach_m + float(self.half_width_m[0]))
        least = np.full(len(points), np.inf)
        at, piece = self.index.query(points, "dwithin", (reach_m + self.half_width_m.max()) * scale)
        away = shapely.distance(points[at], self.geometry[piece]) / scale[at] - self.half_width_m[piece]
        np.minimum.at(least, at, away)
        return np.where(least <= reach_m, least, np.nan)

    def _least_by_index(self, points: Geometries, scale: FloatArray, reach_m: float) -> FloatArray:
        """The same where all pieces have one half width."""
        least = np.full(len(points), np.nan)
        (at, _), away = self.index.query_nearest(
            points, max_distance=reach_m * float(scale.max()), return_distance=True, all_matches=False
        )
        away = away / scale[at]
        near = away <= reach_m
        least[at[near]] = away[near] - self.half_width_m[0]
        return least

    def first_within(self, points: Geometries, scale: FloatArray, limit_m: FloatArray, first: IntArray) -> None:
        """Lower `first` to the least rank of a piece within the limit of each point."""
        far_m = limit_m + self.half_width_m.max()
        at, piece = self.index.query(points, "dwithin", np.nextafter(far_m * scale, np.inf))
        if np.ptp(self.half_width_m) > 0.0:
            away = shapely.distance(points[at], self.geometry[piece]) / scale[at] - self.half_width_m[piece]
            near = away <= limit_m[at]
            at, piece = at[near], piece[near]
        np.minimum.at(first, at, self.rank[piece])


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
    parts = Parts.of(shapes.geometry())
    kinds = _all_pieces(parts, shapes.half_width_m)
    return lambda part: _look(parts, kinds, (x_m[part], y_m[part], scale[part]), reach_m)


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
    inside_point, inside_rank = _insides(parts, x_m, y_m)
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
    for kind in kinds:
        least_m = kind.least_m(points, scale, reach_m)
        if kind.ring:
            edge_m = np.fmin(edge_m, least_m)
        elif kind.half_width_m.any():
            within |= least_m <= 0.0
        drawn_m = np.fmin(drawn_m, np.maximum(least_m, 0.0))
    some = np.flatnonzero(np.isfinite(drawn_m))
    most = np.iinfo(np.int64).max
    first = np.full(len(some), most, dtype=np.int64)
    for kind in kinds:
        kind.first_within(points[some], scale[some], drawn_m[some] + TIE_M, first)
    rank = np.full(n, -1, dtype=np.int64)
    rank[some] = first
    return edge_m, drawn_m, rank, within


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
    return np.unique(_held(polygons, x_m, y_m)[0])


def _insides(parts: Parts, x_m: FloatArray, y_m: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs of point and feature where a polygon holds the point, its edge included."""
    area = np.flatnonzero(parts.kind == shapely.GeometryType.POLYGON)
    at, polygon = _held(parts.part[area], x_m, y_m)
    pairs = np.unique(np.column_stack([at, parts.rank[area[polygon]]]), axis=0)
    return pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)


def _held(polygons: Geometries, x_m: FloatArray, y_m: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs of point and polygon that holds it.

    Prepared polygons make this quick, and stay in this thread: in several at once they break the heap.
    """
    none = np.empty(0, dtype=np.int64)
    if not len(polygons) or not len(x_m):
        return none, none
    at, polygon = shapely.STRtree(polygons).query(shapely.points(x_m, y_m))
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


def morton_order(x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """Return the order in which points lie along a Morton curve, so that neighbours are searched together.

    Examples
    --------
    >>> morton_order(np.array([0.0, 9.0, 1.0]), np.array([0.0, 9.0, 1.0]))
    array([0, 2, 1])
    """
    if not len(x_m):
        return np.empty(0, dtype=np.int64)
    span = max(float(np.ptp(x_m)), float(np.ptp(y_m)), 1e-9)
    bits = 8 if span < COARSE_M else 16
    cell = (2**bits - 1) / span
    code = _spread((x_m - x_m.min()) * cell) | (_spread((y_m - y_m.min()) * cell) << np.uint32(1))
    if bits == 8:  # sorted by counting
        code = code.astype(np.uint16)
    return np.argsort(code, kind="stable").astype(np.int64)


def _spread(value: FloatArray) -> npt.NDArray[np.uint32]:
    """Put a zero bit between the 16 bits of each number."""
    bits = value.astype(np.uint32)
    for shift, mask in ((8, 0x00FF00FF), (4, 0x0F0F0F0F), (2, 0x33333333), (1, 0x55555555)):
        bits = (bits | (bits << np.uint32(shift))) & np.uint32(mask)
    return bits
