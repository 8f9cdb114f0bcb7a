"""The engine that is always there: lines cut into short pieces, an index over them, points in Morton order."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.cores import cores
from riskmap.measure.holds import held
from riskmap.measure.runs import LINE, POINT, RING, Geometries, Runs, take_apart
from riskmap.measure.shapes import TIE_M, Found, Look, Shapes
from riskmap.measure.squares import may_reach
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["cut_lines", "lay"]

SEGMENTS = 15  # of a piece: 16 vertices
FIRST_M = 50.0  # looked through first, then twice as far for those that found nothing there
CHUNK = 4096  # points a thread takes at once
MOST_WIDTHS = 8  # line widths that are searched one by one; more are searched together

Places: TypeAlias = tuple[FloatArray, FloatArray, FloatArray]  # planar x and y, scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """Distances of some points to the pieces of one kind."""

    least_m: FloatArray  # on the ground, half the width taken off (may be below 0); nan beyond the reach
    point: IntArray  # pairs, among them all within a tie of the least
    piece: IntArray
    away_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """Pieces of one kind under one index."""

    index: shapely.STRtree
    geometry: Geometries
    box: FloatArray
    middle: FloatArray  # a vertex
    rank: IntArray
    half_width_m: FloatArray
    ring: bool

    @classmethod
    def of(cls, runs: Runs, half_width_m: FloatArray, *, ring: bool) -> Pieces:
        """Cut runs and index the pieces."""
        geometry, run, middle = _cut(runs)
        return cls(
            index=shapely.STRtree(geometry),
            geometry=geometry,
            box=shapely.bounds(geometry),
            middle=runs.xy[middle],
            rank=runs.rank[run],
            half_width_m=half_width_m[run],
            ring=ring,
        )

    def near(self, places: Places, reach_m: float) -> Near:
        """Find the least ground distance, and the pieces that are as near: close by first, then twice as far."""
        n = len(places[0])
        least_m, left, within_m = np.full(n, np.nan), np.arange(n), min(FIRST_M, reach_m)
        seen = []
        while True:
            at, piece, away_m = self._within([column[left] for column in places], within_m)
            found_m = np.full(len(left), np.inf)
            np.minimum.at(found_m, at, away_m)
            done = found_m <= within_m
            least_m[left[done]] = found_m[done]
            kept = done[at] | (within_m >= reach_m)
            seen.append((left[at[kept]], piece[kept], away_m[kept]))
            left = left[~done]
            if within_m >= reach_m or not len(left):
                point, piece, away_m = (np.concatenate(column) for column in zip(*seen, strict=True))
                return Near(least_m=least_m, point=point, piece=piece, away_m=away_m)
            within_m = min(2 * within_m, reach_m)

    def _within(self, places: Sequence[FloatArray], within_m: float) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of point and piece, and their distances, but for those that some other piece is nearer than.

        How near a piece is at least its box tells, and one of its vertices how far it is at most.
        """
        x_m, y_m, scale = places
        far_m = (within_m + float(self.half_width_m.max()) + TIE_M) * scale
        at, piece = self.index.query(shapely.box(x_m - far_m, y_m - far_m, x_m + far_m, y_m + far_m))
        x, y, half_m = x_m[at], y_m[at], self.half_width_m[piece]
        box, middle = self.box[piece], self.middle[piece]
        beside = np.maximum(np.maximum(box[:, 0] - x, x - box[:, 2]), 0.0)
        above = np.maximum(np.maximum(box[:, 1] - y, y - box[:, 3]), 0.0)
        least_m = np.sqrt(beside**2 + above**2) / scale[at] - half_m
        most_m = np.sqrt((middle[:, 0] - x) ** 2 + (middle[:, 1] - y) ** 2) / scale[at] - half_m
        nearest_m = np.full(len(x_m), within_m)
        np.minimum.at(nearest_m, at, most_m)
        may = least_m <= np.maximum(nearest_m, 0.0)[at] + 2 * TIE_M
        at, piece = at[may], piece[may]
        away_m = shapely.distance(shapely.points(x[may], y[may]), self.geometry[piece])
        return at, piece, away_m / scale[at] - half_m[may]


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
    far_m = (reach_m + float(shapes.half_width_m.max(initial=0.0))) * float(scale.max(initial=1.0)) + 1.0
    runs, areas = take_apart(shapes, may_reach(x_m, y_m, far_m))
    kinds = _all_pieces(runs, shapes.half_width_m)

    def look(part: slice) -> Found:
        places = x_m[part], y_m[part], scale[part]
        inside_point, inside_rank = held(areas, *places[:2])
        edge_m, drawn_m, rank, within = _nearest(kinds, places, reach_m)
        return Found(
            edge_m=edge_m,
            drawn_m=drawn_m,
            rank=rank,
            within_width=within,
            inside_point=inside_point,
            inside_rank=inside_rank,
        )

    return look


