"""The ground between two nested areas, without an overlay where none is needed."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.model import BoolArray, IntArray

__all__ = ["between"]

Geometries = npt.NDArray[np.object_]


def between(outer: Any, inner: Any) -> Any:
    """Return what of an area lies outside another that stands well within it.

    Where neither has a hole, the outlines of the inner one become holes of the outer one; only the rest is overlaid.

    Parameters
    ----------
    outer : Polygon or MultiPolygon
        What was grown from `inner`, so that no outline of one meets one of the other.
    inner : Polygon or MultiPolygon
        What to leave out.

    Examples
    --------
    >>> between(shapely.box(0, 0, 3, 3), shapely.box(1, 1, 2, 2)).normalize().wkt
    'MULTIPOLYGON (((0 0, 0 3, 3 3, 3 0, 0 0), (1 1, 2 1, 2 2, 1 2, 1 1)))'
    """
    around, within = shapely.get_parts(outer), shapely.get_parts(inner)
    places = shapely.STRtree(shapely.get_point(shapely.get_exterior_ring(within), 0))
    owner, held = places.query(around, predicate="contains")
    if not np.array_equal(np.sort(held), np.arange(len(within))):  # they are not nested after all
        return shapely.difference(outer, inner)
    plain = shapely.get_num_interior_rings(around) == 0
    plain[owner[shapely.get_num_interior_rings(within[held]) > 0]] = False
    holed = _with_holes(around[plain], within[held], np.searchsorted(np.flatnonzero(plain), owner), plain[owner])
    others = np.flatnonzero(~plain)
    less = [shapely.difference(around[at], shapely.multipolygons(within[held[owner == at]])) for at in others.tolist()]
    whole = shapely.multipolygons(np.concatenate([holed, shapely.get_parts(np.asarray(less, dtype=object))]))
    return whole if shapely.is_valid(whole) else shapely.difference(outer, inner)


def _with_holes(around: Geometries, within: Geometries, owner: IntArray, use: BoolArray) -> Geometries:
    """Areas without holes, each with the outlines of what it holds as its holes."""
    number = np.concatenate([np.arange(len(around)), owner[use]])
    rings = shapely.get_exterior_ring(np.concatenate([around, within[use]]))
    order = np.argsort(number, kind="stable")  # each area's own outline first
    return shapely.polygons(rings[order], indices=number[order]) if len(rings) else around
