"""Ground layers: filters, mending, widths, CRS, what is said; real and hard files where they are at hand."""

from __future__ import annotations

import json
import re
import struct
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyogrio.raw
import pytest
import shapely
from conftest import make_settings
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap import tables
from riskmap.model import LayerData, LayerSource
from riskmap.read.filters import filter_rows
from riskmap.read.layers import LayerReading, read_layer
from riskmap.read.mend import mend_shapes

SHARED = Path(__file__).resolve().parents[2] / "shared"
CASES, DATA = SHARED / "cases", SHARED / "data"
UTM = "EPSG:26918"
X, Y = 500_000.0, 4_683_000.0
Read = Callable[..., LayerReading]


def at(wkt: str) -> Any:
    """A shape drawn in metres from the origin of the tests."""
    shape = shapely.from_wkt(wkt)
    return shapely.transform(shape, lambda xy: xy + np.asarray([X, Y]))


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write shapes to a GeoPackage and read them as a layer."""

    def write_and_read(
        shapes: list[Any], *, role: str = "water", crs: Any = UTM, columns: Any = None, **source: Any
    ) -> Any:
        frame = gpd.GeoDataFrame(columns or {"n": range(len(shapes))}, geometry=shapes, crs=crs)
        frame.to_file(tmp_path / "w.gpkg", driver="GPKG")
        return read_layer(
            LayerSource(number=1, role=role, file="w.gpkg", **source), make_settings(file=tmp_path / "site.toml")
        )

    return write_and_read


def layer_of(reading: LayerReading) -> LayerData:
    """The layer, which must be there and free of faults."""
    assert reading.problems == ()
    assert reading.layer is not None
    return reading.layer


def codes(reading: LayerReading) -> list[str]:
    """Codes of the notes, each known to notes.csv."""
    found = [note.code for note in reading.notes]
    assert set(found) <= set(tables.note_codes())
    return found


SQUARE = "POLYGON ((0 0, 10 0, 10 10, 0 10, 0 0))"


def test_keep_and_drop_compare_as_text_after_trimming(read: Read) -> None:
    shapes = [at(SQUARE)] * 4
    columns = {"Kind": ["Pond", " pond ", "ditch", None], "code": [6.0, 7.0, 6.0, np.nan]}
    kept = {
        "kind": {"keep": {"kind": ("POND",)}},
        "both": {"keep": {"Kind": ("pond",), "code": ("6",)}},
        "drop": {"drop": {"code": ("6.0",)}},
        "drop both": {"drop": {"Kind": ("pond",), "code": ("6",)}},
        "empty": {"keep": {"Kind": ("",)}},
    }
    found = {name: layer_of(read(shapes, columns=columns, **source)).feature.tolist() for name, source in kept.items()}
    assert found == {"kind": [1, 2], "both": [1], "drop": [2, 4], "drop both": [2, 3, 4], "empty": [4]}


def test_a_filter_names_missing_columns_and_texts_that_meet_nothing(read: Read) -> None:
    reading = read([at(SQUARE)], columns={"Kind": ["pond"]}, keep={"Type": ("pond",)})
    assert reading.layer is None
    assert [problem.line() for problem in reading.problems] == [
        "w.gpkg, layer w, column Type: there is no column 'Type'; it has Kind; name one of these (layers.keep)"
    ]
    reading = read([at(SQUARE)], columns={"Kind": ["pond"]}, keep={"Kind": ("pond", "steam")})
    assert codes(reading) == ["keep_unseen"]
    assert "'steam'" in reading.notes[0].what


@settings(max_examples=60, deadline=None)
@given(
    cells=st.lists(st.one_of(st.none(), st.integers(-5, 5).map(str), st.sampled_from(["a", " A", "b "])), max_size=12)
)
def test_what_is_kept_and_what_is_dropped_make_up_the_whole(cells: list[str | None]) -> None:
    column = pa.chunked_array([pa.array(cells, pa.string())])
    texts = {"c": ("a", "3", "")}
    kept = filter_rows(lambda _: column, len(cells), texts, {}).kept
    left = filter_rows(lambda _: column, len(cells), {}, texts).kept
    assert (kept ^ left).all()
    assert kept.tolist() == [(cell or "").strip().casefold() in ("a", "3", "") for cell in cells]


def test_numbers_compare_as_numbers_only_where_the_column_holds_numbers() -> None:
    table = pa.table({"i": [6, 60], "t": ["06", "6.0"], "b": [True, None], "d": pa.array([1, 2], pa.date32())})
    for column, text, kept in [
        ("i", "6.0", [True, False]),
        ("i", "06", [True, False]),
        ("t", "6", [False, True]),
        ("t", "06", [True, False]),
        ("b", "yes", [True, False]),
        ("d", "1970-01-03", [False, True]),
    ]:
        assert filter_rows(table.column, 2, {column: (text,)}, {}).kept.tolist() == kept, (column, text)


def test_a_bow_tie_keeps_both_lobes_with_the_area_of_a_hand_sum(read: Read) -> None:
    # lines y = x/2 and y = 10 - x/4 cross at x = 40/3; lobes 10 * (40/3) / 2 and 20 * (40 - 40/3) / 2
    reading = read([at("POLYGON ((0 0, 40 20, 40 0, 0 10, 0 0))"), at(SQUARE)], role="lawn")
    layer = layer_of(reading)
    assert shapely.area(layer.geometry) == pytest.approx([1000 / 3, 100])
    assert shapely.contains_xy(layer.geometry[0], [X + 1, X + 39, X + 13.4], [Y + 5, Y + 10, Y + 1]).tolist() == [
        True,
        True,
        False,
    ]
    (repair,) = reading.repaired
    assert (repair.feature, repair.what, repair.why) == (1, "repaired", "crosses itself")
    assert repair.area_before == pytest.approx(200)  # the two lobes wind opposite ways: 266.67 - 66.67
    assert repair.area_after == pytest.approx(1000 / 3)
    assert codes(reading) == ["geometry_repaired"]
    assert "repaired" in reading.notes[0].what
    assert reading.notes[0].rows == (1,)


def test_areas_of_repairs_are_square_metres_in_any_crs(tmp_path: Path) -> None:
    bow = gpd.GeoDataFrame({"n": [1]}, geometry=[at("POLYGON ((0 0, 40 20, 40 0, 0 10, 0 0))")], crs=UTM)
    for crs, name in [("EPSG:4326", "degrees"), ("EPSG:2263", "feet"), (UTM, "metres")]:
        bow.to_crs(crs).to_file(tmp_path / f"{name}.gpkg")
        source = LayerSource(number=1, role="lawn", file=f"{name}.gpkg")
        (repair,) = read_layer(source, make_settings(file=tmp_path / "site.toml")).repaired
        assert (repair.area_before, repair.area_after) == pytest.approx((200, 1000 / 3), rel=0.01), name


def test_overlapping_parts_are_joined_and_slivers_without_area_go(read: Read) -> None:
    overlap = at("MULTIPOLYGON (((0 0, 4 0, 4 4, 0 4, 0 0)), ((2 2, 6 2, 6 6, 2 6, 2 2)))")
    sliver = at("POLYGON ((0 0, 5 0, 2 0, 0 0))")
    reading = read([overlap, sliver], role="lawn")
    layer = layer_of(reading)
    assert layer.feature.tolist() == [1]
    assert shapely.area(layer.geometry[0]) == pytest.approx(28)  # 16 + 16 - 4
    assert codes(reading) == ["geometry_repaired", "geometry_dropped"]
    assert reading.repaired[1].why == "has no area"


@pytest.mark.parametrize(("on_invalid", "features"), [("repair", [1, 2]), ("drop", [2]), ("error", None)])
def test_on_invalid_is_heeded(on_invalid: str, features: list[int] | None, read: Read) -> None:
    reading = read([at("POLYGON ((0 0, 4 4, 4 0, 0 4, 0 0))"), at(SQUARE)], role="lawn", on_invalid=on_invalid)
    if features is None:
        assert reading.layer is None
        assert "feature 1" in reading.problems[0].line()
        assert reading.problems[0].key == "layers.on_invalid"
    else:
        assert layer_of(reading).feature.tolist() == features


@settings(max_examples=60, deadline=None)
@given(points=st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=4, max_size=9))
def test_mended_shapes_are_valid_areas_and_sound_ones_stay(points: list[tuple[int, int]]) -> None:
    shape = shapely.Polygon(points)
    mended = mend_shapes(np.asarray([shape], dtype=object), np.asarray([7]), file="f", layer="l")
    after = mended.geometry[0]
    if shapely.is_valid(shape):
        assert after.equals_exact(shape, 0)
        assert mended.repairs == ()
    else:
        assert [repair.feature for repair in mended.repairs] == [7]
        assert after is None or (shapely.is_valid(after) and after.geom_type in ("Polygon", "MultiPolygon"))
        assert after is None or after.area <= shapely.convex_hull(shape).area + 1e-9


def test_null_and_empty_shapes_are_counted_and_left_out(read: Read) -> None:
    reading = read([None, shapely.Polygon(), at(SQUARE)])
    assert layer_of(reading).feature.tolist() == [3]
    assert layer_of(reading).features_in_file == 3
    (note,) = reading.notes
    assert (note.code, note.count, note.rows) == ("geometry_empty", 2, (1, 2))
    assert note.what == "2 features of role water without geometry (null or empty); left out"


def test_a_broken_ring_does_not_stop_a_layer(tmp_path: Path) -> None:
    square = [[0, 0], [0.001, 0], [0.001, 0.001], [0, 0.001], [0, 0]]
    features = [
        {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": rings}}
        for rings in ([square, [[0.0005, 0.0005], [0.0005, 0.0005]]], [[[0, 0], [1, 1]]], [square])
    ]
    (tmp_path / "w.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    source = LayerSource(number=1, role="water", file="w.geojson")
    reading = read_layer(source, make_settings(file=tmp_path / "site.toml"))
    layer = layer_of(reading)
    assert layer.feature.tolist() == [1, 3]
    assert shapely.area(layer.geometry) == pytest.approx([1e-6, 1e-6])
    assert codes(reading) == ["geometry_repaired", "geometry_dropped"]
    assert "1 ring of fewer than 3 points" in reading.notes[0].what


def test_heights_go_and_a_missing_height_spoils_no_corner(tmp_path: Path) -> None:
    text = "POLYGON ZM ((0 0 1 0, 9 0 1 1, 9 9 nan 2, 0 9 1 3, 0 0 1 4))"
    (tmp_path / "w.csv").write_text(f'name,WKT\ncreek,"{text}"\nnone,\n')
    source = LayerSource(number=1, role="water", file="w.csv", crs=UTM)
    reading = read_layer(source, make_settings(file=tmp_path / "site.toml"))
    layer = layer_of(reading)
    assert layer.geometry[0].wkt == "POLYGON ((0 0, 9 0, 9 9, 0 9, 0 0))"
    assert codes(reading) == ["geometry_empty"]


def test_arcs_are_straightened_and_said(tmp_path: Path) -> None:
    circle = struct.pack("<10d", X - 10, Y, X, Y + 10, X + 10, Y, X, Y - 10, X - 10, Y)
    ring = b"\x01" + struct.pack("<II", 8, 5) + circle
    curved = b"\x01" + struct.pack("<II", 10, 1) + ring
    table = pa.table({"n": [1], "geom": pa.array([curved], pa.binary())})
    pyogrio.raw.write_arrow(
        table, tmp_path / "w.gpkg", driver="GPKG", geometry_name="geom", geometry_type="Unknown", crs=UTM
    )
    source = LayerSource(number=1, role="water", file="w.gpkg")
    reading = read_layer(source, make_settings(file=tmp_path / "site.toml"))
    assert shapely.area(layer_of(reading).geometry[0]) == pytest.approx(np.pi * 100, rel=2e-3)
    assert [(repair.what, repair.why) for repair in reading.repaired] == [("flattened", "arcs straightened")]


def test_mixed_shapes_and_collections_come_through(read: Read) -> None:
    collection = at("GEOMETRYCOLLECTION (POINT (1 1), GEOMETRYCOLLECTION (LINESTRING (0 0, 5 5)), POLYGON EMPTY)")
    reading = read([at(SQUARE), at("LINESTRING (0 0, 9 9)"), at("POINT (3 3)"), collection])
    kinds = [shape.geom_type for shape in layer_of(reading).geometry]
    assert kinds == ["Polygon", "LineString", "Point", "GeometryCollection"]
    assert [part.geom_type for part in shapely.get_parts(layer_of(reading).geometry[3])] == ["Point", "LineString"]


def test_widths_come_from_a_number_or_a_column_and_belong_to_lines(read: Read) -> None:
    line = at("LINESTRING (0 0, 9 9)")
    columns = {"w": ["6", "3,5 m", "wide", None, "2"]}
    shapes = [line] * 4 + [at(SQUARE)]
    reading = read(shapes, columns=columns, width_m="W")
    assert layer_of(reading).width_m == pytest.approx([6, 3.5, np.nan, np.nan, np.nan], nan_ok=True)
    (note,) = reading.notes
    assert (note.code, note.column, note.rows) == ("cell_not_understood", "W", (3,))
    assert layer_of(read(shapes, width_m=4)).width_m == pytest.approx([4, 4, 4, 4, np.nan], nan_ok=True)
    assert np.isnan(layer_of(read(shapes)).width_m).all()
    assert read(shapes, columns=columns, width_m="broad").problems[0].key == "layers.width_m"


def test_layers_that_hold_nothing_are_no_layers(read: Read) -> None:
    empty = read([], role="lawn")
    assert empty.layer is None
    assert codes(empty) == ["layer_empty"]
    assert empty.problems == ()
    none_kept = read([at(SQUARE)], columns={"k": ["a"]}, keep={"k": ("b",)}, role="lawn")
    assert none_kept.layer is None
    assert codes(none_kept) == ["keep_unseen", "layer_empty"]
    assert "none of its 1 features" in none_kept.notes[1].what


def test_an_unknown_crs_is_asked_for(read: Read) -> None:
    asked = read([at(SQUARE)], crs=None)
    assert asked.layer is None
    assert asked.problems[0].key == "layers.crs"
    assert "coordinate system (CRS) is not known" in asked.problems[0].line()


def test_a_crs_the_user_names_fills_a_gap_and_never_overrules(tmp_path: Path) -> None:
    site = make_settings(file=tmp_path / "site.toml")
    gpd.GeoDataFrame({"n": [1]}, geometry=[at(SQUARE)]).to_file(tmp_path / "bare.gpkg")
    gpd.GeoDataFrame({"n": [1]}, geometry=[at(SQUARE)], crs=UTM).to_file(tmp_path / "full.gpkg")

    def told(file: str, crs: str) -> LayerReading:
        return read_layer(LayerSource(number=1, role="water", file=file, crs=crs), site)

    assert layer_of(told("bare.gpkg", UTM)).crs.to_epsg() == 26918
    assert layer_of(told("full.gpkg", "epsg:26918")).crs.to_epsg() == 26918
    against = told("full.gpkg", "EPSG:26718").problems[0].line()
    assert "NAD83 / UTM zone 18N" in against
    assert "NAD27 / UTM zone 18N" in against
    assert told("bare.gpkg", "EPSG:1").problems[0].key == "layers.crs"


def test_covers_are_polygons_with_a_crs(read: Read, tmp_path: Path) -> None:
    gpd.GeoDataFrame({"n": [1]}, geometry=[at(SQUARE)], crs=UTM).to_file(tmp_path / "area.gpkg")
    gpd.GeoDataFrame({"n": [1]}, geometry=[at("POINT (1 1)")], crs=UTM).to_file(tmp_path / "dot.gpkg")
    reading = read([at(SQUARE)], covers="area.gpkg")
    layer = layer_of(reading)
    assert layer.covers is not None
    assert layer.covers[0].area == pytest.approx(100)
    facts = reading.read_as[1].facts
    assert (facts["surveyed_area_of"], facts.get("role")) == (reading.read_as[0].facts["role"], None)
    assert [entry.file for entry in reading.read_as] == ["w.gpkg", "area.gpkg"]
    for covers in ("dot.gpkg", "absent.gpkg"):
        problem = read([at(SQUARE)], covers=covers).problems[0]
        assert (problem.file, problem.key) == (covers, "layers.covers")


def test_a_role_that_is_an_area_tells_of_lines(read: Read) -> None:
    reading = read([at(SQUARE), at("LINESTRING (0 0, 9 9)")], role="lawn")
    assert codes(reading) == ["shapes_unfit"]
    assert reading.notes[0].rows == (2,)
    lines = read([at("LINESTRING (0 0, 9 9)")], role="study_area")
    assert "polygons" in lines.problems[0].line() and codes(lines) == []
    assert codes(read([at("LINESTRING (0 0, 9 9)")], role="water")) == []


def test_streams_of_several_kinds_are_told_unless_chosen(read: Read) -> None:
    lines = [at(f"LINESTRING (0 {n}, 9 {n})") for n in range(3)]
    columns = {"name": ["Wash Creek", "Dry Run", "Mill"], "kind": ["perennial", "ephemeral", "pipeline"]}
    reading = read(lines, columns=columns)
    assert codes(reading) == ["streams_mixed"]
    assert "kind = ephemeral 1, perennial 1, pipeline 1" in reading.notes[0].what
    assert 'keep = { kind = ["perennial"] }' in reading.notes[0].remedy
    spaced = read(lines, columns={"Feature Type": ['stream "Mill"', "ephemeral", "pipeline"]})
    proposed = re.search(r"keep = \{.*\}", spaced.notes[0].remedy)
    assert proposed is not None
    assert tomllib.loads(proposed[0]) == {"keep": {"Feature Type": ['stream "Mill"']}}
    assert codes(read(lines, columns=columns, keep={"kind": ("perennial",)})) == []
    assert codes(read(lines, columns=columns, role="road")) == []
    assert codes(read(lines, columns={**columns, "kind": ["river", "creek", "pond"]})) == []


def test_a_city_of_polygons_is_read_without_a_loop_over_features(tmp_path: Path) -> None:
    n = 100_000
    x, y = np.arange(n) % 400 * 30.0 + X, np.arange(n) // 400 * 30.0 + Y
    table = pa.table(
        {"k": np.asarray(["a", "b"])[np.arange(n) % 2], "geom": shapely.to_wkb(shapely.box(x, y, x + 9, y + 9))}
    )
    pyogrio.raw.write_arrow(
        table, tmp_path / "w.fgb", driver="FlatGeobuf", geometry_name="geom", geometry_type="Polygon", crs=UTM
    )
    source, calls = LayerSource(number=1, role="lawn", file="w.fgb", keep={"k": ("A",)}), 0

    def count(frame: Any, event: str, _: Any) -> None:
        nonlocal calls
        calls += event == "call"

    sys.setprofile(count)
    try:
        layer = layer_of(read_layer(source, make_settings(file=tmp_path / "site.toml")))
    finally:
        sys.setprofile(None)
    assert len(layer.geometry) == n / 2
    assert calls < n / 4  # of functions in Python


# --- hard inputs and real places -------------------------------------------------------------------------------------

NOT_OURS = ("csv-", "out-", "map-", "base-", "role-", "raster-")


def layers_of_cases() -> list[Any]:
    """Every layer of every hard input that is read from files as they stand."""
    found = []
    for folder in sorted(CASES.glob("*")) if CASES.exists() else []:
        if folder.name.startswith(NOT_OURS) or not (folder / "case.toml").exists():
            continue
        case = tomllib.loads((folder / "case.toml").read_text())
        if "generate" not in case:
            found += [
                pytest.param(folder, one, id=f"{folder.name}-{one['role']}-{n}")
                for n, one in enumerate(case.get("layer", ()))
            ]
    return found


# What a layer alone can show: the rest of the case is about its trees, or needs metres.
REFUSED = {
    "crs-geojson-projected": ["degree"],
    "file-missing": ["watter.geojson", "not found", "water.geojson"],
    "geojson-truncated": ["lawn.geojson"],
    "gpkg-layer-wrong-name": ["streams"],
    "gpkg-two-spatial-layers": ["ponds", "streams"],
    "path-vsicurl": ["not a local file"],
    "pbf-truncated": ["water.osm.pbf"],
    "shp-missing-shx": ["water.shx"],
    "shp-no-prj": ["water.shp", "CRS"],
    "zip-slip": ["water.zip"],
}
NOTED = {
    "geom-bowtie": "geometry_repaired",
    "geom-null-and-empty": "geometry_empty",
    "geom-stream-types": "streams_mixed",
    "layer-no-features": "layer_empty",
}


@pytest.mark.skipif(not CASES.exists(), reason=f"{CASES} is not here")
@pytest.mark.parametrize(("folder", "asked"), layers_of_cases())
def test_hard_layers_are_read_or_refused_in_words(folder: Path, asked: dict[str, str]) -> None:
    site = make_settings(file=folder / "site.toml")
    more = {key: asked[key] for key in ("layer", "crs") if key in asked}
    reading = read_layer(LayerSource(number=1, role=asked["role"], file=asked["file"], **more), site)
    refused = folder.name in REFUSED and not (asked["role"] == "lawn" and folder.name != "geojson-truncated")
    words = " ".join(problem.line() for problem in reading.problems)
    if refused:
        assert reading.layer is None
        for word in REFUSED[folder.name]:
            assert word in words
        return
    assert words == ""
    noted = NOTED.get(folder.name) if asked["role"] != "water" or folder.name.startswith("geom-") else None
    assert codes(reading) == ([noted] if noted else [])
    assert (reading.layer is None) == (noted == "layer_empty")


@pytest.mark.skipif(not DATA.exists(), reason=f"{DATA} is not here")
def test_published_city_files_are_read_as_they_are() -> None:
    # counts: data/cambridge-ma/README.md (City of Cambridge GIS, PDDL 1.0)
    site = make_settings(file=DATA / "cambridge-ma" / "site.toml")

    def city(file: str, role: str = "driveway", **more: Any) -> LayerReading:
        return read_layer(LayerSource(number=1, role=role, file=file, **more), site)

    for layer, features, crossing in [
        ("driveways", 2950, 61),
        ("private_walkways", 5000, 370),
        ("roads", 89, 7),
        ("public_footpaths", 66, 4),
        ("sports_areas", 80, 1),
    ]:
        reading = city("layers_nw.gpkg", layer=layer)
        assert layer_of(reading).features_in_file == features
        assert len({repair.feature for repair in reading.repaired}) == crossing
    broken = city("raw/RECREATION_SportsAreas.geojson", role="lawn")
    assert layer_of(broken).features_in_file == 262
    assert sum("fewer than 3 points" in repair.why for repair in broken.repaired) == 3
    bare = city("raw/BASEMAP_Driveways.topojson")
    assert layer_of(bare).features_in_file == 8381
    assert [taken.taken for taken in bare.assumptions] == ["WGS 84 degrees"]
    water = city("layers_nw.gpkg", role="water", layer="water", keep={"TYPE": ("POND", "STREAM", "WATER")})
    assert len(layer_of(water).feature) == 29
    feet = city("trees_nw_stateplane_ft.zip")
    assert layer_of(feet).crs.to_epsg() == 2249


@pytest.mark.skipif(not DATA.exists(), reason=f"{DATA} is not here")
def test_open_street_map_is_read_with_its_other_tags() -> None:
    site = make_settings(file=DATA / "site.toml")
    for file in ("helsinki-osm/helsinki_centre.osm.pbf", "helsinki-osm/helsinki_bay.osm"):
        for layer in ("lines", "multipolygons", "other_relations"):
            layer_of(read_layer(LayerSource(number=1, role="water", file=file, layer=layer), site))
    source = LayerSource(
        number=1,
        role="driveway",
        file="helsinki-osm/helsinki_centre.osm.pbf",
        layer="lines",
        keep={"service": ("driveway",)},
    )
    assert len(layer_of(read_layer(source, site)).feature) == 26  # 27 in the extract, one of them drawn as an area
    custom = read_layer(LayerSource(number=1, role="study_area", file="zion-rasters/zion.gpkg"), site)
    assert layer_of(custom).crs.is_projected
