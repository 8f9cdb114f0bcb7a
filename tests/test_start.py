"""`riskmap start`: a site file out of files alone that runs once its questions are answered."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio.transform
import shapely

from riskmap.cli import main
from riskmap.errors import InputError, WordsError
from riskmap.model import SilentWatch
from riskmap.read import read_inputs, read_settings
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


def plain(text: str) -> str:
    """The text with every comment in one line, the setting that it stands above behind it."""
    lines: list[str] = []
    for line in text.splitlines():
        words = re.match(r"# (?!(?:[\w.]+ = |\[))(.*)", line)
        if words and lines and lines[-1].startswith("#:"):
            lines[-1] += f" {words[1]}"
        elif words:
            lines.append(f"#: {words[1]}")
        elif line and lines and lines[-1].startswith("#:"):
            lines[-1] = f"{line}  # {lines[-1][3:]}"
        else:
            lines.append(line)
    return "\n".join(lines)


def test_no_line_but_a_setting_is_too_long_for_an_editor(folder: Path) -> None:
    text = started(folder)
    for line in text.splitlines():
        assert len(line) <= 80 or (" = " in line and "  # " not in line), line
    assert "\n# QUESTION: for which day is the work planned? No run goes without it\n# date = 2026-10-15\n" in text
    (folder / "long.csv").write_text(
        f"id,lon,lat,{','.join(f'an empty column {n}' for n in range(30))}\n1,-75.01,42.3\n"
    )
    asked = start_site(folder / "long.csv", out=folder / "long.toml").text
    assert max(map(len, asked.splitlines())) <= 80
    assert '\n# columns.species = "…"\n' in asked


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
    for line in plain(text).splitlines():
        if line.startswith(("columns.", "units.", "crs", "role", "caliper_at")):
            assert "  # " in line, line


def test_what_it_cant_know_is_a_question(folder: Path) -> None:
    questions = [line for line in plain(started(folder)).splitlines() if "QUESTION:" in line]
    about = ("date = ", "date_order", "units.caliper", "keep = ", "[[layers]]")
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


def test_a_header_of_two_lines_stays_in_its_comment(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text('id,lon,lat,"DBH\n[local]"\n1,-75.010012,42.300012,4 in\n')
    text = start_site(tmp_path / "t.csv").text
    assert "has cells in inches or feet" in text
    assert list(tomllib.loads(text)) == ["title", "units", "region", "trees", "local"]


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
    text = plain(start_site(tmp_path / "t.csv").text)
    assert '# crs = "EPSG:…"  # QUESTION: coordinates such as 499175.7, 4683085.8 are metres or feet' in text


def test_feet_and_the_region_are_proposed_with_the_reason(folder: Path) -> None:
    text = started(folder)
    assert 'units = "us"  # what people read; the trees are in inches and feet' in text
    assert 'region = "north_america"  # the trees stand there; or britain or europe' in text
    (folder / "uk.csv").write_text("id,lon,lat,height\n1,-1.25,51.75,2 m\n")
    text = start_site(folder / "uk.csv", out=folder / "uk.toml").text
    assert 'units = "metric"' in text and 'region = "britain"' in text
    (folder / "cells.csv").write_text('id,lon,lat,height\n1,11.25,48.75,"6\'6"""\n')
    text = start_site(folder / "cells.csv", out=folder / "cells.toml").text
    assert 'units = "us"  # what people read; height has cells in inches or feet' in plain(text)
    assert 'region = "europe"' in text
    (folder / "grid.csv").write_text("id,easting,northing,caliper_in\n1,499175.7,4683085.8,2\n")
    text = start_site(folder / "grid.csv", out=folder / "grid.toml").text
    assert 'region = "north_america"  # or britain, europe' in text


def test_dead_trees_and_stumps_are_asked_about(folder: Path) -> None:
    cells = ("Good", "Dead", "DEAD/REMOVE", "Stump", "dead limb on the north side", "Vacant site (large)", "Dead")
    lines = [f"{n},-75.01,42.3,{cell},ok" for n, cell in enumerate(cells)]
    (folder / "t.csv").write_text("\n".join(["id,lon,lat,Condition,Status", *lines, "9,-75.01,42.3,Good,planned"]))
    text = start_site(folder / "t.csv", out=folder / "s.toml").text
    (line,) = [line for line in plain(text).splitlines() if "drop = " in line]
    assert "  # QUESTION: leave these rows out? Condition: Good 2, Dead 2, " in line
    gone = tomllib.loads(line.removeprefix("# "))["drop"]
    assert gone == {"Condition": ["Dead", "DEAD/REMOVE", "Stump", "Vacant site (large)"]}
    assert "keep = " not in text


