"""Features taken apart into runs of vertices (a ring, a line, a point) and areas, those only that may matter.

Most features are a point, a line or a polygon without holes: these are read straight from their bytes, all at once, and
an area is made a shapely polygon only when somebody wants to look into it. The rest goes through shapely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.measure.shapes import Shapes, Wkb
from riskmap.measure.squares import MayReach
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["LINE", "POINT", "RING", "Areas", "Geometries", "Runs", "take_apart"]

POINT, LINE, RING = 1, 2, 3  # kinds of runs, as well-known binary numbers points, lines and polygons
HEAD = 13  # bytes that tell what a feature is
LEAST = np.array([0, 1, 2, 4])  # vertices, by kind
SKIP = np.array([0, 5, 9, 13])  # bytes before the first vertex of a feature of one run, by kind

Geometries = npt.NDArray[np.object_]


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
        return cls(
            xy=shapely.get_coordinates(lines),
            first=np.cumsum(count) - count,
            count=count,
            kind=np.full(len(lines), kind),
            rank=rank,
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

    def shapes(self, some: IntArray) -> Geometries:
        """Return some of the polygons, which nobody else has."""
        shape: Geometries = shapely.transform(self.shape[some], _as_they_are)
        unread = np.flatnonzero(shapely.is_missing(shape))
        if len(unread) and isinstance(self.given, Wkb):
            shape[unread] = self.given.geometry(self.rank[some[unread]])
        return shape


def take_apart(shapes: Shapes, near: MayReach) -> tuple[Runs, Areas]:
    """Take those features apart that may be near; collections may hold multi-parts."""
    given = shapes.given
    runs: list[Runs] = []
    if isinstance(given, Wkb):
        plain, box = _plain_runs(given)
        rank = np.setdiff1d(np.flatnonzero(np.diff(given.offset)), plain.rank, assume_unique=True)
        kept = near(box)
        runs.append(plain.some(kept))
        ring = kept & (plain.kind == RING)
        geometry, boxes, ranks = given.geometry(rank), [box[ring]], [plain.rank[ring]]
    else:
        geometry, boxes, ranks, rank = given, [], [], np.arange(len(given))
    kept = near(shapely.bounds(geometry))
    part, kind, rank = _parts(geometry[kept], rank[kept])
    area = kind == shapely.GeometryType.POLYGON
    rings, polygon = shapely.get_rings(part[area], return_index=True)
    runs.append(Runs.of(rings, rank[area][polygon], kind=RING))
    is_point = kind == shapely.GeometryType.POINT
    runs.append(Runs.of(part[is_point], rank[is_point], kind=POINT))
    runs.append(Runs.of(part[~area & ~is_point], rank[~area & ~is_point], kind=LINE))
    unread = np.full(sum(map(len, ranks)), None, dtype=object)
    areas = Areas(
        box=np.concatenate([*boxes, shapely.bounds(part[area])]),
        rank=np.concatenate([*ranks, rank[area]]),
        shape=np.concatenate([unread, part[area]]),
        given=given,
    )
    return Runs.joined(runs), areas


def _plain_runs(wkb: Wkb) -> tuple[Runs, FloatArray]:
    """Features of one run each, and their boxes, from the bytes; those in doubt are left to shapely."""
    start, size = wkb.offset[:-1], np.diff(wkb.offset)
    rank = np.flatnonzero(size >= SKIP[POINT] + 16)  # which is more than HEAD
    head = np.frombuffer(wkb.data, dtype=np.uint8)[start[rank, None] + np.arange(HEAD)]
    number = head[:, 1:].copy().view("<u4").astype(np.int64)
    kind = np.where(number[:, 0] <= RING, number[:, 0], 0)
    count = np.choose(kind, [0, 1, number[:, 1], number[:, 2]])
    plain = (head[:, 0] == 1) & (kind > 0) & (count >= LEAST[kind]) & (size[rank] == SKIP[kind] + 16 * count)
    plain &= (kind != RING) | (number[:, 1] == 1)
    rank, kind, count = rank[plain], kind[plain], count[plain]
    whole, begin = memoryview(wkb.data).cast("B"), start[rank] + SKIP[kind]
    ends = zip(begin.tolist(), (begin + 16 * count).tolist(), strict=True)
    xy = np.frombuffer(b"".join([whole[a:b] for a, b in ends]), dtype="<f8").reshape(-1, 2)
    first = np.cumsum(count) - count
    runs = Runs(xy=xy, first=first, count=count, kind=kind, rank=rank)
    if not len(rank):
        return runs, np.empty((0, 4))
    box = np.column_stack([least.reduceat(xy[:, axis], first) for least in (np.minimum, np.maximum) for axis in (0, 1)])
    sound = np.isfinite(box).all(axis=1)
    sound &= (kind != RING) | (xy[first] == xy[first + count - 1]).all(axis=1)
    return runs.some(sound), box[sound]


def _parts(geometry: Geometries, rank: IntArray) -> tuple[Geometries, npt.NDArray[np.int32], IntArray]:
    """Parts that are one polygon, line or point each, their kinds, and the ranks of the features they are of."""
    part, of = shapely.get_parts(geometry, return_index=True)
    part, outer = shapely.get_parts(part, return_index=True)
    kept = ~shapely.is_empty(part)
    return part[kept], shapely.get_type_id(part[kept]), rank[of[outer[kept]]]


def _as_they_are(xy: FloatArray) -> FloatArray:
    """Coordinates unchanged."""
    return xy
