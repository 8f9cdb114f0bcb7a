"""The tree table: one row per tree that went in, columns in the order of ``data/columns.csv``, the user's own last."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import groupby
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap import tables
from riskmap.model import BoolArray, Coded, Column, Exposure, FloatArray, IntArray, RasterValues, Result, Trees
from riskmap.rules import BAND_WORDS
from riskmap.units import LENGTH_M

__all__ = ["own_names", "point_column", "result_pieces", "result_table"]

_RESERVED: Final = frozenset({"fid", "geom", "ogc_fid", "geometry"})  # what GIS files call their own


def result_table(result: Result) -> pa.Table:
    """Return the tree table of a run, made once for all deliverables.

    Parameters
    ----------
    result : Result
        A whole run.

    Returns
    -------
    pyarrow.Table
        Shape (tree, column). Numbers are rounded; what is missing is null, never nan or infinite. Text columns of
        ours are dictionaries. A column of the user's whose name is one of ours ends in ``_in``.
    """
    return result.once("table", partial(_make_table, result))


def result_pieces(result: Result) -> Iterable[pa.Table]:
    """Return the tree table with its points, piece by piece: all at once, or of a run in parts each part by itself."""
    pieces: Iterable[pa.Table] | None = result.once("pieces", lambda: None)
    return pieces or (result_table(result).append_column("geometry", point_column(result)),)


def _make_table(result: Result) -> pa.Table:
    """Our columns, then the user's."""
    ours = dict(_our_columns(result))
    own = result.site.trees.table.own
    names = own_names(own.column_names, taken=ours)
    theirs = {name: own.column(number) for number, name in enumerate(names)}
    return pa.table({**ours, **theirs})


def own_names(names: Iterable[str], *, taken: Iterable[str], reserved: Iterable[str] = _RESERVED) -> list[str]:
    """Name the user's columns so that none equals one of ours, or another, letter case apart.

    Examples
    --------
    >>> own_names(["Ward", "NOTES", "notes", "fid"], taken=["notes"])
    ['Ward', 'NOTES_in', 'notes_in_in', 'fid_in']
    """
    used = {name.casefold() for name in (*taken, *reserved)}
    found = []
    for name in names:
        free = name or "column"
        while free.casefold() in used:
            free += "_in"
        used.add(free.casefold())
        found.append(free)
    return found


def point_column(result: Result) -> pa.Array | pa.ChunkedArray:
    """Return the trees as WKB points in the working CRS, row for row as `result_table`; null without a place."""
    return result.once("points", lambda: _point_wkb(result.site.trees))


def _point_wkb(trees: Trees) -> pa.Array:
    """Points as well-known binary."""
    points = np.zeros(trees.n, dtype=[("order", "u1"), ("type", "<u4"), ("x", "<f8"), ("y", "<f8")])
    points["order"], points["type"], points["x"], points["y"] = 1, 1, trees.x_m, trees.y_m
    wkb = pa.Array.from_buffers(pa.binary(points.dtype.itemsize), trees.n, [None, pa.py_buffer(points.tobytes())])
    return pc.if_else(pa.array(trees.placed), wkb.cast(pa.binary()), None)


def _our_columns(result: Result) -> Iterator[tuple[str, pa.Array]]:
    """Name and fill our columns, one after the other."""
    things: dict[str, Mapping[str, Any]] = {
        "": {"": None},
        "role": {role: seen for role, seen in result.exposures.items() if role in result.site.surveyed},
        "raster": {raster.name: raster for raster in result.rasters},
        "agent": {agent: number for number, agent in enumerate(result.pressure.agents)},
    }
    for kind, group in groupby(tables.columns(), key=_stands_for):
        rows = list(group)
        for name, thing in things[kind].items():
            for row in rows:
                values = _EACH[row.key](result, thing) if kind else _WHOLE[row.key](result)
                if values is not None:
                    yield row.key.replace(f"<{kind}>", name), _finished(values, row)