def test_a_column_of_kinds_without_dead_ones_is_asked_about_whole(folder: Path) -> None:
    (folder / "t.csv").write_text("id,lon,lat,Type\n1,-75.01,42.3,street\n2,-75.01,42.3,park\n3,-75.01,42.3,park\n")
    (line,) = [line for line in plain(start_site(folder / "t.csv").text).splitlines() if line.startswith("# keep")]
    assert line == '# keep = { "Type" = ["park"] }  # QUESTION: keep these rows only? Type: park 2, street 1'


def test_a_column_of_kinds_that_names_trees_keeps_those(folder: Path) -> None:
    rows = ("Retired,Tree", "Retired,", "Planting Site,", "Tree,dead", "Stump,Tree")
    lines = [f"{n},-75.01,42.3,{cells}" for n, cells in enumerate(rows)]
    (folder / "t.csv").write_text("\n".join(["id,lon,lat,SiteType,Why", *lines]))
    lines = plain(start_site(folder / "t.csv").text).splitlines()
    asked = [line.split("  # ")[0] for line in lines if "these rows" in line]
    assert asked == ['# drop = { "Why" = ["dead"] }', '# keep = { "SiteType" = ["Tree"] }']


def test_dead_trees_of_one_column_and_stumps_of_another_are_both_asked_about(folder: Path) -> None:
    rows = ["oak,Good,none", "oak,Dead,removed", "Stump,,none", "oak,DEAD,", "oak,Fair,tree tube"]
    rows += [f"Acer species{n},good,none" for n in range(20)]
    lines = [f"{n},{-75.01 + n / 1e4:.5f},42.3,{cells}" for n, cells in enumerate(rows)]
    (folder / "t.csv").write_text("\n".join(["id,lon,lat,Species,Condition,Guard", *lines]))
    text = start_site(folder / "t.csv", out=folder / "s.toml").text
    asked = [line for line in plain(text).splitlines() if line.startswith(("# drop", "# keep"))]
    assert asked == [
        '# drop = { "Species" = ["Stump"] }  # QUESTION: leave these rows out? Species: Stump 1',
        '# keep = { "Condition" = ["good", "Fair", ""] }  # QUESTION: keep these rows only? '
        "Condition: good 20, Good 1, Dead 1, empty 1, DEAD 1, Fair 1",
    ]
    (folder / "s.toml").write_text(text.replace("# drop", "drop").replace("# keep", "keep").replace("# date", "date"))
    inputs = read_inputs(read_settings(folder / "s.toml"), watch=SilentWatch())
    assert inputs.trees.kept.tolist() == [True, False, False, False, *[True] * 21]


def test_a_missing_column_is_asked_for_among_those_left(folder: Path) -> None:
    (folder / "t.csv").write_text("id,lon,lat,Botanical/Common\n1,-75.01,42.3,oak\n")
    text = start_site(folder / "t.csv", out=folder / "s.toml").text
    assert re.search(r"columns\.species = .*QUESTION: .* Left are: Botanical/Common", plain(text))


def test_a_raster_stands_for_its_role(folder: Path) -> None:
    place = {"crs": "EPSG:26918", "transform": rasterio.transform.from_origin(499000, 4684000, 10, 10)}
    with rasterio.open(folder / "deer.tif", "w", "GTiff", 2, 2, count=1, dtype="uint8", **place) as raster:
        raster.write(np.ones((1, 2, 2), dtype=np.uint8))
    text = start_site(folder / "street trees.csv", [folder / "deer.tif"], out=folder / "deer.toml").text
    (line,) = [line for line in plain(text).splitlines() if "No file is named for " in line]
    assert "[rasters.deer_habitat]" in text and "deer_habitat" not in line


