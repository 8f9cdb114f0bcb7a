"""Both demo sites, drawn again and walked from start to end."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely

from riskmap import tables
from riskmap.deliver import DELIVERABLES
from riskmap.rules import BAND_WORDS

DEMO = Path(__file__).parent.parent / "data_demo"
SITES = ("riverside", "streets")
BY_HAND = {"site.toml", "README.md"}


def files_of(site: str) -> list[Path]:
    """Every input of a site that the script writes."""
    found = [file for file in sorted((DEMO / site).iterdir()) if file.is_file() and file.name not in BY_HAND]
    assert len(found) >= 4
    return found


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both sites, drawn again."""
    folder = tmp_path_factory.mktemp("demo")
    subprocess.run([sys.executable, "-B", str(DEMO / "make_demo.py"), str(folder)], check=True)
    return folder


def same_layer(ours: gpd.GeoDataFrame, theirs: gpd.GeoDataFrame) -> None:
    """Same columns, cells and CRS; shapes that differ by less than a thousandth of their size."""
    assert list(ours.columns) == list(theirs.columns)
    assert ours.crs == theirs.crs
    assert ours.drop(columns="geometry").equals(theirs.drop(columns="geometry"))
    apart = shapely.area(shapely.symmetric_difference(ours.geometry.array, theirs.geometry.array))
    size = np.where(shapely.area(ours.geometry.array) > 0, shapely.area(ours.geometry.array), 1.0)
    assert (apart <= 1e-3 * size).all()
    assert np.allclose(shapely.length(ours.geometry.array), shapely.length(theirs.geometry.array), rtol=1e-3)


@pytest.mark.parametrize("site", SITES)
def test_the_script_draws_the_committed_files(site: str, drawn: Path) -> None:
    for file in files_of(site):
        again = drawn / site / file.name
        if again.read_bytes() == file.read_bytes():
            continue  # other versions of GDAL and GEOS may write other bytes for the same ground
        if file.suffix == ".csv":
            pytest.fail(f"{file.name} is drawn differently")
        elif file.suffix == ".tif":
            with rasterio.open(file) as ours, rasterio.open(again) as theirs:
                assert (ours.profile["crs"], ours.transform, ours.nodata) == (
                    theirs.crs,
                    theirs.transform,
                    theirs.nodata,
                )
                assert np.array_equal(ours.read(), theirs.read())
        else:
            names = pyogrio.list_layers(file)[:, 0].tolist()
            assert names == pyogrio.list_layers(again)[:, 0].tolist()
            for name in names:
                same_layer(gpd.read_file(file, layer=name), gpd.read_file(again, layer=name))