def _stands_for(row: Column) -> str:
    """What a pattern stands for: role, raster, agent, or "" for a plain column."""
    return row.key.partition("<")[2].partition(">")[0]


def _finished(values: Any, row: Column) -> pa.Array:
    """One column as Arrow: numbers rounded, what is not finite null."""
    if isinstance(values, pa.Array | pa.ChunkedArray):
        return values
    if isinstance(values, Coded):
        missing = values.codes < 0
        if not values.values:
            return pa.nulls(len(missing), pa.string()).dictionary_encode()
        codes = pa.array(np.where(missing, 0, values.codes).astype(np.int32), mask=missing)
        return pa.DictionaryArray.from_arrays(codes, pa.array(values.values, pa.string()))
    if values.dtype.kind != "f":
        return pa.array(values)
    numbers = np.array(values, dtype=np.float64)  # ours to change, since every further copy costs as much as the sum
    missing = ~np.isfinite(numbers)
    if row.decimals == 0:
        return pa.array(np.where(missing, 0, np.rint(numbers)).astype(np.int64), mask=missing)
    if row.decimals is not None:
        np.round(numbers, row.decimals, out=numbers)
        numbers += 0.0  # no minus zero
    return pa.array(numbers, mask=missing)


def _stem(result: Result, *, kind: str) -> FloatArray | None:
    """The stem as measured, under the name of what was measured; None for the others."""
    table = result.site.trees.table
    return table.stem_mm if table.stem_kind == kind else None


def _degrees(result: Result, *, given: str, ours: str) -> Any:
    """Longitude or latitude: as given where the input was WGS 84."""
    trees = result.site.trees
    if not trees.table.lonlat_as_given:
        return getattr(trees, ours)
    values = getattr(trees.table, given)
    return pa.array(values, mask=~np.isfinite(values))


def _snow_depth(result: Result) -> FloatArray | None:
    """The snow raster in metres; None where there is none."""
    return next((raster.value for raster in result.rasters if raster.name == "snow_depth"), None)


def _month(values: IntArray) -> FloatArray:
    """A month, nan where none."""
    return np.where(values > 0, values, np.nan)


def _inside(_: Result, seen: Exposure) -> pa.Array:
    """Whether each stem stands inside; null past the reach."""
    return pa.array(seen.inside, mask=np.isnan(seen.distance_m))


def _nearest(_: Result, seen: Exposure) -> pa.Array:
    """``layer:feature`` of the nearest feature."""
    none = (seen.nearest_layer == 0) | np.isnan(seen.distance_m)
    layer, feature = (
        pa.array(numbers, mask=none).cast(pa.string()) for numbers in (seen.nearest_layer, seen.nearest_feature)
    )
    return pc.binary_join_element_wise(layer, feature, ":")  # null where one of them is


def _status(_: Result, raster: RasterValues) -> Coded:
    """Raster status in words."""
    return Coded(codes=raster.status.astype(np.int64), values=RasterValues.STATUS_WORDS)


def _raster_value(result: Result, raster: RasterValues) -> FloatArray:
    """Raster value in the unit of the file, with no more figures than a 32-bit cell holds."""
    facts = (read.facts for read in result.site.inputs.read_as if read.facts.get("raster") == raster.name)
    unit = next((str(fact.get("unit", "")) for fact in facts), "")
    in_metres = any(
        points.data.source.name == raster.name and points.data.unit == "m" for points in result.site.rasters
    )
    value = raster.value / LENGTH_M[unit] if in_metres and unit in LENGTH_M else raster.value
    with np.errstate(divide="ignore", invalid="ignore"):
        step = 10.0 ** (np.floor(np.log10(np.abs(value))) - 6)
        short = np.where(value == value.astype(np.float32), np.rint(value / step) * step, value)
    return np.where(value == np.rint(value), value, short)


def _band(result: Result, agent: int) -> Coded:
    """Band of one agent."""
    return Coded(codes=result.bands[:, agent].astype(np.int64), values=BAND_WORDS)


