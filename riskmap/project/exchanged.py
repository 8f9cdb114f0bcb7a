"""Easting and northing exchanged: as read no tree lies where its CRS is made for, exchanged every one does."""

from __future__ import annotations

import numpy as np
import pyproj

from riskmap.errors import InputError, Problem, shown
from riskmap.model import BoolArray, FloatArray, TreeTable
from riskmap.project.steps import LONLAT, Steps

__all__ = ["refuse_exchanged"]

_MARGIN_DEG = 0.5
_MOST_ASKED = 1000


def refuse_exchanged(table: TreeTable, lon: FloatArray, lat: FloatArray, counted: BoolArray, file: str) -> None:
    """Refuse projected trees whose columns of coordinates stand the wrong way round.

    Parameters
    ----------
    table : TreeTable
        The trees in their own CRS.
    lon, lat : ndarray, shape (tree,)
        Where they lie as read. [degrees]
    counted : ndarray of bool
        Which of them count.
    file : str
        For the message.

    Raises
    ------
    InputError
        They lie outside the area of their CRS, and inside it with x and y exchanged.
    """
    crs = table.crs
    if crs is None or not crs.is_projected or crs.area_of_use is None or not counted.any():
        return
    some = np.flatnonzero(counted)[:_MOST_ASKED]
    if _inside(crs, lon[some], lat[some]).any():
        return
    other = Steps().way(crs, LONLAT, file=file).there(table.y[some], table.x[some])
    if not _inside(crs, *other).all():
        return
    first = int(some[0])
    what = (
        f"easting and northing look exchanged in all rows: {table.x[first]:.10g}, {table.y[first]:.10g} lies outside "
        f"the area of {shown(crs.name)}, and the other way round inside it"
    )
    remedy = 'exchange them: columns = { x = "…", y = "…" } with x the easting'
    raise InputError([Problem(file=file, row=int(table.row[first]), what=what, remedy=remedy, key="trees.columns")])


def _inside(crs: pyproj.CRS, lon: FloatArray, lat: FloatArray) -> BoolArray:
    """Which places lie in the area of use of a CRS or a little beyond it."""
    area = crs.area_of_use
    assert area is not None
    past_west = (lon - area.west + _MARGIN_DEG) % 360.0  # counted eastward, so that 180 and -180 are one line
    across = past_west <= (area.east - area.west) % 360.0 + 2 * _MARGIN_DEG
    return np.asarray(across & (lat >= area.south - _MARGIN_DEG) & (lat <= area.north + _MARGIN_DEG), dtype=bool)
