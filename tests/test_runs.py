"""The engine that is always there: what it reads from bytes, what it leaves out, how it looks farther and farther."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from riskmap.measure import runs
from riskmap.measure.engines import ENGINES
from riskmap.measure.shapes import Found, Shapes, Wkb
from riskmap.measure.squares import Squares

engines = pytest.mark.parametrize("engine", ENGINES)


def look(given: Any, xy: Any, reach_m: float = 200.0, engine: str = "shapely") -> Found:
    """Look at features from all points, at scale 1."""
    n, points = len(given.offset) - 1 if isinstance(given, Wkb) else len(given), np.asarray(xy, dtype=float)
    numbers = np.arange(1, n + 1)
    shapes = Shapes(given=given, half_width_m=np.zeros(n), layer=np.ones(n, dtype=np.int64), feature=numbers)
    every = points[:, 0].copy(), points[:, 1].copy(), np.ones(len(points))
    return ENGINES[engine](shapes, *every, reach_m)(slice(None))


def odd_features() -> list[bytes]:
    """Features that are not one run each, or in doubt, among plain ones; all as bytes."""
    frame = shapely.box(0, 0, 90, 90).difference(shapely.box(30, 30, 60, 60))
    boxes = [shapely.box(100, 100, 120, 120), shapely.box(110, 110, 140, 150)]
    shapes = [
        shapely.box(-40, -40, -20, -10),
        frame,
        shapely.MultiPolygon([boxes[0], shapely.box(150, 0, 160, 10)]),
        shapely.GeometryCollection([*boxes, shapely.LineString([(0, 150), (50, 190)]), shapely.Point(-70, 80)]),
        shapely.LineString([(-100, 0), (-60, 30), (-60, 30), (-90, 90)]),
        shapely.Point(70, -50),
        shapely.MultiPoint([(20, -70), (120, -70)]),
        shapely.LineString(),
        shapely.Polygon(),
        shapely.Point(),
        shapely.Polygon([(180, 0, 5), (199, 0, 6), (190, 30, 7)]),
    ]
    written = [shapely.to_wkb(shape, byte_order=1) for shape in shapes]
    return [b"", *written, b"", shapely.to_wkb(shapely.box(-90, 150, -50, 190), byte_order=0), b"", b""]


@pytest.mark.parametrize("block", [1, 64, 500, 4_000_000])
def test_features_from_bytes_are_those_that_shapely_reads(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runs, "BLOCK", block)
    written = odd_features()
    offset = np.cumsum([7, *map(len, written)]).astype(np.int64)  # the buffer may hold others before and after
    wkb = Wkb(data=b"others," + b"".join(written) + b", others", offset=offset)
    geometry = shapely.force_2d(shapely.from_wkb(np.array([one or None for one in written], dtype=object)))
    xy = np.random.default_rng(4).uniform(-120, 220, (3000, 2))
    one, two = look(wkb, xy, 30.0), look(geometry, xy, 30.0)
    for name in ("edge_m", "drawn_m", "rank", "within_width", "inside_point", "inside_rank"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name), err_msg=name)
    expected = np.nanmin(shapely.distance(geometry[:, None], shapely.points(xy)), axis=0)  # 0 inside
    drawn_m = one.drawn_m.copy()
    drawn_m[one.inside_point] = 0.0
    np.testing.assert_allclose(drawn_m, np.where(expected <= 30.0, expected, np.nan), rtol=0, atol=1e-9)


def test_only_nulls_or_nothing_at_all() -> None:
    for written in ([b"", b""], []):
        wkb = Wkb(data=b"".join(written), offset=np.zeros(len(written) + 1, dtype=np.int64))
        found = look(wkb, [(0.0, 0.0)])
        assert np.isnan(found.drawn_m).all() and found.rank.tolist() == [-1] and not len(found.inside_point)


def test_polygons_are_made_only_where_a_point_may_stand_in_them(monkeypatch: pytest.MonkeyPatch) -> None:
    corners = np.arange(0.0, 40_000.0, 40.0)
    written = Wkb.of(shapely.box(corners, 0.0, corners + 20.0, 20.0))
    made: list[int] = []
    real = Wkb.geometry

    def spy(wkb: Wkb, some: Any = None) -> Any:
        made.extend(range(len(wkb.offset) - 1) if some is None else some.tolist())
        return real(wkb, some)

    monkeypatch.setattr(Wkb, "geometry", spy)
    found = look(written, [(4010.0, 10.0), (8030.0, 10.0), (12_000.0, 20.0)])
    assert (found.inside_point.tolist(), found.inside_rank.tolist()) == ([0, 2], [100, 300])
    assert sorted(made) == [100, 300]


@engines
@pytest.mark.parametrize("away_m", [0.5, 49.9999999, 50.0, 50.0000001, 77.0, 100.0, 150.0, 199.9])
def test_ties_are_settled_at_every_distance(engine: str, away_m: float) -> None:
    """The first in order is named within 1e-6 m of the nearest, on either side of where a wider look begins."""
    walls = [shapely.box(away_m + more, -500, away_m + 40, 500) for more in (4e-6, 6e-7, 0.0)]
    found = look(np.array(walls), [(0.0, 3.0)], 200.0, engine)
    assert found.drawn_m.tolist() == pytest.approx([away_m], rel=0, abs=1e-9) and found.rank.tolist() == [1]
    turned = [shapely.LineString([(-500, -away_m - more), (500, -away_m - more)]) for more in (4e-6, 6e-7)]
    found = look(np.array([*turned, *walls[2:]]), [(0.0, 0.0)], 200.0, engine)
    assert [*found.drawn_m, *found.edge_m] == pytest.approx([away_m, away_m], rel=0, abs=1e-9)
    assert found.rank.tolist() == [1]


@pytest.mark.parametrize("seed", range(20))
def test_squares_leave_out_nothing_that_is_near(seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy, corner = rng.uniform(0, 3000, (40, 2)) + 4e5, rng.uniform(-500, 3500, (60, 2)) + 4e5
    box, far_m = np.column_stack([corner, corner + rng.uniform(0, 200, (60, 2))]), float(rng.choice([0.0, 3.0, 250.0]))
    squares = Squares.of(*xy.T)
    away = np.maximum(np.maximum(box[:, None, :2] - xy, xy - box[:, None, 2:]), 0.0).max(axis=2)
    near, close = (away <= far_m).any(axis=1), (away <= far_m).any(axis=0)
    assert squares.near(box, far_m)[near].all() and squares.close(box, far_m)[close].all()
    sure = far_m + squares.side_m  # a square farther off may not count
    assert not squares.near(box, far_m)[(away > sure).all(axis=1)].any()
    assert not squares.close(box, far_m)[(away > sure).all(axis=0)].any()
    assert not squares.near(np.full((1, 4), np.nan), far_m).any()


@engines
@pytest.mark.parametrize("widths", [3, 20])
def test_a_tree_on_a_line_of_no_width_is_not_within_it(engine: str, widths: int) -> None:
    lines = [shapely.LineString([(100.0 * i, 0), (100.0 * i, 50)]) for i in range(widths + 1)]
    numbers = np.arange(1, widths + 2)
    shapes = Shapes(given=np.array(lines), half_width_m=np.arange(widths + 1.0), layer=numbers, feature=numbers)
    x_m, y_m = np.array([0.0, 100.5, 103.0]), np.full(3, 20.0)
    found = ENGINES[engine](shapes, x_m, y_m, np.ones(3), 30.0)(slice(None))
    assert found.within_width.tolist() == [False, True, False]
    assert found.drawn_m.tolist() == [0.0, 0.0, 2.0] and found.rank.tolist() == [0, 1, 1]
