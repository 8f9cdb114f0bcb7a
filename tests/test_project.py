"""The one gate: what stands in metres afterwards, and what is said of the way there."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from conftest import ORIGIN, UTM, make_inputs, make_layer, make_settings, make_table
from hypothesis import given, settings
from hypothesis import strategies as st
from outside import GEOD

from riskmap.errors import InputError
from riskmap.model import Inputs, MeasureSettings, RasterData, RasterSource, SilentWatch, Site
from riskmap.project import project_inputs
from riskmap.project.steps import crs_name
from riskmap.project.working import middle_of, stretch_at, stretch_between
from riskmap.read.crs import crs_in_words


def project(inputs: Inputs) -> Site:
    """Project quietly."""
    return project_inputs(inputs, watch=SilentWatch())


def codes(site: Site) -> list[str]:
    """What was said, in short."""
    return [note.code for note in site.notes]


@pytest.mark.parametrize(
    ("crs", "xy", "name"),
    [
        ("EPSG:4326", (-75.01, 42.3), "WGS 84 / UTM zone 18N"),
        ("EPSG:4326", (179.9999, -17.0), "WGS 84 / UTM zone 60S"),
        ("EPSG:4326", (-180.0, 60.0), "WGS 84 / UTM zone 1N"),
        ("EPSG:4326", (15.0, 86.0), "WGS 84 / UPS North (N,E)"),
        ("EPSG:4326", (15.0, -86.0), "WGS 84 / UPS South (N,E)"),
        ("EPSG:26918", (499_200.0, 4_683_100.0), "NAD83 / UTM zone 18N"),
        ("EPSG:26986", (236_000.0, 900_000.0), "NAD83 / Massachusetts Mainland"),  # in metres: kept
        ("EPSG:2249", (774_000.0, 2_960_000.0), "NAD83 / UTM zone 19N"),  # in feet: not kept
        ("EPSG:3857", (2_782_987.0, 8_399_737.0), "WGS 84 / UTM zone 35N"),  # twice too long: not kept
        ("EPSG:3035", (5_100_000.0, 4_300_000.0), "ETRS89 / UTM zone 35N"),  # true to area, not to shape
        ("EPSG:27700", (307_487.4, 83_281.2), "OSGB36 / British National Grid"),
    ],
)
def test_working_crs_is_in_metres_and_true_to_shape(crs: str, xy: tuple[float, float], name: str) -> None:
    site = project(make_inputs([xy], crs=crs))
    assert site.crs.name == name
    assert site.trees.placed.all()
    assert 0.99 < site.trees.scale[0] < 1.01


def test_a_named_crs_that_does_not_fit_is_refused_with_its_key() -> None:
    for crs, word in [
        ("EPSG:2249", "not in metres"),
        ("EPSG:4326", "not in metres"),
        ("EPSG:3857", "point scale is 1.35"),
        ("EPSG:32633", "does not fit"),
        ("EPSG:3035", "more one way than the other"),
        ("mud", "no coordinate reference system"),
    ]:
        with pytest.raises(InputError) as caught:
            project(make_inputs([(-75.01, 42.3)], crs="EPSG:4326", settings={"crs": crs}))
        (problem,) = caught.value.problems
        assert (problem.key, problem.file) == ("crs", "site.toml")
        assert word in problem.what


def test_a_named_crs_that_is_not_true_to_shape_is_refused() -> None:
    with pytest.raises(InputError, match="more one way than the other"):
        project(make_inputs([(25.0, 62.0)], crs="EPSG:4326", settings={"crs": "EPSG:3035"}))


def test_a_named_crs_in_metres_is_taken() -> None:
    site = project(make_inputs([(-75.01, 42.3)], crs="EPSG:4326", settings={"crs": "EPSG:26918"}))
    assert site.crs.to_epsg() == 26918
    assert "datum_step" not in codes(site)  # known to 4 m


def test_trees_without_a_crs_ask_for_one() -> None:
    with pytest.raises(InputError, match=r"trees\.crs"):
        project(make_inputs(make_table([(1.0, 2.0)], crs=None)))


def test_degrees_are_reported_as_given() -> None:
    table = make_table([(-75.123456789, 42.3), (-435.0, 42.3)], crs="EPSG:4326", lonlat_as_given=True)
    site = project(make_inputs(table))
    assert site.trees.lon.tolist() == [-75.123456789, -435.0]
    assert site.trees.placed.all()  # a longitude that goes round once more is the same place


def test_blanks_and_far_trees_keep_their_rows_but_no_place() -> None:
    xy = [(-75.0, 42.3), (0.0, 0.0), (-75.001, 42.3), (0.000001, -0.00002), (np.nan, np.nan), (100.0, -42.0)]
    site = project(make_inputs(xy, crs="EPSG:4326"))
    assert site.crs.name == "WGS 84 / UTM zone 18N"
    assert site.trees.placed.tolist() == [True, False, True, False, False, False]
    assert np.isnan(site.trees.x_m[[1, 3, 4, 5]]).all()
    assert (site.trees.scale[~site.trees.placed] == 1.0).all()
    said = {note.code: note for note in site.notes}
    assert said["place_at_zero"].rows == (3, 5)
    assert said["place_at_zero"].tree_ids == ("T2", "T4")
    assert said["tree_far"].rows == (7,)
    assert site.trees.table.remarks is not None
    assert site.trees.table.remarks[1] == ("place_at_zero",)
    assert site.inputs.trees is site.trees.table


def test_no_placed_tree_is_no_crash() -> None:
    site = project(make_inputs([(np.nan, np.nan)], {"water": [shapely.box(0, 0, 1, 1)]}, crs="EPSG:4326"))
    assert not site.trees.placed.any()
    assert site.surveyed == frozenset()


def test_outliers_do_not_choose_the_zone() -> None:
    here = np.column_stack([np.linspace(-75.1, -75.0, 50), np.full(50, 42.3)])
    site = project(make_inputs(np.vstack([here, [(0.0, 0.0), (0.0, 0.0)]]), crs="EPSG:4326"))
    assert site.crs.name == "WGS 84 / UTM zone 18N"


@settings(max_examples=60, deadline=None)
@given(lon=st.floats(-180, 180), lat=st.floats(-89.0, 89.0), turn=st.floats(0, 360), metres=st.floats(0.1, 1000.0))
def test_planar_over_scale_is_the_geodesic(lon: float, lat: float, turn: float, metres: float) -> None:
    """Source: GeographicLib geodesics (Karney 2013) in PROJ."""
    lat += 0.1 * (abs(lat) < 0.1)  # 0,0 is a blank, not a place
    lon2, lat2, _ = GEOD.fwd(lon, lat, turn, metres)
    site = project(make_inputs([(lon, lat), (lon2, lat2)], crs="EPSG:4326"))
    trees = site.trees
    planar = float(np.hypot(np.diff(trees.x_m), np.diff(trees.y_m))[0])
    assert abs(planar / trees.scale[0] - metres) < 0.01


@pytest.mark.parametrize("metres", [200.0, 1000.0])
def test_sites_wider_than_a_zone_stay_within_a_tenth_of_a_metre(metres: float) -> None:
    """Ten thousand km2 or a whole country on one map: no zone line is crossed. Source: as above."""
    rng = np.random.default_rng(5)
    for west, east, south, north in [(-124, -67, 25, 49), (-10, 30, 36, 70), (30, 170, 45, 72), (113, 154, -44, -10)]:
        lon, lat = rng.uniform(west, east, 300), rng.uniform(south, north, 300)
        lon2, lat2, _ = GEOD.fwd(lon, lat, rng.uniform(0, 360, 300), np.full(300, metres))
        site = project(make_inputs(np.column_stack([np.r_[lon, lon2], np.r_[lat, lat2]]), crs="EPSG:4326"))
        trees = site.trees
        assert trees.placed.all()
        planar = np.hypot(trees.x_m[300:] - trees.x_m[:300], trees.y_m[300:] - trees.y_m[:300])
        assert np.abs(planar / trees.scale[:300] - metres).max() < 0.1


def test_datum_steps_are_recorded_and_bad_ones_said() -> None:
    creek = shapely.LineString([(499_000, 4_683_000), (499_100, 4_683_000)])
    layers = [
        make_layer("water", [creek], crs="EPSG:26718", file="old.shp"),
        make_layer("lawn", [creek.buffer(5)], number=2, crs="EPSG:26918", file="new.shp"),
    ]
    site = project(make_inputs([(-75.01, 42.3)], layers, crs="EPSG:4326"))
    steps = {step["file"]: step for step in site.datum_steps}
    assert steps["new.shp"]["accuracy_m"] == 4.0
    assert steps["old.shp"]["accuracy_m"] is None or float(str(steps["old.shp"]["accuracy_m"])) >= 5.0
    assert "NAD27" in str(steps["old.shp"]["operation"])
    (note,) = [note for note in site.notes if note.code == "datum_step"]
    assert note.file == "old.shp"
    assert "NAD27" in note.what


def test_layers_far_and_empty_are_said_and_not_surveyed() -> None:
    far = shapely.box(-66.0, 43.0, -65.9, 43.1)
    site = project(make_inputs([(-75.01, 42.3)], {"water": [far], "lawn": []}, crs="EPSG:4326"))
    assert site.surveyed == frozenset()
    said = {note.code: note for note in site.notes}
    assert "km from the middle of the site" in said["layer_far"].what
    assert "lawn" in said["layer_empty"].what
    assert [len(layer.geometry) for layer in site.layers] == [0, 0]


@pytest.mark.parametrize(("off_m", "near"), [(4990.0, True), (5010.0, False)])
def test_five_kilometres_on_the_ground_is_far(off_m: float, near: bool) -> None:
    lon, lat, _ = GEOD.fwd(-75.0, 42.3, 90.0, off_m)
    shapes = {"water": [shapely.box(lon, lat - 0.01, lon + 0.01, lat + 0.01)]}
    site = project(make_inputs([(-75.0, 42.3)], shapes, crs="EPSG:4326"))
    assert ("water" in site.surveyed) is near


def test_features_out_of_reach_go_and_numbers_stay() -> None:
    shapes = [shapely.box(x, 42.3, x + 0.001, 42.301) for x in (-80.0, -75.01, -60.0, -75.02)]
    layer = make_layer("water", shapes, crs="EPSG:4326", feature=[3, 5, 8, 9], width_m=None)
    (ground,) = project(make_inputs([(-75.0, 42.3)], [layer], crs="EPSG:4326")).layers
    assert ground.data.feature.tolist() == [5, 9]
    assert len(ground.geometry) == len(ground.data.geometry) == len(ground.data.width_m) == 2


def test_a_world_wide_polygon_still_covers_the_site() -> None:
    world = shapely.box(-179.0, -80.0, 179.0, 80.0)
    site = project(make_inputs([(-75.0, 42.3)], {"deer_habitat": [world]}, crs="EPSG:4326"))
    (ground,) = site.layers
    assert shapely.contains_xy(ground.geometry[0], site.trees.x_m[0], site.trees.y_m[0])


def test_long_edges_are_split_where_they_bend() -> None:
    """An edge along 60 degrees north, straight in degrees, lies 2.7 km off the straight line of the map half way."""
    edge = shapely.LineString([(20.0, 60.0), (30.0, 60.0)])
    lon, lat, _ = GEOD.fwd(25.0, 60.0, 0.0, 50.0)
    site = project(make_inputs([(lon, lat)], {"water": [edge]}, crs="EPSG:4326"))
    line, trees = site.layers[0].geometry[0], site.trees
    away = line.distance(shapely.Point(trees.x_m[0], trees.y_m[0])) / trees.scale[0]
    assert abs(away - 50.0) < 0.02


def test_shapes_across_the_180th_meridian_hang_together() -> None:
    pond = shapely.box(-179.9999, -17.001, -179.9, -16.999)
    drawn_across = shapely.Polygon([(179.95, -17.1), (-179.95, -17.1), (-179.95, -17.05), (179.95, -17.05)])
    site = project(make_inputs([(179.9999, -17.0)], {"water": [pond, drawn_across]}, crs="EPSG:4326"))
    areas = shapely.area(site.layers[0].geometry)
    assert areas[1] == pytest.approx(0.1 * 0.05 * 110_650 * 111_320 * np.cos(np.radians(17.07)), rel=0.02)
    gap = shapely.distance(site.layers[0].geometry[0], shapely.Point(site.trees.x_m[0], site.trees.y_m[0]))
    assert gap / site.trees.scale[0] == pytest.approx(GEOD.inv(179.9999, -17, -179.9999, -17)[2], abs=0.01)


def test_raster_points_use_the_whole_affine() -> None:
    raster = RasterData(
        source=RasterSource(name="elevation", file="dem.tif"),
        crs=pyproj.CRS(UTM),
        transform=(3.0, 4.0, ORIGIN[0], 4.0, -3.0, ORIGIN[1]),
        width=10,
        height=10,
        read_window=lambda rows, columns: np.ma.masked_array(np.zeros((1, 1))),
    )
    column, row = np.array([2.5, 7.0]), np.array([1.25, 0.0])
    xy = np.column_stack([3 * column + 4 * row + ORIGIN[0], 4 * column - 3 * row + ORIGIN[1]])
    (points,) = project(make_inputs(xy, rasters=[raster])).rasters
    assert points.column == pytest.approx(column)
    assert points.row == pytest.approx(row, abs=1e-9)


def test_the_middle_goes_round_the_180th_meridian() -> None:
    assert middle_of(np.array([179.0, -179.0, 179.5]), np.array([0.0, 1.0, 2.0])) == (179.5, 1.0)


def test_the_scale_is_that_of_the_projection_whatever_trees_come_along() -> None:
    """Source: PROJ's own factors, point by point."""
    rng = np.random.default_rng(8)
    for crs, x, y in [(UTM, (100_000, 900_000), (0, 9_300_000)), ("EPSG:32661", (1_000_000, 3_000_000), (1e6, 3e6))]:
        x_m, y_m = rng.uniform(*x, 500), rng.uniform(*y, 500)
        lon, lat = pyproj.Proj(crs)(x_m, y_m, inverse=True)
        exact, _ = stretch_at(pyproj.CRS(crs), lon, lat)
        np.testing.assert_allclose(stretch_between(pyproj.CRS(crs), x_m, y_m), exact, rtol=4e-8)
        alone = [stretch_between(pyproj.CRS(crs), x_m[i : i + 1], y_m[i : i + 1])[0] for i in range(20)]
        assert alone == stretch_between(pyproj.CRS(crs), x_m, y_m)[:20].tolist()


