"""One reproducer case: its files copied, its site.toml written, riskmap run on it, and what came out."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import shutil
import socket
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

CASES = Path(__file__).parent / "cases"
NAMES = sorted(path.parent.name for path in CASES.glob("*/case.toml"))
RASTER_ROLES = {"landcover": "land_cover", "deer_habitat": "deer_habitat"}
MOST_M = 20_000.0  # no distance is asked for past this


@dataclass(frozen=True)
class Ran:
    """A case that has been run."""

    name: str
    folder: Path
    status: int
    said: str
    out: Path
    before: dict[str, str]
    after: dict[str, str]
    connections: int

    @cached_property
    def expected(self) -> dict[str, Any]:
        """What right behaviour is."""
        return expected_of(self.name)

    @cached_property
    def trees(self) -> list[dict[str, str]]:
        """Rows of trees.csv, the apostrophe of guarded cells taken off."""
        with (self.out / "trees.csv").open(encoding="utf-8", newline="") as file:
            return [{key: _unguarded(cell) for key, cell in row.items()} for row in csv.DictReader(file)]

    @cached_property
    def record(self) -> dict[str, Any]:
        """run.json."""
        return json.loads((self.out / "run.json").read_text(encoding="utf-8"))

    @property
    def kind(self) -> str:
        """How it came out: ok, warning or error."""
        if self.status:
            return "error"
        return "warning" if any(line.startswith("note: ") for line in self.said.splitlines()) else "ok"

    @property
    def accepted(self) -> set[str]:
        """The kinds that are right."""
        return {self.expected["kind"], *self.expected.get("also_accept", ())}

    def tree(self, label: str) -> dict[str, str]:
        """The row of one tree, by its id, else by its place in the file."""
        named = [row for row in self.trees if row["tree_id"] == label]
        if len(named) == 1:
            return named[0]
        assert not named and label.isdigit(), f"no single tree {label}"
        return self.trees[int(label) - 1]


def _unguarded(cell: str | None) -> str:
    """A cell without the apostrophe that guards it against being run."""
    cell = cell or ""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'")[:1] in tuple("=+-@\t\r") else cell


def expected_of(name: str) -> dict[str, Any]:
    """What right behaviour of a case is."""
    return tomllib.loads((CASES / name / "expected.toml").read_text(encoding="utf-8"))


def toml_text(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False)


def site_toml(name: str) -> str:
    """The site file that hands a case to riskmap."""
    case = tomllib.loads((CASES / name / "case.toml").read_text(encoding="utf-8"))
    expected = expected_of(name)
    lines = ["date = 2026-10-15", "[trees]"]
    lines += [f"{key} = {toml_text(value)}" for key, value in case["trees"].items()]
    for layer in case.get("layer", ()):
        lines += ["[[layers]]", *(f"{key} = {toml_text(value)}" for key, value in layer.items())]
    for raster in case.get("raster", ()):
        lines += [f"[rasters.{RASTER_ROLES[raster['role']]}]"]
        lines += [f"{key} = {toml_text(value)}" for key, value in raster.items() if key != "role"]
    asked_m = [entry["metres"] for key in ("distance", "sample_distance") for entry in expected.get(key, ())]
    if max(asked_m, default=0) > 200:
        lines += ["[measure]", f"report_within_m = {min(MOST_M, math.ceil(max(asked_m) * 1.1))}"]
    return "\n".join(lines) + "\n"


def run_case(name: str, folder: Path, *, more: str = "") -> Ran:
    """Copy a case, run riskmap on the copy in a process of its own, and look at what it left.

    `more` is written below the last section of the site file.
    """
    case = tomllib.loads((CASES / name / "case.toml").read_text(encoding="utf-8"))
    setup = case.get("setup", {})
    place = folder / "site folder"
    shutil.copytree(CASES / name, place)
    (place / "site.toml").write_text(site_toml(name) + more, encoding="utf-8")
    if "generate" in case:
        script = place / case["generate"]["script"]
        subprocess.run([sys.executable, script.name, "."], cwd=place, check=True, timeout=120)
    out = place / setup.get("output", "site-out")
    words = ["run", str(place / "site.toml"), *(["--out", str(out)] if "output" in setup else [])]
    if "limit_file_bytes" in setup:
        first = _riskmap(words, folder)
        assert first.returncode == 0, first.stderr
        words.append("--overwrite")
    before = sums(place)
    with _listener() as heard:
        ran = _riskmap(words, folder, limit=setup.get("limit_file_bytes"))
    return Ran(name, place, ran.returncode, ran.stderr + ran.stdout, out, before, sums(place), len(heard))


_LIMITED = """
import resource, signal, sys
limit = int(sys.argv.pop(1))
if limit:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
from riskmap.cli import main
sys.exit(main())
"""


def _riskmap(words: list[str], folder: Path, *, limit: int | None = None) -> subprocess.CompletedProcess[str]:
    """Run riskmap in a process of its own; its temporary files go beside the copy, where they are seen."""
    import os

    temporary = folder / "tmp"
    temporary.mkdir(exist_ok=True)
    return subprocess.run(
        [sys.executable, "-c", _LIMITED, str(limit or 0), *words],
        check=False,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        env={**os.environ, "TMPDIR": str(temporary), "PYTHONPATH": str(CASES.parents[1])},
        cwd=folder,
    )


def sums(folder: Path) -> dict[str, str]:
    """Every file below a folder with the sha256 of its bytes."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@contextmanager
def _listener(port: int = 9) -> Iterator[list[str]]:
    """Listen where the cases with addresses point to; the list fills with whoever connects."""
    heard: list[str] = []
    with socket.socket() as server:
        try:
            server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            server.bind(("127.0.0.1", port))
        except OSError:  # not ours to bind: the other checks of the case still hold
            yield heard
            return
        server.listen()
        server.settimeout(0.05)
        done = threading.Event()

        def listen() -> None:
            while not done.is_set():
                try:
                    connection, address = server.accept()
                except OSError:
                    continue
                heard.append(str(address))
                connection.close()

        thread = threading.Thread(target=listen)
        thread.start()
        try:
            yield heard
        finally:
            done.set()
            thread.join()