def _nearest(
    kinds: Sequence[Pieces], places: Places, reach_m: float
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int32], BoolArray]:
    """Edge, least distance as drawn, its feature, and whether a width is stood in, in chunks on all cores.

    The index is only read, and no prepared geometry comes here.
    """
    n = len(places[0])
    edge_m, drawn_m = np.full(n, np.nan), np.full(n, np.nan)
    rank, within = np.full(n, -1, dtype=np.int32), np.zeros(n, dtype=bool)

    def measure(start: int) -> None:
        part = slice(start, start + CHUNK)
        some = places[0][part], places[1][part], places[2][part]
        edge_m[part], drawn_m[part], rank[part], within[part] = _near(kinds, some, reach_m)

    starts = range(0, n if kinds else 0, CHUNK)
    workers = min(cores(), len(starts))
    if workers < 2:
        for start in starts:
            measure(start)
    else:
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(measure, starts))
    return edge_m, drawn_m, rank, within


def _near(
    kinds: Sequence[Pieces], places: Places, reach_m: float
) -> tuple[FloatArray, FloatArray, IntArray, BoolArray]:
    """The same for one chunk."""
    n = len(places[0])
    edge_m, drawn_m, within = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool)
    found = [kind.near(places, reach_m) for kind in kinds]
    for kind, near in zip(kinds, found, strict=True):
        if kind.ring:
            edge_m = np.fmin(edge_m, near.least_m)
        elif kind.half_width_m.any():
            within |= near.least_m <= 0.0
        drawn_m = np.fmin(drawn_m, np.maximum(near.least_m, 0.0))
    most = np.iinfo(np.int64).max
    first = np.full(n, most)
    for kind, near in zip(kinds, found, strict=True):
        tied = near.away_m <= drawn_m[near.point] + TIE_M
        np.minimum.at(first, near.point[tied], kind.rank[near.piece[tied]])
    return edge_m, drawn_m, np.where(first < most, first, -1), within


def _all_pieces(runs: Runs, half_width_m: FloatArray) -> list[Pieces]:
    """Rings, lines by width, and points, cut and indexed."""
    half_m, ring = half_width_m[runs.rank] * (runs.kind == LINE), runs.kind == RING
    widths = np.unique(half_m[~ring])
    alike = [half_m == width for width in widths] if len(widths) <= MOST_WIDTHS else [True]
    chosen = [ring, *(~ring & same for same in alike)]
    return [Pieces.of(runs.some(some), half_m[some], ring=some is ring) for some in chosen if some.any()]


def cut_lines(lines: Geometries) -> Geometries:
    """Cut lines and rings into pieces of at most 16 vertices that share end points."""
    return _cut(Runs.of(lines, np.arange(len(lines)), kind=LINE))[0]


def _cut(runs: Runs) -> tuple[Geometries, IntArray, IntArray]:
    """Pieces of runs, points left whole; of which run each is, and a vertex from its middle."""
    segments = runs.count - 1
    parts = np.maximum(-(-segments // SEGMENTS), 1)
    run = np.repeat(np.arange(len(parts)), parts)
    nth = np.arange(len(run)) - np.repeat(np.cumsum(parts) - parts, parts)
    start = nth * segments[run] // parts[run]
    length = (nth + 1) * segments[run] // parts[run] - start + 1
    first = runs.first[run] + start
    pieces = np.empty(len(run), dtype=object)
    line = runs.kind[run] != POINT
    pieces[~line] = shapely.points(runs.xy[first[~line]])
    long = length[line]
    vertex = np.repeat(first[line] - np.cumsum(long) + long, long) + np.arange(long.sum())
    if len(long):
        pieces[line] = shapely.linestrings(runs.xy[vertex], indices=np.repeat(np.arange(len(long)), long))
    return pieces, run, first + length // 2
