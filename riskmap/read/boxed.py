"""Which features of a big file may lie near the trees, so that the rest need not be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import pyarrow as pa
import pyogrio
import pyproj
import shapely
from pyogrio.raw import read as read_plain
from pyogrio.raw import read_arrow

from riskmap.model import BoolArray, FloatArray, IntArray
from riskmap.read.archives import MOST_BYTES
from riskmap.read.crs import crs_from_file
from riskmap.read.kinds import Kind
from riskmap.read.shapes import shapes_from_wkb
from riskmap.read.stated_crs import WGS84

__all__ = [
    "MOST_WHOLE",
    "Box",
    "Boxes",
    "Near",
    "Picked",
    "is_large",
    "meets_any",
    "near_rows",
    "parquet_boxes",
    "pick_near",
]

Box: TypeAlias = tuple[float, float, float, float]  # west, south, east, north, in the CRS of the layer
Boxes: TypeAlias = tuple[Box, ...]  # what lies in none of them can't matter; none at all: nobody can tell
Near: TypeAlias = Callable[[pyproj.CRS], Boxes]

MOST_WHOLE: Final = 20_000_000  # bytes; a smaller file is read whole
_BATCH: Final = 65_536  # rows of a Parquet file looked at together
_ROUNDED: Final = 2.0**-22  # of a number: the bounds of a covering may be kept in single precision
_EDGES: Final = ("xmin", "ymin", "xmax", "ymax")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picked:
    """How GDAL is asked for the features near the trees, and what their numbers in the file are."""

    asks: tuple[Mapping[str, Any], ...]  # words of pyogrio, one reading each
    in_file: int  # features
    number: Callable[[IntArray], IntArray]  # of GDAL's own ids, from 1 in file order


def pick_near(path: Path, kind: Kind, layer: str | None, near: Near, *, known: Known | None = None) -> Picked | None:
    """Return how to read what is near; None where the layer must be read whole.

    Parameters
    ----------
    path : Path
        Private path, as the door hands it out.
    kind : Kind
        FlatGeobuf and GeoPackage with their index, and shapefiles; others are read whole.
    layer : str or None
        The layer meant.
    near : callable
        Returns the boxes to read in a CRS.
    known : Known, optional
        Given, a small file is read by box too.
    """
    if kind not in (Kind.FLATGEOBUF, Kind.GEOPACKAGE, Kind.SHAPEFILE) or (known is None and not is_large(path)):
        return None
    about = pyogrio.read_info(path, layer=layer)
    crs = crs_from_file(about["crs"])
    indexed = about["capabilities"]["fast_spatial_filter"] or kind is Kind.SHAPEFILE
    if crs is None or not indexed or about["geometry_type"] is None:
        return None
    boxes, bounds = near(crs), about["total_bounds"]
    if not boxes or _holds_all(boxes, bounds):
        return None
    if kind is Kind.GEOPACKAGE:
        return _pick_of_geopackage(path, layer, about, boxes)
    if about["features"] < 1 or not _whole_file(path, kind, about["features"]):
        return None
    some = tuple(box for box in boxes if bounds is None or meets_any(np.asarray([bounds]), (box,))[0]) or boxes[:1]
    return Picked(asks=tuple({"bbox": box} for box in some), in_file=about["features"], number=lambda ids: ids + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a file that is read by box again and again, whatever its size.

    Attributes
    ----------
    sha256 : str
        Its sum; "" where nobody has taken it.
    groups : ndarray or None, shape (group, 4)
        Bounds of each group of rows of a Parquet file without a covering, nan where a shape has none.
    """

    sha256: str = ""
    groups: FloatArray | None = None


def is_large(path: Path) -> bool:
    """Return whether a file is so large that it is worth while to read only some of it."""
    return path.stat().st_size >= MOST_WHOLE


