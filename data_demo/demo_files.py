"""Writing demo files so that the same seed gives the same bytes: fixed dates, rounded coordinates, sorted columns."""

from __future__ import annotations

import csv
import os
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

os.environ["OGR_CURRENT_DATE"] = "2026-10-15T00:00:00.000Z"  # GeoPackages carry the date of their last change

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyogrio
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely.geometry.base import BaseGeometry

Rows = Sequence[Mapping[str, object]]


def frame(
    shapes: Rows, crs: str, *, origin: tuple[float, float], to: str = "", simplify: float = 0.08
) -> gpd.GeoDataFrame:
    """Return a layer: local metres moved to the CRS, thinned, rounded to the centimetre (degrees: to 7 decimals)."""
    local = np.array([row["geometry"] for row in shapes], dtype=object)
    moved = shapely.transform(shapely.simplify(local, simplify), lambda xy: xy + np.asarray(origin))
    names = [name for name in shapes[0] if name != "geometry"]
    layer = gpd.GeoDataFrame({name: [row[name] for row in shapes] for name in names}, geometry=moved, crs=crs)
    if to:
        layer = layer.to_crs(to)
    decimals = 7 if layer.crs.is_geographic else 2
    rounded = shapely.transform(layer.geometry.to_numpy(), lambda xy: np.round(xy, decimals))
    return layer.set_geometry(np.where(shapely.is_valid(rounded), rounded, shapely.make_valid(rounded)), crs=layer.crs)


def write_geopackage(file: Path, layers: Mapping[str, gpd.GeoDataFrame]) -> None:
    """Write layers into one new GeoPackage."""
    file.unlink(missing_ok=True)
    for name, layer in layers.items():
        pyogrio.write_dataframe(layer, file, layer=name, driver="GPKG", append=file.exists(), VERSION="1.2")


def write_zipped_shapefile(file: Path, layer: gpd.GeoDataFrame) -> None:
    """Write a layer as a zipped Shapefile."""
    stem = file.stem
    pyogrio.write_dataframe(
        layer, file.with_suffix(".shp"), driver="ESRI Shapefile", encoding="UTF-8", DBF_DATE_LAST_UPDATE="2026-10-15"
    )
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for part in sorted(file.parent.glob(f"{stem}.*")):
            if part != file:
                archive.writestr(
                    zipfile.ZipInfo(part.name, (2026, 10, 15, 0, 0, 0)), part.read_bytes(), zipfile.ZIP_DEFLATED
                )
                part.unlink()


def write_geojson(file: Path, layer: gpd.GeoDataFrame) -> None:
    """Write a layer as GeoJSON with as many decimals as it has."""
    file.unlink(missing_ok=True)
    pyogrio.write_dataframe(layer, file, driver="GeoJSON", RFC7946="YES", COORDINATE_PRECISION=7)


def write_flatgeobuf(file: Path, layer: gpd.GeoDataFrame) -> None:
    """Write a layer as FlatGeobuf, many-part shapes where there are any."""
    file.unlink(missing_ok=True)
    pyogrio.write_dataframe(layer, file, driver="FlatGeobuf")


def write_raster(
    file: Path,
    values: npt.NDArray[np.generic],
    *,
    corner: tuple[float, float],
    cell_m: float,
    crs: str,
    nodata: float | None,
    scale: float = 1.0,
) -> None:
    """Write a one-band GeoTIFF, first row north."""
    height, width = values.shape
    profile = {
        "driver": "GTiff",
        "height": height,
        "width": width,
        "count": 1,
        "dtype": values.dtype,
        "crs": crs,
        "nodata": nodata,
    }
    with rasterio.open(
        file,
        "w",
        transform=from_origin(*corner, cell_m, cell_m),
        compress="deflate",
        predictor=2 if values.dtype.kind in "iu" else 3,
        zlevel=9,
        **profile,
    ) as out:
        out.write(values, 1)
        if scale != 1.0:
            out.scales = (scale,)


def write_csv(file: Path, columns: Sequence[str], rows: Rows) -> None:
    """Write a table, empty cells where a row has no word."""
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, columns, restval="", lineterminator="\n", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


def single(shapes: Sequence[tuple[str, BaseGeometry]]) -> list[dict[str, object]]:
    """Return name and geometry rows."""
    return [{"name": name, "geometry": shape} for name, shape in shapes]
