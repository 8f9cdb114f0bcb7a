"""Trees and shapes as few bytes: a grid, columns, byte planes, gzip, base64. NumPy only."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = [
    "Grid",
    "Payload",
    "compact",
    "mercator",
    "nearest_steps",
    "place_on_grid",
    "unique_rows",
    "unturned",
    "zigzag",
]

MERCATOR_RADIUS_M: Final = 6378137.0  # what every tile map draws with, EPSG:3857
STEP_M: Final = 0.05  # trees stand to within 4 cm, finer than any survey read here
PER_CELL: Final = 24
PACK_FROM: Final = 3000  # fewer trees travel unpacked, so that old browsers open them too
MUCH: Final = 20_000_000  # bytes
MAX_LATITUDE: Final = 85.05


def mercator(lon: FloatArray, lat: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where the page draws a place: metres of the square world map, for drawing alone.

    Examples
    --------
    >>> x_m, y_m = mercator(np.array([0.0, 180.0]), np.array([0.0, 0.0]))
    >>> x_m.round(2).tolist(), abs(y_m.round(2)).tolist()
    ([0.0, 20037508.34], [0.0, 0.0])
    """
    clipped = np.radians(np.clip(lat, -MAX_LATITUDE, MAX_LATITUDE))
    return MERCATOR_RADIUS_M * np.radians(lon), MERCATOR_RADIUS_M * np.log(np.tan(np.pi / 4 + clipped / 2))


def unturned(lon: FloatArray) -> tuple[FloatArray, bool]:
    """Return longitudes that run on past 180 where the site lies across it, so that it is drawn in one piece."""
    known = lon[np.isfinite(lon)]
    turned = (
        bool(len(known)) and float(known.max() - known.min()) > 180 and not bool(((known > -90) & (known < 90)).any())
    )
    return (np.where(lon < 0, lon + 360.0, lon) if turned else lon), turned


def zigzag(values: IntArray) -> npt.NDArray[np.uint32]:
    """Fold signed whole numbers into unsigned ones, small ones staying small.

    Examples
    --------
    >>> zigzag(np.array([0, -1, 1, -2])).tolist()
    [0, 1, 2, 3]
    """
    return ((values << 1) ^ (values >> 63)).astype(np.uint32)


