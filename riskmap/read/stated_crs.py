"""The CRS of a layer of shapes: what the file states, held against its coordinates."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from riskmap.errors import shown
from riskmap.read.crs import crs_from_file
from riskmap.read.kinds import Kind

__all__ = ["WGS84", "stated_crs"]

WGS84: Final = "OGC:CRS84"
_ALWAYS_WGS84: Final = frozenset({Kind.GPX, Kind.KML, Kind.OSM_PBF, Kind.OSM_XML})
Stated = tuple[pyproj.CRS | None, str, str]


def stated_crs(kind: Kind, written: Any, geometry: npt.NDArray[np.object_] | None) -> Stated:
    """Return the CRS, where it is from, and why there is none.

    Parameters
    ----------
    kind : Kind
        GPX, KML and OSM are WGS 84 always; GeoJSON unless it says otherwise; TopoJSON where its coordinates fit.
    written : str, dict or None
        What the file states.
    geometry : ndarray of shapely geometries or None
        Degrees that are none (a projected layer without its CRS) make the CRS unknown.

    Returns
    -------
    crs : pyproj.CRS or None
    crs_from : str
        file | format | range | "".
    crs_words : str
        Why there is none.
    """
    if geometry is None:
        return None, "", "the file holds no shapes"
    if kind in _ALWAYS_WGS84:
        return pyproj.CRS(WGS84), "format", ""
    crs = crs_from_file(written)
    if crs is not None:
        return _in_degrees(kind, crs, geometry) if crs.is_geographic else (crs, "file", "")
    if kind is not Kind.TOPOJSON:
        no_prj = kind is Kind.SHAPEFILE
        return None, "", "it has no .prj that names one" if no_prj else "the file names none that PROJ knows"
    seen = _first_outside(geometry)
    if seen is None:
        return pyproj.CRS(WGS84), "range", ""
    return None, "", f"it names no CRS, and coordinates such as {seen} are no degrees"


def _in_degrees(kind: Kind, crs: pyproj.CRS, geometry: npt.NDArray[np.object_]) -> Stated:
    """A geographic CRS, unless the coordinates are no degrees."""
    seen = _first_outside(geometry)
    is_geojson = kind is Kind.GEOJSON
    if seen is None:
        return crs, "format" if is_geojson else "file", ""
    says = "GeoJSON means WGS 84 degrees" if is_geojson else f"the file says {shown(crs.name)}, in degrees"
    return None, "", f"{says}, but coordinates such as {seen} are out of their range (projected, in metres or feet?)"


def _first_outside(geometry: npt.NDArray[np.object_]) -> str | None:
    """A coordinate pair that is no longitude and latitude, where most features have such; None where they fit."""
    bounds = shapely.bounds(geometry)
    known = np.isfinite(bounds).all(axis=1)
    outside = known & (
        (np.abs(bounds[:, [0, 2]]) > 540).any(axis=1) | (np.abs(bounds[:, [1, 3]]) > 90.000001).any(axis=1)
    )
    if not outside.any() or outside.sum() * 2 <= known.sum():
        return None
    x, y = bounds[np.argmax(outside), :2]
    return f"{x:.6g}, {y:.7g}"
