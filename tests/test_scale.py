"""Parts mapped over processes of this machine: bounded, silent, whole when one is killed, and equal to one process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from conftest import make_layer, make_settings, make_site
from crew_work import PROBLEMS, die, double, fail, lock, note_and_double, once_killed, talk, who

from riskmap.check import check_inputs, check_site
from riskmap.cli import main
from riskmap.cores import cores, share_of_cores
from riskmap.errors import InputError, MachineError, WordsError
from riskmap.in_parts import Size, measure_in_parts
from riskmap.measure import measure_exposures, measure_rasters
from riskmap.model import MeasureSettings, SilentWatch, Site
from riskmap.project import project_inputs
from riskmap.read import read_inputs, read_settings
from riskmap.run import run_site
from riskmap.scale import HERE, Crew, open_crew
from riskmap.scale.flight import AHEAD

DEMO = Path(__file__).parents[1] / "data_demo"
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are killed, and looked for in /proc")


@pytest.fixture(scope="module")
def crew() -> Iterator[Crew]:
    """Two processes for all tests."""
    with open_crew(workers=2) as opened:
        yield opened


def demo_site(name: str) -> Site:
    """A demo site in metres."""
    inputs = read_inputs(read_settings(DEMO / name / "site.toml"), watch=SilentWatch())
    return check_site(project_inputs(check_inputs(inputs), watch=SilentWatch()))


def assert_measured_alike(site: Site, crew: Crew) -> None:
    """Measuring in parts gives what measuring whole gives."""
    watch = SilentWatch()
    exposures, rasters = measure_in_parts(site, crew, watch)
    whole, looked_up = measure_exposures(site, watch=watch), measure_rasters(site, watch=watch)
    assert list(exposures) == list(whole)
    for role, exposure in whole.items():
        ours = exposures[role]
        for name in ("distance_m", "edge_m"):
            assert np.allclose(getattr(ours, name), getattr(exposure, name), rtol=0, atol=1e-9, equal_nan=True)
        for name in ("inside", "nearest_layer", "nearest_feature", "known", "edge_of_data"):
            assert np.array_equal(getattr(ours, name), getattr(exposure, name)), (role, name)
            assert getattr(ours, name).dtype == getattr(exposure, name).dtype
        assert (ours.role, ours.reach_m, ours.everywhere) == (role, exposure.reach_m, exposure.everywhere)
    assert [raster.name for raster in rasters] == [raster.name for raster in looked_up]
    for ours_there, theirs in zip(rasters, looked_up, strict=True):
        assert np.array_equal(ours_there.value, theirs.value, equal_nan=True)
        assert np.array_equal(ours_there.status, theirs.status)


def with_one_killed(crew: Crew, mark: Path) -> Crew:
    """The same crew, but the worker that first gets a part is killed over it."""
    return Crew(hands=crew.hands, map=lambda work, parts: crew.map(partial(once_killed, str(mark), work), parts))


def test_every_part_comes_back_once(crew: Crew) -> None:
    assert sorted(crew.map(double, range(20))) == [(place, 2 * place) for place in range(20)]
    assert list(crew.map(double, [])) == []
    assert list(HERE.map(double, iter([1, 2]))) == [(0, 2), (1, 4)]


def test_parts_are_made_as_they_are_asked_for(crew: Crew) -> None:
    made, back = 0, 0

    def parts() -> Iterator[int]:
        nonlocal made
        for made in range(1, 31):
            assert made - back <= crew.hands + AHEAD
            yield made

    for _ in crew.map(double, parts()):
        time.sleep(0.002)
        assert made - back <= crew.hands + AHEAD
        back += 1
    assert back == 30


def test_workers_are_other_processes_with_a_share_of_the_cores_and_their_doors_shut(crew: Crew) -> None:
    said = [answer for _, answer in crew.map(who, range(8))]
    share = max(1, cores() // 2)
    assert len({pid for pid, *_ in said}) == 2 and os.getpid() not in {pid for pid, *_ in said}
    assert {rest for _, *rest in map(tuple, said) for rest in [tuple(rest)]} == {(share, "OFF", str(share))}
    with share_of_cores(3):
        assert cores() == 3
    assert cores() == os.cpu_count()


def test_workers_say_nothing(crew: Crew, capfd: pytest.CaptureFixture[str]) -> None:
    assert sorted(crew.map(talk, [1, 2, 3])) == [(0, 1), (1, 2), (2, 3)]
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("kind", "error", "said"),
    [
        ("inputs", InputError, PROBLEMS[0].line()),
        ("words", WordsError, "no such word"),
        ("machine", MachineError, "no such disk"),
        ("memory", MemoryError, ""),
        ("plain", KeyError, "'somewhere'"),
        ("unsendable", RuntimeError, "UnsendableError: one and two"),
    ],
)
def test_an_error_of_the_work_is_raised_here_as_it_was(
    kind: str, error: type[Exception], said: str, crew: Crew
) -> None:
    with pytest.raises(error) as raised:
        list(crew.map(fail, ["", "", kind, "", ""]))
    assert type(raised.value) is error
    assert str(raised.value).split("\n")[0] == said
    if isinstance(raised.value, InputError):
        assert raised.value.problems == PROBLEMS
    assert "in fail" in str(raised.value.__cause__)  # for those who look into a fault, not for users
    assert not hasattr(raised.value, "__notes__")
    assert list(crew.map(double, [1])) == [(0, 2)]  # the crew works on


def test_an_answer_that_cannot_be_sent_is_an_error_and_kills_nobody(crew: Crew) -> None:
    before = {pid for _, (pid, *_) in crew.map(who, range(6))}
    with pytest.raises(TypeError, match="lock"):
        list(crew.map(lock, [1]))
    with pytest.raises(Exception, match=r"lambda|pickle"):
        list(crew.map(lambda part: part, [1]))
    assert {pid for _, (pid, *_) in crew.map(who, range(6))} == before


def test_after_an_error_no_part_is_begun(crew: Crew, tmp_path: Path) -> None:
    taken = []

    def parts() -> Iterator[Any]:
        for number in range(100):
            taken.append(number)
            yield (str(tmp_path), number) if number else None  # the first can't be taken apart

    with pytest.raises(TypeError):
        list(crew.map(note_and_double, parts()))
    begun = len(taken)
    list(crew.map(double, [1, 2]))
    assert len(taken) == begun
    assert len(list(tmp_path.iterdir())) <= begun


def test_a_killed_worker_changes_nothing(crew: Crew, tmp_path: Path) -> None:
    killed = with_one_killed(crew, tmp_path / "mark")
    assert sorted(killed.map(double, range(7))) == [(place, 2 * place) for place in range(7)]
    assert (tmp_path / "mark").exists()


def test_workers_killed_while_they_wait_are_replaced(crew: Crew) -> None:
    for pid in {pid for _, (pid, *_) in crew.map(who, range(6))}:
        os.kill(pid, signal.SIGKILL)
    assert sorted(crew.map(double, range(5))) == [(place, 2 * place) for place in range(5)]


def test_a_part_that_kills_every_worker_is_given_up(crew: Crew) -> None:
    with pytest.raises(
        MachineError, match=r"3 worker processes died .*\(signal 9, .*\), most likely for want of memory"
    ):
        list(crew.map(die, [1]))
    assert list(crew.map(double, [1])) == [(0, 2)]


def test_leaving_ends_workers_at_once() -> None:
    begun = time.monotonic()
    with pytest.raises(RuntimeError), open_crew(workers=2) as crew:
        pids = {pid for _, (pid, *_) in crew.map(who, range(6))}
        for _, _ in crew.map(fail, ["", "slow", "slow", "slow"]):
            raise RuntimeError
    assert time.monotonic() - begun < 30
    assert not any(is_there(pid) for pid in pids)


def is_there(pid: int) -> bool:
    """Whether a process runs; one that has ended may wait for its burial."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


