"""Shapes written as text in a table: WKT, EWKT with its SRID, or WKB in hexadecimal."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from riskmap.read.shapes import ShapeFault, flat

__all__ = ["TextShapes", "shape_column", "shapes_from_text"]

_WORD: Final = re.compile(
    r"^\s*(?:SRID=\d+;)?\s*(?:MULTI)?(?:POINT|LINESTRING|POLYGON)\b|^\s*(?:SRID=\d+;)?\s*GEOMETRYCOLLECTION\b",
    re.IGNORECASE,
)
_HEX: Final = re.compile(r"^\s*0[01][0-9A-Fa-f]{16,}\s*$")
_SRID: Final = re.compile(r"^\s*SRID=(\d+);", re.IGNORECASE)
_LOOKED_AT: Final = 50


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
        [None if is_hex else cell for cell, is_hex in zip(plain, hexadecimal, strict=True)], dtype=object
    )
    geometry = np.asarray(shapely.from_wkt(texts, on_invalid="fix"), dtype=object).reshape(len(cells))
    codes = {int(found[1]) for cell in cells if cell and (found := _SRID.match(cell))}
    if hexadecimal.any():
        written = np.asarray([bytes.fromhex(cells[row].strip()) for row in np.flatnonzero(hexadecimal)], dtype=object)
        shapes = shapely.from_wkb(written, on_invalid="fix")
        geometry[hexadecimal] = shapes
        codes |= {int(code) for code in np.unique(shapely.get_srid(shapes)) if code > 0}
    unread = np.flatnonzero(filled & shapely.is_missing(geometry))
    faults = tuple(ShapeFault(feature=int(row) + 1, why="its text is no shape", mended=False) for row in unread)
    return TextShapes(geometry=flat(geometry), faults=faults, crs=f"EPSG:{codes.pop()}" if len(codes) == 1 else None)
