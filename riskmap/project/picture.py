"""A user's picture as the page draws it: in Web Mercator, cut to the site."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyproj
from affine import Affine
from rasterio.warp import Resampling, reproject

from riskmap.model import FloatArray, Site

__all__ = ["picture_window", "to_web_mercator"]

WEB_MERCATOR = "EPSG:3857"
Cells = npt.NDArray[np.uint8]
Box = tuple[float, float, float, float]
Transform = tuple[float, float, float, float, float, float]


def picture_window(
    site: Site, box: Box, crs: pyproj.CRS, transform: Transform, width: int, height: int
) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Return the rows and columns of a picture that a box of the working CRS touches; None where it touches none.

    Parameters
    ----------
    site : Site
        Gives the working CRS.
    box : tuple of float
        Left, bottom, right, top. [m]
    crs, transform, width, height
        Grid of the picture; affine a b c d e f, corner based.
    """
    left, bottom, right, top = box
    along = np.linspace(0.0, 1.0, 21)
    x_m = np.concatenate([left + along * (right - left)] * 2 + [np.full(21, left), np.full(21, right)])
    y_m = np.concatenate([np.full(21, bottom), np.full(21, top)] + [bottom + along * (top - bottom)] * 2)
    x, y = pyproj.Transformer.from_crs(site.crs, crs, always_xy=True).transform(x_m, y_m)
    column, row = _at(tuple(~Affine(*transform))[:6], np.asarray(x), np.asarray(y))
    if not np.isfinite(column).all() or not np.isfinite(row).all():
        return (0, height), (0, width)
    rows = max(0, int(np.floor(row.min()))), min(height, int(np.ceil(row.max())))
    columns = max(0, int(np.floor(column.min()))), min(width, int(np.ceil(column.max())))
    return (rows, columns) if rows[0] < rows[1] and columns[0] < columns[1] else None


def to_web_mercator(cells: Cells, transform: Transform, crs: pyproj.CRS, *, longest: int) -> tuple[Cells, Box]:
    """Return a picture in Web Mercator and its box in metres of that map.

    Parameters
    ----------
    cells : ndarray, shape (4, row, column)
        Red, green, blue, opacity.
    transform : tuple of float
        Corner-based place of the cells in `crs`, affine a b c d e f.
    longest : int
        Most pixels along the longer side.
    """
    high, wide = cells.shape[1:]
    west, south, east, north = _mercator_box(transform, crs, wide, high)
    a_pixel_m = np.hypot(east - west, north - south) / np.hypot(wide, high)
    shrink = min(1.0, longest * a_pixel_m / max(east - west, north - south))
    width = max(1, round((east - west) / a_pixel_m * shrink))
    height = max(1, round((north - south) / a_pixel_m * shrink))
    target = Affine((east - west) / width, 0.0, west, 0.0, (south - north) / height, north)
    drawn = np.zeros((4, height, width), dtype=np.uint8)
    reproject(
        cells,
        drawn,
        src_transform=Affine(*transform),
        src_crs=crs.to_wkt(),
        dst_transform=target,
        dst_crs=WEB_MERCATOR,
        resampling=Resampling.average if shrink < 1 else Resampling.bilinear,
    )
    return drawn, (west, south, east, north)


def _mercator_box(transform: Transform, crs: pyproj.CRS, wide: int, high: int) -> Box:
    """Left, bottom, right, top of a picture in Web Mercator; GDAL would ask a driver for it that stays shut."""
    column, row = np.meshgrid(np.linspace(0, wide, 21), np.linspace(0, high, 21))
    x, y = _at(transform, column.ravel(), row.ravel())
    x_m, y_m = (np.asarray(at) for at in pyproj.Transformer.from_crs(crs, WEB_MERCATOR, always_xy=True).transform(x, y))
    found = np.isfinite(x_m) & np.isfinite(y_m)
    x_m, y_m = x_m[found], y_m[found]
    return float(x_m.min()), float(y_m.min()), float(x_m.max()), float(y_m.max())


def _at(transform: Transform, column: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where cells lie, or with the inverse which cells lie there."""
    a, b, c, d, e, f = transform
    return a * column + b * row + c, d * column + e * row + f
