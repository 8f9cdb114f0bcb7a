"""``trees.gpkg``: the tree table as points, the ground by role, and symbols that a desktop GIS shows by itself."""

from __future__ import annotations

import contextlib
import struct
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import shapely

from riskmap.deliver.columns import point_column, result_table
from riskmap.deliver.csv_file import as_text
from riskmap.deliver.gis_styles import add_styles, ground_style, reach_style, tree_style
from riskmap.draw.reach import site_reach
from riskmap.model import MOST_GIS_COLUMNS, GroundLayer, IntArray, Result, Site
from riskmap.rules import BAND_WORDS

__all__ = ["write_geopackage"]

Geometries: TypeAlias = npt.NDArray[np.object_]

_FILE: Final = "trees.gpkg"
_PLAIN: Final = frozenset("/\\:._-~ ")
_ROWS_AT_ONCE: Final = 65_536
_CACHE_MB: Final = 256
_GROUND: Final = {  # dimension -> layer, its shapes, and what makes one shape of a feature's parts
    2: ("site", "MultiPolygon", shapely.multipolygons),
    1: ("site_lines", "MultiLineString", shapely.multilinestrings),
    0: ("site_points", "MultiPoint", shapely.multipoints),
}


def write_geopackage(result: Result, folder: Path) -> list[str]:
    """Write ``trees.gpkg``: layer ``trees``, and ``site`` (areas), ``site_lines``, ``site_points`` and ``fences``
    where there are any.

    Time stamps inside are those of the site's date, so that the same site gives the same bytes.
    """
    styles = [("trees", tree_style(result))]
    date = result.site.inputs.settings.date.isoformat()
    with _plain_path(folder) as plain, _told(f"{date}T00:00:00.000Z"):
        file = plain / _FILE
        file.unlink(missing_ok=True)
        table = result_table(result)
        table = table.select(table.column_names[:MOST_GIS_COLUMNS])  # the user's last ones; an assumption says so
        table = table.append_column("geometry", point_column(result))
        _write_layer(file, "trees", table, shapes="Point", site=result.site)
        reach = _reach_table(result)
        if len(reach):
            _write_layer(file, "reach", reach, shapes="MultiPolygon", site=result.site)
            styles.append(
                ("reach", reach_style(zip(*(reach.column(n).to_pylist() for n in ("agent", "band")), strict=True)))
            )
        fences = _fences_table(result)
        if len(fences):
            _write_layer(file, "fences", fences, shapes="LineString", site=result.site)
        for dimension, (layer, shapes, _) in _GROUND.items():
            ground = _ground_table(result.site, dimension)
            if len(ground):
                _write_layer(file, layer, ground, shapes=shapes, site=result.site)
                styles.append((layer, ground_style(ground.column("role").unique().to_pylist(), dimension)))
    add_styles(folder / _FILE, styles, date=date)
    return [_FILE]


def _write_layer(file: Path, layer: str, table: pa.Table, *, shapes: str, site: Site) -> None:
    """Write one layer in batches, so that no second copy of the table is made."""
    schema = pa.schema([field.with_type(_gis_type(field.type)) for field in table.schema])
    batches = (_for_gis(batch, schema) for batch in table.to_batches(max_chunksize=_ROWS_AT_ONCE))
    pyogrio.write_arrow(
        pa.RecordBatchReader.from_batches(schema, batches),
        str(file),
        layer=layer,
        driver="GPKG",
        geometry_name="geometry",
        geometry_type=shapes,
        crs=site.crs.to_wkt(),
        append=file.exists(),
        dataset_options=None if file.exists() else {"VERSION": "1.3"},  # which older programs open without a warning
    )


def _gis_type(kind: pa.DataType) -> pa.DataType:
    """The type a GeoPackage can hold: its own, or text."""
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    holds = (
        pa.types.is_boolean(kind)
        or (pa.types.is_integer(kind) and kind != pa.uint64())
        or pa.types.is_float32(kind)
        or pa.types.is_float64(kind)
        or pa.types.is_date32(kind)
        or pa.types.is_timestamp(kind)
        or kind == pa.binary()
    )
    return kind if holds else pa.string()


def _for_gis(batch: pa.RecordBatch, schema: pa.Schema) -> pa.RecordBatch:
    """One batch in types a GeoPackage can hold."""
    columns = [
        as_text(column) if field.type == pa.string() else column.cast(field.type)
        for column, field in zip(batch.columns, schema, strict=True)
    ]
    return pa.RecordBatch.from_arrays(columns, schema=schema)


def _reach_table(result: Result) -> pa.Table:
    """How far each agent reaches round the trees: one area a band, without what a higher band covers."""
    if not result.site.trees.placed.any():
        return pa.table({})
    found = [
        (reach.agent, reach.role, BAND_WORDS[band.band], band.to_m, band.area)
        for reach in site_reach(result)
        for band in reach.bands
        if band.area is not None and band.area.area > 0
    ]
    if not found:
        return pa.table({})
    agent, role, band, to_m, areas = zip(*found, strict=True)
    _, joined = _parts_of(np.array(areas, dtype=object), 2)
    return pa.table(
        {
            "agent": pa.array(agent, pa.string()),
            "role": pa.array(role, pa.string()),
            "band": pa.array(band, pa.string()),
            "to_m": pa.array(to_m, pa.float64()),
            "geometry": pa.array(shapely.to_wkb(joined), pa.binary()),
        }
    )


