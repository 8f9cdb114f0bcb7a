"""The result folder: refusals before reading, and the earlier or the new result whole, whatever happens."""

from __future__ import annotations

import json
import multiprocessing as mp
import os
import random
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from riskmap.deliver.folder import result_folder
from riskmap.deliver.place import MARKER
from riskmap.errors import MachineError, RiskmapError, WordsError

RECORD = {"version": "0", "engine": "shapely", "inputs": [], "counts": {}, "outputs": [{"file": "map.html"}]}


def write_result(folder: Path, word: str, *, slowly: bool = False) -> None:
    """Write a result whose two files carry one word."""
    for name, text in (("map.html", word), ("run.json", json.dumps({**RECORD, "word": word}))):
        (folder / name).write_text(text)
        if slowly:
            time.sleep(0.002)


def make(site: Path, word: str = "new", **options: Any) -> Path:
    """Make one result."""
    with result_folder(site, [site], **options) as place:
        write_result(place.part, word)
    return place.name


def word_of(folder: Path) -> str:
    """Read the word of a whole result; fail on a mixture."""
    word: str = json.loads((folder / "run.json").read_text())["word"]
    assert (folder / "map.html").read_text() == word
    assert sorted(path.name for path in folder.iterdir()) == ["map.html", "run.json"]
    return word


