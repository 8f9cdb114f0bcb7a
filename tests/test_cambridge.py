"""A real city, whole: trees, water, lawns, drives, roads and woods in the north-west of Cambridge, Massachusetts.

Trees CC0 (city tree layer), ground PDDL 1.0 (City of Cambridge GIS). The data never enter the project; without them
everything here is skipped. One run, by the command, serves every test.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pytest
from outside import SHARED, needs

CAMBRIDGE = SHARED / "data" / "cambridge-ma"
EIGHT_INCHES_MM = 203.2
LONGEST_S = 60.0

pytestmark = needs(CAMBRIDGE)


@dataclass(frozen=True)
class City:
    """What went in, what came out, and what was said."""

    listed: pd.DataFrame  # every cell as text
    trees: pd.DataFrame
    record: dict[str, Any]
    folder: Path
    said: str
    shown: str


@pytest.fixture(scope="module")
def city(tmp_path_factory: pytest.TempPathFactory) -> City:
    """One run of the command over the site file beside the data."""
    folder = tmp_path_factory.mktemp("cambridge") / "out"
    words = [sys.executable, "-m", "riskmap", "run", str(CAMBRIDGE / "site.toml"), "--out", str(folder)]
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return City(
        listed=pd.read_csv(CAMBRIDGE / "trees_nw.csv", dtype=str, keep_default_na=False),
        trees=pd.read_csv(folder / "trees.csv", dtype={"tree_id": str}, low_memory=False),
        record=json.loads((folder / "run.json").read_text(encoding="utf-8")),
        folder=folder,
        said=done.stderr,
        shown=done.stdout,
    )


def note(city: City, code: str) -> dict[str, Any]:
    """The only note of one code."""
    (found,) = [one for one in city.record["notes"] if one["code"] == code]
    return dict(found)


def test_one_row_comes_out_for_every_row_that_went_in(city: City) -> None:
    assert len(city.listed) == len(city.trees) == city.record["counts"]["rows"] == 8760
    assert city.trees["row"].tolist() == list(range(2, 8762))
    assert city.trees["tree_id"].fillna("").tolist() == city.listed["TreeId"].tolist()
    for name in ("SiteType", "Location", "RemovalRea"):  # the city's own columns, untouched
        assert city.trees[name].fillna("").tolist() == city.listed[name].tolist()


def test_it_runs_within_a_minute(city: City) -> None:
    timings = json.loads((city.folder / "timings.json").read_text(encoding="utf-8"))
    assert 0 < sum(timings.values()) < LONGEST_S


def test_every_output_opens(city: City) -> None:
    assert pyogrio.read_info(city.folder / "trees.gpkg", layer="trees")["features"] == 8760
    assert {"trees", "reach", "site"} <= set(pyogrio.list_layers(city.folder / "trees.gpkg")[:, 0])
    assert len(pd.read_parquet(city.folder / "trees.parquet", columns=["row"])) == 8760
    assert pd.read_csv(city.folder / "summary.csv")["trees"].sum() == 8760
    assert (city.folder / "map.html").read_text(encoding="utf-8").lstrip().lower().startswith("<!doctype html")


def test_the_two_rows_at_null_island_are_said_and_have_no_place(city: City) -> None:
    at_zero = city.listed.index[pd.to_numeric(city.listed["Longitude"]).abs() < 1]
    rows = [int(at) + 2 for at in at_zero]
    assert len(rows) == 2
    found = note(city, "place_at_zero")
    assert (found["count"], found["rows"]) == (2, rows)
    assert city.trees.loc[at_zero, ["x", "y", "distance_water_m", "pressure_any"]].isna().all(axis=None)
    assert f"[rows {rows[0]}, {rows[1]}: " in city.said


def test_repeated_ids_are_said_and_every_row_is_kept(city: City) -> None:
    ids = city.listed["TreeId"]
    repeated = ids[ids.duplicated(keep=False) & (ids != "")]
    found = note(city, "tree_id_repeated")
    assert found["count"] == len(repeated) == 19
    assert found["rows"] == [int(at) + 2 for at in repeated.index][:20]
    assert f"{repeated.nunique()} tree ids repeated in 19 rows" in found["what"]


def test_retired_and_empty_sites_are_listed_and_not_scored(city: City) -> None:
    no_tree = city.listed["SiteType"] != "Tree"
    assert set(city.listed.loc[no_tree, "SiteType"]) >= {"Retired", "Planting Site", "Stump", ""}
    left_out = city.trees[no_tree]
    assert len(left_out) == city.record["counts"]["by_action"]["not a tree"] == 1960
    assert left_out["action"].eq("not a tree").all()
    assert left_out["not_scored"].eq("left out by keep/drop").all()
    assert left_out[["pressure_any", "guard", "decisive_agent"]].isna().all(axis=None)
    assert left_out["cost"].eq(0).all()
    assert not city.trees.loc[~no_tree, "action"].eq("not a tree").any()
    (read_as,) = [one["read_as"] for one in city.record["inputs"] if one["file"] == "trees_nw.csv"]
    assert read_as["rows_kept"] == 6800


def test_trees_near_open_water(city: City) -> None:
    """Counts that came with the acceptance data: TYPE is POND, STREAM or WATER."""
    near = [int((city.trees["distance_water_m"] <= within_m).sum()) for within_m in (10, 20, 30, 60, 100)]
    assert near == [74, 152, 225, 630, 1202]


def test_no_stem_over_eight_inches_buys_anything_but_a_beaver_guard_near_water(city: City) -> None:
    trees = city.trees
    thick = trees[(trees["dbh_mm"] > EIGHT_INCHES_MM) & (trees["action"] != "not a tree")]
    assert len(thick) > 3000
    assert set(thick["action"]) <= {"none needed", "fit", "look"}
    bought = thick[thick["cost"] > 0]  # no guard stands in this list: nothing is taken off
    assert bought["agents_stopped"].fillna("").eq("beaver").all()
    assert (bought["distance_water_m"] <= 100).all()
    done = thick[thick["action"] == "none needed"]
    assert done["guard_reason"].str.contains("Too thick, tall or old to be harmed by", regex=False).all()
    assert done["guard"].isna().all()
    paved = thick[thick["action"] == "look"]  # inside a drive or a walk: a pit, or the point is off
    assert paved["inside_driveway"].eq(True).all()


def test_trees_of_unknown_size_are_looked_at_never_bought_for(city: City) -> None:
    kept = city.listed["SiteType"] == "Tree"
    size = pd.to_numeric(city.listed["Diameter"], errors="coerce")
    unsized = kept & ~(size > 0) & (city.listed["PlantYear"] == "")
    assert unsized.sum() > 50
    looked = city.trees[unsized]
    assert looked["action"].eq("look").all()
    assert looked["cost"].eq(0).all()
    assert looked["guard_reason"].eq("No caliper, height or year is known: look at the tree first.").all()


def test_actions_are_counted_and_printed(city: City, capsys: pytest.CaptureFixture[str]) -> None:
    by_action = city.record["counts"]["by_action"]
    assert by_action == city.trees["action"].value_counts().to_dict()
    assert sum(by_action.values()) == 8760
    words = {"fit": "fit", "look": "look at first", "none needed": "none needed", "not a tree": "not a tree"}
    assert set(by_action) == set(words)
    for action, count in by_action.items():
        (line,) = [line for line in city.shown.splitlines() if line.strip().startswith(words[action])]
        assert f"{count:,}" in line
    with capsys.disabled():
        lines = [f"  {action:<12} {count:>5,}\n" for action, count in sorted(by_action.items())]
        sys.stdout.write("\n" + "".join(lines))


def test_what_was_not_surveyed_is_empty_and_named(city: City) -> None:
    assert city.record["not_surveyed"] == ["rabbit_cover", "rough_grass", "spray_area"]
    assert city.record["any_of"] == ["beaver", "deer_browse", "antler_rub", "mower", "snow_throw"]
    for agent in ("rabbit", "vole", "spray_drift"):
        assert city.trees[[f"pressure_{agent}", f"band_{agent}"]].isna().all(axis=None)
    assert not any(name.startswith("distance_rabbit") for name in city.trees.columns)


def test_no_cell_of_ours_holds_an_infinity_or_a_mark_of_no_data(city: City) -> None:
    ours = city.trees.iloc[:, : city.trees.columns.get_loc("notes") + 1].select_dtypes("number")
    assert not np.isinf(ours).any(axis=None)
    assert not ours.isin([-9999, 9999]).any(axis=None)
    words = pd.read_csv(city.folder / "trees.csv", dtype=str, keep_default_na=False)
    ours_as_text = words.iloc[:, : words.columns.get_loc("notes") + 1]
    assert not ours_as_text.isin(["nan", "NaN", "inf", "-inf", "-9999", "None"]).any(axis=None)


def test_sums_by_hand_at_three_real_trees(city: City) -> None:
    """h0 K Q S Z of the published forms, multiplied out here; distances from the table, classes from the lists."""
    trees = city.trees.set_index("row")
    birch = trees.loc[2892]  # Betula nigra, 2 in, 1.3 m from a pond: thin birch bark, high for beaver
    caliper_mm = 2 * 25.4 * 1.25
    hump = math.exp(-(math.log(caliper_mm / 45) ** 2) / (2 * 0.75**2))
    reach = math.exp(-(birch["distance_water_m"] ** 2) / (2 * 30**2))
    assert birch["pressure_beaver"] == pytest.approx(1 - math.exp(-0.10 * 2 * reach * hump), abs=2e-6)
    lilac = trees.loc[166]  # Syringa reticulata, thin bark, 0.19 m from the road: thrown at, and within 0.6 m
    assert lilac["distance_road_m"] < 0.6
    assert lilac["pressure_snow_throw"] == pytest.approx(1 - math.exp(-(0.02 * 2 + 0.03)), abs=2e-6)
    cork = trees.loc[29]  # Phellodendron, 1 in, 28 m from the woods, height unknown: within reach; 7 deer per km2
    share = 7**3 / (7**3 + 9.7**3) / (1 + (cork["distance_deer_habitat_m"] / 175) ** 2.5)
    assert cork["pressure_deer_browse"] == pytest.approx(1 - math.exp(-0.6 * share), abs=2e-6)


def test_costs_add_up(city: City) -> None:
    counts = city.record["counts"]
    assert counts["cost"] == pytest.approx(city.trees["cost"].sum(), abs=0.005)
    assert counts["cost"] == pytest.approx(pd.read_csv(city.folder / "summary.csv")["cost"].sum(), abs=0.005)
    assert (city.trees.loc[city.trees["action"] == "fit", "cost"] > 0).all()
