"""The command line: words, what is said where, exit statuses, and a result that is whole or not there."""

from __future__ import annotations

import hashlib
import importlib
import io
import json
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from riskmap import cli, tables
from riskmap.cli import main
from riskmap.terminal import TerminalWatch

WATER = """{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},
"geometry": {"type": "Polygon", "coordinates": [[[-75.0012, 42.2990], [-74.9988, 42.2990], [-74.9988, 42.2996],
[-75.0012, 42.2996], [-75.0012, 42.2990]]]}}]}"""
TREES = """id,lon,lat,species,caliper_mm,ward
T1,-75.00013,42.29971,willow,12,Ward 2
T2,-75.00047,42.29978,red maple,30,Ward 10
=T3,-75.00091,42.30312,oak,45,Ward 2
"""
SITE = """title = "Tiny"
date = 2026-10-15
[trees]
file = "trees.csv"
[[layers]]
role = "water"
file = "water.geojson"
[local]
beaver = "active"
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site of three trees and one pond."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    for name, text in (("trees.csv", TREES), ("water.geojson", WATER), ("site.toml", SITE)):
        (folder / name).write_text(text)
    return folder / "site.toml"


def tree_of(folder: Path) -> dict[str, str]:
    """Every file below a folder, with its digest."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        for path in sorted(folder.rglob("*"))
    }


def start(*words: object, **options: Any) -> subprocess.Popen[str]:
    """Start riskmap in a process of its own."""
    command = [sys.executable, "-m", "riskmap", *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options)


