"""The door: kinds by bytes, refusals, archives counted, no network, nothing left beside an input."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pytest
import rasterio
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio.transform import Affine

from riskmap.environment import KEPT_DRIVERS, SKIPPED_RASTER, SKIPPED_VECTOR, close_doors
from riskmap.errors import InputError, RiskmapError
from riskmap.model import LayerSource, RasterSource, Settings
from riskmap.read import archives
from riskmap.read.crs import crs_from_file, crs_typed, same_crs
from riskmap.read.door import open_file, open_table_bytes, sha256_of, sniff
from riskmap.read.kinds import Kind
from riskmap.read.layers import read_layer
from riskmap.read.rasters import read_raster
from riskmap.read.shapes import mend_wkb
from riskmap.read.vectors import VectorTable, read_vector

CASES = Path(__file__).resolve().parents[2] / "shared" / "cases"
DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
UTM = "EPSG:26918"
GPX = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
SECRET = "MARKER-55-not-for-your-eyes"
MakeSettings = Callable[..., Settings]


def ponds() -> gpd.GeoDataFrame:
    """Two squares of 10 m in UTM 18N."""
    shapes = [shapely.box(500_000, 4_683_000, 500_010, 4_683_010), shapely.box(500_020, 4_683_000, 500_030, 4_683_010)]
    return gpd.GeoDataFrame({"kind": ["pond", "ditch"], "code": [6.0, 7.0]}, geometry=shapes, crs=UTM)


WRITERS: dict[str, tuple[str, str, Kind]] = {
    "GeoPackage": ("w.gpkg", "GPKG", Kind.GEOPACKAGE),
    "Shapefile": ("w.shp", "ESRI Shapefile", Kind.SHAPEFILE),
    "GeoJSON": ("w.geojson", "GeoJSON", Kind.GEOJSON),
    "FlatGeobuf": ("w.fgb", "FlatGeobuf", Kind.FLATGEOBUF),
    "GML": ("w.gml", "GML", Kind.GML),
    "KML": ("w.kml", "LIBKML", Kind.KML),
    "KMZ": ("w.kmz", "LIBKML", Kind.ZIP),
    "File Geodatabase": ("w.gdb", "OpenFileGDB", Kind.FILE_GEODATABASE),
    "Parquet": ("w.parquet", "", Kind.PARQUET),
}


def write(folder: Path, what: str, frame: gpd.GeoDataFrame | None = None, name: str = "") -> Path:
    """Write the ponds in one of the kinds."""
    file, driver, _ = WRITERS[what]
    frame = ponds() if frame is None else frame
    path = folder / (name or file)
    if what in ("KML", "KMZ"):
        frame = frame.to_crs("EPSG:4326")
    if driver:
        frame.to_file(path, driver=driver)
    else:
        frame.to_parquet(path)
    return path


def fault(path: Path, **more: Any) -> str:
    """The words of the refusal."""
    with pytest.raises(InputError) as caught:
        read_vector(path, file_as_typed=path.name, **more)
    return str(caught.value)


def picture_of(folder: Path) -> dict[str, str]:
    """Every file of a folder with its sum, and every name."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


@pytest.fixture
def listener() -> Iterator[tuple[str, list[Any]]]:
    """A server on loopback that writes down who connects."""
    met: list[Any] = []
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(0.1)
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            try:
                connection, address = server.accept()
            except TimeoutError:
                continue
            met.append(address)
            connection.close()

    thread = threading.Thread(target=serve)
    thread.start()
    yield f"http://127.0.0.1:{server.getsockname()[1]}", met
    stop.set()
    thread.join()
    server.close()


@pytest.mark.parametrize("what", sorted(WRITERS))
def test_every_kind_is_read_by_its_bytes_and_nothing_is_left(what: str, tmp_path: Path) -> None:
    path = write(tmp_path, what)
    before = picture_of(tmp_path)
    assert sniff(path) is WRITERS[what][2]
    table = read_vector(path)
    assert table.rows == 2
    assert list(table.feature) == [1, 2]
    codes = dict(zip(table.column("KIND").to_pylist(), table.column("code").to_pylist(), strict=True))
    assert codes == {"pond": 6.0, "ditch": 7.0}
    assert table.crs is not None
    areas = gpd.GeoSeries(table.geometry, crs=table.crs).to_crs(UTM).area
    assert areas.to_numpy() == pytest.approx([100, 100], rel=1e-4)
    assert picture_of(tmp_path) == before


