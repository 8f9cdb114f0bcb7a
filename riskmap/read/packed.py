"""Shapes left as the bytes they stand in: the short way in for files that are measured and nothing else."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyproj
import shapely

from riskmap.cores import cores
from riskmap.errors import InputError, Problem, shown
from riskmap.model import FloatArray, IntArray
from riskmap.read.archives import MOST_BYTES
from riskmap.read.crs import crs_from_file
from riskmap.read.door import find_file, sniff
from riskmap.read.kinds import Kind
from riskmap.read.vectors import read_vector

__all__ = ["UNSAID_CRS", "PackedShapes", "one_buffer", "plain_points", "read_packed"]

POINT_BYTES = 21  # of a 2D point: byte order, type, x, y
UNSAID_CRS = "OGC:CRS84"  # of GeoParquet that names none


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedShapes:
    """One column of shapes as well-known binary, in pieces as it was read.

    Feature i of a piece lies in wkb[offset[i]:offset[i + 1]], which is empty where it is null; `wkb` is anything with
    the buffer protocol.
    """

    file: str
    pieces: Sequence[tuple[Any, IntArray]]
    crs: pyproj.CRS
    table: pa.Table  # the other columns asked for

    def points(self) -> tuple[FloatArray, FloatArray]:
        """Return x and y of every feature, nan where it has no shape.

        Raises
        ------
        InputError
            A shape is no point.
        """
        plain = [found for piece in self.pieces if (found := _seen_points(*piece))]
        if len(plain) == len(self.pieces):
            x, y = (np.concatenate([found[i] for found in plain]) for i in (0, 1))
            return x, y
        shapes = self._shapely()
        other = ~(shapely.is_missing(shapes) | (shapely.get_type_id(shapes) == shapely.GeometryType.POINT))
        if other.any():
            what, remedy = "these are no points", "give one point a tree"
            raise InputError([Problem(file=self.file, what=what, remedy=remedy, row=int(np.argmax(other)) + 1)])
        return shapely.get_x(shapes), shapely.get_y(shapes)

    def shapes(self) -> Any:
        """Return the shapes as shapely geometries, None where null."""
        return shapely.force_2d(self._shapely())

    def _shapely(self) -> Any:
        """The shapes as they stand."""
        written: list[bytes | None] = []
        for wkb, offset in self.pieces:
            whole = memoryview(wkb)
            written += [bytes(whole[a:b]) or None for a, b in pairwise(offset)]
        return shapely.from_wkb(np.array(written, dtype=object))


def plain_points(wkb: Any, offset: IntArray) -> tuple[FloatArray, FloatArray] | None:
    """Return x and y where every shape is a plain point in two dimensions, else None."""
    seen = _seen_points(wkb, offset)
    return None if seen is None else (seen[0].copy(), seen[1].copy())


def _seen_points(wkb: Any, offset: IntArray) -> tuple[FloatArray, FloatArray] | None:
    """The same, as they stand in the bytes."""
    n = len(offset) - 1
    if not n or not bool((np.diff(offset) == POINT_BYTES).all()):
        return None
    first = int(offset[0])
    order = np.ndarray((n,), dtype=np.uint8, buffer=wkb, offset=first, strides=(POINT_BYTES,))
    kind = np.ndarray((n,), dtype="<u4", buffer=wkb, offset=first + 1, strides=(POINT_BYTES,))
    if not bool((order == 1).all() and (kind == 1).all()):
        return None
    x, y = (np.ndarray((n,), dtype="<f8", buffer=wkb, offset=first + at, strides=(POINT_BYTES,)) for at in (5, 13))
    return x, y


def read_packed(path: Path, *, columns: Sequence[str] = ()) -> PackedShapes:
    """Read the shapes of a file, and some of its columns.

    GeoParquet is handed through as it stands; any other kind is read as a layer is and packed again.

    Raises
    ------
    InputError
        The file is refused, holds no shapes, does not say its CRS, or lacks a column asked for.
    """
    typed = str(path)
    find_file(path, file_as_typed=typed)
    if sniff(path, file_as_typed=typed) is Kind.PARQUET:
        packed = _read_parquet(path, typed, columns)
        if packed is not None:
            return packed
    read = read_vector(path, file_as_typed=typed)
    if read.geometry is None or read.crs is None:
        what = "it holds no shapes" if read.geometry is None else "nobody says which CRS its coordinates are in"
        raise InputError([Problem(file=typed, what=what, remedy="export it as GeoParquet with a CRS")])
    _need_columns(typed, columns, read.table.column_names)
    written = [shape if shape is not None else b"" for shape in shapely.to_wkb(read.geometry, byte_order=1)]
    offset = np.zeros(len(written) + 1, dtype=np.int64)
    np.cumsum([len(shape) for shape in written], out=offset[1:])
    table = read.table.select(list(columns))
    return PackedShapes(file=typed, pieces=[(b"".join(written), offset)], crs=read.crs, table=table)


def _read_parquet(path: Path, typed: str, columns: Sequence[str]) -> PackedShapes | None:
    """GeoParquet with shapes as well-known binary; None where they stand otherwise."""
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path, memory_map=True)
        geo = json.loads((file.schema_arrow.metadata or {}).get(b"geo", b"{}"))
        name = geo.get("primary_column", "")
        about = geo.get("columns", {}).get(name, {})
    except (ValueError, AttributeError, OSError, pa.ArrowException) as error:
        what = f"it does not read; it may be cut off or damaged ({shown(error)})"
        raise InputError([Problem(file=typed, what=what, remedy="export it anew")]) from error
    if not name or about.get("encoding") != "WKB":
        return None
    _need_columns(typed, columns, file.schema_arrow.names)
    if sum(file.metadata.row_group(i).total_byte_size for i in range(file.metadata.num_row_groups)) > MOST_BYTES:
        what, remedy = "it unpacks to more than 4 GB", "cut it to the area needed"
        raise InputError([Problem(file=typed, what=what, remedy=remedy)])
    table = _read_groups(path, file, [name, *columns])
    crs = crs_from_file(about.get("crs", UNSAID_CRS))
    if crs is None:
        what, remedy = "it does not say which CRS its coordinates are in", "export it with its CRS"
        raise InputError([Problem(file=typed, what=what, remedy=remedy)])
    shapes = table.column(name)
    pieces = [one_buffer(pa.chunked_array([chunk])) for chunk in shapes.chunks] or [one_buffer(shapes)]
    return PackedShapes(file=typed, pieces=pieces, crs=crs, table=table.select(list(columns)))


def _read_groups(path: Path, file: Any, columns: list[str]) -> pa.Table:
    """Read some columns, one group of rows beside the other: pyarrow alone goes through a column from end to end."""
    import pyarrow.parquet as pq

    groups = file.metadata.num_row_groups
    if groups < 2:
        return file.read(columns=columns)
    hands = min(cores(), groups)

    def read(first: int) -> list[tuple[int, pa.Table]]:
        own = pq.ParquetFile(path, memory_map=True)
        return [(group, own.read_row_group(group, columns=columns)) for group in range(first, groups, hands)]

    with ThreadPoolExecutor(hands) as pool:
        found = [table for of_hand in pool.map(read, range(hands)) for table in of_hand]
    return pa.concat_tables([table for _, table in sorted(found, key=itemgetter(0))])


def one_buffer(column: pa.ChunkedArray) -> tuple[Any, IntArray]:
    """A column of binaries as one run of bytes and where each starts."""
    if isinstance(column.type, pa.ExtensionType):
        column = pa.chunked_array([chunk.storage for chunk in column.chunks], column.type.storage_type)
    if column.null_count:
        column = column.fill_null(b"")
    if column.num_chunks != 1:
        column = pa.chunked_array([pa.concat_arrays(column.cast(pa.large_binary()).chunks)], pa.large_binary())
    array = column.chunk(0)
    long = pa.types.is_large_binary(array.type)
    _, offsets, data = array.buffers()
    offset = np.frombuffer(offsets, dtype=np.int64 if long else np.int32)[array.offset : array.offset + len(array) + 1]
    return data if data is not None else b"", offset.astype(np.int64)


def _need_columns(typed: str, columns: Sequence[str], there: Sequence[str]) -> None:
    """Every column asked for is there."""
    for name in columns:
        if name not in there:
            words = ", ".join(shown(column) for column in there)
            what, remedy = f"there is no column {shown(name)!r}", f"it holds {words}"
            raise InputError([Problem(file=typed, what=what, remedy=remedy)])
