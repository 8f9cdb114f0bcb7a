"""The gate for points and shapes alone, where nothing but distances is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from riskmap.model import BoolArray, FloatArray, Settings
from riskmap.project.ground import bring_shapes
from riskmap.project.steps import LONLAT, Steps
from riskmap.project.working import LARGEST_SCALE, choose_crs, middle_of, stretch_between

__all__ = ["Places", "place_points", "place_shapes"]

ASKED = 20_000  # points, evenly out of all, that choose the CRS


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Points in a metric CRS; arrays of shape (point,)."""

    crs: pyproj.CRS
    x_m: FloatArray
    y_m: FloatArray
    scale: FloatArray  # planar metres per ground metre
    placed: BoolArray
    middle: tuple[float, float]  # longitude and latitude


def place_points(x: FloatArray, y: FloatArray, crs: pyproj.CRS, *, settings: Settings, file: str) -> Places:
    """Bring points into a metric CRS, chosen as for a whole run.

    Parameters
    ----------
    x, y : ndarray, shape (point,)
        In `crs`; nan where a point has no place.
    crs : pyproj.CRS
        Of the points.
    settings : Settings
        May name the working CRS.
    file : str
        For messages.
    """
    steps = Steps()
    found = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    some = found[np.linspace(0, len(found) - 1, min(len(found), ASKED)).astype(np.int64)]
    lon, lat = steps.way(crs, LONLAT, file=file).there(x[some], y[some])
    sound = np.isfinite(lon) & np.isfinite(lat)
    lon, lat = lon[sound], lat[sound]
    working = choose_crs(settings, crs, lon, lat)
    x_m, y_m = steps.way(crs, working, file=file).there(x, y)
    placed = np.isfinite(x_m) & np.isfinite(y_m)
    if placed.all():
        scale = stretch_between(working, x_m, y_m)
    else:
        scale = np.ones(len(x))
        scale[placed] = stretch_between(working, x_m[placed], y_m[placed])
    with np.errstate(invalid="ignore"):
        placed &= (scale <= LARGEST_SCALE) & (scale >= 1 / LARGEST_SCALE)
    middle = middle_of(lon, lat) if len(lon) else (0.0, 0.0)
    return Places(crs=working, x_m=x_m, y_m=y_m, scale=scale, placed=placed, middle=middle)


def place_shapes(shapes: npt.NDArray[np.object_], crs: pyproj.CRS, places: Places, *, file: str) -> Any:
    """Bring shapes into the working CRS of some points; None where a shape is null or has no place there."""
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    way = Steps().way(crs, places.crs, file=file)
    moved = np.full(len(shapes), None, dtype=object)
    moved[there] = bring_shapes(shapes[there], way, crs, places.middle)
    return moved
