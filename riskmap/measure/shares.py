"""How much of the ground round each tree a role covers: the exact area of its polygons in a circle."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.measure.engines import engine_name
from riskmap.measure.holds import points_inside
from riskmap.measure.pieces import cut_lines
from riskmap.measure.shapes import Shapes
from riskmap.model import FloatArray

__all__ = ["cover_share", "flat_areas"]

FIRST = 0.7236067977  # direction in which arcs start, radians; no usual edge lies that way
TURN = 2 * np.pi
CHUNK = 1024  # points taken at once


def cover_share(
    geometry: npt.NDArray[np.object_],
    x_m: FloatArray,
    y_m: FloatArray,
    scale: FloatArray,
    radius_m: float,
    *,
    engine: str = "",
) -> FloatArray:
    """Return the share of the circle round each point that polygons cover, overlaps counted once.

    Exact by either engine: half the cross products of the edges inside the circle, and the arcs between them (Green's
    theorem); no circle is drawn as a polygon, nothing is put into cells of a raster.

    Parameters
    ----------
    geometry : ndarray of shapely geometries
        Of one role; lines and points cover nothing.
    x_m, y_m : ndarray, shape (point,)
        Planar metres, all finite. [m]
    scale : ndarray, shape (point,)
        Planar metres per ground metre at each point.
    radius_m : float
        On the ground. [m]
    engine : str, optional
        ``grid`` or ``shapely``; the fastest there is when empty.

    Returns
    -------
    ndarray, shape (point,)
        0 to 1.
    """
    areas, radius = flat_areas(geometry), radius_m * scale
    if not len(areas) or not len(x_m):
        return np.zeros(len(x_m))
    if (engine or engine_name()) == "grid":
        from riskmap.measure import grid

        numbers = np.arange(1, len(areas) + 1)
        every = Shapes(given=areas, half_width_m=np.zeros(len(areas)), layer=numbers, feature=numbers)
        share = grid.cover_share(every, x_m, y_m, radius)
        if share is not None:
            return share
    return _share_by_pieces(areas, x_m, y_m, radius)


def flat_areas(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return the polygons of a role laid together, so that none overlap, ground on the left of every ring."""
    parts = shapely.get_parts(shapely.get_parts(geometry))
    areas = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    laid = shapely.get_parts(shapely.union_all(areas)) if len(areas) else areas
    laid = laid[shapely.get_type_id(laid) == shapely.GeometryType.POLYGON]
    flat: npt.NDArray[np.object_] = shapely.orient_polygons(laid, exterior_cw=False)
    return flat


def _share_by_pieces(
    areas: npt.NDArray[np.object_], x_m: FloatArray, y_m: FloatArray, radius: FloatArray
) -> FloatArray:
    """The same sums over the pieces in reach of each point."""
    lines = cut_lines(shapely.get_rings(areas))
    index, count = shapely.STRtree(lines), shapely.get_num_coordinates(lines)
    vertex, first = shapely.get_coordinates(lines), np.cumsum(count) - count
    end_x, end_y = x_m + radius * np.cos(FIRST), y_m + radius * np.sin(FIRST)
    share = np.zeros(len(x_m))
    share[points_inside(areas, end_x, end_y)] = 1.0
    for start in range(0, len(x_m), CHUNK):
        part = slice(start, start + CHUNK)
        at, piece = index.query(shapely.points(x_m[part], y_m[part]), "dwithin", radius[part])
        edges = count[piece] - 1
        point = np.repeat(at + start, edges)
        nth = np.arange(edges.sum()) - np.repeat(np.cumsum(edges) - edges, edges)
        edge = np.repeat(first[piece], edges) + nth
        place, squared = np.column_stack([x_m[point], y_m[point]]), radius[point] ** 2
        sums = _edge_sums(vertex[edge] - place, vertex[edge + 1] - place, squared)
        share += np.bincount(point, weights=sums, minlength=len(x_m)) / TURN
    share += (share < -1e-6).astype(float) - (share > 1 + 1e-6)  # an edge through the very end of the first direction
    return np.clip(share, 0.0, 1.0)


def _edge_sums(a: FloatArray, b: FloatArray, squared: FloatArray) -> FloatArray:
    """What each edge adds: twice the area swept inside the circle over its squared radius, and the jumps of arcs."""
    away, away2, d = (a**2).sum(axis=1), (b**2).sum(axis=1), b - a
    out, out2 = away > squared, away2 > squared
    with np.errstate(invalid="ignore", divide="ignore"):
        long, along = (d**2).sum(axis=1), (a * d).sum(axis=1)
        under = along**2 - long * (away - squared)
        root = np.sqrt(np.maximum(under, 0.0))
        start = np.where(out, (-along - root) / long, 0.0)
        end = np.where(out2, (-along + root) / long, 1.0)
        # an edge with one end in the circle crosses it once, whatever rounding says: a corner may lie on the circle
        meets = ~(out & out2) | ((under > 0) & (start >= 0) & (end <= 1) & (start < end))
        start = np.clip(start, 0.0, 1.0)
        end = np.clip(end, start, 1.0)
    sums = np.where(meets, (end - start) * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / squared, 0.0)
    for crosses, t, sign in ((meets & out, start, -1.0), (meets & out2, end, 1.0)):
        x, y = (a[crosses] + t[crosses, None] * d[crosses]).T
        sums[crosses] += sign * (TURN - (np.arctan2(y, x) - FIRST) % TURN)
    return sums
