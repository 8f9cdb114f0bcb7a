"""The streets site: a small river town with its blocks, plots, railway and about three thousand street trees."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from demo_blocks import make_town
from demo_files import (
    frame,
    write_csv,
    write_flatgeobuf,
    write_geojson,
    write_geopackage,
    write_raster,
    write_zipped_shapefile,
)
from demo_shapes import Rng
from demo_town import WARDS, Town, bend, ward_of

ORIGIN = (466_300.0, 4_703_100.0)  # EPSG:26918, metres
UTM, STATE_PLANE_FT, DEGREES = "EPSG:26918", "EPSG:2261", "EPSG:4326"

COLUMNS = (
    "TreeID",
    "Longitude",
    "Latitude",
    "Species",
    "DBH_in",
    "Height_ft",
    "Form",
    "Planted",
    "Ward",
    "Street",
    "SiteKind",
    "Surface",
    "Guard",
    "GuardSince",
    "Condition",
)


def _rows(town: Town) -> list[dict[str, object]]:
    """Return the inventory in the order of a walk by ward and street, with places in degrees."""
    straight = np.array([(tree["x"], tree["y"]) for tree in town.trees], dtype=float)
    there = gpd.GeoSeries(shapely.points(bend(straight) + np.asarray(ORIGIN)), crs=UTM).to_crs(DEGREES)
    for tree, (u, v), point in zip(town.trees, straight, there, strict=True):
        tree |= {"Ward": ward_of(u, v), "Longitude": f"{point.x:.7f}", "Latitude": f"{point.y:.7f}"}
    rows = sorted(town.trees, key=lambda tree: (WARDS.index(str(tree["Ward"])), str(tree["Street"]), tree["Longitude"]))
    for number, tree in enumerate(rows, start=1):
        tree["TreeID"] = f"Q{number:05d}"
    rows[800]["TreeID"] = rows[799]["TreeID"]  # an id typed twice
    rows[1500] |= {"Longitude": "", "Latitude": ""}  # a tree nobody placed
    return rows


def _layer(town: Town, *names: str, crs: str) -> gpd.GeoDataFrame:
    """Return rows of the town as a bent layer in one CRS."""
    shapes = [row for name in names for row in town.layers[name]]
    columns = list(dict.fromkeys(name for row in shapes for name in row))
    bent = [
        {name: row.get(name) for name in columns}
        | {"geometry": shapely.transform(shapely.segmentize(row["geometry"], 18), bend)}
        for row in shapes
    ]
    return frame(bent, UTM, origin=ORIGIN, to=crs)


def _rasters(rng: Rng, folder: Path) -> None:
    """Snow in whole inches, heights in decimetres; both have no value outside the town's sheet."""
    cell = 12.0
    x, y = np.meshgrid(np.arange(-120, 1800, cell), np.arange(1780, -240, -cell))
    sheet = shapely.transform(shapely.segmentize(shapely.box(-100, -40, 1640, 1390), 20), bend)
    inside = shapely.contains_xy(sheet, x, y)
    corner = (ORIGIN[0] - 120 - cell / 2, ORIGIN[1] + 1780 + cell / 2)
    ripple = sum(
        rng.normal(0, 1) * np.sin((x * np.cos(a) + y * np.sin(a)) / span + rng.uniform(0, 6))
        for a, span in ((0.4, 80), (1.4, 140), (2.6, 55), (0.9, 30))
    )
    depth = np.clip(np.round(9.5 + 0.0052 * y + 1.1 * ripple), 3, 30)
    write_raster(
        folder / "snow.tif",
        np.where(inside, depth, 255).astype(np.uint8),
        corner=corner,
        cell_m=cell,
        crs=UTM,
        nodata=255,
    )
    rise = 96 + 0.022 * np.maximum(y - 150, 0) + 34 / (1 + np.exp(-(y - 1330) / 90)) + 0.8 * ripple
    write_raster(
        folder / "elevation.tif",
        np.where(inside, np.round(rise * 10), -32768).astype(np.int16),
        corner=corner,
        cell_m=cell,
        crs=UTM,
        nodata=-32768,
        scale=0.1,
    )


def write(folder: Path) -> None:
    """Write every input of the site."""
    folder.mkdir(parents=True, exist_ok=True)
    town = make_town(np.random.default_rng(21))
    write_csv(folder / "street_trees.csv", COLUMNS, _rows(town))
    write_zipped_shapefile(folder / "lawns.zip", _layer(town, "lawn", crs=STATE_PLANE_FT))
    write_geopackage(
        folder / "town.gpkg",
        {name: _layer(town, name, crs=STATE_PLANE_FT) for name in ("drives", "walks", "roads", "brook")},
    )
    write_geojson(folder / "water.geojson", _layer(town, "water", crs=DEGREES))
    write_flatgeobuf(folder / "green.fgb", _layer(town, "green", "rail", crs=UTM))
    write_flatgeobuf(folder / "survey_area.fgb", _layer(town, "area", crs=UTM))
    _rasters(np.random.default_rng(22), folder)
