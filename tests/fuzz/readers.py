"""A small sound file of every kind, and the one call that reads a spoilt one: it answers or refuses, and no more."""

from __future__ import annotations

import gzip
import io
import json
import sys
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import openpyxl
import pyarrow as pa
import rasterio
import shapely
from conftest import make_settings
from rasterio.transform import from_origin
from variant_site import CORNERS, DEGREES, POND, UTM, plain_table, pond_frame, pond_geojson

from riskmap.errors import InputError
from riskmap.model import LayerSource, RasterSource, TreeSource
from riskmap.read.coordinates import parse_degrees, read_pairs
from riskmap.read.dates import parse_date
from riskmap.read.layers import read_layer
from riskmap.read.letters import Unsure, read_letters
from riskmap.read.listing import list_file
from riskmap.read.numbers import parse_length, parse_number
from riskmap.read.rasters import read_raster
from riskmap.read.shapes import shapes_from_wkb
from riskmap.read.trees import read_trees
from riskmap.read.wkt import shapes_from_text

__all__ = ["FILES", "TEXTS", "read_file", "read_text", "seed"]

FILES = {  # kind -> the name under which it is read
    "csv": "w.csv",
    "wkt": "w.csv",
    "xlsx": "w.xlsx",
    "geojson": "w.geojson",
    "topojson": "w.topojson",
    "gml": "w.gml",
    "gpx": "w.gpx",
    "kml": "w.kml",
    "osm": "w.osm",
    "fgb": "w.fgb",
    "parquet": "w.parquet",
    "gpkg": "w.gpkg",
    "shp": "w.zip",
    "tif": "w.tif",
    "zip": "w.zip",
    "gz": "w.csv.gz",
}
TEXTS = ("cells", "letters", "wkb", "hex")


@cache
def seed(kind: str, folder: Path) -> bytes:
    """A sound file of a kind; `folder` is where GDAL may write it first."""
    lon, lat = DEGREES[0]
    made: dict[str, Callable[[], bytes]] = {
        "csv": lambda: plain_table().encode(),
        "wkt": f'id,shape\n1,"SRID=32618;{POND.wkt}"\n2,{shapely.to_wkb(POND, hex=True)}\n'.encode,
        "xlsx": _workbook,
        "geojson": lambda: pond_geojson().encode(),
        "topojson": lambda: json.dumps(
            {
                "type": "Topology",
                "objects": {"a": {"type": "GeometryCollection", "geometries": [{"type": "Polygon", "arcs": [[0]]}]}},
                "arcs": [CORNERS],
            }
        ).encode(),
        "gpx": f'<gpx version="1.1"><wpt lat="{lat}" lon="{lon}"><name>a</name></wpt></gpx>'.encode,
        "osm": (
            '<osm version="0.6">'
            + "".join(f'<node id="{i}" lat="{y}" lon="{x}"/>' for i, (x, y) in enumerate(CORNERS[:4], start=1))
            + '<way id="9"><nd ref="1"/><nd ref="2"/><nd ref="3"/><nd ref="1"/><tag k="natural" v="water"/></way></osm>'
        ).encode,
        "gml": lambda: _by_gdal(folder, "w.gml", "GML"),
        "kml": lambda: _by_gdal(folder, "w.kml", "LIBKML", "EPSG:4326"),
        "fgb": lambda: _by_gdal(folder, "w.fgb", "FlatGeobuf"),
        "gpkg": lambda: _by_gdal(folder, "w.gpkg", "GPKG"),
        "parquet": lambda: _parquet(folder),
        "shp": lambda: _shapefile(folder),
        "tif": lambda: _raster(folder),
        "zip": lambda: _zip({"trees.csv": plain_table().encode()}),
        "gz": lambda: gzip.compress(plain_table().encode()),
        "cells": lambda: b"42\xc2\xb018'00\"N",
        "letters": lambda: "Größe,Łódź".encode("cp1252", "replace"),
        "wkb": lambda: shapely.to_wkb(shapely.MultiPolygon([POND])),
        "hex": lambda: shapely.to_wkb(POND, hex=True).encode(),
    }
    return made[kind]()