def test_run_writes_everything_and_says_where(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = tree_of(site.parent)
    assert main(["run", str(site)]) == 0
    said = capsys.readouterr()
    out = site.parent / "site-out"
    assert said.out.startswith(f"young-tree damage map: {out / 'map.html'}\n")
    assert "3 trees, 3 scored" in said.out
    assert re.search(r"(?m)^ +trees +USD +hours$", said.out)
    (trees, money, hours) = re.search(r"(?m)^  fit +(\d+) +(\d+) +(<?\d+)  mostly .*cage", said.out).groups()  # type: ignore[union-attr]
    assert re.search(rf"(?m)^  in all +3 +{money} +{hours}$", said.out) and trees == "2"
    assert re.search(r"(?m)^measure: \d+\.\d\d s$", said.err)
    assert sorted(path.name for path in out.iterdir()) == [
        *["map.html", "run.json", "summary.csv", "timings.json", "trees.csv", "trees.gpkg", "trees.parquet"],
    ]
    after = tree_of(site.parent)
    assert {name: after[name] for name in before} == before
    assert {name.split("/")[0] for name in set(after) - set(before)} == {"site-out"}
    record = json.loads((out / "run.json").read_text())
    written = {entry["file"]: entry["sha256"] for entry in record["outputs"]}
    assert written == {name: after[f"site-out/{name}"] for name in written}


def test_same_site_same_bytes(site: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        assert main(["run", str(site), "--out", str(tmp_path / name), "-q"]) == 0
    one, two = tree_of(tmp_path / "one"), tree_of(tmp_path / "two")
    assert {name for name in one if one[name] != two[name]} <= {"timings.json"}


def test_a_second_run_needs_overwrite(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", str(site), "--only", "csv"]) == 0
    before = tree_of(site.parent)
    capsys.readouterr()
    assert main(["run", str(site)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines()[-1].endswith(
        "holds an earlier result; add --overwrite to replace it, or name another folder with --out"
    )
    assert tree_of(site.parent) == before
    assert main(["run", str(site), "--overwrite", "--only", "summary"]) == 0
    assert sorted(path.name for path in (site.parent / "site-out").iterdir()) == [
        *["run.json", "summary.csv", "timings.json"],
    ]


def test_quiet_says_faults_and_notes_only(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "trees.csv").write_text(TREES + "T4,,,elm,20,\n")
    assert main(["run", str(site), "-q", "--only", "csv"]) == 0
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("note: trees.csv")
    assert all(line.startswith("note: ") for line in said.err.splitlines())


def test_every_fault_at_once_and_nothing_written(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site.write_text(SITE.replace('role = "water"', 'role = "watr"').replace("[local]", "[local]\nsnow = 1"))
    before = tree_of(site.parent)
    assert main(["run", str(site), "-q"]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert all(line.startswith("error: site.toml") for line in lines)
    assert "did you mean 'water'" in "".join(lines)
    assert tree_of(site.parent) == before


def test_a_fault_found_late_leaves_nothing(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "water.geojson").write_text("{")
    before = tree_of(tmp_path)
    assert main(["run", str(site), "--out", str(tmp_path / "new" / "out"), "-q"]) == 1
    assert capsys.readouterr().err.startswith("error: water.geojson")
    assert tree_of(tmp_path) == before


def test_check_lists_faults_and_notes_on_stdout(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "trees.csv").write_text(TREES + "T1,0,0,elm,20,\n")
    before = tree_of(site.parent)
    assert main(["check", str(site)]) == 0
    said = capsys.readouterr()
    assert re.search(r"(?m)^note: trees\.csv.*repeated", said.out)
    assert re.search(r"(?m)^note: trees\.csv.*0,0", said.out)
    assert re.search(r"(?m)^read: trees\.csv: 4 rows; .*kind CSV; encoding utf-8", said.out)
    assert re.search(r"(?m)^not scored: 1 tree: no place$", said.out)
    assert re.search(r"(?m)^assumed: ", said.out)
    assert said.out.splitlines()[-1].startswith("0 faults, ")
    site.write_text(SITE + "[nonsense]\n")
    assert main(["check", str(site)]) == 1
    assert re.search(r"(?m)^error: site\.toml.*nonsense", capsys.readouterr().out)
    (site.parent / "site.toml").write_text(SITE)
    assert tree_of(site.parent) == before


def test_check_names_a_site_file_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(tmp_path / "nowhere.toml")]) == 1
    assert "nowhere.toml" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rnu"], r"there is no command 'rnu'; did you mean 'run'\?"),
        (["zzz"], r"there is no command 'zzz'; there are run, start, check, show"),
        (["run"], r"required: SITE\.toml"),
        (["run", "a.toml", "--overwrit"], r"does not take the option '--overwrit'; did you mean '--overwrite'\?"),
        (["run", "a.toml", "b.toml"], r"does not take the word 'b\.toml'"),
        (["run", "a.toml", "--only", "mapp"], r"there is no 'mapp'; did you mean 'map'\?"),
        (["show", "guard"], r"there is no 'guard'; did you mean 'guards'\?"),
        (["show", "\x1b[31m"], r"there is no '\\\\x1b\[31m'"),
        (["--verison"], r"'--verison'"),
    ],
)
def test_wrong_words(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    line = capsys.readouterr().err
    assert line.startswith("error: ")
    assert line.count("\n") == 1
    assert re.search(said, line)


def test_no_words_print_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "usage: riskmap" in capsys.readouterr().err
    assert main(["--help"]) == 0
    assert "usage: riskmap" in capsys.readouterr().out


def test_version_names_the_engine(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert re.fullmatch(r"riskmap \d+\.\d+\.\d+ \(engine: (grid|shapely)\)\n", capsys.readouterr().out)


def signed(row: Any) -> list[str]:
    """Name what must stand beside a row: its grade, and every source."""
    return [row.grade, *(word.strip() for word in row.source.split(";"))]


@pytest.mark.parametrize("topic", cli.TOPICS)
def test_show_prints_what_the_program_knows(topic: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", topic]) == 0
    text = capsys.readouterr().out
    wanted = {
        "agents": [word for rows in tables.figure_rows().values() for row in rows.values() for word in signed(row)],
        "guards": [word for row in (*tables.guards().values(), *tables.demands()) for word in signed(row)],
        "species": list(tables.species()),
        "sources": [row.citation for row in tables.sources().values()],
        "roles": list(tables.roles()),
        "columns": [row.key for row in tables.columns()],
        "keys": ["trees.file", "layers.width_m", "choice.floor"],
        "notes": list(tables.note_codes()),
    }
    assert [word for word in wanted[topic] if word not in text] == []


ENDINGS = [
    (KeyError("x"), 3, r"this is a fault of riskmap, not of your data \(KeyError: 'x'\); .* (\S+\.txt)$"),
    (MemoryError(), 3, "the memory of this machine ran out"),
    (OSError(28, "No space left on device", "/somewhere/x"), 3, "/somewhere/x: No space left on device"),
    (KeyboardInterrupt(), 130, "^stopped; nothing was changed$"),
]


@pytest.mark.parametrize(("error", "status", "said"), ENDINGS)
def test_an_error_ends_in_one_line(
    error: BaseException, status: int, said: str, site: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("riskmap.look_over.look_over", broken)
    assert main(["check", str(site)]) == status
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    found = re.search(said, line.rstrip("\n"))
    assert found
    if found.groups():
        trace = Path(found[1])
        assert "Traceback" in trace.read_text() and "KeyError: 'x'" in trace.read_text()
        trace.unlink()


def test_head_may_close_the_pipe() -> None:
    with start("show", "sources") as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.wait(timeout=60) == 0
        assert process.stderr.read() == ""


def wait_for(path: Path, process: subprocess.Popen[str]) -> None:
    """Wait until a path stands, or the process has ended."""
    while not path.exists() and process.poll() is None:
        time.sleep(0.002)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_run_leaves_nothing(number: signal.Signals, site: Path, tmp_path: Path) -> None:
    before = tree_of(tmp_path)
    process = start("run", site)
    wait_for(site.parent / "site-out.part" / "UNFINISHED.txt", process)
    process.send_signal(number)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err.splitlines()[-1]) == (130, "stopped; nothing was changed")
    assert tree_of(tmp_path) == before


def test_a_stop_inside_a_librarys_tidying_is_a_stop(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def tidy_badly(*_: Any, **__: Any) -> None:
        try:
            raise KeyboardInterrupt
        finally:
            raise OSError(9, "Bad file descriptor")

    monkeypatch.setattr(importlib.import_module("riskmap.run"), "read_inputs", tidy_badly)
    assert main(["run", str(site)]) == 130
    assert capsys.readouterr().err.splitlines()[-1] == "stopped; nothing was changed"


def test_killed_runs_leave_the_earlier_result_or_the_new_one(site: Path) -> None:
    assert main(["run", str(site), "-q"]) == 0
    out = site.parent / "site-out"
    chance = random.Random(8)
    for _ in range(4):
        process = start("run", site, "--overwrite", "-q")
        wait_for(site.parent / "site-out.part", process)
        time.sleep(chance.uniform(0, 0.5))
        process.kill()
        process.communicate()
        record = json.loads((out / "run.json").read_text())
        for entry in record["outputs"]:
            assert hashlib.sha256((out / entry["file"]).read_bytes()).hexdigest() == entry["sha256"]
    assert main(["run", str(site), "--overwrite", "-q"]) == 0
    assert not list(site.parent.glob("site-out.*"))


def test_a_full_disk_names_the_file_and_keeps_the_earlier_result(site: Path) -> None:
    resource = pytest.importorskip("resource")
    assert main(["run", str(site), "-q"]) == 0
    before = tree_of(site.parent)
    limit = 40_000  # the map does not fit
    process = start(
        *("run", site, "--overwrite", "-q"),
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )
    _, err = process.communicate(timeout=120)
    assert process.returncode == 3
    assert re.fullmatch(r"error: \S+\.\w+ could not be written \(.*\): the disk is full or .*\n", err)
    assert tree_of(site.parent) == before


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


def test_a_terminal_gets_a_bar_and_a_pipe_a_line_a_station() -> None:
    bar, lines = Terminal(), io.StringIO()
    for stream in (bar, lines):
        watch = TerminalWatch(stream=stream)
        with watch.station("measure"):
            watch.progress(1, 2)
        assert list(watch.timings) == ["measure"]
    assert "\rmeasure" not in lines.getvalue()
    assert re.fullmatch(r"measure: \d\.\d\d s\n", lines.getvalue())
    assert re.match(r"\r\x1b\[Kmeasure +╌{24}   0%", bar.getvalue())
    assert bar.getvalue().endswith("\r\x1b[K")


def test_quiet_and_verbose_watches() -> None:
    quiet, verbose = io.StringIO(), io.StringIO()
    for stream, options in ((quiet, {"quiet": True}), (verbose, {"verbose": True})):
        watch = TerminalWatch(stream=stream, **options)
        with watch.station("read"):
            watch.log("trees.csv: 3 rows")
    assert quiet.getvalue() == ""
    assert verbose.getvalue().startswith("  trees.csv: 3 rows\nread: ")


def test_a_picture_of_the_users_own_goes_into_the_map(site: Path) -> None:
    """In a process of its own: there the drivers that riskmap never opens are shut."""
    import numpy as np
    import rasterio
    from rasterio.transform import from_bounds

    place = from_bounds(-75.002, 42.298, -74.998, 42.304, 40, 60)
    with rasterio.open(
        site.parent / "photo.tif", "w", driver="GTiff", width=40, height=60, count=3, dtype="uint8", crs="EPSG:4326",
        transform=place,
    ) as photo:  # fmt: skip
        photo.write(np.full((3, 60, 40), 120, dtype=np.uint8))
    site.write_text(site.read_text() + '[map]\nbackground = "photo.tif"\n')
    process = start("run", site, "-q")
    _, err = process.communicate(timeout=60)
    assert (process.returncode, "error" in err) == (0, False), err
    assert b'"kind":"image/webp"' in (site.parent / "site-out" / "map.html").read_bytes().replace(b" ", b"")


def test_a_budget_typed_holds_for_this_run(site: Path) -> None:
    def spent(*words: str) -> float:
        assert main(["run", str(site), "--overwrite", "-q", *words]) == 0
        return float(json.loads((site.parent / "site-out" / "run.json").read_text())["counts"]["cost"])

    free, tight = spent(), spent("--budget", "3")
    assert 0 <= tight <= 3 < free


def test_a_run_ends_with_what_the_money_prevents_and_how_sure_that_is(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(site), "--budget", "30"]) == 0
    said = capsys.readouterr().out
    assert "First fitting, material and work: USD " in said
    assert re.search(
        r"USD \d+ spent of a budget of 30 prevents about USD [\d,]+ of loss, while what is bought lasts", said
    )
    assert "No other choice within the limits prevents more: that is proven." in said  # so few trees are solved exactly
    assert main(["run", str(site), "--overwrite"]) == 0
    said = capsys.readouterr().out
    assert "of loss, while what is bought lasts" in said
    assert "proven" not in said  # without a limit nothing was weighed


@pytest.mark.parametrize("word", ["5x", "-1", "inf", "nan", "\x1b[31m"])
def test_a_budget_that_is_no_money(site: Path, word: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", str(site), f"--budget={word}"]) == 2
    said = capsys.readouterr().err
    assert "no sum of money" in said
    assert "\x1b" not in said


def test_a_log_that_is_not_counted_is_said(site: Path) -> None:
    site.write_text(site.read_text().replace("[trees]", 'log = "log.csv"\n[trees]'))
    (site.parent / "log.csv").write_text("date,tree_id\n")
    assert main(["run", str(site), "-q"]) == 0
    record = json.loads((site.parent / "site-out" / "run.json").read_text())
    assert any(taken["topic"] == "log" and "log.csv" in taken["why"] for taken in record["assumptions"])


@pytest.mark.parametrize("refused", ["no file", "wrong key", "earlier result"])
def test_what_is_refused_before_reading_is_told_of_alone(
    refused: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No line of progress stands before the fault."""
    if refused == "wrong key":
        site.write_text(SITE + "[nonsense]\n")
    elif refused == "earlier result":
        assert main(["run", str(site), "-q", "--only", "csv"]) == 0
        capsys.readouterr()
    assert main(["run", str(tmp_path / "none.toml" if refused == "no file" else site)]) in (1, 2)
    lines = capsys.readouterr().err.splitlines()
    assert lines and all(line.startswith("error: ") for line in lines)


def test_check_names_what_nobody_surveyed_and_the_key(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each role with its agents, and a line for site.toml that holds as it is; also beside a fault."""
    assert main(["check", str(site)]) == 0
    said = capsys.readouterr().out
    assert "not surveyed: deer_habitat: deer browse, antler rub not scored from it\n" in said
    assert "not surveyed: lawn: mower not scored from it\n" in said
    assert "not surveyed: water" not in said
    assert "road salt" not in said and "hare" not in said  # off unless asked for
    (line,) = re.findall(r"nowhere = \[.*?\]", said)
    site.write_text(SITE + line + "\n")
    assert main(["check", str(site)]) == 0
    assert "not surveyed" not in capsys.readouterr().out
    site.write_text(SITE + 'nowhere = ["lawn"]\n')
    assert main(["check", str(site)]) == 0
    (again,) = re.findall(r"nowhere = \[.*?\]", capsys.readouterr().out)
    assert sorted(re.findall('"(.*?)"', again)) == sorted(re.findall('"(.*?)"', line))  # what was said already stays
    (site.parent / "trees.csv").write_text(TREES.replace("caliper_mm", "caliper"))
    site.write_text(SITE)
    assert main(["check", str(site)]) == 1
    assert "not surveyed: lawn: mower" in capsys.readouterr().out


def test_quiet_check_lists_faults_and_notes_only(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "trees.csv").write_text(TREES + "T4,,,elm,20,\n")
    assert main(["check", str(site), "-q"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 1 and all(line.startswith("note: ") for line in lines[:-1])
    assert lines[-1] == f"0 faults, {len(lines) - 1} note" + "s" * (len(lines) > 2)


def test_check_says_all_that_a_data_report_holds(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Encoding, delimiter, decimal sign, units, CRS, datum step; mended areas; what is odd, and what is not scored."""
    import geopandas
    from shapely import Polygon

    rows = [
        "Nr;Lon;Lat;Species;Caliper cm;Planted",
        "A;-75,00013;42,29971;Saule é;1,2;2024",
        "A;-75,00047;42,29978;red maple;3,5;2027-03-01",
        "B;-75,00047;42,29978;oak;250,5;",
        "C;0,0;0,0;oak;4,5;",
        "D;-73,2;42,3;oak;;",
        *(f"N{n};-75,00{n}13;42,29971;oak;4,5;" for n in range(10, 30)),
    ]
    (site.parent / "trees.csv").write_text("\n".join(rows), encoding="cp1252")
    x, y = 500000, 4683000
    bow = Polygon([(x, y), (x + 10, y + 10), (x + 10, y), (x, y + 10)])
    geopandas.GeoDataFrame(geometry=[bow], crs="EPSG:26718").to_file(site.parent / "lawn.gpkg")
    site.write_text(SITE.replace("[local]", '[[layers]]\nrole = "lawn"\nfile = "lawn.gpkg"\n[local]'))
    assert main(["check", str(site)]) == 0
    said = capsys.readouterr().out
    for pattern in (
        r"read: trees\.csv: 25 rows; .*cp1252; delimiter semicolon; .*decimal sign comma; units caliper = cm; ",
        r"read: trees\.csv: .*crs EPSG:4326",
        r"note: lawn\.gpkg.*datum shift from EPSG:26718 .* known to within \d+ m",
        r"repaired: lawn\.gpkg.*feature 1: .*\(area \S+ -> 50 m2\)",
        r"not scored: \d trees?: no place",
        r"note: trees\.csv.* 0,0",
        r"note: trees\.csv.*1 tree id repeated in 2 rows: 'A'",
        r"note: trees\.csv.*2 trees on a point where another tree stands",
        r"note: trees\.csv.*1 stem thicker than 2 m",
        r"note: trees\.csv.*1 tree planted after 2026-10-15",
        r"note: trees\.csv.*more than 20 km from the middle",
    ):
        assert re.search(rf"(?m)^{pattern}", said), pattern


def test_a_terminal_folds_long_lines_at_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eighty columns on a terminal; one line each into a file."""
    from riskmap.errors import InputError, Problem
    from riskmap.terminal import print_error

    monkeypatch.setenv("COLUMNS", "80")
    fault = InputError([Problem(file="trees.csv", what="word " * 40 + "end", remedy="mend it", key="trees.columns")])
    terminal, pipe = Terminal(), io.StringIO()
    for stream in (terminal, pipe):
        print_error(fault, stream)
    assert pipe.getvalue().count("\n") == 1
    assert max(map(len, terminal.getvalue().splitlines())) <= 80
    assert " ".join(terminal.getvalue().split()) == " ".join(pipe.getvalue().split())


def test_many_mended_features_are_counted_not_listed() -> None:
    from riskmap.look_over import Findings
    from riskmap.model import Repair
    from riskmap.terminal import print_findings

    mended = [Repair(file="l.gpkg", layer="lawn", feature=n, what="repaired", why="ring") for n in range(1, 31)]
    out = io.StringIO()
    print_findings(Findings(problems=(), repaired=tuple(mended)), out)
    assert out.getvalue().count("repaired: l.gpkg, layer lawn, feature") == 20
    assert "repaired: l.gpkg, layer lawn: 10 features more; run.json lists them all\n" in out.getvalue()


def test_run_says_why_trees_are_to_be_looked_at(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "trees.csv").write_text(TREES.replace("ward", "guard").replace("Ward 2", "odd thing"))
    assert main(["run", str(site), "--only", "csv"]) == 0
    assert re.search(r"(?m)^look: \d trees?: .*'odd thing'", capsys.readouterr().out)


def test_a_site_file_after_only_is_told_where_to_stand(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "--only", "map", "site.toml"]) == 2
    assert "'site.toml' is no result; write the site file before --only" in capsys.readouterr().err
