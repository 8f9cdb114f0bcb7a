"""Ground in other forms than the reproducer cases: coordinate systems, corners of the world, shapes, rasters."""

from __future__ import annotations

import json
import sqlite3
import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import pytest
import rasterio
import shapely
from rasterio.shutil import copy
from rasterio.transform import Affine, from_origin
from variant_site import EAST, METRES, NORTH, OFFSETS, PLACES, POND, RING, UTM, pond_frame, refused, right, run

ESRI = (
    'PROJCS["WGS_1984_UTM_Zone_18N",GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,'
    '298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],'
    'PARAMETER["False_Easting",500000.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-75.0],'
    'PARAMETER["Scale_Factor",0.9996],PARAMETER["Latitude_Of_Origin",0.0],UNIT["Meter",1.0]]'
)


def layer(name: str, driver: str, crs: Any = UTM) -> dict[str, Callable[[Path], None]]:
    """A file with the pond."""
    return {name: lambda path: pond_frame(crs).to_file(path, driver=driver)}


# ---- coordinate systems


@pytest.mark.parametrize(
    ("crs", "tolerance_m"),
    [
        *((26718, 3), (4267, 3), (32016, 3)),  # NAD27: the step is known to metres
        *((2261, 2), (26918, 2), (6535, 2), (5498, 2), ("EPSG:6347+5703", 2)),  # NAD83: taken as WGS 84 to a metre
        *((3857, 0.05), ("ESRI:102100", 0.05), ("EPSG:4087", 0.05), ("ESRI:54009", 0.05), (4979, 0.05), (4326, 0.05)),
        ("+proj=lcc +lat_1=41 +lat_2=45 +lat_0=43 +lon_0=-76 +x_0=100000 +datum=NAD83 +units=us-ft", 2),
        ("+proj=utm +zone=18 +datum=WGS84 +units=km", 0.05),
        ("+proj=tmerc +lon_0=-75 +k=.9996 +x_0=500000 +datum=WGS84 +axis=neu", 0.05),
        ("+proj=omerc +lat_0=42 +lonc=-75 +alpha=30 +k=1 +gamma=0 +datum=WGS84", 0.05),
    ],
)
def test_layers_in_other_systems(crs: Any, tolerance_m: float, tmp_path: Path) -> None:
    right(run(tmp_path, layer("w.gpkg", "GPKG", crs), layer="w.gpkg"), tolerance_m=tolerance_m)


def shapefile(prj: str | None) -> dict[str, Callable[[Path], None]]:
    """The pond as shapefile with this text in its .prj."""

    def write(path: Path) -> None:
        pond_frame().to_file(path)
        path.with_suffix(".prj").unlink()
        if prj is not None:
            path.with_suffix(".prj").write_text(prj, encoding="utf-8")

    return {"w.shp": write}


@pytest.mark.parametrize(
    "prj", [ESRI, "\ufeff" + ESRI, ESRI.replace("WGS_1984_UTM_Zone_18N", "own"), ESRI.replace(",", ", ") + "\n"]
)
def test_prj_texts_that_name_a_system(prj: str, tmp_path: Path) -> None:
    right(run(tmp_path, shapefile(prj), layer="w.shp"))


@pytest.mark.parametrize(
    "prj",
    [
        *(None, "", "garbage", "[" * 20_000, "PROJCS[" * 3000, 'LOCAL_CS["x",UNIT["m",1]]'),
        *(ESRI.replace("298.257223563", "0"), ESRI.replace("0.9996", "0"), ESRI.replace("0.9996", "nan")),
        *(ESRI.replace("6378137.0", "1e400"), ESRI.replace("6378137.0", "6378")),
    ],
)
def test_prj_texts_that_name_none_are_asked_about(prj: str | None, tmp_path: Path) -> None:
    refused(run(tmp_path, shapefile(prj), layer="w.shp"), "w.shp", "coordinate system (CRS) is not known", "layers.crs")


RINGS = {swap: " ".join(f"{p[swap]:.9f} {p[1 - swap]:.9f}" for p in RING) for swap in (0, 1)}
LONLAT = {
    swap: " ".join(
        f"{p[swap]:.10f} {p[1 - swap]:.10f}" for p in (pyproj.Proj(UTM)(x, y, inverse=True) for x, y in RING)
    )
    for swap in (0, 1)
}