@pytest.mark.parametrize("what", ["GeoPackage", "GeoJSON", "FlatGeobuf", "Parquet", "GML"])
def test_a_wrong_name_hides_nothing(what: str, tmp_path: Path) -> None:
    path = write(tmp_path, what)
    other = path.with_name("trees.csv")
    path.rename(other)
    assert sniff(other) is WRITERS[what][2]
    assert read_vector(other).rows == 2


TRICKS: dict[str, Callable[[str, Path], str]] = {
    "vrt_url": lambda url, _: (
        f'<OGRVRTDataSource><OGRVRTLayer name="w"><SrcDataSource>/vsicurl/{url}/w.geojson</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    ),
    "vrt_file": lambda _, secret: (
        f'<OGRVRTDataSource><OGRVRTLayer name="s"><SrcDataSource>{secret}</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>"
    ),
    "vrt_in_json": lambda url, _: (
        '{"type": "FeatureCollection", "name": "<OGRVRTDataSource><OGRVRTLayer name=\'w\'><SrcDataSource>'
        f'/vsicurl/{url}/w</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>", "features": []}}'
    ),
    "raster_vrt": lambda url, _: (
        '<VRTDataset rasterXSize="1" rasterYSize="1"><VRTRasterBand dataType="Byte" band="1"><SimpleSource>'
        f"<SourceFilename>/vsicurl/{url}/a.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
    ),
    "wms": lambda url, _: f'<GDAL_WMS><Service name="WMS"><ServerUrl>{url}/</ServerUrl></Service></GDAL_WMS>',
    "pipeline": lambda url, _: json.dumps(
        {"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline ! read /vsicurl/{url}/w"}
    ),
    "crs_link": lambda url, _: json.dumps(
        {"type": "FeatureCollection", "crs": {"type": "link", "properties": {"href": f"{url}/crs"}}, "features": []}
    ),
    "crs_link_last": lambda url, _: (
        '{"type": "FeatureCollection", "features": [], "CRS" : {"type": "URL", "properties": {"url": "' + url + '"}}}'
    ),
    "crs_link_spelt": lambda url, _: (
        '{"type": "FeatureCollection", "features": [], "c\\u0072s": {"type": "link", "properties": {"href": "'
        + url
        + '"}}}'
    ),
    "crs_name_url": lambda url, _: json.dumps(
        {"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": url}}, "features": []}
    ),
    "entity": lambda url, secret: (
        f'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY x SYSTEM "{secret}"><!ENTITY y SYSTEM "{url}">]>'
        f'{GPX}<wpt lat="1" lon="2"><name>&x;&y;</name></wpt></gpx>'
    ),
    "doctype_only": lambda url, _: f'<!DOCTYPE kml SYSTEM "{url}/k.dtd"><kml/>',
    "network_link": lambda url, _: (
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>w</name><NetworkLink><Link>'
        f"<href>{url}/a.kml</href></Link></NetworkLink></Folder></Document></kml>"
    ),
    "schema": lambda url, _: (
        f'<wfs:FeatureCollection xmlns:wfs="{url}" xmlns:gml="http://www.opengis.net/gml" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{url} {url}/wfs?service=WFS&amp;request=DescribeFeatureType">'
        '<gml:featureMember xmlns:xlink="http://www.w3.org/1999/xlink">'
        f'<a><gml:pointProperty xlink:href="{url}/p"/></a>'
        "</gml:featureMember></wfs:FeatureCollection>"
    ),
    "service": lambda url, _: f"<OGRWFSDataSource><URL>{url}</URL></OGRWFSDataSource>",
    "address": lambda url, _: url,
    "overlay": lambda url, secret: (
        f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Style id="s"><IconStyle><Icon><href>{url}/i.png</href>'
        f"</Icon></IconStyle></Style><GroundOverlay><Icon><href>{secret}</href></Icon></GroundOverlay><Placemark>"
        f"<styleUrl>{url}/s.kml#s</styleUrl><Model><Link><href>{url}/m.dae</href></Link></Model></Placemark>"
        "</Document></kml>"
    ),
    "srs_name": lambda url, _: (
        f'<gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml"><gml:featureMember><a><gml:pointProperty>'
        f'<gml:Point srsName="{url}/crs.xml#x"><gml:pos>1 2</gml:pos></gml:Point></gml:pointProperty></a>'
        "</gml:featureMember></gml:FeatureCollection>"
    ),
    "include": lambda url, secret: (
        f'<?xml-stylesheet href="{url}/s.xsl"?>{GPX}<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" '
        f'href="{url}/a.gpx"/><xi:include xmlns:xi="http://www.w3.org/2001/XInclude" parse="text" href="{secret}"/>'
        '<wpt lat="1" lon="2"/></gpx>'
    ),
    "assets": lambda url, _: json.dumps(
        {
            "type": "FeatureCollection",
            "stac_version": "1.0.0",
            "links": [{"rel": "next", "href": url}],
            "features": [
                {"type": "Feature", "stac_version": "1.0.0", "assets": {"a": {"href": url}}, "geometry": None}
            ],
        }
    ),
    "tiles": lambda url, _: json.dumps({"tilejson": "3.0.0", "tiles": [url + "/{z}/{x}/{y}.pbf"], "type": "Topology"}),
}
NAMES = (
    *("w.geojson", "w.gpkg", "w.shp", "w.kml", "w.gml", "w.gpx", "w.osm", "w.csv", "w.tif", "w.zip", "w.vrt"),
    *("w.topojson", "w.fgb", "w.parquet", "w.xlsx", "w.json", "w.osm.pbf"),
)