STOPPED = """
import sys
sys.path.insert(0, {tests!r})
from crew_work import who, fail
from riskmap.scale import open_crew
with open_crew(workers=2) as crew:
    print(*{{pid for _, (pid, *_) in crew.map(who, range(6))}}, flush=True)
    list(crew.map(fail, ["slow"] * 4))
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_a_stopped_or_killed_run_leaves_no_worker(number: signal.Signals, tmp_path: Path) -> None:
    """The script has no guard against being run again by its own workers: they must not run it."""
    script = tmp_path / "script.py"
    script.write_text(STOPPED.format(tests=str(Path(__file__).parent)))
    about = {**os.environ, "PYTHONPATH": os.pathsep.join([str(DEMO.parent), os.environ.get("PYTHONPATH", "")])}
    process = subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=about,
        start_new_session=True,
    )  # fmt: skip
    assert process.stdout is not None
    pids = [int(word) for word in process.stdout.readline().split()]
    time.sleep(0.2)
    # Ctrl-C goes to all processes of a terminal, a kill to one
    (os.killpg if number == signal.SIGINT else os.kill)(process.pid, number)
    begun = time.monotonic()
    _, err = process.communicate(timeout=60)
    assert len(pids) == 2
    assert err.count("Traceback") == (number == signal.SIGINT), err  # ours alone
    while any(is_there(pid) for pid in pids) and time.monotonic() - begun < 20:
        time.sleep(0.05)
    assert not any(is_there(pid) for pid in pids)


@pytest.mark.parametrize("name", ["riverside", "streets"])
def test_sites_measure_the_same_in_processes_one_of_them_killed(name: str, crew: Crew, tmp_path: Path) -> None:
    site = demo_site(name)
    assert_measured_alike(site, crew)
    assert_measured_alike(site, with_one_killed(crew, tmp_path / "mark"))
    assert (tmp_path / "mark").exists()


def random_site(seed: int) -> Site:
    """Trees here and there, some without a place, in a survey of several areas; roles cut out of others."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 3000, (60, 2))
    xy[::9] = np.nan
    spots = [
        shapely.Point(*place).buffer(size)
        for place, size in zip(rng.uniform(0, 3000, (40, 2)), rng.uniform(5, 200, 40), strict=True)
    ]
    lines = [shapely.LineString(rng.uniform(0, 3000, (3, 2))) for _ in range(5)]
    west, east = shapely.box(0, 0, 1500, 3000), shapely.box(1500, 0, 2900, 3000)
    layers = [
        make_layer("water", spots[:20], number=1),
        make_layer("lawn", spots[20:], number=2, minus=("water",), covers=shapely.box(200, 200, 2800, 2000)),
        make_layer("road", lines, number=3, width_m=rng.uniform(3, 30, 5).tolist()[0]),
        make_layer("study_area", [west, east], number=4),
    ]
    return make_site(xy, layers, settings=make_settings(measure=MeasureSettings(report_within_m=20.0)))


