"""Sound shapes out of a layer: empty ones noted, broken ones mended or left out, each named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from riskmap.model import BoolArray, IntArray, Repair
from riskmap.read.mend import mend_shapes
from riskmap.read.sayings import LayerSayings
from riskmap.read.shapes import ARCS
from riskmap.read.vector_table import VectorTable

__all__ = ["Sound", "sound_features"]

EARTH_RADIUS_M: Final = 6_371_007.2  # of the sphere with the earth's area (GRS 80, Moritz 2000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """The features kept that have sound shapes, and what had to be done.

    Attributes
    ----------
    feature : ndarray of int
        Their numbers in the file.
    bare : ndarray of bool
        Which of all that were read have no shape.
    repairs : tuple of Repair
        Every shape that was mended or left out.
    """

    geometry: npt.NDArray[np.object_]
    feature: IntArray
    bare: BoolArray
    repairs: tuple[Repair, ...]


def sound_features(table: VectorTable, kept: BoolArray, crs: pyproj.CRS | None, sayings: LayerSayings) -> Sound:
    """Return the features kept with sound shapes.

    Parameters
    ----------
    table : VectorTable
        The layer as read, with shapes.
    kept : ndarray of bool, shape (feature,)
        Which pass keep and drop.
    crs : pyproj.CRS or None
        Its CRS: in degrees, shapes out of their range are left out.
    sayings : LayerSayings
        Names the layer.
    """
    drop, number = sayings.source.on_invalid == "drop", table.feature
    all_shapes = np.zeros(0, dtype=object) if table.geometry is None else table.geometry
    faults = {fault.feature: fault for fault in table.faults if kept[table.at(fault.feature)]}
    unread = [n for n, fault in faults.items() if not fault.mended or drop]
    bare = kept & (shapely.is_missing(all_shapes) | shapely.is_empty(all_shapes))
    gone = table.at(np.asarray(unread, dtype=np.int64))
    bare[gone] = False
    out = bare.copy()
    out[gone] = True
    use = kept & ~out
    repairs = [sayings.repair(n, "dropped" if n in unread else "repaired", fault.why) for n, fault in faults.items()]
    repairs += [sayings.repair(int(n), "flattened", ARCS) for n in table.curved if use[table.at(n)]]
    mended = mend_shapes(
        all_shapes[use],
        number[use],
        file=sayings.source.file,
        layer=sayings.name,
        drop=drop,
        area=_area_m2(crs),
    )
    geometry, feature = mended.geometry, number[use]
    repairs += mended.repairs
    past = _past_the_pole(geometry, crs)
    repairs += [sayings.repair(int(n), "dropped", "coordinates out of the range of degrees") for n in feature[past]]
    left = ~(shapely.is_missing(geometry) | past)
    return Sound(geometry=geometry[left], feature=feature[left], bare=bare, repairs=tuple(repairs))


def _area_m2(crs: pyproj.CRS | None) -> Callable[[Any], Any]:
    """How areas are told: in square metres, on a sphere where the CRS is in degrees."""
    if crs is None:
        return lambda _: np.nan
    unit = float(crs.axis_info[0].unit_conversion_factor)  # metres, or radians
    if not crs.is_geographic:
        return lambda shape: shapely.area(shape) * unit**2

    def on_sphere(shape: Any) -> Any:
        _, south, _, north = shapely.bounds(shape)
        return shapely.area(shape) * (unit * EARTH_RADIUS_M) ** 2 * np.cos((south + north) / 2 * unit)

    return on_sphere


def _past_the_pole(geometry: npt.NDArray[np.object_], crs: pyproj.CRS | None) -> BoolArray:
    """Which shapes of a layer in degrees reach where no degrees are."""
    if crs is None or not crs.is_geographic or not len(geometry):
        return np.zeros(len(geometry), dtype=bool)
    bounds = shapely.bounds(geometry)
    with np.errstate(invalid="ignore"):
        lon, lat = np.abs(bounds[:, [0, 2]]) > 540, np.abs(bounds[:, [1, 3]]) > 90.000001
    return np.asarray(lon.any(axis=1) | lat.any(axis=1), dtype=bool)
