"""The README says what is so: its commands, keys, bands, files and links."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from riskmap.deliver import DELIVERABLES
from riskmap.read import read_settings
from riskmap.rules import BAND_LIMITS, BAND_WORDS
from riskmap.show import show_lines

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    """The code blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)


def test_the_job_comes_first_in_one_paragraph() -> None:
    parts = README.split("\n\n")
    assert parts[0].startswith("# ") and "young-tree damage map" in parts[0]
    assert len(parts[1]) > 300 and "\n" not in parts[1]
    assert parts[2].startswith("## ")


def test_two_set_up_commands_each_with_its_own_environment() -> None:
    commands = "".join(blocks("sh")).splitlines()
    assert len(commands) == 2
    assert all(command.startswith("python3 -m venv .venv && ") for command in commands)
    assert commands[0].endswith("riskmap run data_demo/riverside/site.toml --overwrite")
    assert "-m pytest" in commands[1]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script and "pip install ." not in script  # read from here, not written a second time


def test_the_sample_site_file_is_understood(tmp_path: Path) -> None:
    (sample,) = blocks("toml")
    (tmp_path / "site.toml").write_text(sample, encoding="utf-8")
    for name in (tomllib.loads(sample)["trees"]["file"], "water.gpkg"):
        (tmp_path / name).touch()
    assert read_settings(tmp_path / "site.toml").local.nowhere == ("spray_area",)


def test_the_bands_are_the_programs_own() -> None:
    table = re.findall(r"^\| (\w+) \| (?:under )?([\d.]+) %(?: and more)? \|", README, flags=re.MULTILINE)
    assert [word for word, _ in table] == list(BAND_WORDS)
    assert [float(percent) / 100 for _, percent in table] == pytest.approx([*BAND_LIMITS, BAND_LIMITS[-1]])


def test_every_file_of_a_result_is_named() -> None:
    named = set(re.findall(r"`(\w+\.(?:html|csv|gpkg|parquet|json))`", README.split("## What you get")[1]))
    assert {deliverable.file for deliverable in DELIVERABLES.values()} | {"run.json"} <= named


def test_every_topic_the_readme_names_can_be_shown() -> None:
    topics = set(re.findall(r"`(?:riskmap )?show (\w+)`", README))
    assert {"keys", "roles", "agents"} <= topics
    assert all(any(True for _ in show_lines(topic)) for topic in topics)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_and_files_named_exist(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    named = re.findall(r"`((?:data_demo|tests|riskmap|notebooks|\.ci)/[\w./]*)`", text)
    made_by_a_run = [name for name in named if "-out/" in name]
    missing = [name for name in {*linked, *named} - {*made_by_a_run} if not (ROOT / name).exists()]
    assert not missing
