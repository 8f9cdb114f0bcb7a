"""What lies in a box: found by bounds, and cut only where a shape reaches over the edge."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.model import IntArray

__all__ = ["Box", "cut_to_box"]

Box = tuple[float, float, float, float]
Geometries = npt.NDArray[np.object_]


def cut_to_box(shapes: Geometries, box: Box) -> tuple[Geometries, IntArray]:
    """Return what of some shapes lies in a box, and which shape each is of.

    Parameters
    ----------
    shapes : ndarray of shapely geometries
        Anything with a place.
    box : tuple of float
        Left, bottom, right, top.

    Examples
    --------
    >>> lines = shapely.linestrings([[[0, 1], [4, 1]], [[0, 1], [1, 1]], [[7, 7], [8, 8]]])
    >>> cut, of = cut_to_box(lines, (0, 0, 2, 2))
    >>> [line.wkt for line in cut], of.tolist()
    (['LINESTRING (0 1, 2 1)', 'LINESTRING (0 1, 1 1)'], [0, 1])
    """
    left, bottom, right, top = box
    west, south, east, north = shapely.bounds(shapes).T
    here = np.flatnonzero((west <= right) & (east >= left) & (south <= top) & (north >= bottom))
    whole = (west >= left) & (east <= right) & (south >= bottom) & (north <= top)
    cut = shapes[here]
    over = np.flatnonzero(~whole[here])
    cut[over] = shapely.clip_by_rect(cut[over], *box)
    kept = ~shapely.is_empty(cut)
    return cut[kept], here[kept]