def _holds_all(boxes: Boxes, bounds: Any) -> bool:
    """Whether the first box holds a whole layer, so that nothing is won."""
    if bounds is None or not np.isfinite(bounds).all():
        return False
    west, south, east, north = boxes[0]
    return bool(west <= bounds[0] and south <= bounds[1] and east >= bounds[2] and north >= bounds[3])


def _whole_file(path: Path, kind: Kind, features: int) -> bool:
    """Whether ids count the features from 0 and none is cut off; if not, reading whole says what is wrong."""
    if kind is Kind.FLATGEOBUF:  # features stand in the order of their ids, so the last one is the first to be lost
        return len(read_plain(path, columns=[], fids=np.array([features - 1]))[2]) == 1
    table = path.with_suffix(".dbf")
    with table.open("rb") as stream:
        head = stream.read(32)
    rows, start, width = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    if not rows or not width or rows != features:
        return False
    flags = np.memmap(table, dtype=np.uint8, mode="r", offset=start)[: rows * width : width]
    return not (flags == ord("*")).any()  # rows marked as deleted are counted by their ids, and not read


def _pick_of_geopackage(path: Path, layer: str | None, about: Mapping[str, Any], boxes: Boxes) -> Picked | None:
    """Pick rows by the R-tree, and every row that does not stand in it (no shape, or an index gone stale)."""
    table, key, shape = str(about["layer_name"]), str(about["fid_column"]), str(about["geometry_name"])
    if not key or not shape:
        return None
    index = f"rtree_{table}_{shape}"
    counted = (
        f"SELECT (SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = {_text(table)}) AS tables, "
        f"EXISTS (SELECT 1 FROM {_name(table)} WHERE {_name(key)} NOT IN "
        f"(SELECT rowid FROM {_name(index + '_rowid')})) AS unseen, "
        f"count(*) AS n, min({_name(key)}) AS least, max({_name(key)}) AS most FROM {_name(table)}"
    )
    found = read_arrow(path, sql=counted, read_geometry=False)[1].to_pylist()[0]
    if not found["tables"] or not found["n"]:  # a view has no order of its own
        return None
    at = [
        f"(maxx >= {west!r} AND minx <= {east!r} AND maxy >= {south!r} AND miny <= {north!r})"
        for west, south, east, north in boxes
    ]
    where = f"{_name(key)} IN (SELECT id FROM {_name(index)} WHERE {' OR '.join(at)})"
    if found["unseen"]:
        where += f" OR {_name(key)} NOT IN (SELECT rowid FROM {_name(index + '_rowid')})"
    least, n = int(found["least"]), int(found["n"])
    number: Callable[[IntArray], IntArray] = lambda ids: ids - least + 1  # noqa: E731  the other one follows
    if int(found["most"]) - least + 1 != n:  # rows were taken out: the number of each must be counted
        ids = np.sort(read_plain(path, layer=layer, columns=[], read_geometry=False, return_fids=True)[1])
        number = lambda some: np.searchsorted(ids, some) + 1  # noqa: E731
    return Picked(asks=({"where": where},), in_file=n, number=number)


def _name(text: str) -> str:
    """A name of SQL."""
    return '"' + text.replace('"', '""') + '"'


def _text(text: str) -> str:
    """A text of SQL."""
    return "'" + text.replace("'", "''") + "'"


def parquet_boxes(path: Path, about: Mapping[str, Any], near: Near, *, known: Known | None = None) -> Boxes:
    """Return the boxes to read of a GeoParquet file; none where it must be read whole.

    Parameters
    ----------
    path : Path
        Private path, as the door hands it out.
    about : mapping
        What its metadata say of the column of shapes; empty where they say nothing.
    near : callable
        Returns the boxes to read in a CRS.
    known : Known, optional
        Given, a small file is read by box too.
    """
    if not about or (known is None and not is_large(path)) or str(about.get("encoding", "WKB")).upper() != "WKB":
        return ()
    crs, bounds = crs_from_file(about.get("crs", WGS84)), about.get("bbox")
    if crs is None:
        return ()
    flat = None
    if isinstance(bounds, list) and len(bounds) in (4, 6) and all(isinstance(edge, int | float) for edge in bounds):
        half = len(bounds) // 2
        flat = np.asarray([*bounds[:2], *bounds[half : half + 2]], dtype=np.float64)
        if flat[0] > flat[2]:  # its way to say that it crosses the 180th meridian
            return ()
    boxes = near(crs)
    return () if not boxes or _holds_all(boxes, flat) else boxes


