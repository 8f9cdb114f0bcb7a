"""A trees file and layer files -> one file of distances, and nothing else: the short path for very many trees."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from types import MappingProxyType

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap import tables
from riskmap.errors import MachineError, WordsError, shown
from riskmap.measure import Engine, Near, Shapes, Wkb, cover_share, engine_name, look_near, morton_order, new_engine
from riskmap.model import FloatArray, IntArray, Settings, TreeSource
from riskmap.project import Places, place_points, place_shapes
from riskmap.read import PackedShapes, read_packed

__all__ = ["measure_files"]

MOST_AT_ONCE = 4  # roles; each takes memory of its own
MOST_REACH_M = 1000.0  # up to here planar distance over point scale is geodesic within 0.1 m, however wide the site


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
    read = read_packed(trees, columns=list(keep))
    x, y = read.points()
    settings = Settings(file=trees, title="", date=dt.date.min, trees=TreeSource(file=str(trees)))
    places = place_points(x, y, read.crs, settings=settings, file=str(trees))
    placed = np.flatnonzero(places.placed)
    order = placed[morton_order(places.x_m[placed], places.y_m[placed])]
    seen_from = places.x_m[order], places.y_m[order], places.scale[order]
    columns: dict[str, pa.Array | pa.ChunkedArray] = {"row": pa.array(np.arange(1, len(x) + 1))}
    columns |= {name: read.table.column(name) for name in keep}
    first_number = dict(zip(layers, np.cumsum([1, *map(len, layers.values())]).tolist(), strict=False))

    def measure_role(role: str, find_near: Engine) -> dict[str, pa.Array]:
        shapes = _shapes([read_packed(path) for path in layers[role]], places, first_number[role])
        near = look_near(shapes, *seen_from, reaches_m[role], engine=find_near)
        found = _columns(role, near, shapes, order, len(x))
        if role in radii_m:
            share = cover_share(shapes.geometry(), *seen_from, radii_m[role], engine=engine)
            found[f"share_{role}"] = _in_file_order(share, order, len(x))
        return found

    found = _role_by_role(measure_role, layers, engine)
    for role in layers:
        columns |= found[role]
    return _write(pa.table(columns), out)


def _role_by_role(
    measure_role: Callable[[str, Engine], dict[str, pa.Array]], layers: Mapping[str, Sequence[Path]], engine: str
) -> dict[str, dict[str, pa.Array]]:
    """Measure the roles, the largest first, as many at once as the engine bears.

    GEOS bears one: prepared polygons stay in one thread. Each thread has an engine of its own, with rooms to use again.
    """
    name = engine or engine_name()
    at_once = min(os.cpu_count() or 1, MOST_AT_ONCE, max(1, len(layers))) if name == "grid" else 1
    engines: SimpleQueue[Engine] = SimpleQueue()
    for _ in range(at_once):
        engines.put(new_engine(name))

    def work(role: str) -> dict[str, pa.Array]:
        find_near = engines.get()
        try:
            return measure_role(role, find_near)
        finally:
            engines.put(find_near)

    largest_first = sorted(layers, key=lambda role: -sum(_size(path) for path in layers[role]))
    with ThreadPoolExecutor(at_once) as pool:
        return dict(zip(largest_first, pool.map(work, largest_first), strict=True))


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
        if layer.crs.equals(places.crs, ignore_axis_order=True):
            packed.append(Wkb(data=layer.wkb, offset=layer.offset))
        else:
            packed.append(Wkb.of(place_shapes(layer.shapes(), layer.crs, places, file=layer.file)))
    counts = [len(layer.offset) - 1 for layer in layers]
    return Shapes(
        given=Wkb.joined(packed),
        half_width_m=np.zeros(sum(counts)),
        layer=np.repeat(np.arange(first_number, first_number + len(layers)), counts),
        feature=np.concatenate([np.arange(1, count + 1) for count in counts]),
    )


def _columns(role: str, near: Near, shapes: Shapes, order: IntArray, n: int) -> dict[str, pa.Array]:
    """The four columns of one role, in the order of the trees file; null where unknown or nothing is in reach."""
    inside = np.zeros(n, dtype=bool)
    inside[order] = near.inside
    unplaced = np.ones(n, dtype=bool)
    unplaced[order] = False
    rank = np.full(n, -1, dtype=np.int32)
    rank[order] = near.rank
    words = pc.binary_join_element_wise(
        pa.array(shapes.layer).cast(pa.string()), pa.array(shapes.feature).cast(pa.string()), ":"
    )
    return {
        f"distance_{role}_m": _in_file_order(near.distance_m, order, n),
        f"inside_{role}": pa.array(inside, mask=unplaced if unplaced.any() else None),
        f"edge_{role}_m": _in_file_order(near.edge_m, order, n),
        f"nearest_{role}": pa.DictionaryArray.from_arrays(pa.array(rank, mask=rank < 0), words),
    }


def _in_file_order(values: FloatArray, order: IntArray, n: int) -> pa.Array:
    """A column of numbers in the order of the trees file, null where there is none."""
    column = np.full(n, np.nan, dtype=np.float32)
    column[order] = values
    return pa.array(column, from_pandas=True)


def _write(table: pa.Table, out: Path) -> Path:
    """Write the file beside its name first, so that it stands whole or not at all."""
    import pyarrow.parquet as pq

    part = out.with_name(f"{out.name}.part")
    nearest = [name for name in table.column_names if name.startswith("nearest_")]
    try:
        pq.write_table(table, part, compression="none", use_dictionary=nearest, write_statistics=False)
        part.replace(out)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise MachineError(f"{out} can't be written: {error.strerror}") from error
    return out
