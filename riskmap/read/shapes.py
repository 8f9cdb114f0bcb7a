"""Bytes of shapes (WKB) to shapely, a column at a time; what GEOS can't read is mended ring by ring or left out."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from riskmap.model import FloatArray

__all__ = ["ARCS", "ShapeFault", "flat", "has_curves", "mend_wkb", "shapes_from_wkb"]

ARCS: Final = "arcs straightened"
_MANY_PARTS: Final = (4, 5, 6, 7)
_COLLECTION: Final = 7
_LONG_BYTES: Final = 9 * 2000  # a shorter shape can't lie so deep that reading it overruns the stack
_MOST_INSIDE: Final = 200  # collections in one shape
_INSIDE: Final = re.compile(  # where a part with parts of its own begins: either byte order; plain, Z, M and ZM
    rb"\x01(?:[\x04-\x07\x09-\x0c\x0f\x10]\x00|[\xec-\xf8]\x03|[\xd4-\xe0]\x07|[\xbc-\xc8]\x0b)\x00[\x00\x20-\xe0]"
    rb"|\x00[\x00\x20-\xe0]\x00(?:\x00[\x04-\x07\x09-\x0c\x0f\x10]|\x03[\xec-\xf8]|\x07[\xd4-\xe0]|\x0b[\xbc-\xc8])",
    re.DOTALL,
)
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
        two = data[at[:, None] + np.where(little[:, None], [1, 2], [4, 3])].astype(np.int64)  # as GEOS: the lower half
        code = two[:, 0] | two[:, 1] << 8
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
    ours = _not_for_geos(column, written)
    plain = written.copy() if len(ours) else written
    plain[ours] = None
    geometry = _by_geos(plain)
    unread = np.flatnonzero(shapely.is_missing(geometry) & ~np.asarray(column.is_null()))
    faults = []
    for index in unread:
        mended, why = mend_wkb(written[index])
        geometry[index] = mended
        faults.append(ShapeFault(feature=int(index) + 1, why=why, mended=mended is not None))
    return flat(geometry), tuple(faults)


def _by_geos(written: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Read what GEOS reads; None for the rest, arcs deep in a collection among it."""
    try:
        return np.array(shapely.from_wkb(written, on_invalid="ignore"), dtype=object).reshape(len(written))
    except NotImplementedError:
        if len(written) == 1:
            return np.full(1, None, dtype=object)
    half = len(written) // 2
    return np.concatenate([_by_geos(written[:half]), _by_geos(written[half:])])


def _not_for_geos(column: pa.ChunkedArray, written: npt.NDArray[np.object_]) -> npt.NDArray[np.intp]:
    """Shapes with arcs, which GEOS can do nothing with, and collections so deep that it would overrun the stack."""
    codes = type_codes(column)
    many = np.flatnonzero(np.isin(codes, _MANY_PARTS))
    ours = [at for at in many if (codes[at] == _COLLECTION or _may_lie_deep(written[at])) and _is_ours(written[at])]
    return np.concatenate([np.flatnonzero(np.isin(codes, _CURVES)), np.asarray(ours, dtype=np.intp)])


def _may_lie_deep(written: bytes) -> bool:
    """Whether a shape is long, and parts with parts of their own may begin in it many times."""
    if len(written) < _LONG_BYTES:
        return False
    return sum(1 for _ in zip(_INSIDE.finditer(written), range(_MOST_INSIDE), strict=False)) == _MOST_INSIDE


def _is_ours(written: bytes) -> bool:
    """Whether arcs stand in a shape, or shapes inside shapes so many times over that reading it overruns the stack."""
    reader, to_come = _WkbReader(written), [1]  # shapes still to come at each depth
    try:
        while to_come and len(to_come) < _MOST_INSIDE and not reader.straightened:
            if to_come[-1] == 0:
                to_come.pop()
                continue
            to_come[-1] -= 1
            inside = reader.skip()
            if inside is not None:
                to_come.append(inside)
    except (struct.error, ValueError, IndexError):
        return False  # cut off before that
    return bool(to_come)


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
    except (struct.error, ValueError, IndexError, ArithmeticError, shapely.errors.ShapelyError):
        return None, "its shape does not read"
    why = [f"{_count(reader.short, 'ring')} of fewer than 3 points"] if reader.short else []
    why += (
        [f"{_count(reader.unclosed, 'ring')} {'was' if reader.unclosed == 1 else 'were'} not closed"]
        if reader.unclosed
        else []
    )
    why += [ARCS] if reader.straightened and shape is not None else []
    return shape, " and ".join(why) or ("its shape does not read" if shape is None else "a kind of surface")