def near_rows(
    path: Path, shape: str, about: Mapping[str, Any], boxes: Boxes, *, known: Known | None = None
) -> tuple[pa.Table, IntArray, int] | None:
    """Read the rows of a Parquet file whose bounds meet a box, or can't be told; a batch at a time.

    Parameters
    ----------
    path : Path
        Private path, as the door hands it out.
    shape : str
        The column of shapes, in WKB.
    about : mapping
        What the metadata say of it; where they name a covering, groups of rows are passed over by its statistics.
    boxes : Boxes
        In the CRS of the file.
    known : Known, optional
        Its bounds of groups do for a covering.

    Returns
    -------
    table : pyarrow.Table
    number : ndarray of int
        Number in the file of each row, from 1.
    in_file : int
        Rows of the file.
    None
        Where they would take more memory than any file may.
    """
    import pyarrow.parquet as pq

    parquet = pq.ParquetFile(path, buffer_size=1 << 20)
    covering = _covering(about, parquet.schema_arrow)
    kept: list[pa.RecordBatch] = []
    numbers: list[IntArray] = []
    start = room = 0
    for group in range(parquet.num_row_groups):
        rows = parquet.metadata.row_group(group)
        if rows.total_byte_size > MOST_BYTES:
            return None
        if _may_meet(rows, covering, boxes) if covering else _known_to_meet(known, group, boxes):
            near = _near_in(parquet, group, shape, covering, boxes)
            for batch, these in _batches(parquet, group, near):
                kept.append(batch)
                numbers.append(start + 1 + these)
                room += batch.nbytes
            if room > MOST_BYTES:
                return None
        start += rows.num_rows
    number = np.concatenate(numbers) if numbers else np.zeros(0, dtype=np.int64)
    return pa.Table.from_batches(kept, schema=parquet.schema_arrow), number, parquet.metadata.num_rows


def _known_to_meet(known: Known | None, group: int, boxes: Boxes) -> bool:
    """Whether a group of rows may hold a shape that meets a box, as far as its bounds are known."""
    return known is None or known.groups is None or bool(meets_any(known.groups[group], boxes)[0])


def group_bounds(path: Path, shape: str, about: Mapping[str, Any]) -> FloatArray | None:
    """Return the bounds of every group of rows of a Parquet file, shape (group, 4); None where a covering tells them.

    Parameters
    ----------
    path : Path
        Private path, as the door hands it out.
    shape : str
        The column of shapes, in WKB.
    about : mapping
        What the metadata say of it.
    """
    import pyarrow.parquet as pq

    parquet = pq.ParquetFile(path, buffer_size=1 << 20)
    if _covering(about, parquet.schema_arrow):
        return None
    found = np.full((parquet.num_row_groups, 4), np.nan)
    for group in range(parquet.num_row_groups):
        every = [bounds for bounds in _bounds_in(parquet, group, shape) if len(bounds)]
        if every:
            bounds = np.concatenate(every)
            found[group] = [*bounds[:, :2].min(axis=0), *bounds[:, 2:].max(axis=0)]
    return found