def test_the_demo_is_small_and_whole() -> None:
    assert sum(file.stat().st_size for site in SITES for file in (DEMO / site).iterdir() if file.is_file()) < 3e6
    for site in SITES:
        named = tomllib.loads((DEMO / site / "site.toml").read_text(encoding="utf-8"))
        wanted = {named["trees"]["file"], *(layer["file"] for layer in named["layers"])}
        wanted |= {raster["file"] for raster in named["rasters"].values()}
        wanted |= {layer["covers"] for layer in named["layers"] if "covers" in layer}
        assert wanted == {file.name for file in files_of(site)}


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Result folders of both sites, each run by a process of its own on a copy of the inputs."""
    folder = tmp_path_factory.mktemp("walk")
    results = {}
    for site in SITES:
        shutil.copytree(DEMO / site, folder / site, ignore=shutil.ignore_patterns("*-out*"))
        done = subprocess.run(
            [sys.executable, "-m", "riskmap", "run", str(folder / site / "site.toml")],
            check=False,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        assert "Traceback" not in done.stderr
        results[site] = folder / site / "site-out"
    return results


def trees_of(result: Path) -> pd.DataFrame:
    """The table of a result, as a spreadsheet sees it."""
    return pd.read_csv(result / "trees.csv", low_memory=False)


def sums(folder: Path) -> dict[str, str]:
    """A checksum for each file; timings apart, which differ from run to run."""
    files = [file for file in sorted(folder.iterdir()) if file.is_file() and file.name != "timings.json"]
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files}


@pytest.mark.parametrize("site", SITES)
def test_every_output_is_there_and_opens(site: str, walked: dict[str, Path]) -> None:
    result = walked[site]
    record = json.loads((result / "run.json").read_text(encoding="utf-8"))
    there = {file.name for file in result.iterdir()}
    assert there == {*(item.file for item in DELIVERABLES.values()), "run.json", "timings.json"}
    assert {output["file"] for output in record["outputs"]} == there - {"run.json", "timings.json"}
    title = tomllib.loads((DEMO / site / "site.toml").read_text(encoding="utf-8"))["title"]
    page = (result / "map.html").read_text(encoding="utf-8")
    assert page.lstrip().lower().startswith("<!doctype html") and title in page
    rows = len(trees_of(result))
    assert len(pd.read_parquet(result / "trees.parquet")) == rows
    assert "trees" in pyogrio.list_layers(result / "trees.gpkg")[:, 0]
    assert len(gpd.read_file(result / "trees.gpkg", layer="trees")) == rows
    assert pd.read_csv(result / "summary.csv")["trees"].sum() == rows


@pytest.mark.parametrize("site", SITES)
def test_one_row_a_tree_and_the_inputs_untouched(site: str, walked: dict[str, Path]) -> None:
    given = tomllib.loads((DEMO / site / "site.toml").read_text(encoding="utf-8"))["trees"]
    listed = pd.read_csv(DEMO / site / given["file"])
    trees = trees_of(walked[site])
    assert trees["row"].tolist() == list(range(2, len(listed) + 2))
    assert trees["tree_id"].tolist() == listed[given["columns"]["tree_id"]].tolist()
    assert sums(walked[site].parent) == sums(DEMO / site)
    assert {path.name for path in walked[site].parent.iterdir() if path.is_dir()} == {"site-out"}


@pytest.mark.parametrize("site", SITES)
def test_costs_and_counts_add_up(site: str, walked: dict[str, Path]) -> None:
    trees = trees_of(walked[site])
    counts = json.loads((walked[site] / "run.json").read_text(encoding="utf-8"))["counts"]
    assert counts["cost"] == pytest.approx(trees["cost"].sum(), abs=0.01 * len(trees))
    assert counts["rows"] == len(trees)
    assert counts["scored"] == trees["not_scored"].isna().sum()
    assert (trees.loc[trees["action"].isin(["none needed", "keep", "look", "not a tree"]), "cost"] == 0).all()
    assert (trees.loc[trees["action"].isin(["remove", "loosen"]), "cost"] > 0).all()  # work alone


def test_the_whole_range_of_answers_occurs(walked: dict[str, Path]) -> None:
    riverside, streets = (trees_of(walked[site]) for site in SITES)
    assert set(riverside["action"]) == {"none needed", "keep", "fit", "swap", "loosen", "remove", "look"}
    assert set(streets["action"]) >= {"none needed", "keep", "fit", "swap", "remove", "look", "not a tree"}
    assert streets.loc[streets["SiteKind"] != "Tree", "action"].eq("not a tree").all()
    for agent in tables.agents().values():
        if agent.off_by_default:
            continue
        bands = {*riverside[f"band_{agent.key}"].dropna(), *streets[f"band_{agent.key}"].dropna()}
        assert bands & set(BAND_WORDS[2:]), f"{agent.key} stays below the floor on both sites"
        assert "none" in bands
    assert riverside["guard"].nunique() >= 6 and streets["guard"].nunique() >= 6


def test_the_record_tells_what_the_money_prevents(walked: dict[str, Path]) -> None:
    for site in SITES:
        counts = json.loads((walked[site] / "run.json").read_text(encoding="utf-8"))["counts"]
        assert counts["money"]["spent"] == pytest.approx(counts["cost"], abs=0.05)
        assert counts["money"]["frontier"][-1][1] == pytest.approx(counts["money"]["prevented"], abs=0.05)


@pytest.mark.parametrize("site", SITES)
def test_thick_stems_buy_nothing_but_against_beaver(site: str, walked: dict[str, Path]) -> None:
    """No stem over 8 in (203 mm) is told to buy anything but, near water, a beaver guard (decisions on safe sizes)."""
    trees = trees_of(walked[site])
    bought = trees[(trees["caliper_used_mm"] > 203.2) & trees["action"].isin(["fit", "swap"])]
    assert bought["agents_stopped"].fillna("").str.split("; ").map(lambda agents: "beaver" in agents).all()
    assert (trees["caliper_used_mm"] > 203.2).sum() >= 4


def test_the_same_site_gives_the_same_bytes(walked: dict[str, Path]) -> None:
    result = walked["riverside"]
    before = sums(result)
    words = [sys.executable, "-m", "riskmap", "run", str(result.parent / "site.toml")]
    refused = subprocess.run(words, check=False, capture_output=True, text=True)
    assert refused.returncode != 0 and "--overwrite" in refused.stderr
    subprocess.run([*words, "--overwrite"], capture_output=True, check=True)
    assert sums(result) == before
