"""`riskmap start`: a site file out of files alone that runs once its questions are answered."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
import shapely

from riskmap.cli import main
from riskmap.errors import InputError, WordsError
from riskmap.read import read_settings
from riskmap.start import start_site

TREES = """OBJECTID,Latin_Name,CommonName,DBH,Height_ft,Longitude,Latitude,Status,PlantDate
1,Acer rubrum,red maple,4,20,-75.010012,42.300012,Alive,03/04/2020
2,,pin oak,6,30,-75.010112,42.300112,Stump,2021
3,Tilia cordata,,8,35,-75.010212,42.300212,Alive,
"""


def geojson(*shapes: Any) -> str:
    """Shapes as a GeoJSON text."""
    features = [{"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(shape)} for shape in shapes]
    return json.dumps({"type": "FeatureCollection", "features": features})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Trees, a layer that names its role, one that does not, and one that is no layer."""
    (tmp_path / "street trees.csv").write_text(TREES)
    (tmp_path / "Mill_River.geojson").write_text(geojson(shapely.box(-75.012, 42.3, -75.011, 42.301)))
    (tmp_path / "zone7.geojson").write_text(geojson(shapely.box(-75.012, 42.3, -75.011, 42.301)))
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    return tmp_path


def started(folder: Path) -> str:
    """The site file written from everything in the folder."""
    layers = [folder / name for name in ("Mill_River.geojson", "zone7.geojson", "picture.png")]
    return start_site(folder / "street trees.csv", layers, out=folder / "site.toml").text


def test_it_says_what_it_took_and_why(folder: Path) -> None:
    text = started(folder)
    found = tomllib.loads(text)
    assert found["trees"]["file"] == "street trees.csv"
    assert found["trees"]["columns"] == {
        "tree_id": "OBJECTID",
        "x": "Longitude",
        "y": "Latitude",
        "species": "Latin_Name",
        "common": "CommonName",
        "caliper": "DBH",
        "height": "Height_ft",
        "planted": "PlantDate",
    }
    assert found["trees"]["units"] == {"height": "ft"}
    assert found["trees"]["caliper_at"] == "breast"
    assert found["layers"] == [{"role": "water", "file": "Mill_River.geojson"}]
    for line in text.splitlines():
        if line.startswith(("columns.", "units.", "crs", "role", "caliper_at")):
            assert "  # " in line, line


def test_what_it_cant_know_is_a_question(folder: Path) -> None:
    questions = [line for line in started(folder).splitlines() if "QUESTION:" in line]
    about = ("date = ", "date_order", "units.caliper", "keep = ", "role = ")
    assert [next(word for word in about if word in line) for line in questions] == list(about)
    assert all(line.startswith("#") for line in questions)
    assert "Status: Alive 2, Stump 1" in "".join(questions)


def test_answered_it_runs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = started(folder)
    site = folder / "site.toml"
    assert main(["check", str(site)]) == 1
    assert "'date' is missing" in capsys.readouterr().out
    site.write_text(text.replace("# date = ", "date = ").replace("# units.caliper = ", "units.caliper = "))
    settings = read_settings(site)
    assert settings.trees.units == {"height": "ft", "caliper": "in"}
    assert main(["run", str(site), "-q"]) == 0


def test_nothing_is_overwritten(folder: Path) -> None:
    (folder / "site.toml").write_text("mine")
    with pytest.raises(WordsError, match="is there already"):
        started(folder)
    assert (folder / "site.toml").read_text() == "mine"
    with pytest.raises(InputError, match="not found"):
        start_site(folder / "trees that are not there.csv", out=folder / "site.toml")
    with pytest.raises(WordsError, match="is no folder"):
        start_site(folder / "street trees.csv", out=folder / "none" / "site.toml")


def test_hostile_names_stay_text(folder: Path) -> None:
    """Headers and file names can't add a line or a key to the site file."""
    header = 'DBH "]\\n[[layers]]'
    (folder / "t.csv").write_text(f'id,lon,lat,"{header.replace(chr(34), chr(34) * 2)}"\n1,-75.010012,42.300012,4\n')
    layer = folder / 'a"\u202e]\\ water.geojson'
    layer.write_text(geojson(shapely.Point(-75.01, 42.3)))
    found = tomllib.loads(start_site(folder / "t.csv", [layer], out=folder / "s.toml").text)
    assert found["trees"]["columns"]["caliper"] == header
    assert found["layers"] == [{"role": "water", "file": layer.name}]
    assert set(found) == {"title", "units", "region", "trees", "layers", "local"}