def dressings(name: str, text: str) -> Iterator[bytes]:
    """A text in two encodings, and packed in the two ways that are unpacked."""
    yield text.encode()
    yield text.encode("utf-16")
    yield gzip.compress(text.encode())
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(name, text)
    yield packed.getvalue()


@pytest.mark.parametrize("trick", sorted(TRICKS))
def test_no_trick_under_any_name_reaches_the_network_or_another_file(
    trick: str, tmp_path: Path, listener: tuple[str, list[Any]], make_site_settings: MakeSettings
) -> None:
    url, met = listener
    secret = tmp_path / "secret.csv"
    secret.write_text(f"name,WKT\n{SECRET},POINT (1 2)\n")
    text = TRICKS[trick](url, secret)
    for name in NAMES:
        folder = tmp_path / name.replace(".", "_")
        folder.mkdir()
        for data in dressings(name, text):
            (folder / name).write_bytes(data)
            before = picture_of(folder)
            site = make_site_settings(folder)
            said = [str(read_layer(LayerSource(number=1, role="water", file=name), site))]
            said.append(str(read_raster(RasterSource(name="elevation", file=name), site)))
            for reading in (lambda path: read_vector(path, section="trees"), open_table_bytes):
                try:
                    found = reading(folder / name)
                    said.append(str(found.table.to_pylist() if isinstance(found, VectorTable) else found))
                except InputError as error:
                    said.append(str(error))
            assert SECRET not in " ".join(said)
            assert picture_of(folder) == before
    assert met == []


@pytest.fixture
def make_site_settings() -> MakeSettings:
    """Settings of a site file in a folder."""
    from conftest import make_settings

    return lambda folder, **more: make_settings(file=folder / "site.toml", **more)


@pytest.mark.parametrize(
    ("trick", "word"),
    [
        ("vrt_url", "VRT"),
        ("raster_vrt", "VRT"),
        ("vrt_in_json", "VRT"),
        ("crs_link", "type 'link'"),
        ("crs_link_spelt", "type 'link'"),
        ("crs_link_last", "type 'url'"),
        ("crs_name_url", "named"),
        ("entity", "DOCTYPE"),
        ("doctype_only", "DOCTYPE"),
    ],
)
def test_a_trick_is_named(trick: str, word: str, tmp_path: Path) -> None:
    path = tmp_path / "w.geojson"
    path.write_text(TRICKS[trick]("http://127.0.0.1:9", tmp_path / "s"))
    words = fault(path)
    assert word in words
    assert words.startswith("w.geojson: ")
    assert words.endswith("(layers.file)")