@dataclass(slots=True)
class Payload:
    """Columns laid end to end; `table` says where each lies."""

    parts: list[bytes] = field(default_factory=list)
    table: list[dict[str, Any]] = field(default_factory=list)
    size: int = 0

    def add_bytes(self, name: str, kind: str, data: bytes) -> None:
        """Append one column as it is."""
        self.table.append({"name": name, "t": kind, "off": self.size, "len": len(data)})
        self.parts.append(data)
        self.size += len(data)

    def add_numbers(self, name: str, values: npt.NDArray[Any]) -> None:
        """Append whole numbers from 0 up in the narrowest of u8, u16 and u32, high bytes first as planes."""
        top = int(values.max(initial=0))
        if top > 0xFFFFFFFF:
            raise ValueError(f"column {name} holds {top}, past four bytes")
        width = 1 if top <= 0xFF else 2 if top <= 0xFFFF else 4
        whole = values.astype(f"u{width}")
        planes = [(whole >> np.array(8 * byte, whole.dtype)).astype(np.uint8) for byte in reversed(range(width))]
        self.add_bytes(name, f"u{8 * width}", b"".join(plane.tobytes() for plane in planes))

    def add_json(self, name: str, value: object) -> None:
        """Append anything JSON can say; the browser parses it and nobody runs it."""
        self.add_bytes(name, "json", json.dumps(value, allow_nan=False, separators=(",", ":")).encode("ascii"))

    def text(self, *, pack: bool) -> str:
        """Return all columns as base64, packed by gzip or not; the same columns give the same text."""
        whole = b"".join(self.parts)
        level = 6 if len(whole) < MUCH else 4  # of much, a third of the time for 3 % more
        return base64.b64encode(gzip.compress(whole, level, mtime=0) if pack else whole).decode("ascii")


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Trees sorted into square cells, row by row; far ones stand after them with places of their own."""

    order: IntArray  # place in the page -> place in the file: in cells, then far, then without place
    count: IntArray  # trees in each cell
    inner_x: IntArray  # step counts within the cell
    inner_y: IntArray
    far_x: IntArray  # signed steps from the origin
    far_y: IntArray
    origin_x: float  # Mercator metres of the top left corner
    origin_y: float
    step: float  # Mercator metres of one step
    side: int  # steps of one cell
    columns: int
    rows: int
    placed: int

    def page(self) -> dict[str, Any]:
        """Return what the page needs to unfold the columns."""
        return {
            "x": self.origin_x,
            "y": self.origin_y,
            "step": self.step,
            "side": self.side,
            "columns": self.columns,
            "rows": self.rows,
            "near": int(self.count.sum()),
            "placed": self.placed,
        }


def place_on_grid(lon: FloatArray, lat: FloatArray, placed: BoolArray) -> Grid:
    """Sort trees into cells of about two dozen.

    Parameters
    ----------
    lon, lat : ndarray, shape (tree,)
        WGS 84; longitudes may pass 180. [degrees]
    placed : ndarray of bool, shape (tree,)
        Whether the tree has a place.
    """
    index = np.flatnonzero(placed)
    x_m, y_m = mercator(lon[index], lat[index])
    near = _near(x_m, y_m)
    step = STEP_M / np.cos(np.radians(np.clip(np.median(lat[index]) if len(index) else 0.0, -85, 85)))
    origin_x = float(x_m[near].min()) if near.any() else 0.0
    origin_y = float(y_m[near].max()) if near.any() else 0.0
    steps_x = np.rint((x_m - origin_x) / step).astype(np.int64)
    steps_y = np.rint((origin_y - y_m) / step).astype(np.int64)
    side, columns, rows = _cells(steps_x[near], steps_y[near])
    cell = (steps_y[near] // side) * columns + steps_x[near] // side
    by_cell = np.argsort(cell, kind="stable")
    ordered = np.flatnonzero(near)[by_cell]
    return Grid(
        order=np.concatenate([index[ordered], index[~near], np.flatnonzero(~placed)]),
        count=np.bincount(cell, minlength=columns * rows),
        inner_x=steps_x[ordered] % side,
        inner_y=steps_y[ordered] % side,
        far_x=steps_x[~near],
        far_y=steps_y[~near],
        origin_x=origin_x,
        origin_y=origin_y,
        step=float(step),
        side=side,
        columns=columns,
        rows=rows,
        placed=len(index),
    )


def nearest_steps(grid: Grid) -> float:
    """Return the middle distance from a tree to its nearest neighbour, in steps; 0 for very many trees or one."""
    if not 2 <= len(grid.inner_x) <= 20_000:
        return 0.0
    import shapely

    cell = np.repeat(np.arange(len(grid.count)), grid.count)
    x = grid.inner_x + cell % grid.columns * grid.side
    y = grid.inner_y + cell // grid.columns * grid.side
    points = shapely.points(x, y)
    (asked, _), distance = shapely.STRtree(points).query_nearest(points, exclusive=True, return_distance=True)
    _, first = np.unique(asked, return_index=True)  # several may be equally near
    return round(float(np.median(distance[first])), 1) if len(first) else 0.0


def _near(x_m: FloatArray, y_m: FloatArray) -> BoolArray:
    """Whether each tree belongs to the site's body: a few misplaced points must not shrink all others to a dot."""
    if len(x_m) < 5:
        return np.ones(len(x_m), dtype=bool)
    near = np.ones(len(x_m), dtype=bool)
    for axis in (x_m, y_m):
        low, middle, high = np.quantile(axis, (0.1, 0.5, 0.9))
        near &= np.abs(axis - middle) <= 12 * (high - low) + 2000.0
    few = np.count_nonzero(~near) <= max(1, 0.02 * len(x_m))
    return near if few else np.ones(len(x_m), dtype=bool)


def _cells(steps_x: IntArray, steps_y: IntArray) -> tuple[int, int, int]:
    """Side of a cell in steps, and how many columns and rows: never more than two cells a tree."""
    wide, high = int(steps_x.max(initial=0)) + 1, int(steps_y.max(initial=0)) + 1
    most = max(4096, 2 * len(steps_x))
    side = max(64, int(np.sqrt(PER_CELL * wide * high / max(len(steps_x), 1))))
    while (-(-wide // side)) * (-(-high // side)) > most:
        side *= 2
    return side, -(-wide // side), -(-high // side)


def compact(codes: IntArray) -> tuple[IntArray, IntArray]:
    """Return the distinct values in order and each value's place among them; counts instead of sorting where it can.

    Examples
    --------
    >>> values, place = compact(np.array([7, -1, 7]))
    >>> values.tolist(), place.tolist()
    ([-1, 7], [1, 0, 1])
    """
    if not len(codes):
        return codes, codes
    low, high = int(codes.min()), int(codes.max())
    if high - low > 4 * len(codes) + 1_000_000:
        values, place = np.unique(codes, return_inverse=True)
        return values.astype(np.int64), place.astype(np.int64)
    used = np.bincount(codes - low) > 0
    table = np.cumsum(used) - 1
    return np.flatnonzero(used) + low, table[codes - low]


def unique_rows(columns: Sequence[IntArray]) -> tuple[IntArray, IntArray]:
    """Return the first place of each distinct combination of codes, and each tree's combination.

    Examples
    --------
    >>> first, code = unique_rows([np.array([3, 3, 1]), np.array([-1, -1, 2])])
    >>> first.tolist(), code.tolist()
    ([2, 0], [1, 1, 0])
    """
    mixed = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        values, code = compact(column)
        # Renumbered after each column, so that the product of the radices never overflows.
        _, mixed = compact(mixed * max(len(values), 1) + code)
    first = np.full(int(mixed.max(initial=-1)) + 1, len(mixed), dtype=np.int64)
    np.minimum.at(first, mixed, np.arange(len(mixed)))
    return first, mixed