def _count(n: int, noun: str) -> str:
    """`1 ring`, `2 rings`."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


class _WkbReader:
    """Reads WKB leniently; slow, only for the few shapes that GEOS refuses."""

    def __init__(self, written: bytes) -> None:
        self.written, self.at = written, 0
        self.short = self.unclosed = 0
        self.straightened = False

    def shape(self, depth: int) -> Any:
        """Read one shape from where we stand, None where it came to nothing."""
        if depth > _DEEPEST:
            raise ValueError("collections inside collections")
        order, code, size = self._head()
        plain = (code & 0xFFFF) % 1000
        kind = _SURFACES.get(plain, plain)
        if kind == 1:
            return shapely.Point(self._points(order, size, 1)[0])
        if kind == 2:
            points = self._points(order, size, self._number(order))
            return shapely.LineString(points) if len(points) > 1 else None
        if kind == 3:
            return self._polygon(order, size)
        if kind in _CURVES:
            return self._curve(kind, order, size, depth)
        if kind in (4, 5, 6, 7):
            parts = [self.shape(depth + 1) for _ in range(self._number(order))]
            return _together(kind, [part for part in parts if part is not None])
        raise ValueError(f"type {plain}")

    def skip(self) -> int | None:
        """Go past one shape that has no shapes inside; past the head of one that has, and return how many."""
        order, code, size = self._head()
        plain = (code & 0xFFFF) % 1000
        self.straightened |= plain in _CURVES
        if plain in (1, 2, 8):
            self._points(order, size, 1 if plain == 1 else self._number(order))
        elif plain in (3, 17):
            for _ in range(self._number(order)):
                self._points(order, size, self._number(order))
        else:
            return self._number(order)
        return None

    def _head(self) -> tuple[str, int, int]:
        """Read byte order and type code, and tell how many ordinates a point has."""
        order = "<" if self.written[self.at] == 1 else ">"
        (code,) = struct.unpack_from(order + "I", self.written, self.at + 1)
        self.at += 9 if code & 0x20000000 else 5  # EWKB with an srid
        return order, code, 2 + _extra_ordinates(code)

    def _curve(self, kind: int, order: str, size: int, depth: int) -> Any:
        """Read a shape with arcs, straightened."""
        self.straightened = True
        if kind == 8:
            return shapely.LineString(straight_arcs(self._points(order, size, self._number(order))))
        parts = [part for part in (self.shape(depth + 1) for _ in range(self._number(order))) if part is not None]
        if kind in (11, 12):
            return _together(5 if kind == 11 else 6, parts)
        if kind == 10:
            rings = [shapely.get_coordinates(part) for part in parts]
            return shapely.Polygon(rings[0], rings[1:]) if rings else None
        if kind == 9:
            return shapely.LineString(np.vstack([shapely.get_coordinates(part) for part in parts])) if parts else None
        raise ValueError(f"type {kind}")

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


def straight_arcs(points: FloatArray) -> FloatArray:
    """Return a string of arcs as corners, at most 4 degrees of turn apart.

    Parameters
    ----------
    points : ndarray, shape (2 n + 1, 2)
        Start, a point on the arc, end, and so on; an arc that ends where it starts is a circle.

    Examples
    --------
    >>> half = straight_arcs(np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]]))
    >>> len(half), bool(np.abs(np.hypot(*half.T) - 1).max() < 1e-12)
    (47, True)
    """
    found = [points[:1]]
    for at in range(0, len(points) - 2, 2):
        (x0, y0), (x1, y1), (x2, y2) = points[at : at + 3]
        start, end = complex(x0, y0), complex(x2, y2)
        over, chord = complex(x1, y1) - start, end - start
        cross = (over.conjugate() * chord).imag
        if start == end:
            centre, turn = start + over / 2, 2 * np.pi
        elif abs(cross) < 1e-12 * abs(chord) ** 2:
            found.append(points[at + 1 : at + 3])
            continue
        else:
            centre = start + 1j * (over * abs(chord) ** 2 - chord * abs(over) ** 2) / (2 * cross)
            turn = np.angle((end - centre) / (start - centre)) % (2 * np.pi)
            turn -= 2 * np.pi * (cross < 0)  # clockwise
        angles = np.linspace(0.0, turn, max(2, int(np.ceil(abs(turn) / np.radians(4.0))) + 1))[1:]
        arc = centre + (start - centre) * np.exp(1j * angles)
        arc[-1] = end
        found.append(np.column_stack([arc.real, arc.imag]))
    return np.vstack(found)


def _extra_ordinates(code: int) -> int:
    """How many ordinates a point has besides x and y, by ISO thousands or EWKB bits."""
    thousands = (code & 0xFFFF) // 1000
    iso = {1: 1, 2: 1, 3: 2}.get(thousands, 0)
    return iso or bool(code & 0x80000000) + bool(code & 0x40000000)


def _together(kind: int, parts: list[Any]) -> Any:
    """Parts as one multi-part shape, None where none is left."""
    if not parts:
        return None
    if kind == 7:
        return shapely.GeometryCollection(parts)
    if (shapely.get_type_id(parts) != {4: 0, 5: 1, 6: 3}[kind]).any():
        raise ValueError("parts of another kind")
    return {4: shapely.MultiPoint, 5: shapely.MultiLineString, 6: shapely.MultiPolygon}[kind](parts)
