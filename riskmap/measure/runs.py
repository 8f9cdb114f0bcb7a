"""Features taken apart into runs of vertices (a ring, a line, a point) and areas, those only that may matter.

Most features are a point, a line or a polygon without holes: these are read straight from their bytes, all at once, and
an area is made a shapely polygon only when somebody wants to look into it. The rest goes through shapely.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.measure.shapes import Shapes, Wkb
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["LINE", "POINT", "RING", "Areas", "Geometries", "Runs", "diagonals", "take_apart"]

POINT, LINE, RING = 1, 2, 3  # kinds of runs, as well-known binary numbers points, lines and polygons
HEAD = 13  # bytes that tell what a feature is
LEAST = np.array([0, 1, 2, 4])  # vertices, by kind
SKIP = np.array([0, 5, 9, 13])  # bytes before the first vertex of a feature of one run, by kind
BLOCK = 4_000_000  # bytes read at once

Geometries = npt.NDArray[np.object_]
Near: TypeAlias = Callable[[FloatArray], BoolArray]  # whether boxes (west, south, east, north) may be near


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Runs of vertices; arrays of shape (run,) but for the vertices."""

    xy: FloatArray
    first: IntArray  # where a run starts among the vertices
    count: IntArray
    kind: IntArray
    rank: IntArray  # of the feature

    @classmethod
    def of(cls, lines: Geometries, rank: IntArray, *, kind: int) -> Runs:
        """Take the vertices of rings, lines or points."""
        count = shapely.get_num_coordinates(lines).astype(np.int64)
        first = np.cumsum(count) - count
        return cls(
            xy=shapely.get_coordinates(lines), first=first, count=count, kind=np.full(len(lines), kind), rank=rank
        )

    @classmethod
    def joined(cls, several: Sequence[Runs]) -> Runs:
        """Put some one after the other."""
        ahead = np.cumsum([0, *(len(runs.xy) for runs in several)])
        return cls(
            xy=np.concatenate([runs.xy for runs in several]),
            first=np.concatenate([runs.first + before for runs, before in zip(several, ahead, strict=False)]),
            count=np.concatenate([runs.count for runs in several]),
            kind=np.concatenate([runs.kind for runs in several]),
            rank=np.concatenate([runs.rank for runs in several]),
        )

    def packed(self, kept: BoolArray) -> Runs:
        """Return some of the runs, and no other vertices; these stand run by run."""
        count = self.count[kept]
        return Runs(
            xy=self.xy[np.repeat(kept, self.count)],
            first=np.cumsum(count) - count,
            count=count,
            kind=self.kind[kept],
            rank=self.rank[kept],
        )

    def some(self, kept: BoolArray) -> Runs:
        """Return some of the runs; vertices stay."""
        return Runs(
            xy=self.xy, first=self.first[kept], count=self.count[kept], kind=self.kind[kept], rank=self.rank[kept]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Areas:
    """Polygons; arrays of shape (polygon,)."""

    box: FloatArray
    rank: IntArray  # of the feature
    shape: Geometries  # None where it still lies in the bytes, a whole feature
    given: Geometries | Wkb
    index: shapely.STRtree  # of the boxes

    @classmethod
    def of(cls, box: FloatArray, rank: IntArray, shape: Geometries, given: Geometries | Wkb) -> Areas:
        """Index polygons by their boxes."""
        return cls(box=box, rank=rank, shape=shape, given=given, index=shapely.STRtree(diagonals(box)))

    def shapes(self, some: IntArray) -> Geometries:
        """Return some of the polygons, which nobody else has."""
        shape: Geometries = shapely.transform(self.shape[some], _as_they_are)
        unread = np.flatnonzero(shapely.is_missing(shape))
        if len(unread) and isinstance(self.given, Wkb):
            shape[unread] = self.given.geometry(self.rank[some[unread]])
        return shape


def diagonals(box: FloatArray) -> Geometries:
    """Return lines from corner to corner: to an index as good as boxes, and made sooner."""
    lines: Geometries = shapely.linestrings(box.reshape(-1, 2, 2))
    return lines


def take_apart(shapes: Shapes, near: Near) -> tuple[Runs, Areas]:
    """Take those features apart that may be near; collections may hold multi-parts."""
    given, runs, boxes, ranks = shapes.given, [], [], []
    if isinstance(given, Wkb):
        left = np.diff(given.offset) > 0
        for plain, box in _plain_runs(given, left):
            kept = near(box)
            ring = kept & (plain.kind == RING)
            runs.append(plain.packed(kept))
            boxes.append(box[ring])
            ranks.append(plain.rank[ring])
        rank = np.flatnonzero(left)
        geometry = given.geometry(rank)
    else:
        geometry, rank = given, np.arange(len(given))
    unread = np.full(sum(map(len, ranks)), None, dtype=object)
    kept = near(shapely.bounds(geometry))
    part, kind, rank = _parts(geometry[kept], rank[kept])
    area, point = (kind == of for of in (shapely.GeometryType.POLYGON, shapely.GeometryType.POINT))
    rings, polygon = shapely.get_rings(part[area], return_index=True)
    runs.append(Runs.of(rings, rank[area][polygon], kind=RING))
    runs.append(Runs.of(part[point], rank[point], kind=POINT))
    runs.append(Runs.of(part[~area & ~point], rank[~area & ~point], kind=LINE))
    areas = Areas.of(
        np.concatenate([*boxes, shapely.bounds(part[area])]),
        np.concatenate([*ranks, rank[area]]),
        np.concatenate([unread, part[area]]),
        given,
    )
    return Runs.joined(runs), areas


def _plain_runs(wkb: Wkb, left: BoolArray) -> Iterator[tuple[Runs, FloatArray]]:
    """Features of one run each and their boxes, from the bytes, block by block so that these stay at hand.

    Others, and those in doubt, are left to shapely.
    """
    places = np.arange(wkb.offset[0], wkb.offset[-1], BLOCK)
    ends = np.append(np.searchsorted(wkb.offset, places), len(left))
    for start, end in pairwise(np.unique(ends).tolist()):
        runs = _plain(wkb, start, end)
        if not len(runs.rank):
            continue
        xy, first, last = runs.xy, runs.first, runs.first + runs.count - 1
        box = np.column_stack([best.reduceat(xy[:, i], first) for best in (np.minimum, np.maximum) for i in (0, 1)])
        sound = np.isfinite(box).all(axis=1) & ((runs.kind != RING) | (xy[first] == xy[last]).all(axis=1))
        left[runs.rank[sound]] = False
        box[~sound] = np.nan
        yield runs, box


def _plain(wkb: Wkb, start: int, end: int) -> Runs:
    """Those of the features from start to end that are of one run."""
    offset = wkb.offset[start : end + 1] - wkb.offset[start]
    data = np.frombuffer(wkb.data, dtype=np.uint8, count=int(offset[-1]), offset=int(wkb.offset[start]))
    size = np.diff(offset)
    long = np.flatnonzero(size > HEAD)
    at, size = offset[long], size[long]
    head = data[at[:, None] + np.arange(HEAD)]
    number = head[:, 1:].copy().view("<u4").astype(np.int64)
    kind = np.where(number[:, 0] <= RING, number[:, 0], 0)
    count = np.choose(kind, [0, 1, number[:, 1], number[:, 2]])
    plain = (head[:, 0] == 1) & (kind > 0) & (count >= LEAST[kind]) & (size == SKIP[kind] + 16 * count)
    plain &= (kind != RING) | (number[:, 1] == 1)
    kind, count, at = kind[plain], count[plain], at[plain] + SKIP[kind[plain]]
    first = np.cumsum(count) - count
    vertex = np.repeat(at - 16 * first, count) + 16 * np.arange(count.sum())  # the byte it begins at
    every = np.ndarray((max(len(data) - 15, 0),), dtype="V16", buffer=data, strides=(1,))
    xy = every[vertex].view("<f8").reshape(-1, 2)
    return Runs(xy=xy, first=first, count=count, kind=kind, rank=start + long[plain])


def _parts(geometry: Geometries, rank: IntArray) -> tuple[Geometries, npt.NDArray[np.int32], IntArray]:
    """Parts that are one polygon, line or point each, their kinds, and the ranks of the features they are of."""
    part, of = shapely.get_parts(geometry, return_index=True)
    part, outer = shapely.get_parts(part, return_index=True)
    kept = ~shapely.is_empty(part)
    return part[kept], shapely.get_type_id(part[kept]), rank[of[outer[kept]]]


def _as_they_are(xy: FloatArray) -> FloatArray:
    """Coordinates unchanged."""
    return xy
