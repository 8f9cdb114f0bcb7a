"""Bytes of shapes (WKB) to shapely, a column at a time; what GEOS can't read is mended ring by ring or left out."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

__all__ = ["ShapeFault", "has_curves", "mend_wkb", "shapes_from_wkb"]

_CURVES: Final = (8, 9, 10, 11, 12, 13, 14)  # CircularString … Surface in ISO WKB
_SURFACES: Final = {15: 6, 16: 6, 17: 3}  # PolyhedralSurface, TIN, Triangle -> MultiPolygon, Polygon
_DEEPEST: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeFault:
    """One shape that did not read as it stands."""

    feature: int  # from 1
    why: str
    mended: bool  # False: left out, its geometry is None


def type_codes(column: pa.ChunkedArray) -> npt.NDArray[np.int64]:
    """Return the plain WKB type of every shape (Z and M taken off), 0 where null."""
    parts = []
    for chunk in column.chunks:
        array = chunk.cast(pa.large_binary())
        offsets = np.frombuffer(array.buffers()[1], dtype=np.int64)[array.offset : array.offset + len(array) + 1]
        data = np.frombuffer(array.buffers()[2] or b"", dtype=np.uint8)
        starts = offsets[:-1]
        long_enough = (offsets[1:] - starts >= 5) & ~np.asarray(array.is_null())
        at = np.where(long_enough, starts, 0)
        if not long_enough.any():
            parts.append(np.zeros(len(array), dtype=np.int64))
            continue
        little = data[at] == 1
        four = data[at[:, None] + np.arange(1, 5)].astype(np.int64)
        four[~little] = four[~little, ::-1]
        code = four[:, 0] | four[:, 1] << 8 | (four[:, 2] << 16) | ((four[:, 3] & 0x0F) << 24)
        parts.append(np.where(long_enough, code % 1000, 0))
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)


def has_curves(column: pa.ChunkedArray) -> npt.NDArray[np.bool_]:
    """Return which shapes are drawn with arcs."""
    return np.isin(type_codes(column), _CURVES)


def shapes_from_wkb(column: pa.ChunkedArray) -> tuple[npt.NDArray[np.object_], tuple[ShapeFault, ...]]:
    """Read a WKB column.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Binary, null where a feature has no shape.

    Returns
    -------
    geometry : ndarray of shapely geometries, shape (feature,)
        2D; None where null or not readable.
    faults : tuple of ShapeFault
        Shapes with broken rings, mended or not.
    """
    written: npt.NDArray[np.object_] = column.to_numpy()
    geometry = np.array(shapely.from_wkb(written, on_invalid="ignore"), dtype=object).reshape(len(written))
    unread = np.flatnonzero(shapely.is_missing(geometry) & ~np.asarray(column.is_null()))
    faults = []
    for index in unread:
        mended, why = mend_wkb(written[index])
        geometry[index] = mended
        faults.append(ShapeFault(feature=int(index) + 1, why=why, mended=mended is not None))
    return flat(geometry), tuple(faults)


def flat(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Take off heights and measures, where any stand."""
    if shapely.has_z(geometry).any() or shapely.has_m(geometry).any():
        return np.asarray(shapely.force_2d(geometry), dtype=object)
    return geometry


def mend_wkb(written: bytes) -> tuple[Any, str]:
    """Read one shape ring by ring: unclosed rings are closed, rings of fewer than 3 points left out.

    Returns
    -------
    shape, why
        None where nothing is left; the reason in words.

    Examples
    --------
    >>> import shapely, struct
    >>> ring = struct.pack("<I", 4) + struct.pack("<8d", 0, 0, 4, 0, 4, 4, 0, 4)
    >>> shape, why = mend_wkb(b"\\x01" + struct.pack("<II", 3, 1) + ring)
    >>> shape.area, why
    (16.0, '1 ring was not closed')
    """
    reader = _WkbReader(written)
    try:
        shape = reader.shape(0)
    except (struct.error, ValueError, IndexError, OverflowError, shapely.errors.ShapelyError):
        return None, "its shape does not read"
    why = [f"{_count(reader.short, 'ring')} of fewer than 3 points"] if reader.short else []
    why += (
        [f"{_count(reader.unclosed, 'ring')} {'was' if reader.unclosed == 1 else 'were'} not closed"]
        if reader.unclosed
        else []
    )
    return shape, " and ".join(why) or ("its shape does not read" if shape is None else "a kind of surface")