@pytest.mark.parametrize("seed", range(6))
def test_random_sites_measure_the_same_in_parts(seed: int) -> None:
    many = Crew(hands=5, map=HERE.map)
    assert_measured_alike(random_site(seed), many)


def test_sites_without_trees_or_ground_measure_in_parts() -> None:
    many = Crew(hands=3, map=HERE.map)
    assert_measured_alike(make_site(np.empty((0, 2)), {"water": [shapely.box(0, 0, 9, 9)]}), many)
    assert_measured_alike(make_site([[0, 0], [np.nan, np.nan]], {}), many)


@pytest.mark.parametrize("name", ["riverside", "streets"])
def test_a_run_with_workers_writes_the_same_bytes(name: str, tmp_path: Path) -> None:
    for workers in (1, 2):
        run_site(
            DEMO / name / "site.toml",
            out=tmp_path / str(workers),
            only=["csv"],
            workers=workers,
            watch=SilentWatch(),
        )
    for file in ("trees.csv", "run.json"):
        assert (tmp_path / "1" / file).read_bytes() == (tmp_path / "2" / file).read_bytes()


def test_a_run_in_parts_is_the_same_with_workers(tmp_path: Path) -> None:
    small = Size(most=100, part=400, worst=150)
    for workers in (1, 2):
        out = tmp_path / str(workers)
        site = DEMO / "streets" / "site.toml"
        run_site(site, out=out, only=["csv"], workers=workers, size=small, watch=SilentWatch())
    assert (tmp_path / "1" / "trees.csv").read_bytes() == (tmp_path / "2" / "trees.csv").read_bytes()


@pytest.mark.parametrize("word", ["0", "two", "1.5", "-1", "1_0", "９", "99999999999", "", "2 "])
def test_words_that_are_no_number_of_workers(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "site.toml", f"--workers={word}"]) == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert "is no number of workers; write a whole number from 1 to 1,024" in line