def test_the_system_of_the_layers_is_proposed_for_the_trees(tmp_path: Path) -> None:
    import geopandas

    lawn = geopandas.GeoDataFrame({"n": [1]}, geometry=[shapely.box(499100, 4683000, 499200, 4683100)], crs=26918)
    lawn.to_file(tmp_path / "lawn.gpkg")
    (tmp_path / "t.csv").write_text("id,easting,northing,Stem mm,Guarded since\n1,499175.7,4683085.8,12,2025\n")
    text = start_site(tmp_path / "t.csv", [tmp_path / "lawn.gpkg"]).text
    (line,) = [line for line in plain(text).splitlines() if line.startswith("# crs = ")]
    assert line.startswith('# crs = "EPSG:26918"  # QUESTION: coordinates such as')
    assert line.endswith("layers are in NAD83 / UTM zone 18N: are the trees in it too?")
    assert 'columns.caliper = "Stem mm"' in text and 'columns.guard_since = "Guarded since"' in text
    (tmp_path / "site.toml").write_text(text.replace("# crs", "crs").replace("# date", "date"))
    assert main(["check", str(tmp_path / "site.toml"), "-q"]) == 0


def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = folder / "mine.toml"
    assert main(["start", str(folder / "street trees.csv"), str(folder / "zone7.geojson"), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert re.search(r"mine\.toml: \d questions left in it.*\n  riskmap check \S*mine\.toml\n", said)
    assert out.exists()
    again = ["--out", str(folder / "again.toml")]
    assert main(["start", str(folder / "street trees.csv"), str(folder / "no such.shp"), *again]) == 0
    assert capsys.readouterr().err.startswith("not used: no such.shp: there is no such file")
    assert main(["start"]) == 2
    assert "required: TREES (" in capsys.readouterr().err
    assert main(["start", str(folder / "street trees.csv"), "--out", str(out)]) == 2


def test_bare_numbers_among_cells_with_a_unit_are_asked_about(tmp_path: Path) -> None:
    """A stem in inches and a height in feet are what is proposed, and nothing is taken."""
    rows = ["id,lon,lat,DBH,Ht", "1,-75.010012,42.300012,12 in,30", "2,-75.010112,42.300112,12,5 m"]
    (tmp_path / "t.csv").write_text("\n".join(rows))
    text = start_site(tmp_path / "t.csv").text
    asked = [line for line in plain(text).splitlines() if "in which unit are bare numbers" in line]
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
    (line,) = [line for line in plain(start_site(tmp_path / "t.csv").text).splitlines() if "date_order" in line]
    assert line.startswith(f'# date_order = "{order}"  # QUESTION')
    assert line.endswith(said)


def test_roles_without_a_file_are_offered_for_nowhere(folder: Path) -> None:
    text = started(folder)
    (line,) = [line for line in plain(text).splitlines() if "No file is named for " in line]
    assert "lawn" in line and "water" not in line and "study_area" not in line
    assert '\n# nowhere = ["…"]\n' in text  # unread it stops the run; a list would make zeroes of what nobody knows


def test_inches_and_feet_alone_make_a_site_in_us_units(folder: Path, tmp_path: Path) -> None:
    assert tomllib.loads(started(folder))["units"] == "us"
    (tmp_path / "m.csv").write_text("id,lon,lat,caliper_mm\n1,-75.010012,42.300012,40\n")
    assert tomllib.loads(start_site(tmp_path / "m.csv", out=tmp_path / "m.toml").text)["units"] == "metric"


def test_headers_and_names_of_files_with_ends_of_lines_stay_within_their_lines(tmp_path: Path) -> None:
    """A wrapped header of a spreadsheet is told of in remarks, and a remark ends where its line does."""
    trees = tmp_path / "trees.csv"
    trees.write_text(
        'id,species,x,y,"Stem\ndiameter","Dead\nor alive","a\nbudget = 5"\n'
        "1,Acer rubrum,-75.01,42.3,4,Dead,\n2,Acer rubrum,-75.02,42.3,5,Alive,x\n"
    )
    odd = tmp_path / "no\nbudget = 7\nlayer.geojson"
    odd.write_text("no json")
    (tmp_path / "zone\x7f\n9.geojson").write_text(geojson(shapely.box(-75.012, 42.3, -75.011, 42.301)))
    started = start_site(trees, [odd, tmp_path / "zone\x7f\n9.geojson"], out=tmp_path / "site.toml")
    read = tomllib.loads(started.text)
    assert set(read) == {"title", "units", "region", "trees", "local"}
    assert "budget" not in read["trees"]
    assert "\n# no budget = 7 layer.geojson is a table" in started.text
    text = re.sub(r"(?m)^# (?=drop |units\.|crs |date )", "", started.text)
    assert tomllib.loads(text)["trees"]["drop"] == {"Dead\nor alive": ["Dead"]}
