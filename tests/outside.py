"""Outside answers for tests: geodesics, brute force over every segment, the folder of hard inputs."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from conftest import make_inputs, make_layer, make_table

from riskmap.model import Inputs, RasterData, RasterSource

SHARED = Path(__file__).resolve().parents[2] / "shared"
GEOD = pyproj.Geod(ellps="WGS84")  # Karney 2013, Algorithms for geodesics, as in PROJ


def needs(path: Path) -> pytest.MarkDecorator:
    """Skip, with the reason, where data of the outside world are not at hand."""
    return pytest.mark.skipif(not path.exists(), reason=f"{path} is not here")


def geodesic_m(lon: float, lat: float, line: Any, steps: int = 40) -> float:
    """Geodesic distance from a point to a line straight in degrees, by narrowing down every segment."""
    ends = shapely.get_coordinates(line)
    best = np.inf
    for (x1, y1), (x2, y2) in pairwise(ends):
        low, high = 0.0, 1.0
        for _ in range(6):
            t = np.linspace(low, high, steps)
            away = GEOD.inv(np.full(steps, lon), np.full(steps, lat), x1 + t * (x2 - x1), y1 + t * (y2 - y1))[2]
            at = int(np.argmin(away))
            best = min(best, float(away[at]))
            low, high = t[max(at - 1, 0)], t[min(at + 1, steps - 1)]
    return best


def segments_of(shape: Any) -> np.ndarray:
    """All segments a shape is drawn with, shape (segment, 4); a point is a segment of no length."""
    found = []
    for part in shapely.get_parts(shapely.get_parts([shape])):
        rings = shapely.get_rings([part]) if part.geom_type == "Polygon" else [part]
        for ring in rings:
            xy = shapely.get_coordinates(ring)
            xy = np.repeat(xy, 2, axis=0) if len(xy) == 1 else xy
            found.append(np.hstack([xy[:-1], xy[1:]]))
    return np.concatenate(found)


def brute_m(x: float, y: float, segments: np.ndarray) -> float:
    """Planar distance from a point to the nearest of some segments."""
    start, along = segments[:, :2] - (x, y), segments[:, 2:] - segments[:, :2]
    squared = (along**2).sum(axis=1)
    t = np.clip(-(start * along).sum(axis=1) / np.where(squared > 0, squared, 1.0), 0.0, 1.0)
    return float(np.hypot(*(start + t[:, None] * along).T).min())


def holds(x: float, y: float, shape: Any) -> bool:
    """Whether any polygon of a shape holds a point, by even-odd crossings."""
    for part in shapely.get_parts(shapely.get_parts([shape])):
        if part.geom_type == "Polygon":
            x1, y1, x2, y2 = segments_of(part).T
            crosses = (y1 > y) != (y2 > y)
            with np.errstate(divide="ignore", invalid="ignore"):
                right = x < x1 + (y - y1) / (y2 - y1) * (x2 - x1)
            if (crosses & right).sum() % 2:
                return True
    return False


def case_inputs(name: str) -> tuple[Inputs, dict[str, Any]]:
    """Read one hard-input case the plain way, for what comes after reading."""
    folder = SHARED / "cases" / name
    case = tomllib.loads((folder / "case.toml").read_text())
    expected = tomllib.loads((folder / "expected.toml").read_text())
    trees = pyogrio.read_dataframe(folder / case["trees"]["file"])
    crs: Any = case["trees"].get("crs") or "EPSG:4326"
    if trees.get("geometry") is not None:
        xy = shapely.get_coordinates(trees.geometry)
    elif "lon" in trees:
        xy = trees[["lon", "lat"]].to_numpy(float)
    else:
        xy = trees[[column for column in trees if column in ("x", "y", "easting", "northing")]].to_numpy(float)
    table = make_table(xy, crs=crs, tree_id=trees["id"].tolist(), lonlat_as_given=crs == "EPSG:4326")
    layers = []
    for number, layer in enumerate(case.get("layer", []), start=1):
        frame = pyogrio.read_dataframe(folder / layer["file"], layer=layer.get("layer"))
        shapes = shapely.force_2d(np.asarray(frame.geometry.array, dtype=object))
        sound = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
        own = layer.get("crs") or frame.crs or "EPSG:4326"
        shapes = shapely.make_valid(shapes[sound])
        feature = np.flatnonzero(sound) + 1
        layers.append(make_layer(layer["role"], shapes, number=number, crs=own, feature=feature, file=layer["file"]))
    rasters = [raster_data(folder / raster["file"], raster["role"]) for raster in case.get("raster", [])]
    return make_inputs(table, layers, rasters=rasters), expected


def raster_data(path: Path, name: str) -> RasterData:
    """Open a raster as the door does, in short."""
    import rasterio

    with rasterio.open(path, driver="GTiff") as raster:
        cells = raster.read(1, masked=True).astype(float) * raster.scales[0] + raster.offsets[0]
        return RasterData(
            source=RasterSource(name=name, file=path.name),
            crs=pyproj.CRS.from_user_input(raster.crs),
            transform=tuple(raster.transform)[:6],
            width=raster.width,
            height=raster.height,
            read_window=lambda rows, columns: cells[slice(*rows), slice(*columns)],
        )
