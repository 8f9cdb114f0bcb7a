"""Make a column of shapes sound: broken polygons are mended, dropped or told of, collections flattened."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.model import BoolArray, FloatArray, IntArray, Repair
from riskmap.read.shapes import mend_wkb

__all__ = ["Mended", "mend_shapes"]

_POINT, _LINE, _POLYGON, _MULTIPOLYGON, _COLLECTION = 0, 1, 3, 6, 7
FARTHEST: Final = 1e12  # of any coordinate, in any unit
_AREAL: Final = (_POLYGON, _MULTIPOLYGON, _COLLECTION)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mended:
    """Sound shapes (None where dropped), and what was done to which."""

    geometry: npt.NDArray[np.object_]
    repairs: tuple[Repair, ...]


@np.errstate(all="ignore")  # coordinates near the largest number overflow, and then are found out
def mend_shapes(
    geometry: npt.NDArray[np.object_],
    feature: IntArray,
    *,
    file: str,
    layer: str,
    drop: bool = False,
    area: Callable[[Any], Any] = shapely.area,
) -> Mended:
    """Mend every shape that is not valid; the sound ones are not touched.

    Parameters
    ----------
    geometry : ndarray of shapely geometries, shape (feature,)
        2D; none null or empty.
    feature : ndarray of int
        Their numbers in the file.
    drop : bool
        Drop what is broken in place of mending it.
    area : callable
        Gives the area that repairs tell of.

    Returns
    -------
    Mended
        A bow-tie keeps both lobes, parts that overlap are joined, and of a polygon only areas are kept.

    Examples
    --------
    >>> bow = shapely.from_wkt(["POLYGON ((0 0, 2 2, 2 0, 0 2, 0 0))"])
    >>> mended = mend_shapes(bow, np.array([1]), file="f", layer="")
    >>> mended.repairs[0].area_after
    2.0
    """
    geometry = geometry.copy()
    repairs: list[Repair] = []

    def note(index: int, what: str, why: str, before: float | None, after: float | None) -> None:
        repairs.append(
            Repair(
                file=file,
                layer=layer,
                feature=int(feature[index]),
                what=what,
                why=why,
                area_before=before,
                area_after=after,
            )
        )

    for index in _not_finite(geometry):
        shape = None if drop else mend_wkb(shapely.to_wkb(geometry[index]))[0]
        sound = shape is not None and bool(_is_place(shapely.get_coordinates(shape)).all())
        geometry[index] = shape if sound else None
        note(index, "repaired" if sound else "dropped", "coordinates that are no numbers", None, None)

    kinds = shapely.get_type_id(geometry)
    areal = np.flatnonzero(np.isin(kinds, _AREAL))
    broken = areal[~shapely.is_valid(geometry[areal])]
    for index in broken.tolist():  # few: one by one
        shape = geometry[index]
        before, why = float(area(shape)), _reason(shape)
        mended = None if drop else _mend(shape)
        if mended is None and before == 0:
            why = "has no area"
        geometry[index] = mended
        after = None if mended is None else float(area(mended))
        note(index, "dropped" if mended is None else "repaired", why, before, after)

    for index in np.flatnonzero(kinds == _COLLECTION).tolist():
        if geometry[index] is not None:
            geometry[index] = _flat_collection(geometry[index])
    return Mended(geometry=geometry, repairs=tuple(repairs))


def _is_place(points: FloatArray) -> BoolArray:
    """Which points have coordinates that some map could have."""
    with np.errstate(invalid="ignore"):
        return np.asarray((np.abs(points) < FARTHEST).all(axis=1), dtype=bool)


def _not_finite(geometry: npt.NDArray[np.object_]) -> list[int]:
    """Indices of shapes with a coordinate that is no number, or past every map."""
    if np.abs(shapely.get_coordinates(geometry)).max(initial=0.0) < FARTHEST:  # one that is no number never is
        return []
    points, owner = shapely.get_coordinates(geometry, return_index=True)
    return [int(index) for index in np.unique(owner[~_is_place(points)])]


def _reason(shape: Any) -> str:
    """Why a shape is not valid, without its coordinates."""
    words = str(shapely.is_valid_reason(shape)).split("[")[0].strip().lower()
    return {"self-intersection": "crosses itself", "ring self-intersection": "a ring touches itself"}.get(words, words)


def _mend(shape: Any) -> Any:
    """The shape made valid, areas only where it was an area; None where nothing is left."""
    try:
        mended = shapely.make_valid(shape, method="structure", keep_collapsed=False)
    except shapely.errors.GEOSException:
        return None
    if shapely.get_type_id(shape) == _COLLECTION:
        return None if shapely.is_empty(mended) else mended
    parts = [part for part in _parts(mended) if shapely.get_type_id(part) == _POLYGON and not shapely.is_empty(part)]
    return _as_one(parts)


def _parts(shape: Any) -> list[Any]:
    """Every single part, however deep it lies."""
    parts = np.asarray([shape], dtype=object)
    while (shapely.get_type_id(parts) >= 4).any():
        parts = shapely.get_parts(parts)
    return list(parts)


def _as_one(polygons: Sequence[Any]) -> Any:
    """Polygons as one shape; None where there is none."""
    if not polygons:
        return None
    together = polygons[0] if len(polygons) == 1 else shapely.MultiPolygon(list(polygons))
    return together if shapely.is_valid(together) else shapely.union_all(list(polygons))


def _flat_collection(shape: Any) -> Any:
    """A collection one level deep, without empty parts; None where nothing is left."""
    parts = [part for part in _parts(shape) if not shapely.is_empty(part)]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.GeometryCollection(parts)
