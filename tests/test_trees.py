"""Trees files of every kind: each row once, each column under our name, questions where nobody can know."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import zipfile
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyarrow as pa
import pytest
import shapely

from riskmap.errors import InputError
from riskmap.read import inputs_from_frames
from riskmap.read.settings import settings_from
from riskmap.read.tree_words import _MEANINGS, WORDS, plain_word
from riskmap.read.trees import TreesRead, read_trees
from riskmap.read.workbook import read_workbook

HEAD = "id,species,lat,lon"
DAY = "2026-10-15"


def spot(number: int = 1) -> str:
    """The first cells of a row."""
    return f"T{number},oak,42.3000{number}12,-75.0100{number}17"


def read(folder: Path, data: str | bytes, name: str = "trees.csv", **trees: Any) -> TreesRead:
    """Write a trees file and read it."""
    (folder / name).write_bytes(data.encode() if isinstance(data, str) else data)
    return read_trees(settings_from({"date": DAY, "trees": {"file": name, **trees}}, folder / "site.toml"))


def table(header: str, *rows: str) -> str:
    """Text of a CSV with one more column."""
    return "\n".join([f"{HEAD},{header}", *(f"{spot(n)},{row}" for n, row in enumerate(rows, start=1))]) + "\n"


def fault(read: TreesRead) -> str:
    """The one fault, as people see it."""
    (problem,) = read.problems
    return problem.line()


def codes(read: TreesRead) -> list[str]:
    """Codes of all notes."""
    return [note.code for note in read.notes]


def test_a_plain_file(tmp_path: Path) -> None:
    found = read(tmp_path, table("DBH_in,Height_ft,Planted,Ward,Notes", "2,10,2024-04-03,W1,by the gate", ",,,,"))
    trees = found.table
    assert trees.row.tolist() == [2, 3]
    assert trees.tree_id.to_pylist() == ["T1", "T2"]
    np.testing.assert_allclose(trees.stem_mm, [50.8, np.nan])
    np.testing.assert_allclose(trees.height_m, [3.048, np.nan])
    assert (trees.stem_kind, trees.stem_at) == ("dbh_mm", "breast")
    assert trees.planted.to_pylist() == ["2024-04-03", None]
    assert trees.group.texts() == ["W1", ""]
    assert trees.own.column_names == ["Ward", "Notes"]
    assert trees.lonlat_as_given and trees.crs is not None and trees.crs.to_epsg() == 4326
    assert not found.notes and not found.problems
    assert {note.topic for note in found.assumptions} >= {"columns.caliper", "units.caliper", "caliper_at", "crs.trees"}


def test_a_number_without_a_unit_is_a_question(tmp_path: Path) -> None:
    found = read(tmp_path, table("DBH", "4", "12"))
    assert fault(found) == (
        "trees.csv, column DBH: the unit is not known: '4', '12' may be mm, cm, in, ft or m; "
        'name it under [trees], such as units = { caliper = "in" } (trees.units)'
    )
    assert np.isnan(found.table.stem_mm).all()
    answered = read(tmp_path, table("DBH", "4", "12"), units={"caliper": "in"})
    assert not answered.problems
    np.testing.assert_allclose(answered.table.stem_mm, [101.6, 304.8])
    assert not read(tmp_path, table("DBH", "", "0")).problems


def test_the_unit_of_a_cell_wins_and_bare_ones_are_noted(tmp_path: Path) -> None:
    found = read(tmp_path, table("diameter", "2 in", "5 cm", "1.5"))
    np.testing.assert_allclose(found.table.stem_mm, [50.8, 50, np.nan])
    (note,) = found.notes
    assert (note.code, note.rows, note.tree_ids) == ("unit_missing", (4,), ("T3",))


def test_girth_stays_girth_and_is_named_so(tmp_path: Path) -> None:
    trees = read(tmp_path, table("Girth at 1 m (cm)", "31.4")).table
    assert (trees.stem_kind, trees.stem_at, trees.stem_mm[0]) == ("girth_mm", "girth_1m", 314.0)


@pytest.mark.parametrize(
    ("header", "told", "region", "kind", "at"),
    [
        ("DBH_in", "", "north_america", "dbh_mm", "breast"),  # 1.37 m, common practice, no source
        ("DBH_cm", "", "britain", "dbh_mm", "breast_1_3"),  # 1.3 m, common practice, no source
        ("Diameter_in", "", "north_america", "caliper_mm", "nursery"),
        ("Diameter_in", "breast", "north_america", "dbh_mm", "breast"),
        ("Caliper_in", "", "europe", "caliper_mm", "nursery"),
    ],
)
def test_where_the_stem_was_measured(tmp_path: Path, header: str, told: str, region: str, kind: str, at: str) -> None:
    (tmp_path / "trees.csv").write_text(table(header, "4"))
    given = {"date": DAY, "region": region, "trees": {"file": "trees.csv", **({"caliper_at": told} if told else {})}}
    trees = read_trees(settings_from(given, tmp_path / "site.toml")).table
    assert (trees.stem_kind, trees.stem_at) == (kind, at)


def test_classes_take_the_middle_and_say_so(tmp_path: Path) -> None:
    found = read(tmp_path, table("DBH (in)", "3-6", "> 30"))
    np.testing.assert_allclose(found.table.stem_mm, [4.5 * 25.4, 30 * 25.4])
    topics = {note.topic: note.taken for note in found.assumptions}
    assert topics["classes.caliper"] == "the middle of the class in 1 row"
    assert topics["open_classes.caliper"] == "the lower limit in 1 row"


def test_species_out_of_several_columns(tmp_path: Path) -> None:
    found = read(tmp_path, "id,lat,lon,Genus,Species,Cultivar,Common\n1,42.30012,-75.0112,Acer,rubrum,Autumn Blaze,\n"
                 "2,42.30012,-75.0113,,,,red oak\n")  # fmt: skip
    assert found.table.species.texts() == ["Acer rubrum 'Autumn Blaze'", "red oak"]
    assert found.table.own.column_names == ["Genus", "Species", "Cultivar", "Common"]


@pytest.mark.parametrize(
    ("text", "trees", "words"),
    [
        ("id,easting,northing\n1,499175.7,4683085.8\n", {}, "coordinate system (CRS) that nobody names"),
        ("id,lat,lon\n1,4683085.8,499175.7\n", {}, "is out of the range of degrees"),
        ("id,lat,lon\n1,-122.5,45.5\n", {}, "latitude -122.5 is past the pole: latitude and longitude look"),
        ("id,species\n1,oak\n", {}, "no columns of coordinates"),
        (
            "id,lat,lon\n1,42.30012,-75.0112\n",
            {"crs": "EPSG:26918"},
            "all coordinates fit degrees, yet trees.crs names",
        ),
        ("id,lat,lon\n1,42.30012,-75.0112\n", {"crs": "EPSG:0"}, "is no coordinate system (CRS) that PROJ knows"),
        ("id,lat,lon\n1,42.30012,-75.0112\n", {"columns": {"species": "Specis"}}, "there is no column 'Specis'"),
        ("id,lat,lon\n1,42.30012,-75.0112\n", {"keep": {"Kynd": ["tree"]}}, "there is no column 'Kynd'"),
        ("id,lat,lon\n1,42.30012,-75.0112\n", {"keep": {"id": ["7"]}}, "no row is left after keep and drop"),
        ('id,geom\n1,"POLYGON((0 0,1 0,1 1,0 0))"\n', {}, "trees must be points"),
    ],
)
def test_questions(tmp_path: Path, text: str, trees: dict[str, Any], words: str) -> None:
    line = fault(read(tmp_path, text, **trees))
    assert words in line and line.startswith("trees.csv") and "(trees." in line


def test_places_that_are_missing_zero_or_wrong_keep_their_rows(tmp_path: Path) -> None:
    rows = [
        spot(1),
        "T2,oak,,-75.01",
        "T3,oak,0,0.0001",
        "T4,oak,north,-75.01",
        "T5,oak,423.0,-75.01",
        spot(6),
        spot(7),
    ]
    found = read(tmp_path, "\n".join([HEAD, *rows]))
    trees = found.table
    assert np.isfinite(trees.x).tolist() == [True, False, False, False, False, True, True]
    assert trees.remarks is not None
    assert [set(remark) for remark in trees.remarks][1:5] == [
        {"row_without_place"},
        {"place_at_zero"},
        {"cell_not_understood", "row_without_place"},
        {"row_without_place"},
    ]


def test_hemisphere_letters_settle_an_exchange(tmp_path: Path) -> None:
    found = read(tmp_path, "id,lat,lon\n1,75.01234W,42.31234N\n")
    assert (found.table.x[0], found.table.y[0]) == (-75.01234, 42.31234)
    assert "latitude and longitude exchanged" in {note.taken for note in found.assumptions}


def test_a_row_with_too_many_cells_is_kept_and_not_placed(tmp_path: Path) -> None:
    found = read(tmp_path, f"{HEAD},dbh_in\n{spot(1)},2\nT2,Oak, red,42.30001,-75.01001,2\n")
    assert codes(found) == ["row_ragged"] and found.notes[0].rows == (3,)
    assert np.isnan(found.table.x[1]) and np.isnan(found.table.stem_mm[1]) and len(found.table.row) == 2


def test_no_row_at_all(tmp_path: Path) -> None:
    for text in (HEAD + "\n", HEAD + "\n\n,,,\n"):
        with pytest.raises(InputError, match="there is no tree in it"):
            read(tmp_path, text)
    with pytest.raises(InputError, match=r"trees\.csv"):
        read(tmp_path, "")


def test_keep_and_drop_leave_every_row_in(tmp_path: Path) -> None:
    text = table("Kind,Ward", " Tree ,6", "stump,6", "tree,7")
    assert read(tmp_path, text, keep={"kind": ["TREE"]}).table.kept.tolist() == [True, False, True]
    assert read(tmp_path, text, keep={"Kind": ["tree"], "Ward": [6]}).table.kept.tolist() == [True, False, False]
    assert read(tmp_path, text, drop={"Ward": ["7"]}).table.kept.tolist() == [True, True, False]


def test_rows_that_drop_names_in_one_column_only_stay_and_are_counted(tmp_path: Path) -> None:
    text = table("Kind,Condition", "tree,dead", "stump,dead", "stump,good", "tree,good")
    found = read(tmp_path, text, drop={"Kind": ["stump"], "Condition": ["dead"]})
    assert found.table.kept.tolist() == [True, False, True, True]
    (taken,) = (each for each in found.assumptions if each.topic == "drop")
    assert taken.taken == "2 rows stay that drop names in some column, not in all"
    either = read(tmp_path, text, drop={"Kind": ["stump"]}, keep={"Condition": ["good"]})
    assert either.table.kept.tolist() == [False, False, False, True]
    assert not any(each.topic == "drop" for each in either.assumptions)


def test_cells_that_mean_nothing_are_noted_by_column(tmp_path: Path) -> None:
    found = read(tmp_path, table("height_m,form,planted", "2,whip,2024", "tall,tree,soon", "3,standard,2025"))
    assert [(note.code, note.column, note.count) for note in found.notes] == [
        ("cell_not_understood", "height_m", 1),
        ("cell_not_understood", "planted", 1),
        ("cell_not_understood", "form", 1),
    ]
    assert found.table.form.texts() == ["whip", "", "standard"]


def test_growing_spaces_in_words_of_the_trade(tmp_path: Path) -> None:
    """A cut-out is a pit (no mower, no ring, no cage), a tree lawn is mown to the stem: common practice, no source."""
    said = ("Sidewalk cutout", "Sidewalk Cut-Out", "Tree lawn", "TREE_GRATE", "Turf / lawn", "tall grass", "Flower bed")
    found = read(tmp_path, table("Growing Space", *said, "Mulch ring", "Planter box", "multi-stem"))
    assert found.table.surface.texts() == [
        *("pit", "pit", "turf", "pit", "turf", "rough_grass", "bed", "mulch", "planter", ""),
    ]


def test_words_that_leave_open_what_grows_there_are_named_with_counts(tmp_path: Path) -> None:
    said = ("Median", "Lawn", "Parkway", "median", "Median", "Verge", "")
    found = read(tmp_path, table("Growing Space", *said))
    assert found.table.surface.texts() == ["", "turf", "", "", "", "", ""]
    (note,) = found.notes
    assert (note.code, note.count) == ("cell_not_understood", 5)
    assert note.what == "5 cells not known: 'median' (3), 'parkway' (1), 'verge' (1); taken as missing"
    none = read(tmp_path, table("Growing Space", "Median", "Parkway", "Median"))
    assert not none.notes
    (taken,) = (each for each in none.assumptions if each.topic == "columns.surface" and each.taken == "not read")
    assert taken.why.endswith("bed, pit, planter: 'median' (2), 'parkway' (1)")


@pytest.mark.parametrize("column", sorted(WORDS))
def test_every_word_is_plain_and_means_one_thing(column: str) -> None:
    told = [word for words in _MEANINGS[column].values() for word in words.split(", ")]
    assert len(told) == len(set(told)) == len(WORDS[column])
    assert all(plain_word(word) == word == word.casefold() for word in told)


def test_dates_with_two_readings_keep_the_year(tmp_path: Path) -> None:
    found = read(tmp_path, table("planted", "03/04/2025", "13/04/2025"))
    assert found.table.planted.to_pylist() == ["2025", "2025-04-13"]
    assert codes(found) == ["date_two_readings"]
    assert not read(tmp_path, table("planted", "03/04/2025"), date_order="day_first").notes


@pytest.mark.parametrize("name", ["trees.csv.gz", "trees.zip"])
def test_packed_tables(tmp_path: Path, name: str) -> None:
    text = f"{HEAD}\n{spot()}\n"
    if name.endswith(".gz"):
        data = gzip.compress(text.encode())
    else:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as archive:
            archive.writestr("folder/trees.csv", text)
        data = out.getvalue()
    assert read(tmp_path, data, name).table.tree_id.to_pylist() == ["T1"]


def workbook() -> bytes:
    """A workbook with a cover sheet, title lines, ids with zeros, dates and a note right of the headers."""
    import openpyxl

    book = openpyxl.Workbook()
    book.active["A1"] = "About this file"
    sheet = book.create_sheet("Trees")
    sheet.append(["Street trees"])
    sheet.append([])
    sheet.append(["Tree ID", "Species", "Latitude", "Longitude", "DBH (in)", "Planted"])
    sheet.append([123, "oak", 42.300012, -75.010012, 2.5, dt.date(2021, 4, 3), "a remark"])
    sheet["A4"].number_format = "00000"
    sheet.append([None] * 6)
    sheet.append(["A7", "'=elm", 42.300013, -75.010013, '3"', 2020])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_workbooks(tmp_path: Path) -> None:
    found = read(tmp_path, workbook(), "trees.xlsx")
    trees = found.table
    assert trees.row.tolist() == [4, 6]
    assert trees.tree_id.to_pylist() == ["00123", "A7"]
    assert trees.species.texts() == ["oak", "=elm"]
    assert trees.planted.to_pylist() == ["2021-04-03", "2020"]
    np.testing.assert_allclose(trees.stem_mm, [63.5, 76.2])
    assert read(tmp_path, workbook(), "trees.xlsx", sheet="TREES").read_as.facts["sheet"] == "Trees"
    with pytest.raises(InputError, match="there is no sheet 'Tres'; did you mean 'Trees'"):
        read(tmp_path, workbook(), "trees.xlsx", sheet="Tres")


@pytest.mark.parametrize("name", ["trees.csv", "trees.geojson"])
def test_a_sheet_of_what_is_no_workbook_is_a_fault(tmp_path: Path, name: str) -> None:
    text = b"id,x,y\n1,2,3\n" if name.endswith("csv") else b'{"type": "FeatureCollection", "features": []}'
    with pytest.raises(InputError, match=r"it is no workbook, so it has no sheet 'Trees'; take the line out"):
        read(tmp_path, text, name, sheet="Trees")


def points() -> geopandas.GeoDataFrame:
    """Three trees: a point, one without a shape, a group of a single point."""
    shapes = [shapely.Point(499175, 4683085), None, shapely.MultiPoint([(499180, 4683085)])]
    columns = {"TreeID": [1.0, 2.0, None], "Species": ["oak", None, "elm"], "DBH_in": [2, 3, 4]}
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=26918)


@pytest.mark.parametrize("name", ["t.gpkg", "t.geojson", "t.parquet", "t.fgb", "t.shp"])
def test_vector_files(tmp_path: Path, name: str) -> None:
    frame = points().drop(index=1) if name == "t.fgb" else points()
    if name.endswith("parquet"):
        frame.to_parquet(tmp_path / name)
    elif name.endswith("geojson"):
        frame.to_crs(4326).to_file(tmp_path / name)
    elif name.endswith("shp"):
        frame.set_geometry([shapely.Point(p.geoms[0] if p is not None and p.geom_type == "MultiPoint" else p)
                            if p is not None else None for p in frame.geometry]).to_file(tmp_path / name)  # fmt: skip
    else:
        frame.to_file(tmp_path / name)
    given = {"date": DAY, "trees": {"file": name}}
    trees = read_trees(settings_from(given, tmp_path / "site.toml")).table
    assert trees.row.tolist() == list(range(1, len(frame) + 1))
    assert {text for text in trees.tree_id.to_pylist() if text} == {"1", "2", None} & {
        *frame.TreeID.map("{:.0f}".format)
    }
    assert np.isfinite(trees.x).sum() == 2
    assert {round(mm, 3) for mm in trees.stem_mm} >= {50.8, 101.6}  # FlatGeobuf sorts its features
    assert trees.lonlat_as_given == name.endswith("geojson")


def test_shapes_that_are_no_points_are_asked_about(tmp_path: Path) -> None:
    frame = points()
    frame.geometry = [shapely.Point(1, 1).buffer(1), None, shapely.Point(499180, 4683085)]
    frame.to_file(tmp_path / "t.gpkg")
    given: dict[str, Any] = {"date": DAY, "trees": {"file": "t.gpkg"}}
    with pytest.raises(InputError, match=r"t.gpkg, row 1: trees are drawn as areas \(polygons\), not as one"):
        read_trees(settings_from(given, tmp_path / "site.toml"))
    given["trees"]["on_invalid"] = "drop"
    trees = read_trees(settings_from(given, tmp_path / "site.toml")).table
    assert np.isfinite(trees.x).tolist() == [False, False, True]


def test_frames_follow_the_same_rules() -> None:
    pond = geopandas.GeoDataFrame(geometry=[shapely.Point(499175, 4683000).buffer(10)], crs=26918)
    inputs = inputs_from_frames(points(), {"water": pond}, date=DAY, local={"beaver": "active", "snow_depth_in": 10})
    assert inputs.settings.local.beaver == "active"
    assert inputs.settings.local.snow_depth_m == pytest.approx(0.254)
    assert inputs.trees.tree_id.to_pylist() == ["1", "2", None]
    assert [layer.source.role for layer in inputs.layers] == ["water"]
    assert not inputs.problems
    with pytest.raises(InputError, match="did you mean 'water'"):
        inputs_from_frames(points(), {"watr": pond}, date=DAY)
    (problem,) = inputs_from_frames(points().set_crs(None, allow_override=True), {}, date=DAY).problems
    assert problem.key == "trees.crs"
    with pytest.raises(InputError, match="this is no GeoDataFrame but a dict"):
        inputs_from_frames({}, {}, date=DAY)  # type: ignore[arg-type]


def test_a_stray_cell_at_the_far_end_of_a_sheet_costs_little(tmp_path: Path) -> None:
    """Found by trying: a mark in XFD1048576 once made every row 16,384 cells wide."""
    import openpyxl

    book = openpyxl.Workbook()
    for row in (["id", "lat", "lon"], ["a", 42.3, -75.0], ["b", 42.4, -75.1]):
        book.active.append(row)
    book.active.cell(1_048_576, 16_384, "x")
    book.save(packed := io.BytesIO())
    found = read_workbook(packed.getvalue(), file="trees.xlsx")
    assert found.table.column_names == ["id", "lat", "lon"]
    assert found.row.tolist() == [2, 3]  # what stands right of the headers is a remark, no tree


def test_the_cells_tell_the_decimal_sign_before_the_delimiter_does() -> None:
    """A list with semicolons and decimal points: 20.2 is no odd cell, and 1.25 no 125."""
    from riskmap.read.numbers import read_lengths, read_numbers

    cells = pa.array(["20.2", "1.25", "7", '3"'])
    lengths = read_lengths(cells, unit="in", to="in", hint=",")
    assert (lengths.value.tolist(), lengths.decimal) == ([20.2, 1.25, 7.0, 3.0], ".")
    assert read_lengths(pa.array(["1.250"]), unit="mm", to="mm", hint=",").value.tolist() == [1250.0]
    assert read_lengths(pa.array(["7"]), unit="mm", to="mm", hint=",").decimal == ""
    assert read_numbers(pa.array(["20.2", "3"]), hint=",").value.tolist() == [20.2, 3.0]
    assert read_numbers(pa.array(["20,2", "3"]), hint=",").value.tolist() == [20.2, 3.0]
