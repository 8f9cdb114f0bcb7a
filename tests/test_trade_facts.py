"""Facts of the trade held by whole runs over both demo sites: what no crew would put up, and what it must reach.

What each guard does alone is held in test_fit.py. Every fact here is common practice, no source, unless a line says
otherwise.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import riskmap
from riskmap import tables
from riskmap.choose.now import name_guard

DEMO = Path(__file__).parent.parent / "data_demo"
REFUSED = ("mulch_ring", "coated_netting", "hwcloth_half", "cage_2x4", "poultry_net_25", "poultry_net_31")
BURIED_MM = {"Quarter-inch hardware cloth": 75, "Solid tree shelter": 40, "Vinyl winter spiral": 10}
CREDIT = re.compile(r"(?:^|[.:;,] )(?:stops |only partly stops )?([a-z][a-z ]*?) (?:at the published minimum )?\(")


@pytest.fixture(scope="module")
def trees(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """The trees of both sites that something is fitted to; of the streets also where rings and wire are refused."""
    found = []
    for site, refused in (("riverside", ()), ("streets", ()), ("streets", REFUSED)):
        folder = tmp_path_factory.mktemp(site)
        shutil.copytree(DEMO / site, folder / site, ignore=shutil.ignore_patterns("*-out*"))
        file = folder / site / "site.toml"
        text = file.read_text(encoding="utf-8")
        file.write_text(f"{text}\n[guards]\nnever = {list(refused)}\n", encoding="utf-8")
        table = pd.read_csv(riskmap.run(file, only=["csv"]) / "trees.csv", low_memory=False, keep_default_na=False)
        found.append(table.assign(refused=bool(refused)).rename(columns={"Form": "form", "Surface": "surface"}))
    every = pd.concat(found, ignore_index=True)
    return every[every["action"].isin(["fit", "swap"]) & (every["guard"] != "")]


def sets_with(trees: pd.DataFrame, *labels: str) -> pd.DataFrame:
    """The rows whose set holds a guard of these names."""
    return trees[trees["guard"].str.contains("|".join(map(re.escape, labels)), regex=True)]


def said_of(row: pd.Series, label: str) -> str:
    """What the reason says of one guard of the set."""
    return " ".join(re.findall(rf"{re.escape(label)}[^:.]*(?:\.\d[^:.]*)*: (.*?\))\.(?: |$)", row["guard_reason"]))


def top_mm(row: pd.Series, label: str) -> float:
    """Top above the ground of one guard of the set, as its name says, less what is buried."""
    (name,) = [name for name in row["guard"].split(" + ") if name.startswith(label)]
    named = name_guard(name)
    assert named.guard is not None
    return named.height_mm - BURIED_MM.get(label.removesuffix(" cylinder"), 0)


ONLY_AGAINST = {  # guard -> what a set may thank it for
    "Paper wrap": {"mowers and trimmers", "thrown snow and grit", "spray drift"},
    "Vented vinyl collar": {"mowers and trimmers"},
    "Mulch ring": {"the pressure of mowers and trimmers"},
    "Half-inch hardware cloth": {"beaver", "antler rub", "rabbits", "mowers and trimmers", "thrown snow and grit"},
    "Half-inch coated netting": {"antler rub", "rabbits", "mowers and trimmers", "thrown snow and grit", "deer browse"},
    "Quarter-inch hardware cloth": {
        *("beaver", "antler rub", "rabbits", "voles", "mowers and trimmers", "thrown snow and grit"),
    },
    "Split shelter": {
        *("spray drift", "thrown snow and grit", "mowers and trimmers", "antler rub", "rabbits", "voles"),
    },
}


@pytest.mark.parametrize("label", sorted(ONLY_AGAINST))
def test_no_guard_is_thanked_for_what_it_does_not_do(label: str, trees: pd.DataFrame) -> None:
    """Wrap stops no rabbit, deer or vole; a collar mowers only; half an inch no vole; no mesh stops spray."""
    others = {"beaver", "deer browse", "antler rub", "rabbits", "voles", "mowers and trimmers"}
    others |= {"thrown snow and grit", "spray drift"}
    said = [(row, said_of(row, label)) for _, row in sets_with(trees, label).iterrows()]
    assert any(words for _, words in said), f"no tree of the demo gets {label}"
    for row, words in said:
        thanked = {other for other in others if re.search(rf"\b{other} (at the published minimum )?\(", words)}
        assert thanked <= {word.removeprefix("the pressure of ") for word in ONLY_AGAINST[label]}, row["guard_reason"]


def test_uncut_tubes_go_over_whips_and_feathered_trees_only(trees: pd.DataFrame) -> None:
    tubes = sets_with(trees, "Solid tree shelter")
    assert len(tubes) > 50
    assert set(tubes["form"]) <= {"whip", "feathered", ""}


def test_pits_and_planters_get_no_cage_no_ring_and_nothing_buried(trees: pd.DataFrame) -> None:
    hard = trees[trees["surface"].isin(["pit", "planter"])]
    assert len(hard) > 5
    assert not len(sets_with(hard, "Welded cage", "Low beaver cage", "Mulch ring"))
    assert not hard["guard_reason"].str.contains("stops voles", regex=False).any()


def test_turf_asks_for_a_ring_first(trees: pd.DataFrame) -> None:
    mown = trees[(trees["surface"] == "turf") & (trees["agents_stopped"] == "mower") & (trees["agents_open"] == "")]
    taken, refused = mown[~mown["refused"]], mown[mown["refused"]]
    assert len(taken) > 100 and len(refused) > 100
    assert set(taken["guard"]) == {"Mulch ring"}
    assert (refused["guard"] == "Vented vinyl collar, 9 in").mean() > 0.9  # wire, which lasts, on the few thinnest


def test_winter_guards_go_on_in_november_and_come_off_in_april(trees: pd.DataFrame) -> None:
    winter = sets_with(trees, "Vinyl winter spiral", "Paper wrap")
    assert len(winter) > 10
    assert (winter["on_month"].astype(str) == "11").all() and (winter["off_month"].astype(str) == "4").all()
    assert winter["off_when"].str.contains("every spring|Easter").all()


NEED_MM = {  # agent -> least top above the ground in lasting snow, and who is thanked
    "rabbit": (lambda snow_mm: snow_mm + 460, "rabbits"),  # University of Nebraska Extension: 18 in above the snow
    "vole": (lambda snow_mm: snow_mm + 150, "voles"),  # as high as snow lies, and a hand over
    "deer_browse": (lambda snow_mm: snow_mm / 2 + 1500, "deer browse"),  # USDA Forest Service: tubes of 5 ft or more
    "beaver": (lambda snow_mm: max(900, snow_mm + 600), "beaver"),  # NDSU: 3 ft; Salem: 2 ft above the snow
}


@pytest.mark.parametrize("agent", sorted(NEED_MM))
def test_tops_stand_high_enough_above_the_snow(agent: str, trees: pd.DataFrame) -> None:
    """Rabbits and deer work above the snow, voles under it; the raster's depth is the least that can lie."""
    needed, whom = NEED_MM[agent]
    stopped = trees[trees["agents_stopped"].str.split("; ").map(lambda agents: agent in agents)]
    checked = 0
    for _, row in stopped.iterrows():
        for name in row["guard"].split(" + "):
            if re.search(rf"\b{whom} (at the published minimum )?\(", said_of(row, name)):
                label = re.sub(r", [0-9.]+ (m|mm|in|ft)$", "", name)
                assert top_mm(row, label) >= needed(1000 * float(row["snow_depth_m"])) - 8, row["guard_reason"]
                checked += 1
    assert checked > 20


@pytest.mark.parametrize(
    ("key", "other"),
    [
        ("paper_wrap", "October to November"),
        ("rabbit_fence", "3 to 6 in"),
        ("plastic_mesh_24", "1 to 2 in of burial"),
        ("hwcloth_half", "75 mm of burial"),
        ("winter_spiral", "for mowers and trimmers only"),
    ],
)
def test_rows_that_follow_practice_record_who_disagrees(key: str, other: str) -> None:
    guard: Any = tables.guards()[key]
    assert other in guard.note
    assert "practice" in guard.note.lower() or guard.grade == "practice"