def _count(n: int, noun: str) -> str:
    """`1 ring`, `2 rings`."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


class _WkbReader:
    """Reads WKB leniently; slow, only for the few shapes that GEOS refuses."""

    def __init__(self, written: bytes) -> None:
        self.written, self.at = written, 0
        self.short = self.unclosed = 0

    def shape(self, depth: int) -> Any:
        """Read one shape from where we stand, None where it came to nothing."""
        if depth > _DEEPEST:
            raise ValueError("collections inside collections")
        order = "<" if self.written[self.at] == 1 else ">"
        (code,) = struct.unpack_from(order + "I", self.written, self.at + 1)
        self.at += 5
        if code & 0x20000000:  # EWKB with an srid
            self.at += 4
        plain = (code & 0x0FFFFFFF) % 1000
        size = 2 + _extra_ordinates(code)
        kind = _SURFACES.get(plain, plain)
        if kind == 1:
            return shapely.Point(self._points(order, size, 1)[0])
        if kind == 2:
            points = self._points(order, size, self._number(order))
            return shapely.LineString(points) if len(points) > 1 else None
        if kind == 3:
            return self._polygon(order, size)
        if kind in (4, 5, 6, 7):
            parts = [self.shape(depth + 1) for _ in range(self._number(order))]
            return _together(kind, [part for part in parts if part is not None])
        raise ValueError(f"type {plain}")

    def _number(self, order: str) -> int:
        """Read a count that the bytes left can hold."""
        (n,) = struct.unpack_from(order + "I", self.written, self.at)
        self.at += 4
        if n > len(self.written):
            raise ValueError("more parts than bytes")
        return int(n)

    def _points(self, order: str, size: int, n: int) -> npt.NDArray[np.float64]:
        """Read n points, x and y only."""
        if self.at + n * size * 8 > len(self.written):
            raise ValueError("cut off")
        found = np.frombuffer(self.written, dtype=order + "f8", count=n * size, offset=self.at).reshape(n, size)
        self.at += n * size * 8
        return found[:, :2].astype(np.float64)

    def _polygon(self, order: str, size: int) -> Any:
        """Read rings, mending each; without a shell nothing is left."""
        rings = []
        for place in range(self._number(order)):
            points = self._points(order, size, self._number(order))
            points = points[np.isfinite(points).all(axis=1)]
            if len(points) and (points[0] != points[-1]).any() and len(np.unique(points, axis=0)) >= 3:
                self.unclosed += 1
                points = np.vstack([points, points[:1]])
            usable = len(points) >= 4 and len(np.unique(points, axis=0)) >= 3
            self.short += not usable
            if usable or place == 0:
                rings.append(points if usable else None)
        if not rings or rings[0] is None:
            return None
        return shapely.Polygon(rings[0], [ring for ring in rings[1:] if ring is not None])


def _extra_ordinates(code: int) -> int:
    """How many ordinates a point has besides x and y, by ISO thousands or EWKB bits."""
    thousands = (code & 0x0FFFFFFF) // 1000
    iso = {1: 1, 2: 1, 3: 2}.get(thousands, 0)
    return iso or bool(code & 0x80000000) + bool(code & 0x40000000)


def _together(kind: int, parts: list[Any]) -> Any:
    """Parts as one multi-part shape, None where none is left."""
    if not parts:
        return None
    if kind == 7:
        return shapely.GeometryCollection(parts)
    return {4: shapely.MultiPoint, 5: shapely.MultiLineString, 6: shapely.MultiPolygon}[kind](parts)
