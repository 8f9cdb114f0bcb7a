"""A trees file and layer files -> one file of distances, and nothing else: the short path for very many trees.

Files are read and shapes laid out side by side, all roles at once. Then the trees are measured in groups of rows: while
one group is written the next is measured, and what a group takes is soon used again.
"""

from __future__ import annotations

import datetime as dt
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from riskmap import tables
from riskmap.cores import cores
from riskmap.errors import MachineError, WordsError, shown
from riskmap.measure import Look, Shapes, Wkb, cover_share, engine_name, find_engine, look_near, morton_order
from riskmap.model import BoolArray, FloatArray, IntArray, Settings, TreeSource
from riskmap.project import Places, place_points, place_shapes
from riskmap.read import PackedShapes, read_packed

__all__ = ["measure_files"]

MOST_AT_ONCE = 4  # roles; each takes memory of its own
MOST_REACH_M = 1000.0  # up to here planar distance over point scale is geodesic within 0.1 m, however wide the site
GROUP = 600_000  # rows measured and written together; of a million trees the last are fewer, and soon written
VERY_MANY = 4_000_000  # trees: groups of twice as many stand closer, and more of them ask for the same memory
GROUPS_AHEAD = 2  # measured while one is written; one where they are twice as large

Value = TypeVar("Value", bound=np.generic)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Some rows of the trees file, and those of them that have a place, in Morton order."""

    start: int
    n: int
    point: slice  # among all points
    at: IntArray  # by row: which of the group's points stands there, -1 where none does
    placed: pa.Buffer  # whether any does, as a column keeps it
    nowhere: IntArray  # rows where none does


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """One role, laid out."""

    look: Look
    layer: IntArray  # by rank: what it is named by
    feature: IntArray
    share: FloatArray | None  # by point


def measure_files(  # noqa: PLR0913  what may be asked for is asked for by name
    trees: Path,
    layers: Mapping[str, Sequence[Path]],
    out: Path,
    *,
    within_m: Mapping[str, float],
    share_m: Mapping[str, float] = MappingProxyType({}),
    keep: Iterable[str] = (),
    engine: str = "",
) -> Path:
    """Measure all roles from all trees, and write one Parquet file.

    Parameters
    ----------
    trees, layers, out, within_m, share_m, keep
        As `riskmap.measure` takes them, paths and reaches made plain.
    engine : str
        ``grid`` or ``shapely``; the fastest there is when empty.
    """
    reaches_m = {role: _reach_m(role, within_m, "within_m") for role in layers}
    radii_m = {role: _reach_m(role, share_m, "share_m") for role in share_m}
    first_number = dict(zip(layers, np.cumsum([1, *map(len, layers.values())]).tolist(), strict=False))
    largest_first = sorted(layers, key=lambda role: -sum(_size(path) for path in layers[role]))
    name = engine or engine_name()
    at_once = min(cores(), MOST_AT_ONCE, max(1, len(layers)))
    lookers = at_once if name == "grid" else 1  # GEOS prepares polygons for looks and for shares: all in one thread
    with ThreadPoolExecutor(lookers if radii_m else at_once) as pool, ThreadPoolExecutor(lookers) as second:
        looking = pool if radii_m else second
        reading = {role: pool.submit(lambda paths: [*map(read_packed, paths)], layers[role]) for role in largest_first}
        places, own, groups, seen_from = _read_trees(trees, list(keep), pool)

        def lay(role: str) -> Ground:
            shapes = _shapes(reading.pop(role).result(), places, first_number[role])
            share = None
            if role in radii_m:
                share = cover_share(shapes.geometry(), *seen_from, radii_m[role], engine=name)
            look = find_engine(name)(shapes, *seen_from, reaches_m[role])
            return Ground(look=look, layer=shapes.layer, feature=shapes.feature, share=share)

        grounds = {role: pool.submit(lay, role) for role in largest_first}

        def measure(group: Group, role: str) -> dict[str, pa.Array]:
            return _columns(role, grounds[role].result(), group)

        def kept(group: Group) -> dict[str, pa.ChunkedArray]:
            return {name: own.column(name).slice(group.start, group.n) for name in keep}

        _write(_tables(looking, groups, [*layers], kept, measure), out)
    return out


def _read_trees(
    trees: Path, keep: list[str], pool: ThreadPoolExecutor
) -> tuple[Places, pa.Table, list[Group], tuple[FloatArray, FloatArray, FloatArray]]:
    """Where shapes are to be brought, the columns to keep, and the points in groups; what was read is let go."""
    read = read_packed(trees, columns=keep)
    settings = Settings(file=trees, title="", date=dt.date.min, trees=TreeSource(file=str(trees)))
    places = place_points(*read.points(), read.crs, settings=settings, file=str(trees))
    groups, seen_from = _groups(places, pool)
    none, nowhere = np.empty(0), np.empty(0, dtype=bool)
    return replace(places, x_m=none, y_m=none, scale=none, placed=nowhere), read.table, groups, seen_from


def _groups(places: Places, pool: ThreadPoolExecutor) -> tuple[list[Group], tuple[FloatArray, FloatArray, FloatArray]]:
    """Groups of rows, and x, y and scale of the points of all, group by group."""
    n = len(places.placed)
    size = GROUP if n < VERY_MANY else 2 * GROUP
    starts = range(0, max(n, 1), size)
    ends = np.cumsum([0, *(np.count_nonzero(places.placed[start : start + size]) for start in starts)]).tolist()
    given, sorted_by_group = (places.x_m, places.y_m, places.scale), [np.empty(ends[-1]) for _ in range(3)]

    def sort(number: int) -> Group:
        rows, point = slice(starts[number], starts[number] + size), slice(*ends[number : number + 2])
        placed = places.placed[rows]
        row = np.flatnonzero(placed)
        row = row[morton_order(places.x_m[rows][row], places.y_m[rows][row])]
        for values, by_point in zip(given, sorted_by_group, strict=True):
            values[rows].take(row, out=by_point[point], mode="clip")
        at = np.full(len(placed), -1, dtype=np.int64)
        at[row] = np.arange(len(row))
        nowhere = np.flatnonzero(~placed)
        return Group(start=rows.start, n=len(placed), point=point, at=at, placed=_bits(placed), nowhere=nowhere)

    groups = list(pool.map(sort, range(len(starts))))
    x_m, y_m, scale = sorted_by_group
    return groups, (x_m, y_m, scale)


def _tables(
    pool: ThreadPoolExecutor,
    groups: Sequence[Group],
    roles: Sequence[str],
    kept: Callable[[Group], dict[str, pa.ChunkedArray]],
    measure: Callable[[Group, str], dict[str, pa.Array]],
) -> Iterator[pa.Table]:
    """One table a group; the next ones are measured meanwhile."""
    ahead: deque[tuple[Group, list[Future[dict[str, pa.Array]]]]] = deque()
    waiting = iter(groups)
    most_ahead = GROUPS_AHEAD if groups[0].n <= GROUP else GROUPS_AHEAD // 2
    while True:
        for group in waiting:
            ahead.append((group, [pool.submit(measure, group, role) for role in roles]))
            if len(ahead) > most_ahead:
                break
        if not ahead:
            return
        group, found = ahead.popleft()
        columns: dict[str, Any] = {"row": pa.array(np.arange(group.start + 1, group.start + group.n + 1))}
        columns |= kept(group)
        for role in found:
            columns |= role.result()
        yield pa.table(columns)


def _size(path: Path) -> int:
    """Bytes of a file; 0 where there is none, which is said when it is read."""
    return path.stat().st_size if path.is_file() else 0


def _reach_m(role: str, given_m: Mapping[str, float], word: str) -> float:
    """How far a role is looked for."""
    if role not in tables.roles():
        raise WordsError(f"layers: there is no role {shown(role)!r}; there are {', '.join(tables.roles())}")
    reach_m = float(given_m.get(role, 200.0))
    if not 0.0 < reach_m <= MOST_REACH_M:
        raise WordsError(f"{word}: {role} has {reach_m:g}; it takes metres above 0, up to {MOST_REACH_M:g}")
    return reach_m


def _shapes(layers: Sequence[PackedShapes], places: Places, first_number: int) -> Shapes:
    """The features of one role's files in order, in the working CRS; as they stand where that is theirs already."""
    packed = []
    for layer in layers:
        if layer.crs is places.crs or layer.crs.equals(places.crs, ignore_axis_order=True):
            packed += [Wkb(data=wkb, offset=offset) for wkb, offset in layer.pieces]
        else:
            packed.append(Wkb.of(place_shapes(layer.shapes(), layer.crs, places, file=layer.file)))
    counts = [sum(len(offset) - 1 for _, offset in layer.pieces) for layer in layers]
    return Shapes(
        given=Wkb.joined(packed),
        half_width_m=np.zeros(sum(counts)),
        layer=np.repeat(np.arange(first_number, first_number + len(layers)), counts),
        feature=np.concatenate([np.arange(1, count + 1) for count in counts]),
    )


