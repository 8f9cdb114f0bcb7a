"""Shapes written as text in a table: WKT, EWKT with its SRID, or WKB in hexadecimal."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from riskmap.read.shapes import ShapeFault, flat, shapes_from_wkb

__all__ = ["TextShapes", "shape_column", "shapes_from_text"]

_WORD: Final = re.compile(
    r"^\s*(?:SRID=\d+;)?\s*(?:MULTI)?(?:POINT|LINESTRING|POLYGON)\b|^\s*(?:SRID=\d+;)?\s*GEOMETRYCOLLECTION\b",
    re.IGNORECASE,
)
_HEX: Final = re.compile(r"^\s*(?:\\x)?0[01](?:[0-9A-Fa-f]{2}){8,}\s*$")
_SRID: Final = re.compile(r"^\s*SRID=(\d+);", re.IGNORECASE)
_LOOKED_AT: Final = 50
_COLLECTION: Final = re.compile(r"COLLECTION", re.IGNORECASE)
_LONG, _MOST_INSIDE = 20 * 200, 200  # characters, and collections in one shape


@dataclass(frozen=True, slots=True, kw_only=True)
class TextShapes:
    """What a column of texts holds."""

    geometry: npt.NDArray[np.object_]
    faults: tuple[ShapeFault, ...]
    crs: str | None  # where every shape carries one and the same SRID


def shape_column(table: pa.Table) -> str | None:
    """Return the first column whose filled cells are shapes."""
    for name in table.column_names:
        if not (
            pa.types.is_string(table.schema.field(name).type) or pa.types.is_large_string(table.schema.field(name).type)
        ):
            continue
        cells = [cell for cell in table.column(name).drop_null().slice(0, _LOOKED_AT).to_pylist() if cell.strip()]
        if cells and all(_WORD.match(cell) or _HEX.match(cell) for cell in cells):
            return str(name)
    return None


def shapes_from_text(column: pa.ChunkedArray) -> TextShapes:
    """Read a column of WKT, EWKT or hexadecimal WKB; None where a cell is empty or does not read.

    Examples
    --------
    >>> found = shapes_from_text(pa.chunked_array([["SRID=4326;POINT Z (1 2 3)", None]]))
    >>> print(found.geometry[0], found.crs)
    POINT (1 2) EPSG:4326
    """
    cells = column.to_pylist()
    filled = np.asarray([bool(cell and cell.strip()) for cell in cells], dtype=bool)
    plain = [_SRID.sub("", cell) if ok else None for cell, ok in zip(cells, filled, strict=True)]
    hexadecimal = np.asarray(
        [bool(ok and _HEX.match(cell)) for cell, ok in zip(cells, filled, strict=True)], dtype=bool
    )
    texts = np.asarray(
        [None if is_hex or _lies_deep(cell) else cell for cell, is_hex in zip(plain, hexadecimal, strict=True)],
        dtype=object,
    )
    geometry = np.asarray(shapely.from_wkt(texts, on_invalid="fix"), dtype=object).reshape(len(cells))
    codes = {int(found[1]) for cell in cells if cell and (found := _SRID.match(cell))}
    faults: list[ShapeFault] = []
    if hexadecimal.any():
        written = [_unhex(cells[row]) for row in np.flatnonzero(hexadecimal)]
        shapes, spoilt = shapes_from_wkb(pa.chunked_array([pa.array(written, pa.binary())]))
        geometry[hexadecimal] = shapes
        codes |= {_srid(shape) for shape in written} - {0}
        rows = np.flatnonzero(hexadecimal) + 1
        faults = [replace(fault, feature=int(rows[fault.feature - 1])) for fault in spoilt]
    told = {fault.feature for fault in faults}
    unread = [int(row) + 1 for row in np.flatnonzero(filled & shapely.is_missing(geometry)) if row + 1 not in told]
    faults += [ShapeFault(feature=row, why="its text is no shape", mended=False) for row in unread]
    return TextShapes(
        geometry=flat(geometry), faults=tuple(faults), crs=f"EPSG:{codes.pop()}" if len(codes) == 1 else None
    )


def _unhex(cell: str) -> bytes:
    """Bytes written in hexadecimal, also as a database prints them."""
    return bytes.fromhex(cell.strip().removeprefix("\\x"))


def _lies_deep(text: str | None) -> bool:
    """Whether collections stand in collections so many times that reading them would overrun the stack."""
    return text is not None and len(text) > _LONG and len(_COLLECTION.findall(text)) > _MOST_INSIDE


def _srid(written: bytes) -> int:
    """The SRID of extended WKB, 0 where it has none."""
    order: Literal["little", "big"] = "little" if written[:1] == b"\x01" else "big"
    code = int.from_bytes(written[1:5], order)
    return int.from_bytes(written[5:9], order) if code & 0x20000000 else 0
