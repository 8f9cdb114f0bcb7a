"""Very many trees: what is written only on request, what a second process writes, and places across zone lines."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pyproj
import pytest
import shapely
from conftest import make_inputs
from result_factory import make_result

from riskmap import deliver
from riskmap.deliver import DELIVERABLES, write_result
from riskmap.deliver.beside import beside
from riskmap.draw.in_threads import in_threads
from riskmap.errors import MachineError
from riskmap.measure import measure_exposures
from riskmap.model import SilentWatch
from riskmap.project import project_inputs

GEOD = pyproj.Geod(ellps="WGS84")


def test_tables_that_nobody_opens_are_written_on_request(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = make_result()
    monkeypatch.setattr(deliver, "MOST_TREES", result.site.trees.n - 1)
    written = write_result(result, tmp_path, watch=SilentWatch())
    assert {"map.html", "trees.parquet", "summary.csv", "run.json"} <= set(written)
    assert not {"trees.csv", "trees.gpkg"} & set(written)
    assert "trees.csv" in write_result(result, tmp_path, only=["csv"], watch=SilentWatch())
    monkeypatch.setattr(deliver, "MOST_TREES", result.site.trees.n)
    assert {entry.file for entry in DELIVERABLES.values()} <= set(write_result(result, tmp_path, watch=SilentWatch()))


def test_a_second_process_writes_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result, names = make_result(), []
    for least, folder in ((10**9, tmp_path / "alone"), (1, tmp_path / "beside")):
        folder.mkdir()
        monkeypatch.setattr(deliver, "MANY_ROWS", least)
        names.append(write_result(result, folder, watch=SilentWatch()))
    assert names[0] == names[1]
    for name in set(names[0]) - {"timings.json"}:
        assert (tmp_path / "alone" / name).read_bytes() == (tmp_path / "beside" / name).read_bytes(), name


def test_what_goes_wrong_beside_is_told_here() -> None:
    def fail() -> None:
        raise MachineError("trees.gpkg could not be written")

    with pytest.raises(MachineError, match=r"trees\.gpkg"), beside(fail) as answer:
        answer()
    if os.name == "posix" and os.uname().sysname == "Linux":
        with pytest.raises(MachineError, match="killed"), beside(lambda: os.kill(os.getpid(), 9)) as answer:
            answer()


def test_threads_change_no_shape() -> None:
    points = shapely.points(np.random.default_rng(3).uniform(0, 100, (101, 2)))
    metres = np.linspace(0.1, 5, 101)
    assert shapely.equals(in_threads(shapely.buffer, points, metres), shapely.buffer(points, metres)).all()


@pytest.mark.parametrize("line", [-78.0, -72.0, 6.0, 180.0])
def test_trees_at_a_zone_line_see_across_it(line: float) -> None:
    """On both sides of a line between UTM zones, and at one alone. Source: geodesics of GeographicLib, in PROJ."""
    away_m = np.array([1.0, 20.0, 90.0, 190.0])
    west, _, _ = GEOD.fwd(np.full(4, line), np.full(4, 47.0), np.full(4, 270.0), away_m)
    east, lat, _ = GEOD.fwd(line, 47.0, 90.0, 5.0)  # the water lies 5 m east of the line
    water = shapely.box(east, lat - 0.01, east + 0.0005 if east < 180 else 180.0, lat + 0.01)
    places = np.column_stack([west, np.full(4, 47.0)])
    inputs = make_inputs(places, {"water": [water]}, crs="EPSG:4326")
    site = project_inputs(inputs, watch=SilentWatch())
    found = measure_exposures(site, watch=SilentWatch())["water"].distance_m
    np.testing.assert_allclose(found[:3], away_m[:3] + 5.0, atol=0.1)
    assert abs(found[3] - 195.0) < 0.1


def test_an_error_of_ours_is_not_called_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Words of the user's in an error, such as a kind of ground, say nothing of the disk."""

    def fail(*_: object) -> list[str]:
        raise KeyError("open space")

    monkeypatch.setattr("riskmap.deliver.summary.write_summary", fail)
    with pytest.raises(KeyError):
        write_result(make_result(), tmp_path, only=["summary"], watch=SilentWatch())