def _columns(role: str, ground: Ground, group: Group) -> dict[str, pa.Array]:
    """The columns of one role for one group, in the order of the file; null where unknown or nothing is in reach."""
    near = look_near(ground.look, group.point)
    inside = _by_row(near.inside, group, missing=False)
    columns = {
        f"distance_{role}_m": _numbers(near.distance_m, group),
        f"inside_{role}": pa.Array.from_buffers(pa.bool_(), group.n, [group.placed, _bits(inside)]),
        f"edge_{role}_m": _numbers(near.edge_m, group),
        f"nearest_{role}": _names(_by_row(near.rank, group, missing=-1), ground),
    }
    if ground.share is not None:
        columns[f"share_{role}"] = _numbers(ground.share[group.point], group)
    return columns


def _by_row(values: npt.NDArray[Value], group: Group, *, missing: float) -> npt.NDArray[Value]:
    """Values by point, by row."""
    if len(group.nowhere) == group.n:
        return np.full(group.n, missing, dtype=values.dtype)
    column = values.take(group.at)
    column[group.nowhere] = missing
    return column


def _numbers(values: FloatArray, group: Group) -> pa.Array:
    """A column of numbers, null where there is none."""
    column = _by_row(values.astype(np.float32), group, missing=np.nan)
    return pa.Array.from_buffers(pa.float32(), group.n, [_bits(~np.isnan(column)), pa.py_buffer(column)])


