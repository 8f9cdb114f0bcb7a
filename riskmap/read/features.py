"""Sound shapes out of a layer: empty ones noted, broken ones mended or left out, each named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from riskmap.model import BoolArray, IntArray, Repair
from riskmap.read.mend import mend_shapes
from riskmap.read.sayings import MOST_LISTED, LayerSayings
from riskmap.read.shapes import ARCS
from riskmap.read.vector_table import VectorTable

__all__ = ["sound_features"]

EARTH_RADIUS_M: Final = 6_371_007.2  # of the sphere with the earth's area (GRS 80, Moritz 2000)


def sound_features(
    table: VectorTable, kept: BoolArray, crs: pyproj.CRS | None, sayings: LayerSayings
) -> tuple[npt.NDArray[np.object_], IntArray]:
    """Return the features kept with sound shapes, and their numbers in the file.

    Parameters
    ----------
    table : VectorTable
        The layer as read, with shapes.
    kept : ndarray of bool, shape (feature,)
        Which pass keep and drop.
    crs : pyproj.CRS or None
        Its CRS: in degrees, shapes out of their range are left out.
    sayings : LayerSayings
        Told of every shape that is missing, mended or left out.
    """
    source, number = sayings.source, table.feature
    all_shapes = np.zeros(0, dtype=object) if table.geometry is None else table.geometry
    faults = {fault.feature: fault for fault in table.faults if kept[table.at(fault.feature)]}
    unread = [n for n, fault in faults.items() if not fault.mended or source.on_invalid == "drop"]
    bare = kept & (shapely.is_missing(all_shapes) | shapely.is_empty(all_shapes))
    gone = table.at(np.asarray(unread, dtype=np.int64))
    bare[gone] = False
    if bare.any():
        count = int(bare.sum())
        sayings.note(
            "geometry_empty",
            f"{count} {_features(count)} of role {source.role} without geometry (null or empty); left out",
            "draw them or take them out of the file",
            features=number[bare],
        )
    out = bare.copy()
    out[gone] = True
    use = kept & ~out
    repairs = [sayings.repair(n, "dropped" if n in unread else "repaired", fault.why) for n, fault in faults.items()]
    repairs += [sayings.repair(int(n), "flattened", ARCS) for n in table.curved if use[table.at(n)]]
    mended = mend_shapes(
        all_shapes[use],
        number[use],
        file=source.file,
        layer=sayings.name,
        drop=source.on_invalid == "drop",
        area=_area_m2(crs),
    )
    geometry, feature = mended.geometry, number[use]
    repairs += mended.repairs
    past = _past_the_pole(geometry, crs)
    repairs += [sayings.repair(int(n), "dropped", "coordinates out of the range of degrees") for n in feature[past]]
    left = ~(shapely.is_missing(geometry) | past)
    _say_repairs(repairs, sayings)
    return geometry[left], feature[left]


def _say_repairs(repairs: list[Repair], sayings: LayerSayings) -> None:
    """Note what was mended and what was left out, or refuse where the user wants no mending."""
    sayings.repaired += sorted(repairs, key=lambda repair: repair.feature)
    for what, code in (("repaired", "geometry_repaired"), ("dropped", "geometry_dropped")):
        these = [repair for repair in sayings.repaired if repair.what == what]
        if not these:
            continue
        count = len({repair.feature for repair in these})
        causes = Counter(repair.why for repair in these).most_common(3)
        why = ", ".join(f"{n} x {cause}" if n > 1 else cause for cause, n in causes)
        features = sorted({repair.feature for repair in these})
        if sayings.source.on_invalid == "error":
            first = ", ".join(str(number) for number in features[:MOST_LISTED])
            sayings.fault(
                f"{count} {_features(count)} with invalid geometry ({why}): feature {first}",
                'mend them, or set on_invalid = "repair"',
                "on_invalid",
            )
        else:
            said = "repaired" if what == "repaired" else "left out"
            sayings.note(
                code,
                f"{count} {_features(count)} of role {sayings.source.role} with invalid geometry {said} ({why})",
                "look at them on the map, and mend them in the file",
                features=features,
            )


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


def _features(count: int) -> str:
    """`feature` or `features`."""
    return "feature" if count == 1 else "features"


def _past_the_pole(geometry: npt.NDArray[np.object_], crs: pyproj.CRS | None) -> BoolArray:
    """Which shapes of a layer in degrees reach where no degrees are."""
    if crs is None or not crs.is_geographic or not len(geometry):
        return np.zeros(len(geometry), dtype=bool)
    bounds = shapely.bounds(geometry)
    with np.errstate(invalid="ignore"):
        lon, lat = np.abs(bounds[:, [0, 2]]) > 540, np.abs(bounds[:, [1, 3]]) > 90.000001
    return np.asarray(lon.any(axis=1) | lat.any(axis=1), dtype=bool)