@pytest.mark.parametrize(
    "typed",
    [
        "http://127.0.0.1:9/w.geojson",
        "/vsicurl/http://127.0.0.1:9/w",
        "s3://b/w.gpkg",
        "HTTPS://h/w",
        "/vsizip/a.zip",
    ],
)
def test_addresses_are_refused_before_anything_opens(
    typed: str, make_site_settings: MakeSettings, tmp_path: Path
) -> None:
    site = make_site_settings(tmp_path)
    layer = read_layer(LayerSource(number=1, role="water", file=typed), site).problems[0].line()
    raster = read_raster(RasterSource(name="elevation", file=typed), site).problems[0].line()
    for words in (layer, raster):
        assert "not a local file" in words
        assert "no network" in words


def test_only_regular_files_are_opened(tmp_path: Path) -> None:
    pipe = tmp_path / "w.geojson"
    os.mkfifo(pipe)
    assert "no regular file" in fault(pipe)
    assert "a folder" in fault(tmp_path)
    assert "no regular file" in fault(Path("/dev/zero"))
    link = tmp_path / "linked.gpkg"
    link.symlink_to(write(tmp_path, "GeoPackage"))
    assert read_vector(link).rows == 2
    assert fault(tmp_path / "w.gpk") == ("w.gpk: there is no such file (not found); did you mean w.gpkg (layers.file)")


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"%PDF-1.7", "a PDF"),
        (b"\x89PNG\r\n", "PNG"),
        (b"\xd0\xcf\x11\xe0" + b"\0" * 600, "old Excel"),
        (b"<html><body>Not found</body></html>", "web page"),
        (b'{"rings": [[[1, 2]]]}', "neither GeoJSON nor TopoJSON"),
        (b'{"type":"Feature","geometry":null}\n{"type":"Feature","geometry":null}\n', "GeoJSON sequence"),
        (b"\x01\x02\x03\x00\x04", "no kind"),
        (b"<gpx><wpt", "XML does not read to the end"),
        (b"SQLite format 3\x00" + b"\0" * 200, "no GeoPackage"),
    ],
)
def test_what_is_not_on_the_list_is_refused_in_words(data: bytes, word: str, tmp_path: Path) -> None:
    path = tmp_path / "w.bin"
    path.write_bytes(data)
    words = fault(path).replace("of no kind", "no kind")
    assert word in words


@pytest.mark.parametrize("what", ["GeoPackage", "Shapefile", "GeoJSON", "FlatGeobuf", "GML", "KML", "Parquet"])
def test_a_file_cut_off_is_never_half_read(what: str, tmp_path: Path) -> None:
    many = gpd.GeoDataFrame(
        {"n": range(3000)}, geometry=gpd.points_from_xy(np.linspace(5e5, 6e5, 3000), np.full(3000, 4.683e6)), crs=UTM
    )
    path = write(tmp_path, what, many)
    whole = path.read_bytes()
    for share in (0.3, 0.6, 0.95):
        path.write_bytes(whole[: int(len(whole) * share)])
        assert "w." in fault(path)


def test_an_osm_extract_cut_off_is_refused(tmp_path: Path) -> None:
    source = DATA / "rural-finland-osm" / "rural_finland.osm.pbf"
    if not source.exists():
        pytest.skip(f"{source} is not here")
    path = tmp_path / "w.osm.pbf"
    path.write_bytes(source.read_bytes()[:-500])
    assert "cut off" in fault(path, layer="lines")


def test_a_shapefile_names_its_missing_companion_and_takes_capital_endings(tmp_path: Path) -> None:
    path = write(tmp_path, "Shapefile")
    for ending in ("shp", "shx", "dbf", "prj"):
        shutil.copy(tmp_path / f"w.{ending}", tmp_path / f"BIG.{ending.upper()}")
    big = read_vector(tmp_path / "BIG.SHP")
    assert big.rows == 2
    assert big.crs is not None
    assert "index (.shx)" in fault(tmp_path / "w.shx")
    (tmp_path / "w.shx").unlink()
    assert "w.shx is missing" in fault(path)


