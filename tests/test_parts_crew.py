"""A run in parts by several workers writes what one process writes, one of them killed or none."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from crew_work import no_disk
from test_scale import DEMO, with_one_killed

from riskmap.check import check_inputs, check_site
from riskmap.cli import main
from riskmap.errors import MachineError
from riskmap.in_parts import Size, path
from riskmap.in_parts.path import begin_parts, finish_parts
from riskmap.in_parts.workshop import Workshop
from riskmap.model import SilentWatch
from riskmap.project import project_inputs
from riskmap.read import read_inputs, read_settings
from riskmap.run import run_site
from riskmap.scale import HERE, Crew, open_crew

SMALL = Size(most=100, part=400, worst=150)
STREETS = DEMO / "streets" / "site.toml"
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are killed")


def run_in_parts(out: Path, **crew: Any) -> dict[str, bytes]:
    """Run the street site part by part; what stands in the files, those of time left out."""
    run_site(STREETS, out=out, only=["parquet", "summary"], size=SMALL, watch=SilentWatch(), **crew)
    return {file.name: file.read_bytes() for file in out.iterdir() if file.name != "timings.json"}


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What one process writes."""
    files = run_in_parts(tmp_path_factory.mktemp("here") / "out")
    assert {"trees.parquet", "summary.csv", "run.json"} <= set(files)
    return files


def kill_one(monkeypatch: pytest.MonkeyPatch, mark: Path) -> None:
    """Have one worker of the next run killed over its first part."""

    @contextmanager
    def opened(**words: Any) -> Iterator[Crew]:
        with open_crew(**words) as crew:
            yield with_one_killed(crew, mark)

    monkeypatch.setattr(import_module("riskmap.run"), "open_crew", opened)


def test_workers_write_the_same_bytes(here: dict[str, bytes], tmp_path: Path) -> None:
    assert run_in_parts(tmp_path / "out", workers=2) == here


def test_a_killed_worker_changes_no_byte(
    here: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kill_one(monkeypatch, tmp_path / "mark")
    assert run_in_parts(tmp_path / "out", workers=2) == here
    assert (tmp_path / "mark").exists()


def test_a_cluster_writes_the_same_bytes_one_worker_killed(
    here: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed", reason="the extra riskmap[cluster] is not installed")
    kill_one(monkeypatch, tmp_path / "mark")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1", silence_logs=60
    ) as local:
        assert run_in_parts(tmp_path / "out", cluster=local.scheduler_address) == here
    assert (tmp_path / "mark").exists()


def test_work_on_parts_needs_no_file_of_the_user(tmp_path: Path) -> None:
    """So workers elsewhere need reach the output folder alone, and no raster."""
    shutil.copytree(STREETS.parent, tmp_path / "streets")
    inputs = read_inputs(read_settings(tmp_path / "streets" / "site.toml"), watch=SilentWatch())
    site = check_site(project_inputs(check_inputs(inputs), watch=SilentWatch()))
    assert site.rasters
    shops = [begin_parts(site, tmp_path / name, SMALL, watch=SilentWatch()) for name in ("there", "gone")]
    there = finish_parts(shops[0], SMALL, HERE, watch=SilentWatch()).once("table", dict)
    shutil.rmtree(tmp_path / "streets")
    gone = finish_parts(shops[1], SMALL, HERE, watch=SilentWatch()).once("table", dict)
    assert there.num_rows == site.trees.n and there.equals(gone)


def test_another_workshop_under_the_same_path_or_one_open_to_others_is_not_read(tmp_path: Path) -> None:
    folder = tmp_path / "out.parts"
    name = Workshop.made(folder, "digest").name()
    assert Workshop.reached(folder, name).folder == folder
    there = Workshop.kept(folder, "digest")
    assert there is not None and there.name() == name
    said = r"\.parts: workers must reach the output folder under the same path as this machine, as the same user$"
    Workshop.made(folder, "digest")  # as on a disk of the worker's own
    with pytest.raises(MachineError, match=said):
        Workshop.reached(folder, name)
    with pytest.raises(MachineError, match=said):
        Workshop.reached(tmp_path / "gone.parts", name)
    folder.chmod(0o777)
    with pytest.raises(MachineError, match="others could have written to it"):
        Workshop.reached(folder, Workshop(folder=folder).name())


def test_an_error_of_a_worker_is_said_in_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(import_module("riskmap.run"), "run_site", partial(run_site, size=SMALL))
    monkeypatch.setattr(path, "work_on_part", no_disk)
    assert main(["run", str(STREETS), "--out", str(tmp_path / "out"), "-q", "--workers", "2"]) == 3
    first, second = capsys.readouterr().err.splitlines()
    assert first == "error: no such disk"
    assert second.startswith("0 of 8 parts are done and kept: the same command goes on from there")
    assert [file.name for file in tmp_path.iterdir()] == ["out.parts"]
