"""The value of each raster in the cell a tree falls in."""

from __future__ import annotations

import numpy as np

from riskmap.model import IntArray, RasterPoints, RasterValues, Site, Watch

__all__ = ["measure_rasters"]

VALUE, NODATA, OUTSIDE = 0, 1, 2
MOST_CELLS = 50_000_000  # of a window read at once
BLOCK = 2048  # rows and columns of a block where one window would be larger


def measure_rasters(site: Site, *, watch: Watch) -> tuple[RasterValues, ...]:
    """Look every raster up at every tree: the cell the tree falls in, never a mean of its neighbours.

    Parameters
    ----------
    site : Site
        Holds where each tree falls in each raster.
    watch : Watch
        Told how far the work has come.

    Returns
    -------
    tuple of RasterValues
        In the order of the rasters.
    """
    values = []
    for done, points in enumerate(site.rasters):
        watch.progress(done, len(site.rasters))
        values.append(_look_up(points))
    return tuple(values)


def _look_up(points: RasterPoints) -> RasterValues:
    """One raster at every tree."""
    raster = points.data
    value = np.full(len(points.column), np.nan)
    status = np.full(len(points.column), OUTSIDE, dtype=np.int8)
    with np.errstate(invalid="ignore"):
        hits = (points.column >= 0) & (points.column < raster.width) & (points.row >= 0) & (points.row < raster.height)
    hit = np.flatnonzero(hits)
    column, row = (np.floor(place[hit]).astype(np.int64) for place in (points.column, points.row))
    for some in _windows(column, row):
        rows = int(row[some].min()), int(row[some].max()) + 1
        columns = int(column[some].min()), int(column[some].max()) + 1
        cells = raster.read_window(rows, columns)
        found = cells[row[some] - rows[0], column[some] - columns[0]]
        missing = np.ma.getmaskarray(found) | ~np.isfinite(np.ma.getdata(found).astype(np.float64))
        value[hit[some]] = np.where(missing, np.nan, np.ma.getdata(found).astype(np.float64))
        status[hit[some]] = np.where(missing, NODATA, VALUE)
    return RasterValues(name=raster.source.name, value=value, status=status)


def _windows(column: IntArray, row: IntArray) -> list[IntArray]:
    """Points in groups whose windows are small enough to read: one, or one a block of cells."""
    if not len(column):
        return []
    if (int(np.ptp(column)) + 1) * (int(np.ptp(row)) + 1) <= MOST_CELLS:
        return [np.arange(len(column))]
    block = (row // BLOCK) * (int(column.max()) // BLOCK + 1) + column // BLOCK
    order = np.argsort(block, kind="stable")
    ends = np.flatnonzero(np.diff(block[order])) + 1
    return [np.asarray(group) for group in np.split(order, ends)]
