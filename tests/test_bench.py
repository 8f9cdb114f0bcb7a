"""The bench can't rot: a small city is valid, and the tables come out."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from conftest import make_layer, make_site, make_table

from riskmap.measure import measure_exposures
from riskmap.measure.engines import ENGINES
from riskmap.model import SilentWatch

BENCH = Path(__file__).parent / "bench"
sys.path.append(str(BENCH))

import answers  # noqa: E402
import city  # noqa: E402


@pytest.mark.parametrize("scale", [0.01, 0.03])
def test_the_city_is_valid_at_every_scale(scale: float) -> None:
    made = city.make_city(scale)
    for role in city.ROLES:
        assert shapely.is_valid(made[role]).all(), role
    assert np.isfinite(city.make_trees(made, 1000)).all()


def test_engines_agree_on_the_city() -> None:
    made = city.make_city(0.02)
    layers = [make_layer(role, made[role], number=i, crs=city.CRS) for i, role in enumerate(city.ROLES, start=1)]
    site = make_site(make_table(city.make_trees(made, 3000), crs=city.CRS), layers, offset=(0.0, 0.0))
    ours = [measure_exposures(site, watch=SilentWatch(), engine=name) for name in ENGINES]
    for role, first in ours[0].items():
        for other in ours[1:]:
            np.testing.assert_allclose(first.distance_m, other[role].distance_m, atol=1e-9)
            np.testing.assert_allclose(first.edge_m, other[role].edge_m, atol=1e-9)
            assert (first.inside == other[role].inside).all()
            assert (first.nearest_feature == other[role].nearest_feature).all()


def test_the_tables_come_out(tmp_path: Path) -> None:
    words = ["--scale", "0.01", "--trees", "500", "--repeat", "1", "--peers", "geopandas", "--folder", str(tmp_path)]
    done = subprocess.run([sys.executable, str(BENCH / "run.py"), *words], capture_output=True, text=True, check=True)
    for name in (*ENGINES, "geopandas.sjoin_nearest, query only", "geopandas.sjoin_nearest / ours", "floor"):
        assert name in done.stdout


def test_answers_that_differ_are_told(tmp_path: Path) -> None:
    ours = tmp_path / "ours.parquet"
    pq.write_table(pa.table({"distance_water_m": pa.array([5.0, None, 0.0], pa.float32())}), ours)
    tree, scale = np.array([0, 0, 1, 2]), np.full(3, 0.5)
    away_m = np.array([4.0, 2.5, 6.0, 0.0])  # on a grid of two ground metres to one
    right = answers.Answer(1.0, tree, away_m)
    assert answers.compare(right, ours, "water", 10.0, scale) == (2, 0.0)
    for wrong in (away_m + 0.001, away_m - 2.0):
        with pytest.raises(AssertionError, match="water"):
            answers.compare(answers.Answer(1.0, tree, wrong), ours, "water", 10.0, scale)


def test_the_whole_run_is_timed(tmp_path: Path) -> None:
    words = ["--scale", "0.01", "--trees", "300", "--kinds", "parquet", "csv", "--folder", str(tmp_path)]
    done = subprocess.run(
        [sys.executable, str(BENCH / "bench_whole.py"), *words], capture_output=True, text=True, check=True
    )
    for name in ("300, parquet", "300, csv", "write map.html", "peak memory"):
        assert name in done.stdout


def test_big_layers_are_read_both_ways() -> None:
    words = [sys.executable, str(BENCH / "bench_boxes.py"), "--features", "3000"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    rows = [line.split(" | ") for line in done.stdout.splitlines() if line.startswith(("| Geo", "| Flat", "| shape"))]
    assert len(rows) == 5
    assert all(0 < int(row[-1].rstrip(" |").replace(",", "")) < 1_000 for row in rows)  # of 3,000