def _place(code: str, listed: Sequence[str]) -> int:
    """Where a code stands in a list; those that don't stand last."""
    return listed.index(code) if code in listed else len(listed)


def _remarks(result: Result) -> Coded:
    """Per-tree remarks of all stations, codes joined by "; "."""
    n = result.site.trees.n
    masks: dict[str, BoolArray] = {}
    for tree, codes in enumerate(result.site.trees.table.remarks or ()):
        for code in codes:
            masks.setdefault(code, np.zeros(n, dtype=bool))[tree] = True
    listed = list(tables.note_codes())  # so that words stand in one order, whichever tree comes first
    masks = dict(sorted(masks.items(), key=lambda one: _place(one[0], listed)))
    for code, mask in result.pressure.remarks.items():
        masks[code] = masks.get(code, False) | mask
    for role, seen in result.exposures.items():
        if seen.edge_of_data.any():
            masks[f"edge_of_data:{role}"] = seen.edge_of_data
    if not masks:
        return Coded.missing(n)
    bits = np.zeros(n, dtype=np.int64)
    for number, mask in enumerate(masks.values()):
        bits |= mask.astype(np.int64) << number
    distinct, place = np.unique(bits, return_inverse=True)
    texts = ["; ".join(code for number, code in enumerate(masks) if row >> number & 1) for row in distinct.tolist()]
    return _recoded(place, texts)


def _recoded(place: IntArray, texts: list[str]) -> Coded:
    """A text column from places in a list of texts; "" is missing."""
    kept = [text for text in texts if text]
    code = {text: number for number, text in enumerate(kept)}
    table = np.array([code.get(text, -1) for text in texts], dtype=np.int64)
    return Coded(codes=table[place], values=tuple(kept))


def _chosen(result: Result, *, name: str) -> Any:
    """One array of the choices."""
    return getattr(result.choices, name)


_WHOLE: Final[dict[str, Callable[[Result], Any]]] = {
    "row": lambda result: result.site.trees.table.row,
    "tree_id": lambda result: result.site.trees.table.tree_id,
    "x": lambda result: result.site.trees.x_m,
    "y": lambda result: result.site.trees.y_m,
    "lon": partial(_degrees, given="x", ours="lon"),
    "lat": partial(_degrees, given="y", ours="lat"),
    "species": lambda result: result.site.trees.table.species,
    "caliper_mm": partial(_stem, kind="caliper_mm"),
    "dbh_mm": partial(_stem, kind="dbh_mm"),
    "girth_mm": partial(_stem, kind="girth_mm"),
    "caliper_used_mm": lambda result: result.pressure.stems.caliper_mm,
    "height_m": lambda result: result.site.trees.table.height_m,
    "planted": lambda result: result.site.trees.table.planted,
    "snow_depth_m": _snow_depth,
    "pressure_any": lambda result: result.pressure.pressure_any,
    "loss_any": lambda result: result.pressure.loss_any,
    "decisive_agent": lambda result: Coded(codes=result.pressure.decisive, values=result.pressure.agents),
    **{
        name: partial(_chosen, name=name)
        for name in ("action", "guard", "guard_height_mm", "agents_stopped", "agents_open", "cost", "cost_per_year")
    },
    "guard_reason": lambda result: result.choices.reason,
    "on_month": lambda result: _month(result.choices.on_month),
    "off_month": lambda result: _month(result.choices.off_month),
    "off_when": lambda result: result.choices.off_when,
    "not_scored": lambda result: result.pressure.not_scored,
    "notes": _remarks,
}

_EACH: Final[dict[str, Callable[[Result, Any], Any]]] = {
    "distance_<role>_m": lambda _, seen: seen.distance_m,
    "inside_<role>": _inside,
    "edge_<role>_m": lambda _, seen: seen.edge_m,
    "nearest_<role>": _nearest,
    "<raster>_value": _raster_value,
    "<raster>_status": _status,
    "pressure_<agent>": lambda result, agent: result.pressure.value[:, agent],
    "band_<agent>": _band,
}
