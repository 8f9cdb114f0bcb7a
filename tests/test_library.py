"""The library's functions: GeoDataFrame in, GeoDataFrame out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

import riskmap
from riskmap.errors import InputError, WordsError

DEMO = Path(__file__).parent.parent / "data_demo" / "riverside" / "site.toml"


def trees(**columns: Any) -> geopandas.GeoDataFrame:
    """Three trees 8.1 m, 108.1 m and 9,008.1 m from the pond, with an index of their own."""
    return geopandas.GeoDataFrame(
        {"species": ["willow", "oak", "oak"], "caliper_mm": [12, 40, 40], **columns},
        geometry=geopandas.points_from_xy([500012.4] * 3, [4683008.1, 4683108.1, 4692008.1]),
        crs="EPSG:26918",
        index=["c", "a", "b"],
    )


POND = geopandas.GeoDataFrame(geometry=[shapely.box(499000, 4682950, 501000, 4683000)], crs="EPSG:26918")


def test_index_geometry_and_columns_stay() -> None:
    given = trees(ward=["x", None, "y"])
    before = given.copy()
    scored = riskmap.score(given, {"water": POND}, date="2026-10-15")
    assert_geodataframe_equal(given, before)
    assert isinstance(scored, geopandas.GeoDataFrame)
    assert scored.index.tolist() == ["c", "a", "b"]
    assert_geodataframe_equal(scored[before.columns], before)


def test_scored_columns_hold_ground_metres_and_pressure() -> None:
    scored = riskmap.score(trees(), {"water": POND}, date="2026-10-15", local={"beaver": "active"})
    # planar metres over the point scale 0.9996 of the central meridian
    np.testing.assert_allclose(scored["distance_water_m"], [8.1 / 0.9996, 108.1 / 0.9996, np.nan], atol=0.001)
    assert scored["inside_water"].tolist()[:2] == [False, False]
    assert scored["band_beaver"].tolist() == ["strong", "none", "none"]
    assert scored["pressure_vole"].isna().all()  # rough grass was not given: not scored, never zero
    assert "action" not in scored


def test_categories_are_read_as_the_texts_they_are() -> None:
    """Frames out of other programs hold words as categories; their cells mean what the same texts would."""
    plain = trees(girth=["12 mm", "40 mm", "4 cm"], ward=["a", None, "b"]).drop(columns="caliper_mm")
    coded = plain.astype({"girth": "category", "species": "category", "ward": "category"})
    told = {"date": "2026-10-15", "columns": {"caliper": "girth"}, "caliper_at": "nursery"}
    one, other = (riskmap.score(frame, {"water": POND}, **told) for frame in (plain, coded))
    assert other["caliper_used_mm"].tolist() == [12.0, 40.0, 40.0] == one["caliper_used_mm"].tolist()
    assert other["pressure_any"].tolist() == one["pressure_any"].tolist()


def test_frames_as_analyses_leave_them_are_read() -> None:
    """Second columns of shapes, sparse cells and labels that are no texts stay as they are."""
    given = trees(sparse=pd.arrays.SparseArray([0, 1, 0]), ring=trees().buffer(2)).assign(**{"5": [1, 2, 3]})
    given = given.rename(columns={"5": 5})
    scored = riskmap.score(given, {"water": POND}, date="2026-10-15")
    assert_geodataframe_equal(scored[given.columns], given)
    assert (
        scored["pressure_any"].tolist()
        == riskmap.score(trees(), {"water": POND}, date="2026-10-15")["pressure_any"].tolist()
    )


@pytest.mark.parametrize(
    ("frame", "said"),
    [
        (trees(odd=[1, "a", object()]), "trees, column odd: its values are of mixed kinds"),
        (trees(odd=[1j, 2j, 3j]), "trees, column odd: its values are of mixed kinds"),
        (trees(x=1).rename(columns={"x": "species"}), "trees, column species: 2 columns are named 'species'"),
        (geopandas.GeoDataFrame({"species": ["oak"]}), "this GeoDataFrame has no column of shapes"),
        (trees().geometry, "this is no GeoDataFrame but a GeoSeries"),
    ],
)
def test_frames_that_cannot_be_read_are_faults(frame: Any, said: str) -> None:
    with pytest.raises(InputError) as caught:
        riskmap.score(frame, {"water": POND}, date="2026-10-15")
    assert said in str(caught.value)


def test_recommend_adds_what_to_do() -> None:
    advised = riskmap.recommend(trees(), {"water": POND}, date="2026-10-15", local={"beaver": "active"})
    assert advised["action"].tolist() == ["fit", "none needed", "none needed"]
    assert advised["agents_stopped"].tolist()[0] == "beaver"
    assert advised["cost"].tolist()[1:] == [0.0, 0.0]


def test_a_column_with_a_name_of_ours_is_kept_apart() -> None:
    advised = riskmap.recommend(trees(Notes=["mine", "", ""], cost=[1, 2, 3]), {"water": POND}, date="2026-10-15")
    assert advised["cost_in"].tolist() == [1, 2, 3]
    assert advised["Notes_in"].tolist() == ["mine", "", ""]


def test_notes_travel_along() -> None:
    scored = riskmap.score(trees(), {"water": POND[:0]}, date="2026-10-15")
    assert [note["code"] for note in scored.attrs["riskmap_notes"]] == ["layer_empty"]


def test_faults_are_raised_all_at_once() -> None:
    with pytest.raises(InputError) as caught:
        riskmap.score(trees(), {"watr": POND, "lown": POND}, date="2026-10-15")
    assert len(caught.value.problems) == 2


def test_run_and_check_do_what_the_commands_do(tmp_path: Path) -> None:
    folder = riskmap.run(DEMO, out=tmp_path / "out", only=["summary"])
    assert folder == tmp_path / "out"
    assert (folder / "summary.csv").is_file()
    with pytest.raises(WordsError, match="there is no 'maps'"):
        riskmap.run(DEMO, out=tmp_path / "other", only=["maps"])
    findings = riskmap.check(DEMO)
    assert findings.problems == ()
    assert {read.file for read in findings.read_as} >= {"trees.csv", "layers.gpkg", "snow.tif"}


def test_a_file_listed_twice_keeps_what_either_of_two_columns_says(tmp_path: Path) -> None:
    """Water under `natural` in one feature, `waterway` in another, both in a third; a wood under neither."""
    boxes = [shapely.box(left, 4682900, left + 20, 4682920) for left in (500000, 500200, 500400, 500300)]
    said = {"natural": ["water", None, "water", "wood"], "waterway": [None, "riverbank", "riverbank", None]}
    geopandas.GeoDataFrame(said, geometry=boxes, crs="EPSG:26918").to_file(tmp_path / "osm.gpkg")
    points = geopandas.points_from_xy([500010, 500210, 500410, 500310], [4682930] * 4)
    geopandas.GeoDataFrame({"caliper_mm": [20] * 4}, geometry=points, crs="EPSG:26918").to_file(tmp_path / "t.gpkg")
    layers = "".join(
        f'[[layers]]\nrole = "water"\nfile = "osm.gpkg"\nkeep = {{ {column} = ["{word}"] }}\n'
        for column, word in (("natural", "water"), ("waterway", "riverbank"))
    )
    (tmp_path / "site.toml").write_text(f'date = 2026-10-15\n[trees]\nfile = "t.gpkg"\n{layers}')
    found = pd.read_csv(riskmap.run(tmp_path / "site.toml", only=["csv"]) / "trees.csv")
    by_hand = np.array([10, 10, 10, np.hypot(90, 10)]) / 0.9996  # planar metres over the point scale
    np.testing.assert_allclose(found["distance_water_m"], by_hand, atol=0.001)
    assert found["nearest_water"].tolist() == ["1:1", "2:2", "1:3", "1:3"]
