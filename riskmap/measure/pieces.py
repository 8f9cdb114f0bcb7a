"""The engine that is always there: lines cut into short pieces, an index over them, points in Morton order."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.cores import cores
from riskmap.measure.holds import held
from riskmap.measure.runs import LINE, RING, Geometries, Runs, diagonals, take_apart
from riskmap.measure.shapes import TIE_M, Found, Look, Shapes
from riskmap.measure.squares import Squares
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["cut_lines", "lay"]

SEGMENTS = 15  # of a piece: 16 vertices
FIRST_M = 50.0  # looked through first, then twice as far for those that found nothing there
CHUNK = 4096  # points a thread takes at once, fewer where the reach is wider than this:
WIDE_M = 200.0
MOST_RANK = np.iinfo(np.int32).max
MOST_WIDTHS = 8  # line widths that are searched one by one; more are searched together but for 0

Places: TypeAlias = tuple[FloatArray, FloatArray, FloatArray]  # planar x and y, scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """Distances of some points to the pieces of one kind."""

    least_m: FloatArray  # on the ground, half the width taken off (may be below 0); nan beyond the reach
    point: IntArray  # pairs, among them all within a tie of the least
    piece: IntArray
    away_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookout:
    """Where the points are that look, and how far."""

    squares: Squares
    most_scale: float
    turns_m: Sequence[float]

    def near(self, box: FloatArray, far_m: float) -> BoolArray:
        """Whether each box may come near any point."""
        return self.squares.near(box, far_m * self.most_scale + 1.0)

    def close(self, box: FloatArray, far_m: float) -> BoolArray:
        """Whether each point may come near any box."""
        return self.squares.close(box, far_m * self.most_scale + 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """Pieces of one kind under one index."""

    index: shapely.STRtree
    box: FloatArray
    x_m: FloatArray  # of vertices
    y_m: FloatArray
    first: IntArray  # vertex of each piece
    last: IntArray
    rank: IntArray
    half_width_m: FloatArray
    ring: bool
    turns: tuple[tuple[float, BoolArray], ...]  # how far is looked, and which points may find anything there

    @classmethod
    def of(cls, runs: Runs, half_width_m: FloatArray, lookout: Lookout, *, ring: bool) -> Pieces:
        """Cut runs and index the pieces."""
        first, last, run = _cut(runs)
        starts, vertex = _vertices(first, last)
        x_m, y_m = runs.xy.T.copy()
        along = x_m[vertex], y_m[vertex]
        box = np.column_stack([best.reduceat(axis, starts) for best in (np.minimum, np.maximum) for axis in along])
        most_m = float(half_width_m.max())
        return cls(
            index=shapely.STRtree(diagonals(box)),
            box=box,
            x_m=x_m,
            y_m=y_m,
            first=first,
            last=last,
            rank=runs.rank[run],
            half_width_m=half_width_m[run],
            ring=ring,
            turns=tuple((within_m, lookout.close(box, within_m + most_m)) for within_m in lookout.turns_m),
        )

    def near(self, places: Places, part: slice) -> Near:
        """Find the least ground distance, and the pieces that are as near: close by first, then farther off."""
        least_m, left, seen = np.full(len(places[0]), np.nan), np.arange(len(places[0])), []
        for ahead, (within_m, close) in zip(range(len(self.turns))[::-1], self.turns, strict=True):
            some = left[close[part][left]]
            at, piece, away_m = self._within([column[some] for column in places], within_m)
            found_m = np.full(len(some), np.inf)
            np.minimum.at(found_m, at, away_m)
            done = found_m <= within_m
            least_m[some[done]] = found_m[done]
            kept = done[at] | (not ahead)
            seen.append((some[at[kept]], piece[kept], away_m[kept]))
            left = left[np.isnan(least_m[left])]
        point, piece, away_m = (np.concatenate(column) for column in zip(*seen, strict=True))
        return Near(least_m=least_m, point=point, piece=piece, away_m=away_m)

    def _within(self, places: Sequence[FloatArray], within_m: float) -> tuple[IntArray, IntArray, FloatArray]:
        """Pairs of point and piece, and their distances, but for those that some other piece is nearer than.

        How near a piece is at least its box tells, and one of its vertices how far it is at most.
        """
        x_m, y_m, scale = places
        far_m = (within_m + float(self.half_width_m.max()) + TIE_M) * scale
        around = np.column_stack([x_m - far_m, y_m - far_m, x_m + far_m, y_m + far_m])
        at, piece = self.index.query(diagonals(around))
        x, y, half_m = x_m[at], y_m[at], self.half_width_m[piece]
        box, middle = self.box[piece], (self.first[piece] + self.last[piece]) // 2
        beside = np.maximum(np.maximum(box[:, 0] - x, x - box[:, 2]), 0.0)
        above = np.maximum(np.maximum(box[:, 1] - y, y - box[:, 3]), 0.0)
        least_m = np.sqrt(beside**2 + above**2) / scale[at] - half_m
        most_m = np.sqrt((self.x_m[middle] - x) ** 2 + (self.y_m[middle] - y) ** 2) / scale[at] - half_m
        nearest_m = np.full(len(x_m), within_m)
        np.minimum.at(nearest_m, at, most_m)
        may = least_m <= np.maximum(nearest_m, 0.0)[at] + 2 * TIE_M
        at, piece = at[may], piece[may]
        return at, piece, self._away(x[may], y[may], piece) / scale[at] - half_m[may]

    def _away(self, x_m: FloatArray, y_m: FloatArray, piece: IntArray) -> FloatArray:
        """How far each point is from a piece: from the nearest of its segments, one row each."""
        vertex = np.minimum(self.first[piece] + np.arange(SEGMENTS + 1)[:, None], self.last[piece])
        x, y = self.x_m[vertex] - x_m, self.y_m[vertex] - y_m
        along_x, along_y = np.diff(x, axis=0), np.diff(y, axis=0)
        x, y, squared = x[:-1], y[:-1], along_x**2 + along_y**2
        t = np.clip(-(x * along_x + y * along_y) / np.where(squared > 0.0, squared, 1.0), 0.0, 1.0)
        away_m: FloatArray = np.sqrt(((x + t * along_x) ** 2 + (y + t * along_y) ** 2).min(axis=0, initial=np.inf))
        return away_m


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
    turns_m = [FIRST_M]
    while turns_m[-1] < reach_m:
        turns_m.append(2 * turns_m[-1])
    lookout = Lookout(
        squares=Squares.of(x_m, y_m),
        most_scale=float(scale.max(initial=1.0)),
        turns_m=[min(turn_m, reach_m) for turn_m in turns_m],
    )
    chunk = max(1, int(CHUNK * min(1.0, WIDE_M / reach_m)))
    most_m = reach_m + float(shapes.half_width_m.max(initial=0.0))
    runs, areas = take_apart(shapes, lambda box: lookout.near(box, most_m))
    kinds, stood = _all_pieces(runs, shapes.half_width_m, lookout), lookout.close(areas.box, 0.0)

    def look(part: slice) -> Found:
        start, stop, _ = part.indices(len(x_m))
        some = start + np.flatnonzero(stood[part])
        inside_point, inside_rank = held(areas, x_m[some], y_m[some])
        edge_m, drawn_m, rank, within_width = _in_chunks(
            kinds, (x_m, y_m, scale), range(start, max(stop, start + 1), chunk), stop
        )
        return Found(
            edge_m=edge_m,
            drawn_m=drawn_m,
            rank=rank,
            within_width=within_width,
            inside_point=some[inside_point] - start,
            inside_rank=inside_rank,
        )

    return look


def _in_chunks(kinds: Sequence[Pieces], places: Places, starts: range, stop: int) -> list[npt.NDArray[Any]]:
    """What is near points, in chunks on all cores.

    The index is only read, and no prepared geometry comes here.
    """
    parts = [slice(start, min(start + starts.step, stop)) for start in starts]
    workers = min(cores(), len(parts))
    if workers < 2:
        found = [_near(kinds, places, part) for part in parts]
    else:
        with ThreadPoolExecutor(workers) as pool:
            found = list(pool.map(lambda part: _near(kinds, places, part), parts))
    return [np.concatenate(column) for column in zip(*found, strict=True)]


def _near(kinds: Sequence[Pieces], all_places: Places, part: slice) -> tuple[npt.NDArray[Any], ...]:
    """Edge, least distance as drawn, its feature, and whether a width is stood in, for one chunk."""
    places = all_places[0][part], all_places[1][part], all_places[2][part]
    n = len(places[0])
    edge_m, drawn_m, within = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool)
    found = [kind.near(places, part) for kind in kinds]
    for kind, near in zip(kinds, found, strict=True):
        if kind.ring:
            edge_m = np.fmin(edge_m, near.least_m)
        elif kind.half_width_m.any():
            within |= near.least_m <= 0.0
        drawn_m = np.fmin(drawn_m, np.maximum(near.least_m, 0.0))
    first = np.full(n, MOST_RANK, dtype=np.int32)
    for kind, near in zip(kinds, found, strict=True):
        tied = near.away_m <= drawn_m[near.point] + TIE_M
        np.minimum.at(first, near.point[tied], kind.rank[near.piece[tied]].astype(np.int32))
    return edge_m, drawn_m, np.where(first < MOST_RANK, first, np.int32(-1)), within


def _all_pieces(runs: Runs, half_width_m: FloatArray, lookout: Lookout) -> list[Pieces]:
    """Rings, lines by width, and points, cut and indexed."""
    half_m, ring = half_width_m[runs.rank] * (runs.kind == LINE), runs.kind == RING
    widths = np.unique(half_m[~ring])
    alike = [half_m == width for width in widths] if len(widths) <= MOST_WIDTHS else [half_m == 0.0, half_m > 0.0]
    chosen = [ring, *(~ring & same for same in alike)]
    return [Pieces.of(runs.some(some), half_m[some], lookout, ring=some is ring) for some in chosen if some.any()]


def cut_lines(lines: Geometries) -> Geometries:
    """Cut lines and rings into pieces of at most 16 vertices that share end points."""
    runs = Runs.of(lines, np.arange(len(lines)), kind=LINE)
    first, last, _ = _cut(runs)
    _, vertex = _vertices(first, last)
    pieces: Geometries = shapely.linestrings(
        runs.xy[vertex], indices=np.repeat(np.arange(len(first)), last - first + 1)
    )
    return pieces


def _cut(runs: Runs) -> tuple[IntArray, IntArray, IntArray]:
    """First and last vertex of each piece, and of which run it is."""
    segments = runs.count - 1
    parts = np.maximum(-(-segments // SEGMENTS), 1)
    run = np.repeat(np.arange(len(parts)), parts)
    nth = np.arange(len(run)) - np.repeat(np.cumsum(parts) - parts, parts)
    of, first = segments[run], runs.first[run]
    return first + nth * of // parts[run], first + (nth + 1) * of // parts[run], run


def _vertices(first: IntArray, last: IntArray) -> tuple[IntArray, IntArray]:
    """The vertices of pieces one after the other, and where each piece starts among them."""
    count = last - first + 1
    starts = np.cumsum(count) - count
    return starts, np.repeat(first - starts, count) + np.arange(count.sum())