def tree_of(folder: Path) -> dict[str, bytes | None]:
    """Every path below a folder, with its bytes."""
    return {str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site file alone in a folder."""
    file = tmp_path / "here" / "site.toml"
    file.parent.mkdir()
    file.write_text("")
    return file


def test_result_stands_beside_the_site_file(site: Path) -> None:
    folder = make(site)
    assert folder == site.parent / "site-out"
    assert word_of(folder) == "new"
    assert sorted(path.name for path in site.parent.iterdir()) == ["site-out", "site.toml"]


def test_parents_are_made(site: Path, tmp_path: Path) -> None:
    assert word_of(make(site, out=tmp_path / "a" / "b" / "c")) == "new"


def test_earlier_result_needs_overwrite(site: Path) -> None:
    make(site, "old")
    before = tree_of(site.parent)
    with pytest.raises(WordsError, match="holds an earlier result; add --overwrite to replace it"):
        make(site)
    assert tree_of(site.parent) == before
    assert word_of(make(site, overwrite=True)) == "new"
    assert sorted(path.name for path in site.parent.iterdir()) == ["site-out", "site.toml"]


def test_empty_folder_is_taken(site: Path) -> None:
    (site.parent / "site-out").mkdir()
    assert word_of(make(site)) == "new"


def out_of(  # noqa: PLR0912, PLR0915 - a table of cases
    case: str, site: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Path, list[Path]]:
    """Set up a folder that must be refused: what --out says, and the inputs."""
    here = site.parent
    monkeypatch.chdir(here)
    out, inputs = here / "out", [site]
    if case == "dot":
        out = Path()
    elif case == "above":
        out = Path("..")
    elif case == "root":
        out = Path("/")
    elif case == "is an input":
        out = here / "trees.csv"
        out.write_text("x,y\n")
        inputs.append(out)
    elif case == "holds an input":
        out.mkdir()
        inputs.append(out / "trees.csv")
        inputs[-1].write_text("x,y\n")
    elif case == "holds an input behind a link":
        out.mkdir()
        (out / "trees.csv").write_text("x,y\n")
        (here / "link.csv").symlink_to(out / "trees.csv")
        inputs.append(here / "link.csv")
    elif case == "input in .old":
        (here / "out.old").mkdir()
        inputs.append(here / "out.old" / "trees.csv")
        inputs[-1].write_text("x,y\n")
    elif case == "inside an input folder":
        (here / "ground.gdb").mkdir()
        inputs.append(here / "ground.gdb")
        out = here / "ground.gdb" / "out"
    elif case == "file":
        out.write_text("mine")
    elif case == "below a file":
        (here / "a_file").write_text("mine")
        out = here / "a_file" / "results"
    elif case == "link":
        (here / "elsewhere").mkdir()
        out.symlink_to(here / "elsewhere")
    elif case == "someone's":
        out.mkdir()
        (out / "thesis.docx").write_text("mine")
    elif case == "another program's run.json":
        out.mkdir()
        (out / "run.json").write_text('{"run": 1}')
    elif case == "result with a file of the user's":
        out.mkdir()
        write_result(out, "old")
        (out / "thesis.docx").write_text("mine")
    elif case == "someone's .part":
        (here / "out.part").mkdir()
        (here / "out.part" / "thesis.docx").write_text("mine")
    elif case == "someone's .old":
        make(site, "old", out=out)
        (here / "out.old").mkdir()
        write_result(here / "out.old", "kept by hand")
    return out, inputs


REFUSED = {
    "dot": "the folder you work in",
    "above": "the folder you work in",
    "root": "the folder you work in",
    "is an input": r"is or holds the input trees\.csv, and riskmap never overwrites an input",
    "holds an input": r"is or holds the input trees\.csv",
    "holds an input behind a link": r"is or holds the input link\.csv",
    "input in .old": r"is or holds the input trees\.csv",
    "inside an input folder": r"lies inside the input ground\.gdb",
    "file": "out is a file, not a folder",
    "below a file": "a_file is a file, not a folder",
    "link": "out is a symbolic link",
    "someone's": "holds files that are not riskmap's",
    "another program's run.json": "holds files that are not riskmap's",
    "result with a file of the user's": r"holds thesis\.docx, which riskmap did not write",
    "someone's .part": r"out\.part stands beside the output folder and is not riskmap's",
    "someone's .old": r"out\.old stands beside the output folder",
}


@pytest.mark.parametrize("case", sorted(REFUSED))
def test_refused_before_reading_and_nothing_changed(
    case: str, site: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    out, inputs = out_of(case, site, monkeypatch)
    before = tree_of(tmp_path)
    with pytest.raises(WordsError, match=REFUSED[case]), result_folder(site, inputs, out=out, overwrite=True):
        pytest.fail("the run was let in")
    assert tree_of(tmp_path) == before


def test_a_viewers_leavings_do_not_keep_a_result_from_being_replaced(site: Path) -> None:
    folder = make(site, "old")
    for name in ("map.html-wal", ".DS_Store"):
        (folder / name).write_text("")
    assert word_of(make(site, overwrite=True)) == "new"


@pytest.mark.parametrize("error", [ValueError("bug"), KeyboardInterrupt()])
def test_a_run_that_ends_badly_leaves_no_trace(site: Path, error: BaseException) -> None:
    make(site, "old")
    before = tree_of(site.parent)
    with pytest.raises(type(error)), result_folder(site, [site], overwrite=True) as place:
        (place.part / "map.html").write_text("half")
        raise error
    assert tree_of(site.parent) == before


def test_parents_go_again_when_the_run_ends_badly(site: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="bug"), result_folder(site, [site], out=tmp_path / "a" / "b" / "c"):
        raise ValueError("bug")
    assert not (tmp_path / "a").exists()


def test_two_runs_at_once_are_refused(site: Path) -> None:
    with result_folder(site, [site]) as place:
        write_result(place.part, "first")
        with pytest.raises(MachineError, match=r"another run of riskmap writes to .*site-out now"):
            make(site, "second")
    assert word_of(place.name) == "first"


def test_what_a_killed_run_left_is_cleared(site: Path) -> None:
    part = site.parent / "site-out.part"
    part.mkdir()
    assert word_of(make(site)) == "new"  # killed before the marker stood
    part.mkdir()
    for name in (MARKER, "map.html", "trees.gpkg-journal"):
        (part / name).write_text("half")
    assert word_of(make(site, overwrite=True)) == "new"
    assert not part.exists()


def test_killed_between_the_two_renamings_puts_the_earlier_result_back(site: Path) -> None:
    old = make(site, "old").rename(site.parent / "site-out.old")
    with pytest.raises(WordsError, match="holds an earlier result"):
        make(site)
    assert word_of(site.parent / "site-out") == "old"
    (site.parent / "site-out").rename(old)
    (old / MARKER).write_text("")  # killed after marking it for deletion
    with pytest.raises(WordsError, match="holds an earlier result"):
        make(site)
    assert word_of(site.parent / "site-out") == "old"


def test_killed_while_deleting_the_earlier_result(site: Path) -> None:
    make(site, "new")
    old = site.parent / "site-out.old"
    old.mkdir()
    (old / MARKER).write_text("")
    (old / "map.html").write_text("old")  # run.json went first
    assert word_of(make(site, "newer", overwrite=True)) == "newer"
    assert not old.exists()


def run_for_ever(site: Path) -> None:
    """Replace the result again and again; killed from outside."""
    for number in range(10_000):
        with result_folder(site, [site], overwrite=True) as place:
            write_result(place.part, f"word {number}", slowly=True)


def test_kill_at_random_moments_leaves_one_result_whole(site: Path) -> None:
    make(site, "old")
    chance = random.Random(5)
    context = mp.get_context("fork")
    for _ in range(20):
        process = context.Process(target=run_for_ever, args=(site,))
        process.start()
        time.sleep(chance.uniform(0.01, 0.06))
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        name, old = site.parent / "site-out", site.parent / "site-out.old"
        if name.exists():  # else the next start puts the earlier one back
            word_of(name)
        else:
            assert (old / "run.json").exists()
        with pytest.raises(WordsError, match="holds an earlier result"):
            make(site)
        word_of(name)
    assert word_of(make(site, overwrite=True)) == "new"


def test_a_folder_that_cannot_be_made_is_named(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(RiskmapError, match=r"the output folder .*File name too long"):
        make(site, out=site.parent / ("x" * 300))

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "mkdir", full)
    with pytest.raises(MachineError, match=r"site-out\.part cannot be written \(No space left on device\)"):
        make(site)