def _by_gdal(folder: Path, name: str, driver: str, crs: str = UTM) -> bytes:
    """The pond as GDAL writes it."""
    pond_frame(crs).to_file(folder / name, driver=driver)
    return (folder / name).read_bytes()


def _parquet(folder: Path) -> bytes:
    """The pond as GeoParquet."""
    pond_frame().to_parquet(folder / "w.parquet")
    return (folder / "w.parquet").read_bytes()


def _shapefile(folder: Path) -> bytes:
    """The pond as zipped shapefile."""
    pond_frame().to_file(folder / "w.shp")
    return _zip({f"w{end}": (folder / f"w{end}").read_bytes() for end in (".shp", ".shx", ".dbf", ".prj")})


def _zip(parts: dict[str, bytes]) -> bytes:
    """Stored, so that a changed byte is a changed byte of the file inside; sums are mended when it is read."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
    return made.getvalue()


def _workbook() -> bytes:
    """The trees as XLSX, stored."""
    book, made = openpyxl.Workbook(), io.BytesIO()
    for line in plain_table().splitlines():
        book.active.append(line.split(","))
    book.save(made)
    with zipfile.ZipFile(made) as packed:
        return _zip({name: packed.read(name) for name in packed.namelist()})


def _raster(folder: Path) -> bytes:
    """A plane of 8 by 8 cells."""
    grid = from_origin(*POND.bounds[::3], 2, 2)
    with rasterio.open(folder / "w.tif", "w", "GTiff", 8, 8, 1, crs=UTM, transform=grid, dtype="float32") as file:
        file.write(np.arange(64, dtype="float32").reshape(1, 8, 8))
    return (folder / "w.tif").read_bytes()


def read_file(kind: str, data: bytes, folder: Path) -> None:
    """Read a spoilt file as trees, as layer and as raster; only a refusal in words may come of it."""
    path = folder / FILES[kind]
    path.write_bytes(data)
    settings = make_settings(file=folder / "site.toml", trees=TreeSource(file=path.name))
    try:
        trees = read_trees(settings)
        assert len(trees.table.row) == trees.read_as.rows
        for problem in trees.problems:
            assert path.name in problem.line()
    except InputError as error:
        assert str(error)
    try:
        assert all(
            listed.fault or listed.crs or listed.features is None for listed in list_file(path, file_as_typed="w")
        )
    except InputError as error:
        assert str(error)
    reading = read_layer(LayerSource(number=1, role="water", file=path.name), settings)
    if reading.layer is not None:
        assert len(reading.layer.geometry) == len(reading.layer.feature) > 0
        assert np.isfinite(shapely.get_coordinates(reading.layer.geometry)).all()
    raster = read_raster(RasterSource(name="elevation", file=path.name), settings).raster
    if raster is not None and raster.width * raster.height < 1_000_000:
        try:
            cells = raster.read_window((0, raster.height), (0, raster.width))
            assert np.isfinite(cells.compressed()).all()
        except InputError as error:
            assert str(error)


def read_text(kind: str, data: bytes) -> None:
    """Read bytes as the small readers do."""
    if kind == "letters":
        try:
            assert isinstance(read_letters(data)[0], str)
        except (Unsure, UnicodeDecodeError):
            return
    elif kind == "wkb":
        shapes, _ = shapes_from_wkb(pa.chunked_array([pa.array([data], pa.binary())]))
        assert len(shapes) == 1
    elif kind == "hex":
        found = shapes_from_text(pa.chunked_array([[data.decode("latin-1"), data.hex()]]))
        assert len(found.geometry) == 2
    else:
        _read_cell(data.decode("utf-8", "replace"))


def _read_cell(text: str) -> None:
    """One cell, whatever its column is."""
    for number in (parse_number(text), parse_number(text, ","), parse_degrees(text)[0], parse_length(text)[0]):
        assert np.isnan(number) or np.isfinite(number)
    date, how = parse_date(text)
    assert how in ("exact", "two", "odd", "blank") and len(date) in (0, 4, 7, 10)
    pairs: Any = read_pairs(pa.array([text]))
    assert np.isnan(pairs.x[0]) or np.isfinite(pairs.x[0])