def _fences_table(result: Result) -> pa.Table:
    """The lines of shared fences that were chosen, with what each is built of, stops and costs."""
    fences = result.choices.extra.get("fences", ())
    if not fences:
        return pa.table({})
    lines = np.array([shapely.LineString(shapely.get_coordinates(fence["line"])) for fence in fences], dtype=object)
    return pa.table(
        {
            "fence": pa.array([fence["number"] for fence in fences], pa.int64()),
            "guard": pa.array([fence["label"] for fence in fences], pa.string()),
            "length_m": pa.array([fence["length_m"] for fence in fences], pa.float64()),
            "gates": pa.array([fence["gates"] for fence in fences], pa.int64()),
            "trees": pa.array([len(fence["trees"]) for fence in fences], pa.int64()),
            "agents_stopped": pa.array(["; ".join(fence["stops"]) for fence in fences], pa.string()),
            "cost": pa.array([fence["cost"] for fence in fences], pa.float64()),
            "currency": pa.array([fence["currency"] for fence in fences], pa.string()),
            "geometry": pa.array(shapely.to_wkb(lines), pa.binary()),
        }
    )


def _ground_table(site: Site, dimension: int) -> pa.Table:
    """The ground's areas, lines or points, one row a feature, in order of layer and feature."""
    tables = [_layer_table(layer, dimension) for layer in site.layers]
    return pa.concat_tables([table for table in tables if len(table)] or [_empty_ground()])


def _empty_ground() -> pa.Table:
    """No ground at all."""
    types = {"role": pa.string(), "layer": pa.int64(), "feature": pa.int64(), "file": pa.string()}
    return pa.table(
        {**{name: pa.array([], kind) for name, kind in types.items()}, "geometry": pa.array([], pa.binary())}
    )


def _layer_table(layer: GroundLayer, dimension: int) -> pa.Table:
    """One layer's parts of one dimension, joined feature by feature."""
    kept, wkb = _wkb_of(layer.geometry, dimension)
    if not len(kept):
        return _empty_ground()
    feature: IntArray = layer.data.feature[kept]
    return pa.table(
        {
            "role": pa.repeat(layer.role, len(kept)),
            "layer": pa.array(np.full(len(kept), layer.number)),
            "feature": pa.array(feature),
            "file": pa.repeat(layer.data.source.file, len(kept)),
            "geometry": wkb,
        }
    )


def _wkb_of(shapes: Geometries, dimension: int) -> tuple[IntArray, pa.Array]:
    """Which shapes have parts of one dimension, and those parts as the bytes of one multi-part shape each."""
    kinds = shapely.get_type_id(shapes)
    if (kinds == shapely.GeometryType.GEOMETRYCOLLECTION).any():
        kept, joined = _parts_of(shapes, dimension)
        return kept, pa.array(shapely.to_wkb(joined), pa.binary())
    kept = np.flatnonzero(shapely.get_dimensions(shapes) == dimension)
    many = kinds[kept] >= shapely.GeometryType.MULTIPOINT
    opening = pa.array([struct.pack("<BII", 1, dimension + 4, 1), b""], pa.binary())  # of a multi-part shape of one
    wkb = pa.array(shapely.to_wkb(shapes[kept]), pa.binary())
    return kept, pc.binary_join_element_wise(opening.take(pa.array(many.astype(np.int8))), wkb, b"")


def _parts_of(shapes: Geometries, dimension: int) -> tuple[IntArray, Geometries]:
    """Which shapes have parts of one dimension, and those parts joined shape by shape."""
    maybe = np.flatnonzero(
        (shapely.get_dimensions(shapes) == dimension)
        | (shapely.get_type_id(shapes) == shapely.GeometryType.GEOMETRYCOLLECTION)
    )
    parts, owner = shapely.get_parts(shapes[maybe], return_index=True)
    inner, place = shapely.get_parts(parts, return_index=True)  # collections hold multi-part shapes
    owner = maybe[owner]
    owner, wanted = owner[place], shapely.get_dimensions(inner) == dimension
    kept, index = np.unique(owner[wanted], return_inverse=True)
    return kept, _GROUND[dimension][2](inner[wanted], indices=index) if len(kept) else np.empty(0, dtype=object)


@contextlib.contextmanager
def _plain_path(folder: Path) -> Iterator[Path]:
    """A way to the folder in plain letters: pyogrio takes "!" for the mark of an archive, and drops line ends."""
    if all(mark.isalnum() or mark in _PLAIN for mark in str(folder.absolute())):
        yield folder.absolute()
        return
    with tempfile.TemporaryDirectory(prefix="riskmap-") as elsewhere:
        link = Path(elsewhere) / "result"
        link.symlink_to(folder.absolute(), target_is_directory=True)
        yield link


@contextlib.contextmanager
def _told(time: str) -> Iterator[None]:
    """Let GDAL take this for the time of day, and give SQLite room to think.

    SQLite keeps no journal and waits for no disk: half a file is never delivered, and a finished one is synced then.
    """
    options = {"OGR_CURRENT_DATE": time, "OGR_SQLITE_CACHE": _CACHE_MB}
    options |= {"OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_JOURNAL": "OFF"}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(dict.fromkeys(options))