def _bounds_in(parquet: Any, group: int, shape: str) -> Iterator[FloatArray]:
    """Bounds of the shapes of one group of rows, a batch at a time."""
    for batch in parquet.iter_batches(batch_size=_BATCH, row_groups=[group], columns=[shape]):
        column = batch.column(0)
        column = column.storage if isinstance(column.type, pa.ExtensionType) else column
        yield shapely.bounds(shapes_from_wkb(pa.chunked_array([column]))[0]).reshape(-1, 4)


def _covering(about: Mapping[str, Any], schema: pa.Schema) -> tuple[str, tuple[str, ...]] | None:
    """The column that holds the bounds of every shape and its fields west, south, east, north (GeoParquet 1.1)."""
    try:
        paths = [about["covering"]["bbox"][edge] for edge in _EDGES]
        column, fields = str(paths[0][0]), tuple(str(path[1]) for path in paths)
        if any(len(path) != 2 or path[0] != column for path in paths):
            return None
        held = schema.field(column).type
        sound = pa.types.is_struct(held) and all(pa.types.is_floating(held.field(name).type) for name in fields)
    except (KeyError, TypeError, IndexError, ValueError):
        return None
    return (column, fields) if sound else None


def _may_meet(rows: Any, covering: tuple[str, tuple[str, ...]], boxes: Boxes) -> bool:
    """Whether a group of rows may hold a shape that meets a box, by its statistics."""
    column, fields = covering
    about = {rows.column(at).path_in_schema: rows.column(at).statistics for at in range(rows.num_columns)}
    bounds = []
    for name, edge in zip(fields, ("min", "min", "max", "max"), strict=True):
        known = about.get(f"{column}.{name}")
        if known is None or not known.has_min_max or not known.has_null_count or known.null_count:
            return True
        bounds.append(getattr(known, edge))
    return bool(meets_any(np.asarray([bounds], dtype=np.float64), boxes)[0])


def _near_in(parquet: Any, group: int, shape: str, covering: tuple[str, tuple[str, ...]] | None, boxes: Boxes) -> Any:
    """Which rows of one group meet a box: by their covering, and where that is missing by their shapes."""
    if covering:
        column, fields = covering
        held = parquet.read_row_group(group, columns=[f"{column}.{name}" for name in fields]).column(column)
        held = held.combine_chunks()
        edges = [held.field(name).cast(pa.float64()).to_numpy(zero_copy_only=False) for name in fields]
        lost = np.asarray(held.is_null(), dtype=bool)
        return meets_any(np.column_stack(edges), boxes) | lost
    near = [meets_any(bounds, boxes) for bounds in _bounds_in(parquet, group, shape)]
    return np.concatenate([np.zeros(0, dtype=bool), *near])


def _batches(parquet: Any, group: int, near: BoolArray) -> Iterator[tuple[pa.RecordBatch, IntArray]]:
    """The rows of one group that are near, with their places in it."""
    if not near.any():
        return
    at = 0
    for batch in parquet.iter_batches(batch_size=_BATCH, row_groups=[group]):
        these = np.flatnonzero(near[at : at + len(batch)])
        if len(these):
            yield batch.take(pa.array(these)), at + these
        at += len(batch)


def meets_any(bounds: Any, boxes: Boxes) -> BoolArray:
    """Return which bounds (west, south, east, north) meet a box or are not known.

    Examples
    --------
    >>> meets_any(np.array([[0, 0, 1, 1], [8, 8, 9, 9], [np.nan] * 4]), ((1.0, 1.0, 2.0, 2.0),))
    array([ True, False,  True])
    """
    west, south, east, north = np.asarray(bounds, dtype=np.float64).reshape(-1, 4).T
    off_x, off_y = _ROUNDED * np.maximum(abs(west), abs(east)), _ROUNDED * np.maximum(abs(south), abs(north))
    meets = ~np.isfinite(west + south + east + north)
    for left, low, right, high in boxes:
        meets |= (west - off_x <= right) & (east + off_x >= left) & (south - off_y <= high) & (north + off_y >= low)
    return np.asarray(meets, dtype=bool)
