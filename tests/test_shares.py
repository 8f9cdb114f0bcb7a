"""Shares of a circle: by hand, and against finely drawn circles."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap.measure import cover_share
from riskmap.measure.engines import ENGINES

engines = pytest.mark.parametrize("engine", sorted(ENGINES))


def share(shapes: list[Any], xy: Any, radius_m: float, engine: str, scale: float = 1.0) -> Any:
    """Work the share out at points of shape (point, 2)."""
    points, geometry = np.asarray(xy, dtype=float).reshape(-1, 2), np.array(shapes, dtype=object)
    x_m, y_m = points[:, 0].copy(), points[:, 1].copy()
    return cover_share(geometry, x_m, y_m, np.full(len(points), scale), radius_m, engine=engine)


@engines
def test_by_hand(engine: str) -> None:
    half = shapely.box(0, -1000, 1000, 1000)
    quarter = shapely.box(0, 0, 500, 500)
    inner = shapely.box(-3, -4, 3, 4)
    ring = shapely.Point(0, 0).buffer(500).difference(inner)
    assert share([half], (0, 0), 100, engine)[0] == pytest.approx(0.5, abs=1e-12)
    assert share([quarter], (0, 0), 100, engine)[0] == pytest.approx(0.25, abs=1e-12)
    assert share([inner], (0, 0), 5, engine)[0] == pytest.approx(48 / (25 * np.pi), abs=1e-12)  # corners on the circle
    assert share([inner], (0, 0), 100, engine)[0] == pytest.approx(48 / (1e4 * np.pi), abs=1e-12)
    assert share([ring], (0, 0), 100, engine)[0] == pytest.approx(1 - 48 / (1e4 * np.pi), abs=1e-12)
    assert share([inner, inner, quarter, half], (0, 0), 100, engine)[0] == pytest.approx(
        0.5 + 24 / (1e4 * np.pi), abs=1e-12
    )  # overlaps count once
    # a strip of 60 m through the middle of a circle of 50 m: all but two caps of half angle acos(0.6)
    strip, cap = shapely.box(-30, -500, 30, 500), np.arccos(0.6) - 0.6 * 0.8
    assert share([strip], (0, 0), 50, engine)[0] == pytest.approx(1 - 2 * cap / np.pi, abs=1e-12)


@engines
def test_corners_on_the_circle(engine: str) -> None:
    """A triangle with a corner on the circle and a sliver of 0.9 mm within it; one with an edge through the middle."""
    outside, through = shapely.Polygon([(0, 0), (23, 0), (37, 19)]), shapely.Polygon([(37, 19), (57, 4), (90, 60)])
    assert share([outside], (57, 4), 25.0, engine)[0] == pytest.approx(1.291e-7, abs=1e-9)
    circle = shapely.Point(57, 4).buffer(25.0, quad_segs=4096)
    expected = circle.intersection(through).area / circle.area
    assert share([through], (57, 4), 25.0, engine)[0] == pytest.approx(expected, abs=2e-7)


@engines
def test_nothing_everything_and_what_covers_nothing(engine: str) -> None:
    wood = shapely.box(-900, -900, 900, 900)
    assert share([wood], [(0, 0), (5000, 0), (700, 0)], 100, engine)[:2].tolist() == [1.0, 0.0]
    assert share([shapely.LineString([(-9, 0), (9, 0)]), shapely.Point(0, 0)], (0, 0), 100, engine).tolist() == [0.0]
    assert share([], (0, 0), 100, engine).tolist() == [0.0]
    assert len(share([wood], np.empty((0, 2)), 100, engine)) == 0


@engines
def test_the_radius_is_on_the_ground(engine: str) -> None:
    box = shapely.box(-10, -10, 10, 10)
    assert share([box], (0, 0), 100, engine, scale=1.01)[0] == pytest.approx(400 / (np.pi * 101**2), abs=1e-12)


CORNER = st.tuples(st.integers(-60, 60), st.integers(-60, 60))
RING = st.lists(CORNER, min_size=3, max_size=12).map(lambda ring: shapely.make_valid(shapely.Polygon(ring)))


@engines
@settings(max_examples=60, deadline=None)
@given(shapes=st.lists(RING, min_size=1, max_size=5), xy=CORNER, radius=st.sampled_from([3.0, 25.0, 50.0, 200.0]))
def test_against_finely_drawn_circles(engine: str, shapes: list[Any], xy: tuple[int, int], radius: float) -> None:
    """GEOS on a circle of 4,096 corners a quarter: its own error is some 2.5e-8 of the circle."""
    moved = [shapely.transform(shape, lambda p: p + np.array([4e5, 4.5e6])) for shape in shapes]
    centre = np.array(xy) + np.array([4e5, 4.5e6])
    circle = shapely.Point(*centre).buffer(radius, quad_segs=4096)
    expected = shapely.intersection(shapely.union_all(moved), circle).area / circle.area
    assert share(moved, centre, radius, engine)[0] == pytest.approx(expected, abs=2e-7)


def test_engines_agree_on_woods_with_many_corners() -> None:
    rng = np.random.default_rng(5)
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    woods = []
    for centre in rng.uniform(-900, 900, (6, 2)):
        away = 300 + 50 * np.sin(9 * turn) + rng.normal(0, 1, 4000)
        woods.append(shapely.Polygon(centre + np.column_stack([away * np.cos(turn), away * np.sin(turn)])).buffer(0))
    xy = rng.uniform(-1500, 1500, (3000, 2))
    shares = [share(woods, xy, 300.0, name) for name in ENGINES]
    assert ((shares[0] > 0.01) & (shares[0] < 0.99)).sum() > 1000
    for other in shares[1:]:
        np.testing.assert_allclose(shares[0], other, atol=1e-9)
