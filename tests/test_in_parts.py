"""A run in parts gives what one run gives, goes on after a stop, and says of all trees what it says of few."""

from __future__ import annotations

import json
import os
import pickle
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from riskmap.deliver.place import MARKER
from riskmap.errors import InputError, MachineError
from riskmap.in_parts import Size, work
from riskmap.in_parts.plan import part_name
from riskmap.in_parts.words import add_words
from riskmap.in_parts.workshop import Workshop, digest_of
from riskmap.model import SilentWatch
from riskmap.read import read_settings
from riskmap.run import run_site

DEMO = Path(__file__).parents[1] / "data_demo"
SMALL = Size(most=100, part=400, worst=150)
ALL = ("map", "csv", "parquet", "gpkg", "summary")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The street site without shared fences, done at once and in parts."""
    folder = tmp_path_factory.mktemp("runs")
    site = DEMO / "streets" / "site.toml"
    run_site(site, out=folder / "once", only=ALL, watch=SilentWatch())
    run_site(site, out=folder / "parts", only=ALL, size=SMALL, watch=SilentWatch())
    return folder / "once", folder / "parts"


def by_row(folder: Path) -> pa.Table:
    """The tree table, in the order of the file."""
    return pq.read_table(folder / "trees.parquet").sort_by("row")


def test_parts_sorted_by_row_equal_one_run(runs: tuple[Path, Path]) -> None:
    once, parts = map(by_row, runs)
    assert once.schema.names == parts.schema.names
    for name in once.schema.names:
        assert once.column(name).to_pylist() == parts.column(name).to_pylist(), name


def test_summary_and_record_speak_of_all_trees(runs: tuple[Path, Path]) -> None:
    once, parts = runs
    assert (once / "summary.csv").read_bytes() == (parts / "summary.csv").read_bytes()
    told, in_parts = (json.loads((folder / "run.json").read_text()) for folder in runs)
    for name in ("money", "fencing", "stock"):  # proofs and frontiers weigh all trees; in parts only a budget's
        told["counts"].pop(name, None)
        in_parts["counts"].pop(name, None)
    for name in ("version", "inputs", "local", "not_surveyed", "any_of", "counts", "repaired", "libraries"):
        assert told[name] == in_parts[name], name
    for name, key in (("notes", "code"), ("assumptions", "topic")):
        in_parts[name] = [one for one in in_parts[name] if one.get("topic") != "parts"]
        ours = sorted(in_parts[name], key=lambda one: json.dumps(one, sort_keys=True))
        theirs = sorted(told[name], key=lambda one: json.dumps(one, sort_keys=True))
        assert ours == theirs, [one[key] for one in ours if one not in theirs]


def test_the_geopackage_and_csv_hold_every_tree(runs: tuple[Path, Path]) -> None:
    import pyogrio

    once, parts = runs
    assert pyogrio.read_info(parts / "trees.gpkg", layer="trees")["features"] == by_row(once).num_rows
    lines, in_parts = ((folder / "trees.csv").read_text(encoding="utf-8-sig").splitlines() for folder in runs)
    assert lines[0] == in_parts[0]
    assert sorted(lines) == sorted(in_parts)


def test_the_map_shows_the_worst_and_hexagons_of_all(runs: tuple[Path, Path]) -> None:
    from map_decode import Page

    once, parts = runs
    made = Page.of((parts / "map.html").read_bytes())
    table = by_row(once)
    loss = np.array([-1.0 if one is None else one for one in table.column("loss_any").to_pylist()])
    placed = np.array([one is not None for one in table.column("x").to_pylist()])
    shown = [table.column("tree_id").to_pylist().index(tree) for tree in made.ids()]
    assert len(shown) == SMALL.worst
    assert loss[shown].min() >= np.sort(loss[placed])[-SMALL.worst] - 1e-4
    assert made.numbers("overview:n").sum() == placed.sum()
    assert made.meta["n_all"] == table.num_rows
    whole = Page.of((once / "map.html").read_bytes())
    assert [entry["count"] for entry in made.meta["guards"]] == [entry["count"] for entry in whole.meta["guards"]]


def test_a_stopped_run_goes_on_and_gives_the_same(
    runs: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, calls = DEMO / "streets" / "site.toml", []
    true_work = work._work_out

    def stop_at_third(shop: Workshop, number: int, share: object) -> object:
        calls.append(number)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return true_work(shop, number, share)

    monkeypatch.setattr(work, "_work_out", stop_at_third)
    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        run_site(site, out=out, only=ALL, size=SMALL, watch=SilentWatch())
    assert not out.exists()
    shop = Workshop(folder=tmp_path / "out.parts")
    assert [shop.holds(part_name(number, "done")) for number in range(4)] == [True, True, False, False]
    shop.path(part_name(1, "done")).write_bytes(b"")  # one that a failing disk lost is done again
    run_site(site, out=out, only=ALL, size=SMALL, watch=SilentWatch())
    assert calls[3:5] == [1, 2]
    assert not shop.folder.exists()
    for name in {path.name for path in out.iterdir()} - {"timings.json"}:
        assert (out / name).read_bytes() == (runs[1] / name).read_bytes(), name


SCRIPT = """
import sys
from pathlib import Path
from riskmap.in_parts import Size
from riskmap.model import SilentWatch
from riskmap.run import run_site
size = Size(most=100, part=100, worst=150)
run_site(Path(sys.argv[1]), out=Path(sys.argv[2]), only=("parquet",), size=size, watch=SilentWatch())
"""


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_killed_run_leaves_its_parts(runs: tuple[Path, Path], tmp_path: Path) -> None:
    words = [sys.executable, "-c", SCRIPT, str(DEMO / "streets" / "site.toml"), str(tmp_path / "out")]
    run = subprocess.Popen(words)
    wanted = tmp_path / "out.parts" / part_name(5, "done")
    while not wanted.exists() and run.poll() is None:
        time.sleep(0.01)
    run.send_signal(signal.SIGKILL)
    run.wait()
    subprocess.run(words, check=True)
    assert by_row(tmp_path / "out").equals(by_row(runs[0]))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_other_inputs_or_settings_begin_anew(tmp_path: Path) -> None:
    shutil.copytree(DEMO / "streets", tmp_path / "streets")
    settings = read_settings(tmp_path / "streets" / "site.toml")
    before = digest_of(settings)
    assert digest_of(read_settings(tmp_path / "streets" / "site.toml")) == before
    assert digest_of(settings.with_budget(5.0)) != before
    trees = next((tmp_path / "streets").glob("street_trees.csv"))
    trees.write_bytes(trees.read_bytes() + b"\n")
    assert digest_of(settings) != before
    shop = Workshop.made(tmp_path / "out.parts", before)
    shop.save("plan", 1)
    assert Workshop.kept(tmp_path / "out.parts", digest_of(settings)) is None
    assert not Workshop.made(tmp_path / "out.parts", digest_of(settings)).holds("plan")


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_what_others_could_have_written_is_not_read(tmp_path: Path) -> None:
    class Harmful:
        def __reduce__(self) -> tuple[object, ...]:
            return os.mkdir, (str(tmp_path / "ran"),)

    folder = tmp_path / "out.parts"
    folder.mkdir()
    folder.chmod(0o777)
    (folder / MARKER).write_text("")
    (folder / "plan").write_bytes(pickle.dumps(Harmful()))
    with pytest.raises(MachineError, match="others could have written to it"):
        Workshop.kept(folder, "")
    with pytest.raises(MachineError, match="others could have written to it"):
        Workshop.made(folder, "")
    folder.chmod(0o700)
    (folder / MARKER).unlink()
    with pytest.raises(MachineError, match="is not riskmap's"):
        Workshop.made(folder, "")
    assert not (tmp_path / "ran").exists()


def test_words_add_up() -> None:
    one = "raster snow has no data (nodata) 1 tree; no value is taken there"
    many = "raster snow has no data (nodata) 1,999 trees; no value is taken there"
    assert add_words([one, many]) == many.replace("1,999", "2,000")
    assert add_words([one]) == one
    assert add_words(["{0} of 2 trees in 30 m"]) == "{0} of 2 trees in 30 m"


def test_one_budget_is_kept_over_all_parts(tmp_path: Path) -> None:
    site, budget = DEMO / "streets" / "site.toml", 3000.0
    told = {}
    for name, size in (("once", Size()), ("parts", SMALL)):
        result = run_site(
            site, out=tmp_path / name, budget=budget, only=("parquet",), size=size, watch=SilentWatch()
        ).result
        told[name] = result.choices.extra["money"]
        assert told[name]["spent"] == pytest.approx(result.tally.cost, abs=0.01)
        assert told[name]["spent"] <= budget
    table = by_row(tmp_path / "parts")
    assert sum(table.column("cost").to_pylist()) == pytest.approx(told["parts"]["spent"], abs=0.01)
    assert told["parts"]["gap"] < 0.01  # a step of a few thousand trees
    assert told["parts"]["bound"] >= told["parts"]["prevented"] >= 0.98 * told["once"]["prevented"]
    assert told["parts"]["frontier"][-1][0] == pytest.approx(told["once"]["frontier"][-1][0], rel=0.02)


def test_wishes_that_weigh_all_trees_are_refused_all_at_once(tmp_path: Path) -> None:
    shutil.copytree(DEMO / "riverside", tmp_path / "riverside")
    site = tmp_path / "riverside" / "site.toml"
    text = re.sub(r"(?m)^\[choice\]$", "[choice]\nhours = 40\nmost_kinds = 3", site.read_text())
    site.write_text(text if "most_kinds" in text else f"{text}\n[choice]\nhours = 40\nmost_kinds = 3\n")
    with pytest.raises(InputError) as raised:
        run_site(site, out=tmp_path / "out", size=SMALL, watch=SilentWatch())
    assert [problem.key for problem in raised.value.problems] == ["choice.hours", "choice.most_kinds"]
    assert "more than 100 trees are done part by part" in raised.value.problems[0].what
    assert not (tmp_path / "out.parts").exists()


BLOCKS = """
title = "Blocks"
date = 2026-10-15
[trees]
file = "trees.csv"
crs = "EPSG:26918"
columns = { tree_id = "id", x = "x", y = "y", species = "species", caliper = "caliper" }
units = { caliper = "mm" }
caliper_at = "nursery"
[[layers]]
role = "deer_habitat"
file = "woods.geojson"
[local]
deer_per_km2 = 20
"""


def test_shared_fences_are_numbered_through(tmp_path: Path) -> None:
    rows = [
        f"{500_000 + block + i * 2},{4_683_000 + j * 2},Acer rubrum,10"
        for block in (0, 1500, 3000)
        for i in range(18)
        for j in range(18)
    ]
    lines = ["id,x,y,species,caliper", *(f"T{number},{row}" for number, row in enumerate(rows, start=1))]
    (tmp_path / "trees.csv").write_text("\n".join(lines))
    corners = [[499_900, 4_683_060], [503_200, 4_683_060], [503_200, 4_683_200], [499_900, 4_683_060]]
    wood = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [corners]}}
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26918"}}
    woods = {"type": "FeatureCollection", "crs": crs, "features": [wood]}
    (tmp_path / "woods.geojson").write_text(json.dumps(woods))
    (tmp_path / "site.toml").write_text(BLOCKS)
    size = Size(most=100, part=324, worst=900)
    done = run_site(tmp_path / "site.toml", out=tmp_path / "out", only=ALL, size=size, watch=SilentWatch()).result
    fences = done.choices.extra["fences"]
    assert [fence["number"] for fence in fences] == list(range(1, len(fences) + 1))
    assert len(fences) >= 3
    reasons = by_row(tmp_path / "out").column("guard_reason").to_pylist()
    named = [re.search(r"Shared fence (\d+)", reason or "") for reason in reasons]
    numbers = [int(found[1]) for found in named if found]
    assert {number: numbers.count(number) for number in set(numbers)} == {
        fence["number"]: len(fence["trees"]) for fence in fences
    }
    shown = [re.search(r"Shared fence (\d+)", text) for text in done.choices.reason.texts()]
    assert {int(found[1]) for found in shown if found} == set(numbers)