def _names(rank: npt.NDArray[np.int32], ground: Ground) -> pa.Array:
    """The names of features, as places in a list of those that are named at all."""
    rank = rank.astype(np.int64)
    named = np.zeros(len(ground.layer) + 1, dtype=bool)
    named[rank] = True
    used = np.flatnonzero(named[:-1])
    place = np.zeros(len(ground.layer) + 1, dtype=np.int32)  # the last one is that of -1
    place[used] = np.arange(len(used))
    words = pc.binary_join_element_wise(
        pa.array(ground.layer[used]).cast(pa.string()), pa.array(ground.feature[used]).cast(pa.string()), ":"
    )
    where = pa.Array.from_buffers(pa.int32(), len(rank), [_bits(rank >= 0), pa.py_buffer(place.take(rank))])
    return pa.DictionaryArray.from_arrays(where, words, safe=False)


def _bits(flags: BoolArray) -> pa.Buffer:
    """Flags as a column keeps them."""
    return pa.py_buffer(np.packbits(flags, bitorder="little"))


def _write(parts: Iterator[pa.Table], out: Path) -> None:
    """Write the file beside its name first, so that it stands whole or not at all."""
    import pyarrow.parquet as pq

    part, first = out.with_name(f"{out.name}.part"), next(parts)
    nearest = [name for name in first.column_names if name.startswith("nearest_")]
    try:
        with pq.ParquetWriter(
            part, first.schema, compression="none", use_dictionary=nearest, write_statistics=False
        ) as to:
            to.write_table(first, row_group_size=max(len(first), 1))
            for more in parts:
                to.write_table(more, row_group_size=len(more))
        part.replace(out)
    except OSError as error:
        raise MachineError(f"{out} can't be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)
