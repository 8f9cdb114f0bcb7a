"""The grid engine gives what the shapely engine gives, and bears broken bytes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from riskmap.measure.engines import ENGINES
from riskmap.measure.shapes import Found, Shapes

if "grid" not in ENGINES:
    pytest.skip("built without a compiler: the grid engine is not here", allow_module_level=True)

from fuzz_grid import break_bytes, compare_engines

from riskmap.measure import cells, grid


def look(shapes: list[object], xy: object, reach_m: float = 200.0) -> Found:
    """Look through the grid, at scale 1."""
    n, points = len(shapes), np.asarray(xy, dtype=float)
    every = Shapes(
        given=np.array(shapes, dtype=object),
        half_width_m=np.zeros(n),
        layer=np.ones(n, dtype=np.int64),
        feature=np.arange(1, n + 1),
    )
    return grid.lay(every, points[:, 0].copy(), points[:, 1].copy(), np.ones(len(points)), reach_m)(slice(None))


@pytest.mark.parametrize("seed", range(60))
def test_engines_agree_on_random_and_degenerate_places(seed: int) -> None:
    assert compare_engines(seed) == 400


def test_broken_bytes_are_refused() -> None:
    assert break_bytes(7, 400) > 100


def test_trees_of_several_towns_are_taken_in_tiles(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    town = rng.uniform(-300, 300, (50, 2))
    xy = np.concatenate([town + np.array(to) for to in ((0.0, 0.0), (2e6, 0.0), (2e6, 3e6))])
    shapes = [shapely.Point(*at).buffer(9) for at in xy[rng.integers(0, 150, 40)]]
    shapes.append(shapely.LineString([(-400, 0), (2e6, 1), (2e6 + 1, 3e6)]))  # through all of them
    tiles = [tile for tile, _ in grid._tiles((xy[:, 0], xy[:, 1], np.ones(150)), 200.0)]
    assert len(tiles) > 1 and sorted(np.concatenate(tiles).tolist()) == list(range(150))
    one, whole = look(shapes, xy), None
    monkeypatch.setattr(grid, "_tiles", lambda places, reach: [(slice(None), cells.Extent.of(places))])
    whole = look(shapes, xy)  # one grid over everything, of very large cells
    np.testing.assert_allclose(one.drawn_m, whole.drawn_m, atol=1e-9)
    assert (one.rank == whole.rank).all()
    assert set(zip(one.inside_point, one.inside_rank, strict=True)) == set(
        zip(whole.inside_point, whole.inside_rank, strict=True)
    )


def test_the_corner_moves_until_no_ring_runs_through_a_centre(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wall of boxes whose sides stand on cell centres of the first grid."""
    seen: list[object] = []
    real = cells._filled

    def spy(*arguments: object) -> object:
        seen.append(real(*arguments))  # type: ignore[arg-type]
        return seen[-1]

    monkeypatch.setattr(cells, "_filled", spy)
    first_x = np.floor(-201.0) - 1.0 - cells.OFF_ROUND_M + 8.0 * 25.5  # a centre, cells of 8 m
    boxes = [shapely.box(first_x + 8 * i, -40, first_x + 8 * i + 4, 90) for i in range(4)]
    found = look([*boxes], [(0.0, 0.0), (first_x + 2, 5.0), (30.0, 50.0)])
    assert seen[0] is None and seen[1] is not None
    assert (found.inside_point.tolist(), found.inside_rank.tolist()) == ([1], [0])


def test_cost_does_not_grow_with_the_size_of_a_feature() -> None:
    """What a point looks at stays the same: cells hold the segments near them, not features."""
    sizes = []
    for n in (1_000, 64_000):
        turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
        wood = shapely.Polygon(np.column_stack([n * np.cos(turn), n * np.sin(turn)]))  # edges of 6.3 m in both
        packed = cells.pack(
            Shapes(
                given=np.array([wood], dtype=object),
                half_width_m=np.zeros(1),
                layer=np.ones(1, dtype=np.int64),
                feature=np.ones(1, dtype=np.int64),
            )
        )
        assert packed is not None
        places = np.array([float(n)]), np.array([3.0]), np.ones(1)
        laid, _ = cells.lay_out(packed, cells.RINGS, places, cells.Extent.of(places), 200.0)
        assert laid is not None
        sizes.append(laid.stretch.view(np.int32)[:, 2].sum())  # segments
    assert sizes[1] < 1.3 * sizes[0]


def test_points_the_kernel_cannot_read_go_the_other_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(grid, "pack", lambda shapes: None)
    assert look([shapely.box(5, -5, 9, 5)], [(0.0, 0.0)]).drawn_m.tolist() == [5.0]
