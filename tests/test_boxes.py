"""Big layers read only near the trees say and measure what reading them whole does."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from riskmap.check import check_inputs
from riskmap.look_over import look_over
from riskmap.measure import measure_exposures
from riskmap.model import Inputs, SilentWatch, Site
from riskmap.project import near_trees, project_inputs
from riskmap.read import boxed, read_inputs, read_settings
from riskmap.read.vectors import read_vector

UTM = "EPSG:32618"
X, Y = 480_000.0, 4_683_000.0
OBLIQUE = "+proj=omerc +lat_0=42.3 +lonc=-75 +alpha=33 +gamma=0 +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
CRSES = {"same": UTM, "degrees": "EPSG:4326", "feet": "EPSG:2260", "rotated": OBLIQUE, "old datum": "EPSG:26718"}
FORMATS = ["gpkg", "gpkg with gaps", "gpkg with a stale index", "fgb", "shp", "parquet", "parquet with a covering"]
FAR = (120_000.0, 90_000.0)


@pytest.fixture(autouse=True)
def every_file_is_big(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(boxed, "MOST_WHOLE", 0)


def ground(seed: int = 0, n: int = 400) -> gpd.GeoDataFrame:
    """Ponds within 100 km, more of them near the trees; some straddle the box, some hold it, some are broken."""
    rng = np.random.default_rng(seed)
    spread = np.where(rng.random(n) < 0.4, 6_000.0, 100_000.0)[:, None]
    corner = np.array([X, Y]) + rng.uniform(-1, 1, (n, 2)) * spread
    size = rng.choice([10.0, 60.0, 900.0, 12_000.0], (n, 2), p=[0.5, 0.4, 0.08, 0.02])
    shapes: list[Any] = list(shapely.box(*corner.T, *(corner + size).T))
    world = shapely.box(X - 150_000, Y - 150_000, X + 150_000, Y + 150_000)
    shapes[3] = world.difference(shapely.box(X - 90_000, Y - 90_000, X + 90_000, Y + 90_000))  # bounds hold the box
    shapes[11] = shapely.Polygon([(X + 300, Y), (X + 500, Y + 90), (X + 500, Y), (X + 300, Y + 90)])  # a bow tie
    shapes[17] = shapely.Polygon([(X + 5e4, Y + 5e4), (X + 6e4, Y + 6e4), (X + 6e4, Y + 5e4), (X + 5e4, Y + 6e4)])
    shapes[23] = shapely.MultiPolygon(
        [shapely.box(X + 700, Y, X + 720, Y + 9), shapely.box(X + 7e4, Y, X + 7e4 + 9, Y + 9)]
    )
    kinds = rng.choice(["pond", "lake", "ditch"], n)
    kinds[n - 1] = "sea"
    shapes[n - 1] = shapely.box(X + 9e4, Y + 9e4, X + 9e4 + 50, Y + 9e4 + 50)
    return gpd.GeoDataFrame({"n": np.arange(1, n + 1), "kind": kinds, "text": "ä"}, geometry=shapes, crs=UTM)


def write(folder: Path, frame: gpd.GeoDataFrame, form: str, name: str = "water") -> str:
    """Write the layer; its column n is the number of each feature in the file."""
    kind = form.split(maxsplit=1)[0]
    path = folder / f"{name}.{kind}"
    if kind == "parquet":
        covered = "covering" in form
        frame.to_parquet(path, write_covering_bbox=covered, row_group_size=40)
        return path.name
    if form == "gpkg with gaps":
        more = gpd.pd.concat([frame, frame.iloc[[0, 5, 9]]]).sort_index(kind="stable")
        more.to_file(path, driver="GPKG", layer="a layer")
        with sqlite3.connect(path) as base:  # every twin goes again, the first row among them
            twice = np.flatnonzero(more["n"].duplicated(keep="last").to_numpy()) + 1
            base.create_function("ST_IsEmpty", 1, lambda _: 0)
            for what in ("MinX", "MaxX", "MinY", "MaxY"):
                base.create_function(f"ST_{what}", 1, lambda _: 0.0)
            base.executemany('DELETE FROM "a layer" WHERE fid = ?', [(int(fid),) for fid in twice])
        return path.name
    frame.to_file(path, driver={"gpkg": "GPKG", "fgb": "FlatGeobuf", "shp": "ESRI Shapefile"}[kind])
    if "stale" in form:
        with sqlite3.connect(path) as base:
            base.execute("DELETE FROM rtree_water_geom WHERE id % 5 = 2")
    return path.name


def site_file(
    folder: Path, file: str, *, trees: Any = None, layer: str = "", role: str = "water", site: str = ""
) -> Path:
    """A site of some trees and one layer."""
    xy = np.random.default_rng(1).uniform(-1500, 1500, (60, 2)) + np.array([X, Y]) if trees is None else trees
    rows = "\n".join(f"T{i},{x:.8f},{y:.8f}" for i, (x, y) in enumerate(xy))
    (folder / "trees.csv").write_text(f"tree_id,x,y\n{rows}\n")
    crs = "EPSG:4326" if np.abs(xy).max() < 400 else UTM
    path = folder / "site.toml"
    path.write_text(
        f'title = "t"\ndate = 2026-10-15\n{site}\n[trees]\nfile = "trees.csv"\ncrs = "{crs}"\n'
        f'[[layers]]\nrole = "{role}"\nfile = "{file}"\n{layer}\n',
        encoding="utf-8",
    )
    return path


def read_both(path: Path) -> tuple[Inputs, Inputs]:
    """Read it whole, and only near the trees."""
    watch = SilentWatch()
    asked = read_settings(path)
    return read_inputs(asked, watch=watch), read_inputs(asked, near=near_trees, watch=watch)


def sites_of(path: Path) -> tuple[Site, Site]:
    """Both ways in metres."""
    whole, near = (project_inputs(check_inputs(one), watch=SilentWatch()) for one in read_both(path))
    return whole, near


def facts_of(inputs: Inputs) -> Mapping[str, Any]:
    return inputs.read_as[1].facts


def same(whole: Site, near: Site) -> None:
    """Distances, inside, edge and numbers are equal; what project kept is kept, unless it does not come near at all."""
    assert near.surveyed == whole.surveyed
    ours, theirs = (measure_exposures(site, watch=SilentWatch()) for site in (near, whole))
    assert ours.keys() == theirs.keys()
    for role, exposure in theirs.items():
        np.testing.assert_array_equal(ours[role].distance_m, exposure.distance_m)
        np.testing.assert_array_equal(ours[role].inside, exposure.inside)
        np.testing.assert_array_equal(ours[role].edge_m, exposure.edge_m)
        np.testing.assert_array_equal(ours[role].nearest_feature, exposure.nearest_feature)
    for one, other in zip(whole.layers, near.layers, strict=True):
        kept = np.isin(one.data.feature, other.data.feature)
        assert (one.data.feature[kept] == other.data.feature).all()
        assert shapely.equals_exact(one.geometry[kept], other.geometry).all()
        np.testing.assert_array_equal(one.data.width_m[kept], other.data.width_m)
        assert one.data.features_in_file == other.data.features_in_file
        middle = shapely.Point(float(np.nanmean(whole.trees.x_m)), float(np.nanmean(whole.trees.y_m)))
        assert (shapely.distance(one.geometry[~kept], middle) > 7_000).all()


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("crs", CRSES)
def test_a_site_is_the_same_both_ways(form: str, crs: str, tmp_path: Path) -> None:
    frame = ground().to_crs(CRSES[crs])
    file = write(tmp_path, frame, form)
    path = site_file(tmp_path, file)
    whole, near = sites_of(path)
    same(whole, near)
    read = near.inputs.read_as[1]
    assert "features_near_trees" not in whole.inputs.read_as[1].facts
    assert 100 < read.facts["features_near_trees"] < 250
    assert read.rows == len(frame) == whole.inputs.read_as[1].rows
    assert {k: read.facts[k] for k in ("kind", "crs")} == {k: whole.inputs.read_as[1].facts[k] for k in ("kind", "crs")}


@pytest.mark.parametrize("form", FORMATS)
def test_numbers_are_those_of_the_file_and_so_are_notes_of_what_is_near(form: str, tmp_path: Path) -> None:
    frame = ground()
    file = write(tmp_path, frame, form)
    order = gpd.read_file(tmp_path / file)["n"].tolist() if "fgb" in form else list(range(1, len(frame) + 1))
    _, near = read_both(site_file(tmp_path, file))
    (layer,) = near.layers
    by_number = {order.index(int(n)) + 1: shape for n, shape in zip(frame["n"], frame.geometry, strict=True)}
    sound = [
        (number, shape)
        for number, shape in zip(layer.feature, layer.geometry, strict=True)
        if by_number[number].is_valid
    ]
    assert all(
        shapely.equals(shapely.normalize(shape), shapely.normalize(by_number[number])) for number, shape in sound
    )
    bow_tie = order.index(12) + 1
    assert [repair.feature for repair in near.repaired] == [bow_tie]  # the other one lies 70 km off
    assert [note.rows for note in near.notes if note.code == "geometry_repaired"] == [(bow_tie,)]


@pytest.mark.parametrize("form", FORMATS)
def test_filters_and_widths(form: str, tmp_path: Path) -> None:
    frame = ground()
    frame["geometry"] = frame.geometry.boundary.where(frame["n"] != 4, frame.geometry)
    frame["wide"] = np.where(frame["n"] % 3 == 0, np.nan, frame["n"] / 10)
    file = write(tmp_path, frame, form)
    layer = 'keep = { kind = ["pond", "sea", "brook"] }\ndrop = { n = ["7"] }\nwidth_m = "wide"'
    path = site_file(tmp_path, file, layer=layer)
    same(*sites_of(path))
    whole, near = read_both(path)
    said = [[note.what for note in one.notes if note.code == "keep_unseen"] for one in (whole, near)]
    assert said[0] == said[1] == ["keep asks for 'brook', which stands in no feature"]  # a sea stands far off


@pytest.mark.parametrize("form", ["gpkg", "fgb", "parquet", "parquet with a covering"])
def test_a_layer_in_sight_and_one_far_off_are_told_from_an_empty_one(form: str, tmp_path: Path) -> None:
    frame = ground()
    away = frame.geometry.distance(shapely.Point(X, Y))
    for least_km, asked in ((15, True), (95, False)):  # the frame whose bounds hold the box lies 90 km off
        some = frame[(away > least_km * 1000) & ((frame["n"] != 4) | asked)].reset_index(drop=True)
        file = write(tmp_path, some, form, name=f"w{least_km}")
        path = site_file(tmp_path, file)
        whole, near = sites_of(path)
        same(whole, near)
        assert [note.code for note in near.notes] == [note.code for note in whole.notes] == ["layer_far"]
        assert near.notes == whole.notes
        assert ("features_near_trees" in facts_of(near.inputs)) is asked
        assert near.surveyed == whole.surveyed == frozenset()
    path = site_file(tmp_path, write(tmp_path, frame, form), layer='keep = { kind = ["sea"] }')
    whole, near = sites_of(path)
    assert near.notes == whole.notes and [note.code for note in near.notes] == ["layer_far"]
    path = site_file(tmp_path, write(tmp_path, frame, form), layer='keep = { kind = ["brook"] }')
    assert read_both(path)[0].notes == read_both(path)[1].notes


def test_null_and_empty_shapes_are_noted_as_in_reading_whole(tmp_path: Path) -> None:
    frame = ground()
    frame.loc[[7, 90], "geometry"] = None
    frame.loc[[8, 91], "geometry"] = shapely.Polygon()
    for form in ("gpkg", "parquet"):
        path = site_file(tmp_path, write(tmp_path, frame, form))
        same(*sites_of(path))
        found = [[note for note in one.notes if note.code == "geometry_empty"] for one in read_both(path)]
        assert found[0] == found[1] and found[1][0].rows == (8, 9, 91, 92)
    path = site_file(tmp_path, write(tmp_path, frame, "parquet with a covering"))
    same(*sites_of(path))


def test_a_layer_drawn_in_east_longitudes_is_found(tmp_path: Path) -> None:
    frame = ground().to_crs(4326)
    frame["geometry"] = [shapely.transform(g, lambda xy: xy + np.array([360.0, 0.0])) if n % 2 else g
                         for n, g in zip(frame["n"], frame.geometry, strict=True)]  # fmt: skip
    for form in ("gpkg", "fgb", "shp", "parquet"):
        path = site_file(tmp_path, write(tmp_path, frame, form))
        whole, near = sites_of(path)
        same(whole, near)
        assert "features_near_trees" in facts_of(near.inputs)


def test_a_site_at_the_180th_meridian_is_read_whole(tmp_path: Path) -> None:
    trees = np.random.default_rng(2).uniform(-0.01, 0.01, (20, 2)) + np.array([179.999, -17.0])
    trees[:, 0] = (trees[:, 0] + 180) % 360 - 180
    shapes = [shapely.box(x, -17.001, x + 0.0005, -17.0) for x in np.arange(179.98, 179.999, 0.002)]
    shapes += [shapely.box(x, -17.001, x + 0.0005, -17.0) for x in np.arange(-179.999, -179.9, 0.002)]
    frame = gpd.GeoDataFrame({"n": np.arange(1, len(shapes) + 1)}, geometry=shapes, crs=4326)
    path = site_file(tmp_path, write(tmp_path, frame, "gpkg"), trees=trees)
    whole, near = sites_of(path)
    same(whole, near)
    assert "features_near_trees" not in facts_of(near.inputs)


@pytest.mark.parametrize("form", ["gpkg", "fgb", "shp", "parquet", "parquet with a covering"])
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), crs=st.sampled_from(sorted(CRSES)), within_m=st.sampled_from([100, 9_000]))
def test_any_ground_is_the_same_both_ways(form: str, seed: int, crs: str, within_m: int, tmp_path: Path) -> None:
    file = write(tmp_path, ground(seed, 80).to_crs(CRSES[crs]), form)
    rng = np.random.default_rng(seed)
    trees = np.array([X, Y]) + rng.uniform(-1, 1, (10, 2)) * rng.choice([5.0, 2_000.0, 30_000.0])
    same(*sites_of(site_file(tmp_path, file, trees=trees, site=f"measure.report_within_m = {within_m}")))


@pytest.mark.parametrize("form", ["gpkg", "fgb", "shp", "parquet"])
def test_what_is_judged_by_all_its_features_is_read_whole(form: str, tmp_path: Path) -> None:
    file = write(tmp_path, ground(), form)
    strict = site_file(tmp_path, file, layer='on_invalid = "error"')
    faults = [one.problems for one in read_both(strict)]
    assert faults[0] == faults[1] and "2 features with invalid geometry" in faults[1][0].what
    area = site_file(tmp_path, file, role="study_area")
    assert "features_near_trees" not in facts_of(read_both(area)[1])


def test_a_flatgeobuf_with_nothing_near_the_trees_but_on_all_sides_of_them(tmp_path: Path) -> None:
    frame = ground()
    some = frame[(frame.geometry.distance(shapely.Point(X, Y)) > 15_000) & (frame["n"] != 4)].reset_index(drop=True)
    file = tmp_path / write(tmp_path, some, "fgb")
    table = read_vector(file, near=lambda _: ((X, Y, X + 100, Y + 100),))
    assert (table.rows, len(table.feature), table.features_in_file) == (0, 0, len(some))
    assert table.table.num_rows == 0 and table.crs is not None


def test_files_without_crs_index_or_more_than_lies_near_are_read_whole(tmp_path: Path) -> None:
    frame = ground()
    frame["large"] = (frame.bounds.maxx - frame.bounds.minx).clip(lower=frame.bounds.maxy - frame.bounds.miny)
    bare = frame.set_crs(None, allow_override=True)
    for number, (some, more, layer) in enumerate([
        (bare, {}, f'crs = "{UTM}"'),
        (frame, {"SPATIAL_INDEX": "NO"}, ""),
        (frame.cx[X - 4_000 : X + 4_000, Y - 4_000 : Y + 4_000].query("large < 2_000").drop(columns="large"), {}, ""),
    ]):  # fmt: skip
        for ending, driver in (("gpkg", "GPKG"), ("fgb", "FlatGeobuf")):
            some.to_file(tmp_path / f"w{number}.{ending}", driver=driver, layer="w", **more)
            whole, near = sites_of(site_file(tmp_path, f"w{number}.{ending}", layer=layer))
            same(whole, near)
            assert "features_near_trees" not in facts_of(near.inputs)


def test_a_small_file_is_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write(tmp_path, ground(), "gpkg")
    monkeypatch.setattr(boxed, "MOST_WHOLE", (tmp_path / file).stat().st_size + 1)
    assert "features_near_trees" not in facts_of(read_both(site_file(tmp_path, file))[1])


def test_deleted_rows_of_a_shapefile_and_a_file_cut_off(tmp_path: Path) -> None:
    file = write(tmp_path, ground(), "shp")
    path = site_file(tmp_path, file)
    table = bytearray((tmp_path / "water.dbf").read_bytes())
    start, width = int.from_bytes(table[8:10], "little"), int.from_bytes(table[10:12], "little")
    table[start + 2 * width] = ord("*")
    (tmp_path / "water.dbf").write_bytes(table)
    whole, near = sites_of(path)
    same(whole, near)
    assert "features_near_trees" not in facts_of(near.inputs)
    packed = tmp_path / write(tmp_path, ground(), "fgb")
    packed.write_bytes(packed.read_bytes()[:-300])
    faults = [one.problems for one in read_both(site_file(tmp_path, packed.name))]
    assert faults[0] == faults[1] and "cut off or damaged" in faults[1][0].what


def test_a_broken_index_is_passed_by(tmp_path: Path) -> None:
    file = write(tmp_path, ground(), "gpkg")
    with sqlite3.connect(tmp_path / file) as base:
        base.execute("UPDATE rtree_water_geom_node SET data = zeroblob(9)")
    whole, near = sites_of(site_file(tmp_path, file))
    same(whole, near)
    assert "features_near_trees" not in facts_of(near.inputs)


def test_an_index_with_strays_for_rows_it_lacks_is_not_trusted_by_their_number(tmp_path: Path) -> None:
    frame = ground()
    file = write(tmp_path, frame, "gpkg")
    nearest = np.argsort(frame.geometry.distance(shapely.Point(X, Y)).to_numpy())[:60] + 1
    with sqlite3.connect(tmp_path / file) as base:
        for stray, fid in enumerate(nearest, start=100_000):
            base.execute("DELETE FROM rtree_water_geom WHERE id = ?", (int(fid),))
            base.execute("INSERT INTO rtree_water_geom VALUES (?, 0, 1, 0, 1)", (stray,))
    whole, near = sites_of(site_file(tmp_path, file))
    same(whole, near)
    assert "features_near_trees" in facts_of(near.inputs)


def test_names_that_look_like_sql_are_names(tmp_path: Path) -> None:
    frame = ground()
    frame.to_file(tmp_path / "w.gpkg", driver="GPKG", layer="wa\"ter'; DROP", GEOMETRY_NAME='ge"om', FID='the "id"')
    whole, near = sites_of(site_file(tmp_path, "w.gpkg"))
    same(whole, near)
    assert "features_near_trees" in facts_of(near.inputs)


@pytest.mark.parametrize("form", ["gpkg", "fgb", "shp", "parquet", "parquet with a covering"])
def test_closed_water_near_and_open_water_far_off_is_said(form: str, tmp_path: Path) -> None:
    frame = ground()
    away = frame.geometry.distance(shapely.Point(X, Y))
    frame["kind"] = np.where((away < 40_000) | (frame["n"] == 4), "pipeline", "lake")
    whole, near = read_both(site_file(tmp_path, write(tmp_path, frame, form)))
    said = [[note for note in one.notes if note.code == "streams_mixed"] for one in (whole, near)]
    assert len(said[0]) == len(said[1]) == 1
    assert 'keep = { kind = ["lake"] }' in said[1][0].remedy
    assert said[1][0].count == facts_of(near)["features_used"]
    frame["kind"] = "pipeline"
    whole, near = read_both(site_file(tmp_path, write(tmp_path, frame, form)))
    assert not [note for one in (whole, near) for note in one.notes if note.code == "streams_mixed"]


def test_a_covering_spares_rows_and_is_not_trusted_where_it_is_empty(tmp_path: Path) -> None:
    frame = ground().sort_values("n")
    path = tmp_path / write(tmp_path, frame, "parquet with a covering")
    table = pq.read_table(path)
    bounds = table.column("bbox").combine_chunks()
    lost = pa.array(np.arange(len(table)) % 4 == 0)
    holes = pa.StructArray.from_arrays(bounds.flatten(), fields=list(bounds.type), mask=lost)
    pq.write_table(table.set_column(table.column_names.index("bbox"), "bbox", holes), path, row_group_size=50)
    same(*sites_of(site_file(tmp_path, path.name)))


def test_check_and_run_read_alike_and_trees_without_place_fall_back(tmp_path: Path) -> None:
    path = site_file(tmp_path, write(tmp_path, ground(), "gpkg"))
    assert look_over(path, watch=SilentWatch()).read_as == read_both(path)[1].read_as
    swapped = np.array([[42.30, -75.24], [42.31, -75.25]])
    file = write(tmp_path, ground().to_crs(4326), "fgb")
    path = site_file(tmp_path, file, trees=swapped)
    problems = [check_problems(one) for one in read_both(path)]
    assert problems[0] == problems[1] and "exchanged" in problems[1][0]


def check_problems(inputs: Inputs) -> list[str]:
    from riskmap.check import list_inputs

    return [problem.what for problem in list_inputs(inputs).problems]


def test_packed_files_pass_the_same_door(tmp_path: Path) -> None:
    import gzip
    import zipfile

    file = write(tmp_path, ground(), "fgb")
    with zipfile.ZipFile(tmp_path / "w.zip", "w") as archive:
        archive.write(tmp_path / file, "inner/water.fgb")
    (tmp_path / "w.fgb.gz").write_bytes(gzip.compress((tmp_path / file).read_bytes()))
    for packed in ("w.zip", "w.fgb.gz"):
        whole, near = sites_of(site_file(tmp_path, packed, layer='keep = { kind = ["pond", "brook"] }'))
        same(whole, near)
        assert "features_near_trees" in facts_of(near.inputs)