@pytest.mark.parametrize(
    ("version", "srs", "corners"),
    [
        ("3.2", "urn:ogc:def:crs:EPSG::4326", LONLAT[1]),
        ("3.2", "http://www.opengis.net/def/crs/EPSG/0/4326", LONLAT[1]),
        ("3.2", "urn:ogc:def:crs:OGC:1.3:CRS84", LONLAT[0]),
        ("3.1", "EPSG:4326", LONLAT[0]),
        ("3.2", "urn:ogc:def:crs:EPSG::32618", RINGS[0]),
    ],
)
def test_gml_axes_stand_as_its_srs_name_says(version: str, srs: str, corners: str, tmp_path: Path) -> None:
    space, member = ("/3.2", "wfs:member") if version == "3.2" else ("", "gml:featureMember")
    text = (
        f'<wfs:FeatureCollection xmlns:wfs="http://www.opengis.net/wfs/2.0" xmlns:a="http://a.example/a" '
        f'xmlns:gml="http://www.opengis.net/gml{space}"><{member}><a:pond gml:id="f1"><a:geom>'
        f'<gml:Polygon srsName="{srs}" gml:id="p1"><gml:exterior><gml:LinearRing><gml:posList>{corners}</gml:posList>'
        f"</gml:LinearRing></gml:exterior></gml:Polygon></a:geom></a:pond></{member}></wfs:FeatureCollection>"
    )
    right(run(tmp_path, {"w.gml": text}, layer="w.gml"))


# ---- corners of the world


@pytest.mark.parametrize(
    ("lon", "lat", "of_layer", "of_trees", "tolerance_m"),
    [
        (-0.12, 51.5, 27700, 4326, 5),  # the step of OSGB36 is known to metres
        (-0.12, 51.5, 27700, 27700, 0.02),
        (37.6, 55.7, 28407, 4326, 5),  # Pulkovo 1942
        (37.6, 55.7, 20007, 4326, 5),  # Pulkovo 1995
        (151.2, -33.9, 32756, 32756, 0.02),
        (-46.6, -23.5, 31983, 31983, 0.02),
        (174.8, -41.3, 2193, 2193, 0.02),  # northing first
        (28.2, -25.7, 2053, 2053, 0.02),  # westing and southing
        (2.3, 48.8, 27572, 4326, 5),  # grads from Paris
        (14.4, 50.1, 5514, 4326, 5),
        (10.0, 50.0, 3035, 3035, 0.02),
        (25.0, 60.2, 3857, 3857, 0.02),
        (15.6, 78.2, 4326, 4326, 0.02),
        (15.0, 89.9, 4326, 4326, 0.02),
        (40.0, -80.0, 3031, 3031, 0.02),
        (179.9999, -17.0, 4326, 4326, 0.02),
        (-179.9999, -17.0, 4326, 4326, 0.02),
        (179.9998, -17.0, 3460, 4326, 5),
        (0.0, 51.0, 4326, 4326, 0.02),
        (20.0, 0.0, 4326, 4326, 0.02),
    ],
)
def test_corners_of_the_world(
    lon: float, lat: float, of_layer: int, of_trees: int, tolerance_m: float, tmp_path: Path
) -> None:
    def at(east: float, north: float) -> tuple[float, float]:
        there = pyproj.Geod(ellps="WGS84").fwd(lon, lat, np.degrees(np.arctan2(east, north)), np.hypot(east, north))
        return there[0], there[1]

    pond = gpd.GeoSeries([shapely.Polygon([at(*p) for p in ((20, -50), (120, -50), (120, 50), (20, 50))])], crs=4326)
    trees = gpd.GeoSeries([shapely.Point(at(*offset)) for offset in OFFSETS], crs=4326)
    if 180 in (round(abs(x)) for x, _ in pond[0].exterior.coords):
        pond = gpd.GeoSeries(
            [shapely.transform(pond[0], lambda xy: np.column_stack([xy[:, 0] % 360, xy[:, 1]]))], crs=4326
        )
    placed = trees.to_crs(of_trees) if of_trees != 4326 else trees
    rows = "\n".join(["id,x,y", *(f"T{i},{point.x:.10f},{point.y:.10f}" for i, point in enumerate(placed))])
    files = {"trees.csv": rows, "w.gpkg": lambda path: pond.to_crs(of_layer).to_file(path, driver="GPKG")}
    keys = "" if of_trees == 4326 else f'crs = "EPSG:{of_trees}"'
    ran = run(tmp_path, files, layer="w.gpkg", tree_keys=keys)
    right(ran, metres=(20.0, 50.0, 80.0), tolerance_m=tolerance_m)
    assert "outside the area" not in ran.said