def test_the_working_crs_and_good_datum_steps_are_assumptions() -> None:
    layer = make_layer("water", [shapely.box(499_000, 4_683_000, 499_100, 4_683_100)], crs="EPSG:26918", file="w.shp")
    site = project(make_inputs([(-75.01, 42.3)], [layer], crs="EPSG:4326"))
    taken = {said.topic: said for said in site.assumptions}
    assert taken["crs"].taken == "EPSG:32618 WGS 84 / UTM zone 18N"
    assert "known to 4 m" in taken["datum_step.w.shp"].taken


def test_report_distance_widens_the_window() -> None:
    lon, lat, _ = GEOD.fwd(-75.0, 42.3, 90.0, 9000.0)
    pond = shapely.box(lon, lat - 0.01, lon + 0.01, lat + 0.01)
    near = shapely.box(-75.001, 42.3, -75.0005, 42.301)
    measure = MeasureSettings(report_within_m=10_000.0)
    keys = make_settings(measure=measure)
    site = project(make_inputs([(-75.0, 42.3)], {"water": [near, pond]}, crs="EPSG:4326", settings=keys))
    assert len(site.layers[0].geometry) == 2


def test_names_of_systems_from_files_are_shown_as_text() -> None:
    """A .prj may name its system with marks that act on a terminal."""
    odd = pyproj.CRS.from_wkt(pyproj.CRS.from_epsg(26918).to_wkt().replace("NAD83 / UTM zone 18N", "UTM\x1b[31m", 1))
    unnumbered = pyproj.CRS.from_json_dict({key: part for key, part in odd.to_json_dict().items() if key != "id"})
    for crs in (odd, unnumbered):
        assert "\x1b" in crs.name
        assert "UTM\\x1b[31m" in crs_in_words(crs)
        assert "UTM\\x1b[31m" in crs_name(crs)
