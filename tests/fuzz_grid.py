"""Random and degenerate places for both engines, and broken bytes for the kernel.

Run by itself it says what it did: ``python tests/fuzz_grid.py FIRST_SEED SEEDS`` (tests/asan.sh runs it so).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely

from riskmap.measure import _grid, grid, pieces
from riskmap.measure.cells import pack
from riskmap.measure.shapes import Shapes, Wkb
from riskmap.measure.shares import cover_share

__all__ = ["break_bytes", "compare_engines"]

Rng = np.random.Generator
OFFSETS = [(0.0, 0.0), (4e5, 4.5e6), (-3e6, 9.9e6), (123_456.789, 1.1e6)]


def star(rng: Rng, n: int, radius: float, centre: Any) -> Any:
    """A ring that does not cross itself, either way round."""
    turn = np.sort(rng.uniform(0, 2 * np.pi, n))[:: rng.choice([-1, 1])]
    away = radius * rng.uniform(0.5, 1.5, n)
    return shapely.Polygon(np.column_stack([centre[0] + away * np.cos(turn), centre[1] + away * np.sin(turn)]))


def box(rng: Rng, c: Any, size: float) -> Any:
    """A box with whole sides, so that edges are shared."""
    return shapely.box(*c, *(c + np.maximum(1, np.round(rng.uniform(1, size / 2, 2)))))


def frame(rng: Rng, c: Any, size: float) -> Any:
    """A box with a hole, which may touch the shell."""
    hole = shapely.box(*(c - size / rng.choice([4, 9])), *(c + size / 9))
    return shapely.box(*(c - size / 4), *(c + size / 4)).difference(hole)


def stutter(rng: Rng, c: Any, size: float) -> Any:
    """A line with repeated vertices."""
    return shapely.LineString([c, c, c + [size, 0], c + [size, 0], c + [size, size]])  # noqa: RUF005


def crowd(rng: Rng, c: Any, size: float) -> Any:
    """A collection whose parts overlap."""
    corner = np.round(c)
    areas = [shapely.box(*corner, *(corner + 5)), shapely.box(*(corner + 2), *(corner + 8))]
    line = shapely.LineString([corner, corner + np.array([30, 3])])
    return shapely.GeometryCollection([*areas, line, shapely.Point(corner - 3)])


MAKERS: list[Callable[[Rng, Any, float], Any]] = [
    box,
    frame,
    stutter,
    crowd,
    lambda rng, c, size: star(rng, int(rng.integers(3, 200)), rng.uniform(1, size / 2), c),
    lambda rng, c, size: shapely.MultiPolygon([star(rng, 30, size / 9, c), star(rng, 30, size / 9, c + size)]),
    lambda rng, c, size: shapely.LineString(rng.uniform(-size, size, (int(rng.integers(2, 60)), 2))),
    lambda rng, c, size: shapely.Point(c),
    lambda rng, c, size: shapely.MultiPoint(rng.uniform(-size, size, (4, 2))),
]


def make_place(rng: Rng) -> tuple[Shapes, Any, Any, Any, float]:
    """Features, points on them and off them, scales and a reach."""
    size, offset, whole = rng.choice([20, 100, 600, 3000]), OFFSETS[rng.integers(4)], rng.random() < 0.4
    shapes = []
    for _ in range(rng.integers(1, 25)):
        centre = rng.uniform(-size, size, 2)
        shapes.append(MAKERS[rng.integers(len(MAKERS))](rng, np.round(centre) if whole else centre, size))
    geometry = shapely.make_valid(np.array(shapes, dtype=object))
    geometry = shapely.transform(geometry[~shapely.is_empty(geometry)], lambda xy: xy + np.array(offset))
    n = len(geometry)
    half_m = np.where(rng.random(n) < 0.3, rng.uniform(0.25, 10, n), 0.0) * (rng.random() < 0.4)
    xy = rng.uniform(-1.3 * size, 1.3 * size, (400, 2))
    xy[:200] = np.round(xy[:200]) if whole else xy[:200]
    xy += offset
    vertices = shapely.get_coordinates(geometry)
    xy[:60] = vertices[rng.integers(0, len(vertices), 60)]
    xy[60:120] = ((vertices + np.roll(vertices, 1, axis=0)) / 2)[rng.integers(0, len(vertices), 60)]
    if rng.random() < 0.1:
        xy[120] += (1e6, 3e5)  # far from all the rest
        xy[121] -= (2e5, 2e6)
    scale = np.ones(400) if rng.random() < 0.5 else rng.uniform(0.9996, 1.001, 400)
    numbers = np.arange(1, n + 1)
    given = Wkb.of(geometry) if rng.random() < 0.5 else geometry
    every = Shapes(given=given, half_width_m=half_m, layer=np.ones(n, dtype=np.int64), feature=numbers)
    return every, xy[:, 0].copy(), xy[:, 1].copy(), scale, float(rng.choice([0.5, 10.0, 200.0, 750.0]))


def compare_engines(seed: int) -> int:
    """Compare the engines on one random place; return how many points it had."""
    shapes, x_m, y_m, _, reach_m = place = make_place(np.random.default_rng(seed))
    assert pack(shapes) is not None, (seed, "the kernel reads all of these")
    one, two = (engine.lay(*place)(slice(None)) for engine in (grid, pieces))
    for name in ("edge_m", "drawn_m"):
        ours, theirs = getattr(one, name), getattr(two, name)
        at_the_end = np.isnan(ours) != np.isnan(theirs)  # of the reach, to the last digit
        least = np.fmin(np.nan_to_num(ours, nan=np.inf), np.nan_to_num(theirs, nan=np.inf))
        assert (np.abs(least[at_the_end] - reach_m) < 1e-9).all(), (seed, name)
        both = np.isfinite(ours) & np.isfinite(theirs)
        assert np.abs(ours - theirs)[both].max(initial=0.0) <= 1e-9, (seed, name)
    assert (one.rank == two.rank).all(), (seed, "rank")
    assert (one.within_width == two.within_width).all(), (seed, "within_width")
    ours, theirs = (set(zip(f.inside_point.tolist(), f.inside_rank.tolist(), strict=True)) for f in (one, two))
    for point, rank in ours ^ theirs:  # on a ring either answer is right
        parts = shapely.get_parts(shapely.get_parts([shapes.geometry()[rank]]))
        rings = shapely.get_rings(parts[shapely.get_dimensions(parts) == 2])
        assert shapely.distance(rings, shapely.Point(x_m[point], y_m[point])).min() < 1e-8, (seed, point, rank)
    radius_m = min(reach_m, 200.0)
    shares = [cover_share(shapes.geometry(), *place[1:4], radius_m, engine=name) for name in ("grid", "shapely")]
    assert np.abs(shares[0] - shares[1]).max() <= 1e-9, (seed, "share")
    return len(x_m)


def break_bytes(seed: int, rounds: int) -> int:
    """Hand the kernel broken features; it may refuse them, never read or write past an end."""
    rng = np.random.default_rng(seed)
    whole = [
        shapely.box(0, 0, 30, 30),
        shapely.LineString([(0, 0), (5, 5)]),
        shapely.Point(1, 1),
        shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(3, 3, 40, 50)]),
        shapely.GeometryCollection([shapely.Point(1, 1), shapely.box(0, 0, 9, 9)]),
    ]
    sound = [shapely.to_wkb(shape, byte_order=1) for shape in whole]
    done = 0
    for _ in range(rounds):
        features = []
        for _ in range(rng.integers(1, 4)):
            one = bytearray(sound[rng.integers(len(sound))])
            for _ in range(rng.integers(0, 4)):
                one[rng.integers(len(one))] = rng.integers(256)
            features.append(bytes(one[: rng.integers(len(one) + 1)] if rng.random() < 0.3 else one))
        done += _try_bytes(rng, features)
    return done


def _try_bytes(rng: Rng, features: list[bytes]) -> int:
    """Take one set of features through every door of the kernel; return how many times it came through."""
    wkb, n = b"".join(features), len(features)
    offset = np.cumsum([0, *map(len, features)]).astype(np.int64)
    box_of, counts = np.empty((n, 4)), np.empty((n, 3), np.int64)
    read = _grid.survey(wkb, offset, box_of, counts)
    x, near = rng.uniform(-5, 85, 20), np.empty(n, np.uint8)
    _grid.may_reach(x, x[::-1].copy(), 0.0, 0.0, 16.0, 5, 5, box_of, float(rng.choice([1.0, 300.0])), near)
    chosen = np.arange(read if rng.random() < 0.8 else n, dtype=np.int64)
    part_first, wanted = np.zeros(n, np.int32), rng.integers(0, 2, 100).astype(np.uint8)
    done = 0
    for kinds in (1, 6):
        start, row_start = np.zeros(102, np.uint32), np.arange(11, dtype=np.int64)
        band = sorted(rng.integers(0, 11, 2).tolist())
        common = (wkb, offset, chosen, part_first, box_of, kinds, -3.3, -3.1, 8.0, 10, 10, *band, wanted, start)
        try:
            found = _grid.meet(*common, row_start, np.zeros(10, np.int64))
            if found is None:
                continue
            np.cumsum(start, out=start)
            stretch = np.empty((int(start[-1]), 3), np.int64)
            _grid.fill(found[0], start, stretch)
        except ValueError:
            continue
        steps = np.empty(100, np.uint8)
        _grid.ring_steps(start, 10, 10, steps)
        cells = (start, stretch, wkb, None, 0.0, 0.0, 8.0, 10, 10, steps)
        out = np.empty(20), np.empty(20, np.int32), np.empty(20, np.uint8)
        before = np.empty(102, np.uint32)
        _grid.stand(x, x, 0.0, 0.0, 8.0, 10, 10, before)
        _grid.want(x, x, float(rng.choice([0.1, 30.0])), 0.0, 0.0, 8.0, 10, 10, np.empty(100, np.uint8))
        _grid.list_cells(before, 10, 10, np.empty(11, np.int64), np.empty(rng.integers(0, 12), np.int64))
        _grid.nearest(x, x, np.ones(20), 200.0, 1e-6, None, *cells, *out)
        done += 1
    return done


if __name__ == "__main__":
    first, many = (int(word) for word in sys.argv[1:3])
    points = sum(compare_engines(seed) for seed in range(first, first + many))
    through = break_bytes(first, 20 * many)
    print(f"{_grid.__file__}: {points} points the same by both engines, {through} sets of broken bytes survived")  # noqa: T201