def test_shapefile_letters_without_a_code_page_file(tmp_path: Path) -> None:
    for encoding in ("UTF-8", "ISO-8859-1"):
        path = tmp_path / f"{encoding}.shp"
        ponds().assign(name=["Río", "Ñandú"]).to_file(path, encoding=encoding)
        path.with_suffix(".cpg").unlink()
        assert read_vector(path).column("name").to_pylist() == ["Río", "Ñandú"]


@pytest.mark.parametrize("ending", ["-wal", "-journal"])
def test_a_geopackage_in_use_is_copied_with_its_journal(ending: str, tmp_path: Path) -> None:
    path = write(tmp_path, "GeoPackage")
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode=WAL" if ending == "-wal" else "PRAGMA journal_mode=DELETE")
    connection.execute("PRAGMA wal_autocheckpoint=0")
    connection.create_function("ST_IsEmpty", 1, lambda _: 0)
    for corner in ("MinX", "MaxX", "MinY", "MaxY"):
        connection.create_function(f"ST_{corner}", 1, lambda _: 0.0)
    connection.execute("UPDATE w SET kind = 'lake' WHERE kind = 'pond'")
    if ending == "-wal":
        connection.commit()
    before = picture_of(tmp_path)
    kinds = read_vector(path).column("kind").to_pylist()
    assert kinds == (["lake", "ditch"] if ending == "-wal" else ["pond", "ditch"])
    assert picture_of(tmp_path) == before
    connection.close()


def test_a_geopackage_with_a_virtual_table_that_opens_files_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "GeoPackage")
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA writable_schema=ON")
    sql = "CREATE VIRTUAL TABLE s USING VirtualOGR('/etc/passwd')"
    connection.execute("INSERT INTO sqlite_master VALUES ('table', 's', 's', 0, ?)", (sql,))
    connection.commit()
    connection.close()
    assert "virtual" in fault(path)


def test_layers_are_asked_for_by_name(tmp_path: Path) -> None:
    path = write(tmp_path, "GeoPackage")
    ponds().to_file(path, layer="streams", driver="GPKG")
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE layer_styles (id INTEGER, styleQML TEXT)")
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('layer_styles', 'attributes', 'styles')"
    )
    connection.commit()
    connection.close()
    assert fault(path) == "w.gpkg: the file holds 2 layers with shapes: w, streams; say which one (layers.layer)"
    assert fault(path, layer="stream") == (
        "w.gpkg: there is no layer 'stream'; it holds w, streams; name one of these (layers.layer)"
    )
    assert read_vector(path, layer="Streams").layer == "streams"