# ---- shapes


def feature_collection(*geometries: Any) -> str:
    """GeoJSON in UTM 18N."""
    features = [{"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries]
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32618"}}
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": features})


def polygon(*rings: Any) -> dict[str, Any]:
    """A GeoJSON polygon."""
    return {"type": "Polygon", "coordinates": list(rings)}


def at(east: float, north: float) -> list[float]:
    """A corner, in metres from the first tree."""
    return [EAST + east, NORTH + north]


FAR_RING = [at(300, 300), at(310, 300), at(310, 310), at(300, 300)]


@pytest.mark.parametrize(
    "geometries",
    [
        [polygon(RING[::-1])],
        [polygon(RING[:-1])],
        [polygon([corner for corner in RING for _ in range(3)])],
        [polygon([RING[0], at(500, -50), *RING[1:]])],
        [polygon(RING, [at(50, 0), at(60, 0)])],
        [polygon([at(20, 0), at(60, 0)]), polygon(RING)],
        [polygon([]), {"type": "Polygon", "coordinates": []}, polygon(RING)],
        [polygon(RING, FAR_RING)],
        [polygon([at(20, -50), at(70, 0), at(120, -50), at(120, 50), at(70, 0), at(20, 50), at(20, -50)])],
        [polygon([at(20, -50), at(120, 50), at(120, -50), at(20, 50), at(20, -50)])],
        [polygon([at(20, 0), at(60, 0), at(20, 0), at(20, 0)]), polygon(RING)],
        [{"type": "MultiPolygon", "coordinates": [[RING], [RING]]}],
        [{"type": "GeometryCollection", "geometries": [polygon(RING), {"type": "Point", "coordinates": at(150, 0)}]}],
        [{"type": "GeometryCollection", "geometries": []}, {"type": "MultiPolygon", "coordinates": []}, polygon(RING)],
        [None, polygon(RING), None],
        [polygon([[*corner, 5.0, 6.0] for corner in RING])],
        [{"type": "LineString", "coordinates": [at(20, 0)]}, polygon(RING)],
        [polygon([[1e308, 1e308], *RING[1:]]), polygon(RING)],
    ],
    ids=[
        *("clockwise", "unclosed", "doubled corners", "spike", "hole of two points", "shell of two points", "no rings"),
        *("hole outside", "touches itself", "bow-tie", "no area", "parts overlap", "collection", "empty ones", "null"),
        *("ZM", "line of one point", "past every map"),
    ],
)
def test_shapes_as_they_are_published(geometries: list[Any], tmp_path: Path) -> None:
    right(run(tmp_path, {"w.geojson": feature_collection(*geometries)}, layer="w.geojson"))


def test_a_hole_as_large_as_its_shell_leaves_nothing(tmp_path: Path) -> None:
    pond = [at(40, 0), at(50, 0), at(50, 5), at(40, 0)]
    ran = run(tmp_path, {"w.geojson": feature_collection(polygon(RING, RING), polygon(pond))}, layer="w.geojson")
    right(ran, metres=(40.016, 70.028, 100.165))
    assert "has no area" in ran.said


@pytest.mark.parametrize(
    "text",
    [
        feature_collection(polygon(RING)).replace(str(RING[0][0]), "NaN", 1),
        feature_collection(polygon(RING)).replace('"geometry":', '"geometry": null, "geometry":'),
        "\ufeff" + feature_collection(polygon(RING)),
        feature_collection(polygon(RING)).replace(
            '"properties": {}', '"properties": {"a": "x\\u0000y\\ud800", "a": 1}'
        ),
        feature_collection(polygon(RING)).replace('"properties": {}', '"properties": {"fid": 1, "": 2, "geometry": 3}'),
    ],
    ids=["NaN", "doubled keys", "mark", "half letters", "odd names"],
)
def test_json_that_is_odd_but_clear(text: str, tmp_path: Path) -> None:
    right(run(tmp_path, {"w.geojson": text.encode("utf-8", "surrogatepass")}, layer="w.geojson"))


@pytest.mark.parametrize(
    "text",
    [
        '{"type":"FeatureCollection","features":[{"type":"Feature","geometry":null,"properties":{"a":' + "[" * 100_000,
        '{"type":"FeatureCollection","features":[' + '{"type":"GeometryCollection","geometries":[' * 5000,
        "[" + feature_collection(polygon(RING)) + "]",
        '\x1e{"type":"Feature","geometry":null}\n\x1e{"type":"Feature","geometry":null}\n',
        feature_collection(polygon(RING)) + "garbage",
        feature_collection(polygon(RING)).replace(str(RING[0][0]), "1e400", 1),
    ],
    ids=["deep list", "deep collections", "an array", "a sequence", "garbage", "1e400"],
)
def test_json_that_is_refused(text: str, tmp_path: Path) -> None:
    refused(run(tmp_path, {"w.geojson": text}, layer="w.geojson"), "w.geojson", "(layers.file)")


def head(kind: int) -> bytes:
    """Byte order and type of well-known binary."""
    return b"\x01" + struct.pack("<I", kind)


def points(*corners: Sequence[float]) -> bytes:
    """Corners with their count."""
    return struct.pack("<I", len(corners)) + b"".join(struct.pack("<2d", *corner) for corner in corners)


SOUND = head(3) + struct.pack("<I", 1) + points(*RING)
ARC = head(8) + points(at(120, 0), at(70, 50), at(20, 0), at(70, -50), at(120, 0))
ROUND = head(10) + struct.pack("<I", 1) + ARC
HALF = (
    head(9)
    + struct.pack("<I", 2)
    + head(8)
    + points(at(120, 0), at(70, 50), at(20, 0))
    + head(2)
    + points(at(20, 0), at(120, 0))
)


def nested(depth: int) -> bytes:
    """A polygon in collections in collections."""
    return (head(7) + struct.pack("<I", 1)) * depth + SOUND


BLOBS = {
    "curve polygon": ([ROUND], (20.008, 50.02, 80.157)),
    "compound curve": ([HALF], (20.008, 50.02, 80.157)),
    "multi surface": ([head(12) + struct.pack("<I", 1) + ROUND], (20.008, 50.02, 80.157)),
    "surface of patches": ([head(15) + struct.pack("<I", 1) + SOUND], METRES),
    "arcs in a collection": ([head(7) + struct.pack("<I", 1) + ROUND, SOUND], METRES),
    "a type of which only half counts": ([SOUND[:1] + struct.pack("<I", 0x00350003) + SOUND[5:]], METRES),
    "big endian": ([shapely.to_wkb(POND, byte_order=0)], METRES),
    "deep": ([nested(5)], METRES),
    "deeper than a stack": ([nested(200_000), SOUND], METRES),
    "multi polygon deeper than a stack": ([(head(6) + struct.pack("<I", 1)) * 100_000 + SOUND, SOUND], METRES),
    "a ring that lies of its length": ([head(3) + struct.pack("<II", 1, 4_000_000_000), SOUND], METRES),
    "parts that lie of their number": ([head(6) + struct.pack("<I", 4_000_000_000), SOUND], METRES),
    "no numbers": ([head(1) + struct.pack("<2d", np.nan, np.nan), SOUND], METRES),
    "past every map": ([head(3) + struct.pack("<I", 1) + points([1e308, 1e308], *RING), SOUND], METRES),
    "junk": ([b"junk" * 10, b"\x01", head(99), SOUND], METRES),
    "bytes after": ([SOUND + b"xxxx"], METRES),
}


def as_parquet(blobs: list[bytes]) -> Callable[[Path], None]:
    """GeoParquet of these shapes."""
    about = {"encoding": "WKB", "geometry_types": [], "crs": pyproj.CRS(UTM).to_json_dict()}
    geo = {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": about}}
    made = pa.table({"geometry": pa.array(blobs, pa.binary())}).replace_schema_metadata({"geo": json.dumps(geo)})
    return lambda path: pq.write_table(made, path)


def as_geopackage(blobs: list[bytes]) -> Callable[[Path], None]:
    """A GeoPackage of these shapes, written past GDAL."""

    def write(path: Path) -> None:
        gpd.GeoDataFrame({"n": range(len(blobs))}, geometry=[POND] * len(blobs), crs=UTM).to_file(path, driver="GPKG")
        with sqlite3.connect(path) as base:
            for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                base.execute(f'DROP TRIGGER "{name}"')
            for number, blob in enumerate(blobs, start=1):
                base.execute(
                    "UPDATE w SET geom = ? WHERE fid = ?", (b"GP\0\x01" + struct.pack("<i", 32618) + blob, number)
                )
        base.close()

    return write


@pytest.mark.parametrize("kind", ["w.parquet", "w.gpkg"])
@pytest.mark.parametrize("name", sorted(BLOBS))
def test_binary_shapes_of_every_kind(name: str, kind: str, tmp_path: Path) -> None:
    blobs, metres = BLOBS[name]
    write = as_parquet(blobs) if kind == "w.parquet" else as_geopackage(blobs)
    right(run(tmp_path, {kind: write}, layer=kind), metres=metres, tolerance_m=0.1)


def test_text_deeper_than_a_stack(tmp_path: Path) -> None:
    deep = "GEOMETRYCOLLECTION(" * 100_000 + POND.wkt + ")" * 100_000
    hexadecimal = "\\x" + nested(200_000).hex()
    text = f'id,shape\n1,"SRID=32618;{POND.wkt}"\n2,"{deep}"\n3,{hexadecimal}\n'
    ran = run(tmp_path, {"w.csv": text}, layer="w.csv", layer_keys='crs = "EPSG:32618"')
    right(ran)
    assert "2 features of role water with invalid geometry left out" in ran.said


# ---- rasters

PLANE = np.add.outer(np.arange(200) * 0.01, np.arange(200.0)).astype("float32")
GRID = from_origin(EAST - 200.7, NORTH + 200.6, 2, 2)


def seen(grid: Affine, cells: Any) -> list[float | None]:
    """What stands in the cells under the trees."""
    found = []
    for east, north in PLACES:
        column, row = (int(np.floor(part)) for part in ~grid * (east, north))
        value = float(cells[row, column])
        found.append(value if np.isfinite(value) and abs(value) < 9000 else None)
    return found


def tiff(
    cells: Any, grid: Affine = GRID, after: Callable[[Any], Any] | None = None, **how: Any
) -> Callable[[Path], None]:
    """A GeoTIFF of one band."""

    def write(path: Path) -> None:
        about = {"crs": UTM, "transform": grid, **how}
        with rasterio.open(path, "w", "GTiff", cells.shape[1], cells.shape[0], 1, dtype=cells.dtype, **about) as file:
            file.write(cells, 1)
            if after:
                after(file)

    return write


def elevations(
    tmp_path: Path, write: Callable[[Path], None], *, role: str = "elevation", keys: str = 'unit = "m"'
) -> Any:
    """Run with one raster."""
    return run(tmp_path, {"e.tif": write}, more=f'[rasters.{role}]\nfile = "e.tif"\n{keys}\n')


HOLED = np.where(PLANE > 85, np.nan, PLANE).astype("float32")


@pytest.mark.parametrize(
    ("cells", "grid", "how"),
    [
        (PLANE[::-1].copy(), Affine(2, 0, EAST - 200.7, 0, 2, NORTH - 200.6), {}),
        (PLANE[:, ::-1].copy(), Affine(-2, 0, EAST + 200.7, 0, -2, NORTH + 200.6), {}),
        (PLANE, Affine.translation(EAST - 200.3, NORTH + 20.3) * Affine.rotation(30) * Affine.scale(2, -2), {}),
        (PLANE, Affine(2, 0.5, EAST - 200.4, 0.3, -2, NORTH + 150.3), {}),
        (PLANE, Affine(0, 2, EAST - 200.7, 2, 0, NORTH - 200.6), {}),
        (PLANE, GRID, {"BIGTIFF": "YES", "ENDIANNESS": "BIG"}),
        (PLANE, GRID, {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"}),
        (PLANE, GRID, {"compress": "zstd"}),
        (HOLED, GRID, {"nodata": np.nan}),
        (HOLED, GRID, {}),
        (np.where(PLANE > 85, -9999, PLANE).astype("float32"), GRID, {}),
        (np.where(PLANE > 85, -3.4028234663852886e38, PLANE), GRID, {"nodata": -3.4028234663852886e38}),
        (np.where(PLANE > 85, -3.4e38, PLANE).astype("float32"), GRID, {}),
        (np.where(PLANE > 85, np.inf, PLANE).astype("float32"), GRID, {}),
        *(
            (PLANE.astype(kind), GRID, {})
            for kind in ("uint8", "int8", "int16", "uint16", "uint32", "int64", "float64")
        ),
    ],
)
def test_rasters_however_they_lie_and_are_stored(cells: Any, grid: Affine, how: dict[str, Any], tmp_path: Path) -> None:
    ran = elevations(tmp_path, tiff(cells, grid, **how))
    assert ran.status == 0, ran.said
    for row, value in zip(ran.rows, seen(grid, cells), strict=True):
        assert row["elevation_status"] == ("nodata" if value is None else "value")
        assert (
            row["elevation_value"] == ""
            if value is None
            else float(row["elevation_value"]) == pytest.approx(value, abs=1e-3)
        )


def set_scale(scale: float, offset: float) -> Callable[[Any], None]:
    """Give a raster scale and offset."""

    def after(file: Any) -> None:
        file.scales, file.offsets = (scale,), (offset,)

    return after


def test_scale_and_offset_come_before_the_unit(tmp_path: Path) -> None:
    ran = elevations(tmp_path, tiff(PLANE, after=set_scale(0.1, 5.0)), role="snow_depth", keys='unit = "ft"')
    for row, value in zip(ran.rows, seen(GRID, PLANE), strict=True):
        assert value is not None
        assert float(row["snow_depth_value"]) == pytest.approx(value * 0.1 + 5, abs=1e-3)
        assert float(row["snow_depth_m"]) == pytest.approx((value * 0.1 + 5) * 0.3048, abs=1e-3)


@pytest.mark.parametrize(("scale", "offset"), [(np.nan, 0), (0, 0), (1, np.inf)])
def test_a_scale_that_is_none_is_refused(scale: float, offset: float, tmp_path: Path) -> None:
    refused(
        elevations(tmp_path, tiff(PLANE, after=set_scale(scale, offset))), "e.tif", "scale", "rasters.elevation.file"
    )


@pytest.mark.parametrize(
    ("how", "word"),
    [
        ({"crs": None}, "(rasters.elevation.crs)"),
        ({"transform": Affine.identity()}, "no place on the ground"),
        ({"transform": Affine(0, 0, EAST, 0, 0, NORTH)}, "no size"),
        ({"transform": Affine(np.nan, 0, EAST, 0, -1, NORTH)}, "no size"),
    ],
)
def test_rasters_without_a_place_are_refused(how: dict[str, Any], word: str, tmp_path: Path) -> None:
    refused(elevations(tmp_path, tiff(PLANE, **how)), "e.tif", word)


@pytest.mark.parametrize("share", [0.01, 0.5, 0.999])
@pytest.mark.parametrize("how", [{}, {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"}])
def test_rasters_cut_off_are_refused(share: float, how: dict[str, Any], tmp_path: Path) -> None:
    def write(path: Path) -> None:
        tiff(np.random.default_rng(1).random((200, 200)), **how)(path)
        path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])

    refused(elevations(tmp_path, write), "e.tif", "cut off")


def test_a_mask_inside_the_file_counts(tmp_path: Path) -> None:
    def mask(file: Any) -> None:
        file.write_mask(PLANE < 85)

    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        ran = elevations(tmp_path, tiff(PLANE, after=mask))
    assert ran.column("elevation_status") == ["nodata", "nodata", "value"]


def test_a_mask_beside_the_file_is_refused(tmp_path: Path) -> None:
    files = {"e.tif": tiff(PLANE), "e.tif.msk": tiff(PLANE.astype("uint8"))}
    ran = run(tmp_path, files, more='[rasters.elevation]\nfile = "e.tif"\nunit = "m"\n')
    refused(ran, "e.tif", "mask", "(rasters.elevation.file)")


def test_a_cloud_optimised_raster_with_overviews(tmp_path: Path) -> None:
    def write(path: Path) -> None:
        tiff(PLANE)(path.with_suffix(".plain"))
        copy(path.with_suffix(".plain"), path, driver="COG", overviews="AUTO", blocksize=128)
        path.with_suffix(".plain").unlink()

    ran = elevations(tmp_path, write)
    assert [float(cell) for cell in ran.column("elevation_value")] == pytest.approx(seen(GRID, PLANE), abs=1e-3)