def test_trees_among_other_layers(tmp_path: Path) -> None:
    import geopandas

    points = geopandas.GeoDataFrame({"TreeID": ["a"]}, geometry=[shapely.Point(499175, 4683085)], crs=26918)
    points.to_file(tmp_path / "all.gpkg", layer="planted_trees")
    points.buffer(5).to_frame("geometry").to_file(tmp_path / "all.gpkg", layer="lawn")
    found = tomllib.loads(start_site(tmp_path / "all.gpkg", [tmp_path / "all.gpkg"]).text)
    assert found["trees"]["layer"] == "planted_trees"
    assert {"role": "lawn", "file": "all.gpkg", "layer": "lawn"} in found["layers"]


def test_projected_coordinates_without_a_system_are_asked_about(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("id,easting,northing\n1,499175.7,4683085.8\n")
    text = start_site(tmp_path / "t.csv").text
    assert '# crs = "EPSG:…"  # QUESTION: coordinates such as 499175.7, 4683085.8 are metres or feet' in text


def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = folder / "mine.toml"
    assert main(["start", str(folder / "street trees.csv"), str(folder / "zone7.geojson"), "--out", str(out)]) == 0
    assert "questions are left in it" in capsys.readouterr().out
    assert out.exists()
    assert main(["start", str(folder / "street trees.csv"), "--out", str(out)]) == 2


def test_bare_numbers_among_cells_with_a_unit_are_asked_about(tmp_path: Path) -> None:
    """A stem in inches and a height in feet are what is proposed, and nothing is taken."""
    rows = ["id,lon,lat,DBH,Ht", "1,-75.010012,42.300012,12 in,30", "2,-75.010112,42.300112,12,5 m"]
    (tmp_path / "t.csv").write_text("\n".join(rows))
    text = start_site(tmp_path / "t.csv").text
    asked = [line for line in text.splitlines() if "in which unit are bare numbers" in line]
    assert [line.split("  # ")[0] for line in asked] == ['# units.caliper = "in"', '# units.height = "ft"']
    assert "units" not in tomllib.loads(text)["trees"]


@pytest.mark.parametrize(
    ("dates", "order", "said"),
    [
        (["03/04/2020", "10/28/2020"], "month_first", "1 date can only be month first"),
        (["03/04/2020", "28/10/2020", "29/10/2020"], "day_first", "2 dates can only be day first"),
        (["03/04/2020", "28/10/2020", "10/28/2020"], "month_first", "and 1 only the other way"),
        (["03/04/2020"], "month_first", "month first or day first?"),
    ],
)
def test_dates_that_read_one_way_only_propose_the_order(
    dates: list[str], order: str, said: str, tmp_path: Path
) -> None:
    rows = ["id,lon,lat,Planted", *(f"{n},-75.01{n}012,42.300012,{date}" for n, date in enumerate(dates))]
    (tmp_path / "t.csv").write_text("\n".join(rows))
    (line,) = [line for line in start_site(tmp_path / "t.csv").text.splitlines() if "date_order" in line]
    assert line.startswith(f'# date_order = "{order}"  # QUESTION')
    assert line.endswith(said)


def test_roles_without_a_file_are_offered_for_nowhere(folder: Path) -> None:
    (line,) = [line for line in started(folder).splitlines() if line.startswith("# nowhere")]
    offered = tomllib.loads(line.removeprefix("# "))["nowhere"]
    assert "lawn" in offered and "water" not in offered and "study_area" not in offered


def test_inches_and_feet_alone_make_a_site_in_us_units(folder: Path, tmp_path: Path) -> None:
    assert tomllib.loads(started(folder))["units"] == "us"
    (tmp_path / "m.csv").write_text("id,lon,lat,caliper_mm\n1,-75.010012,42.300012,40\n")
    assert tomllib.loads(start_site(tmp_path / "m.csv", out=tmp_path / "m.toml").text)["units"] == "metric"
