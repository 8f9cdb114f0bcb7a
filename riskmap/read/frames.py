"""Inputs out of GeoDataFrames, for use as a library: no files, the same rules."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely

from riskmap.errors import InputError, Problem, shown
from riskmap.model import Inputs, Settings
from riskmap.read.crs import usable
from riskmap.read.keytable import keys_of
from riskmap.read.kinds import Kind
from riskmap.read.layers import understand_layer
from riskmap.read.settings import settings_from
from riskmap.read.trees import rows_of_shapes, understand_rows
from riskmap.read.vectors import VectorTable, sound_texts

if TYPE_CHECKING:
    import geopandas

__all__ = ["inputs_from_frames"]


def inputs_from_frames(
    trees: geopandas.GeoDataFrame,
    layers: Mapping[str, geopandas.GeoDataFrame],
    *,
    date: dt.date | str,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    **sections: Any,
) -> Inputs:
    """Take trees and layers that stand in memory, checked by the rules of site.toml.

    Parameters
    ----------
    trees : GeoDataFrame
        One point a row, with a CRS.
    layers : mapping of str to GeoDataFrame
        Role -> layer, each with a CRS.
    date : date or str
        The day the work is planned for.
    columns, units : mapping, optional
        As ``[trees] columns`` and ``units``.
    **sections
        Further keys and sections of site.toml as tables, such as ``local={"beaver": "active"}``, ``region="britain"``,
        ``choice={"floor": "strong"}``; keys of [trees] by themselves, such as ``caliper_at="breast"``.

    Returns
    -------
    Inputs
        With every fault in `problems`.

    Raises
    ------
    InputError
        Where words or frames can't be understood at all.

    Examples
    --------
    >>> import geopandas
    >>> point = geopandas.points_from_xy([-75.01], [42.3])
    >>> spots = geopandas.GeoDataFrame({"species": ["oak"]}, geometry=point, crs=4326)
    >>> inputs_from_frames(spots, {}, date="2026-10-15").trees.species.texts()
    ['oak']
    """
    settings = _settings(trees, layers, date, columns, units, sections)
    vector = _as_table(trees, "trees", settings.file)
    read = understand_rows(rows_of_shapes(vector), settings, file="trees", path=settings.file, sha256=vector.sha256)
    readings = [
        understand_layer(source, _as_table(layers[source.role], source.file, settings.file), settings)
        for source in settings.layers
    ]
    return Inputs(
        settings=settings,
        trees=read.table,
        layers=tuple(reading.layer for reading in readings if reading.layer is not None),
        rasters=(),
        read_as=(read.read_as, *(entry for reading in readings for entry in reading.read_as)),
        repaired=tuple(repair for reading in readings for repair in reading.repaired),
        problems=(*read.problems, *(fault for reading in readings for fault in reading.problems)),
        notes=(*read.notes, *(note for reading in readings for note in reading.notes)),
        assumptions=(*read.assumptions, *(taken for reading in readings for taken in reading.assumptions)),
    )


def _settings(
    trees: geopandas.GeoDataFrame,
    layers: Mapping[str, geopandas.GeoDataFrame],
    date: dt.date | str,
    columns: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    sections: Mapping[str, Any],
) -> Settings:
    """What the words given say, as a site file would."""
    for name, frame in {"trees": trees, **layers}.items():
        if not all(hasattr(frame, part) for part in ("geometry", "crs", "columns")):
            kind = type(frame).__name__
            none = "this GeoDataFrame has no column of shapes" if kind == "GeoDataFrame" else ""
            what = none or f"this is no GeoDataFrame but a {kind}"
            raise InputError([Problem(file=str(name), what=what, remedy="give a GeoDataFrame with points or shapes")])
    of_trees = keys_of("trees").keys() - {"file", "crs"}  # caliper_at, missing_size, keep ...: `trees` is taken
    own = {**sections.get("trees", {}), **{key: value for key, value in sections.items() if key in of_trees}}
    rest = {key: value for key, value in sections.items() if key not in of_trees}
    table = {"file": "trees", **own, **({"columns": columns} if columns else {}), **({"units": units} if units else {})}
    blocks = [{"role": role, "file": f"layer {role}"} for role in layers]
    return settings_from(
        {"date": date, "title": "site", **rest, "trees": table, "layers": blocks}, Path.cwd() / "frames"
    )


def _as_table(frame: geopandas.GeoDataFrame, name: str, path: Path) -> VectorTable:
    """A frame as the table that a vector file gives."""
    at = [place for place, column in enumerate(frame.columns) if column != frame.geometry.name]
    names = [str(frame.columns[place]) for place in at]
    for column, many in Counter(names).items():
        if many > 1:
            what = f"{many} columns are named '{shown(column)}'"
            raise InputError(
                [Problem(file=name, column=column, what=what, remedy="give each column a name of its own")]
            )
    cells = [_cells(frame.iloc[:, place], column, name) for place, column in zip(at, names, strict=True)]
    # the rows are counted along at first: a table without columns would have no rows either
    table = pa.table([*cells, pa.nulls(len(frame))], names=[*names, ""]).select(range(len(names)))
    shapes = np.asarray(frame.geometry.array, dtype=object)
    crs = usable(frame.crs) if frame.crs is not None else None
    return VectorTable(
        file=name,
        path=path,
        sha256=_sum_of(table, shapes),
        kind=Kind.PARQUET,
        packed="",
        layer="",
        layers=(),
        table=sound_texts(table),
        geometry=np.asarray(shapely.force_2d(shapes), dtype=object),
        feature=np.arange(1, len(frame) + 1, dtype=np.int64),
        crs=crs,
        crs_from="file" if crs is not None else "",
        crs_words="" if crs is not None else "the frame has none",
        facts={"kind": "GeoDataFrame"},
    )


def _cells(column: pd.Series, name: str, file: str) -> pa.Array | pa.ChunkedArray:
    """The cells of one column of a frame; of shapes besides those of the frame, their bytes."""
    if str(column.dtype) == "geometry":
        return pa.array(shapely.to_wkb(np.asarray(column.array, dtype=object)), type=pa.binary())
    if isinstance(column.dtype, pd.SparseDtype):
        column = pd.Series(column.to_numpy())
    try:
        return pa.array(column, from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError) as error:
        what = f"its values are of mixed kinds, or of one that riskmap does not read: {shown(error)}"
        remedy = "turn the column into text, or leave it out"
        raise InputError([Problem(file=file, column=name, what=what, remedy=remedy)]) from error


def _sum_of(table: pa.Table, shapes: npt.NDArray[np.object_]) -> str:
    """The sha256 of what a frame holds."""
    total = hashlib.sha256()
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table.combine_chunks())
    total.update(sink.getvalue())
    for shape in shapely.to_wkb(shapes):
        total.update(shape or b"")
    return total.hexdigest()