def zipped(path: Path, files: dict[str, bytes], *, into: str = "") -> Path:
    """Pack files into a zip."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(into + name, data)
    return path


def shapefile_parts(folder: Path) -> dict[str, bytes]:
    """The files of a shapefile."""
    write(folder, "Shapefile")
    return {path.name: path.read_bytes() for path in folder.glob("w.*") if path.suffix != ".zip"}


def test_zipped_data_are_read_out_of_a_folder_of_our_own(tmp_path: Path) -> None:
    parts = shapefile_parts(tmp_path)
    path = zipped(tmp_path / "shp.zip", {**parts, "read me.pdf": b"%PDF", "inner.zip": b"PK"}, into="deep/er/")
    before = picture_of(tmp_path)
    table = read_vector(path)
    assert (table.rows, table.packed, table.kind) == (2, "zip", Kind.SHAPEFILE)
    assert picture_of(tmp_path) == before
    both = zipped(tmp_path / "both.zip", {**parts, "x.geojson": write(tmp_path, "GeoJSON").read_bytes()})
    assert "w.shp, x.geojson" in fault(both)
    assert read_vector(both, layer="x").kind is Kind.GEOJSON
    packed = tmp_path / "w.geojson.gz"
    packed.write_bytes(gzip.compress((tmp_path / "w.geojson").read_bytes()))
    assert read_vector(packed).rows == 2


@pytest.mark.parametrize("name", ["../evil.csv", "/evil.csv", "..\\evil.csv", "C:\\evil.csv", "a/../../e.csv"])
def test_names_that_climb_out_of_an_archive_are_refused(name: str, tmp_path: Path) -> None:
    path = zipped(tmp_path / "w.zip", {name: b"{}"})
    before = picture_of(tmp_path.parent)
    assert "outside its folder" in fault(path)
    assert picture_of(tmp_path.parent) == before


def test_doubled_linked_locked_nested_and_crowded_archives_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "w.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("a.csv", "1")
        packed.writestr("A.CSV", "2")
    assert "twice" in fault(path)
    with zipfile.ZipFile(path, "w") as packed:
        link = zipfile.ZipInfo("a.geojson")
        link.external_attr = 0o120777 << 16
        packed.writestr(link, "/etc/passwd")
    assert "a link" in fault(path)
    zipped(path, {"in.zip": b"PK\x03\x04"})
    assert "archive inside the archive" in fault(path)
    zipped(path, {"in.csv": gzip.compress(b"a,b")})
    assert "archive inside the archive" in fault(path)
    zipped(path, {f"{number}.csv": b"" for number in range(archives.MOST_ENTRIES + 1)})
    assert "1,001 entries" in fault(path)
    zipped(path, {"a.csv": b"a,b"})
    locked = bytearray(path.read_bytes())
    locked[6] |= 1
    locked[locked.index(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(bytes(locked))
    assert "password" in fault(path)


@pytest.mark.parametrize("packing", ["zip", "gz", "xlsx"])
def test_a_bomb_is_stopped_by_what_comes_out(packing: str, tmp_path: Path) -> None:
    zeros = b"0" * (40 << 20)
    path = tmp_path / f"w.{packing}"
    if packing == "gz":
        path.write_bytes(gzip.compress(zeros))
    else:
        extra = {"[Content_Types].xml": b"<Types/>", "xl/sheet1.xml": zeros} if packing == "xlsx" else {"w.csv": zeros}
        zipped(path, extra)
        claim = bytearray(path.read_bytes())
        for mark, at in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)) if packing == "zip" else ():
            start = claim.rindex(mark)  # the archive claims to unpack to one byte
            claim[start + at : start + at + 4] = (1).to_bytes(4, "little")
        path.write_bytes(bytes(claim))
    with pytest.raises(InputError) as caught:
        open_table_bytes(path, file_as_typed=path.name, key="trees.file")
    words = str(caught.value)
    assert f"w.{packing}: " in words
    assert "unpacks to more than" in words or "does not unpack" in words


def test_a_workbook_with_a_doctype_is_refused(tmp_path: Path) -> None:
    path = zipped(
        tmp_path / "w.xlsx", {"[Content_Types].xml": b'<!DOCTYPE x [<!ENTITY a "b">]><Types/>', "xl/a.xml": b"<a/>"}
    )
    assert "DOCTYPE" in fault(path)


def test_tables_come_out_as_bytes(tmp_path: Path) -> None:
    data = "id,Größe\n1,2\n".encode("cp1252")
    plain, packed = tmp_path / "t.csv", tmp_path / "t.csv.gz"
    plain.write_bytes(data)
    packed.write_bytes(gzip.compress(data))
    in_zip = zipped(tmp_path / "t.zip", {"t.csv": data})
    for path in (plain, packed, in_zip):
        table = open_table_bytes(path)
        assert table is not None
        assert (table.kind, table.data) == (Kind.CSV, data)
        assert table.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert open_table_bytes(write(tmp_path, "GeoPackage")) is None


def test_the_private_folder_is_gone_afterwards_and_odd_names_are_plain(tmp_path: Path) -> None:
    folder = tmp_path / "Río & lawn #1 100%!"
    folder.mkdir()
    path = write(tmp_path, "GeoPackage").rename(folder / " água!.gpkg")
    with open_file(path) as opened:
        private = opened.parts[0].path
        assert private.exists()
        assert "!" not in private.name
    assert not private.parent.parent.exists()
    assert read_vector(path).rows == 2


def test_a_projected_geojson_without_crs_is_no_wgs84(tmp_path: Path) -> None:
    path = tmp_path / "w.geojson"
    path.write_text(json.dumps(json.loads(ponds().set_crs(None, allow_override=True).to_json())))
    table = read_vector(path)
    assert table.crs is None
    assert "degrees" in table.crs_words
    ponds().to_file(path, driver="GeoJSON", RFC7946="NO")
    stated = read_vector(path).crs
    assert stated is not None
    assert same_crs(stated, crs_typed(UTM))


def test_a_crs_never_leads_to_a_grid_by_path_or_address() -> None:
    sly = "+proj=utm +zone=18 +ellps=clrk66 +nadgrids=http://127.0.0.1:9/g.tif +units=m +type=crs"
    assert crs_from_file(sly) is None
    assert crs_from_file(sly.replace("http://127.0.0.1:9/g.tif", "/etc/passwd")) is None
    assert crs_from_file(sly.replace("http://127.0.0.1:9/g.tif", "@null")) is not None
    for typed in (sly, "http://127.0.0.1:9/crs", "/etc/passwd", "EPSG:999999", "nonsense"):
        with pytest.raises(ValueError, match=r"file|system"):
            crs_typed(typed)
    assert crs_typed("26918") == crs_typed(UTM)


def test_gpx_gives_waypoints_and_kml_all_folders(tmp_path: Path) -> None:
    path = tmp_path / "w.gpx"
    path.write_text(
        f'{GPX}<wpt lat="42" lon="-75"><name>001</name></wpt><trk>'
        '<trkseg><trkpt lat="1" lon="2"/><trkpt lat="1" lon="3"/></trkseg></trk></gpx>'
    )
    assert read_vector(path, section="trees").column("name").to_pylist() == ["001"]
    kml = tmp_path / "w.kml"
    places = "".join(
        f"<Folder><name>{folder}</name><Placemark><name>pin</name><Point><coordinates>-75,42,9</coordinates></Point>"
        "</Placemark></Folder>"
        for folder in ("street", "river")
    )
    kml.write_text(f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{places}</Document></kml>')
    table = read_vector(kml, section="trees")
    assert table.column("folder").to_pylist() == ["street", "river"]
    assert not shapely.has_z(table.geometry).any()
    assert "2 folders" in table.assumptions[0].taken
    assert "street, river" in fault(kml)


def test_parquet_without_shapes_is_a_table(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    ponds().drop(columns="geometry").to_parquet(path)
    table = read_vector(path, section="trees")
    assert table.geometry is None
    assert table.rows == 2
    ponds().to_parquet(path, geometry_encoding="geoarrow")
    assert shapely.area(read_vector(path).geometry) == pytest.approx([100, 100])


def test_surroundings_are_cleared_before_the_first_import(tmp_path: Path) -> None:
    program = (
        "import os; from riskmap.environment import close_doors; close_doors()\n"
        "import pyogrio, pyproj, sys\n"
        "print(sorted(set(pyogrio.list_drivers())), pyproj.network.is_network_enabled(), os.environ.get('AWS_PROFILE'))"
    )
    environ = {**os.environ, "AWS_PROFILE": "me", "PROJ_NETWORK": "ON", "OGR_ENABLE_PARTIAL_REPROJECTION": "YES"}
    done = subprocess.run([sys.executable, "-c", program], env=environ, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    drivers, _, rest = done.stdout.partition("]")
    assert rest.split() == ["False", "None"]
    assert set(json.loads(drivers.replace("'", '"') + "]")) <= KEPT_DRIVERS


def test_no_kept_driver_is_skipped() -> None:
    assert not KEPT_DRIVERS & {*SKIPPED_VECTOR, *SKIPPED_RASTER}
    surroundings = {"GDAL_DATA": "x", "PATH": "p"}
    close_doors(surroundings)
    close_doors(surroundings)
    assert surroundings["PATH"] == "p"
    assert "GDAL_DATA" not in surroundings


def test_the_sum_of_a_geodatabase_follows_its_files(tmp_path: Path) -> None:
    path = write(tmp_path, "File Geodatabase")
    first = sha256_of(path)
    with (path / "timestamps").open("ab") as file:
        file.write(b"x")
    assert sha256_of(path) != first
    (path / "link").symlink_to("/etc/passwd")
    assert "a link" in fault(path)


SEEDS = (
    b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"a":1},"geometry":'
    b'{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}}]}',
    f'{GPX}<wpt lat="1" lon="2"><name>a</name></wpt></gpx>'.encode(),
    b"kind,WKT\npond,POINT (1 2)\n",
    shapely.to_wkb(shapely.box(0, 0, 1, 1)),
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.sampled_from(SEEDS), at=st.integers(0, 200), cut=st.integers(0, 40), put=st.binary(max_size=12))
def test_spoilt_files_are_read_or_refused_but_never_crash(
    seed: bytes, at: int, cut: int, put: bytes, tmp_path: Path
) -> None:
    data = seed[:at] + put + seed[at + cut :]
    path = tmp_path / "w.dat"
    path.write_bytes(data)
    try:
        table = read_vector(path)
        assert table.geometry is None or len(table.geometry) == table.rows
    except RiskmapError as error:
        assert "w.dat" in str(error)


@settings(max_examples=200, deadline=None)
@given(data=st.binary(max_size=120), seed=st.booleans(), at=st.integers(0, 90))
def test_spoilt_shapes_are_mended_or_left_out(data: bytes, seed: bool, at: int) -> None:
    written = shapely.to_wkb(shapely.Point(0, 0).buffer(1, quad_segs=1)) if seed else b""
    shape, why = mend_wkb(written[:at] + data + written[at + len(data) :])
    assert why
    assert shape is None or isinstance(shape, shapely.Geometry)


def test_rings_of_two_points_cost_only_themselves() -> None:
    shape = shapely.from_wkt("POLYGON ((0 0, 9 0, 9 9, 0 9, 0 0), (1 1, 2 1, 2 2, 1 1))")
    written = bytearray(shapely.to_wkb(shape))
    hole = 13 + 5 * 16
    two = written[:hole] + (2).to_bytes(4, "little") + written[hole + 4 : hole + 36]
    mended, why = mend_wkb(bytes(two))
    assert mended.area == 81
    assert why == "1 ring of fewer than 3 points"


def test_a_raster_and_a_layer_are_not_taken_for_each_other(tmp_path: Path, make_site_settings: MakeSettings) -> None:
    path = tmp_path / "d.tif"
    profile = {"driver": "GTiff", "width": 2, "height": 2, "count": 1, "dtype": "uint8", "crs": UTM}
    with rasterio.open(path, "w", transform=Affine(1, 0, 5e5, 0, -1, 4.7e6), **profile) as out:
        out.write(np.ones((1, 2, 2), dtype="uint8"))
    assert "raster" in fault(path)
    site = make_site_settings(tmp_path)
    write(tmp_path, "GeoPackage")
    assert "not a GeoTIFF" in read_raster(RasterSource(name="elevation", file="w.gpkg"), site).problems[0].line()


def test_text_columns_that_are_no_utf8_do_not_stop_a_filter(tmp_path: Path, make_site_settings: MakeSettings) -> None:
    ponds().assign(name=["Río", "pond"]).to_file(tmp_path / "w.shp", encoding="ISO-8859-1")
    (tmp_path / "w.cpg").write_text("UTF-8")
    source = LayerSource(number=1, role="water", file="w.shp", keep={"name": ("POND ",)})
    layer = read_layer(source, make_site_settings(tmp_path)).layer
    assert layer is not None
    assert list(layer.feature) == [2]
    assert pa.types.is_string(read_vector(tmp_path / "w.shp").column("name").type)


def test_a_feature_written_over_many_lines_is_no_sequence(tmp_path: Path) -> None:
    path = tmp_path / "w.geojson"
    path.write_text(
        '{\n"type": "Feature",\n"properties":\n{\n"a": [\n{}\n]\n},\n"geometry":\n'
        '{\n"type": "Point",\n"coordinates": [1, 2]\n}\n}\n'
    )
    assert read_vector(path).rows == 1
