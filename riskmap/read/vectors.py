"""Read one layer of shapes out of any vector file: attributes as Arrow, shapes as shapely, the CRS the file states."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyogrio
import shapely
from pyogrio.raw import read as read_plain
from pyogrio.raw import read_arrow

from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption
from riskmap.read.archives import MOST_BYTES
from riskmap.read.boxed import Known, Near, group_bounds, near_rows, parquet_boxes, pick_near
from riskmap.read.delimited import read_delimited
from riskmap.read.door import OpenedFile, Part, choose_part, open_file
from riskmap.read.kinds import Kind
from riskmap.read.shapes import ARCS, ShapeFault, has_curves, shapes_from_wkb
from riskmap.read.stated_crs import WGS84, stated_crs
from riskmap.read.vector_table import VectorTable, named
from riskmap.read.wkt import shape_column, shapes_from_text

__all__ = ["VectorTable", "bare_wkb_column", "know_parquet", "read_vector", "sound_texts"]

_NO_DATA: Final = frozenset({"layer_styles", "qgis_projects", "gpkg_metadata", "gpkg_metadata_reference"})
_ONE_LAYER: Final = frozenset({Kind.SHAPEFILE, Kind.GEOJSON, Kind.FLATGEOBUF})
_OPTIONS: Final[dict[Kind, dict[str, str]]] = {
    Kind.GML: {"DOWNLOAD_SCHEMA": "NO", "WRITE_GFS": "NO"},
    Kind.OSM_PBF: {"TAGS_FORMAT": "JSON"},
    Kind.OSM_XML: {"TAGS_FORMAT": "JSON"},
}
_Read: TypeAlias = tuple[dict[str, Any], pa.Table, pa.ChunkedArray | None]  # facts, attributes, shapes as WKB
_Shapes: TypeAlias = tuple[npt.NDArray[np.object_] | None, tuple[ShapeFault, ...]]
# pyogrio's own errors are RuntimeErrors; damaged files also make it look for layers and names that are not there.
_READ_ERRORS: Final = (pa.ArrowException, OSError, ValueError, RuntimeError, LookupError, NameError)


def read_vector(  # noqa: PLR0913  what may be asked for is asked for by name
    path: Path,
    *,
    layer: str = "",
    encoding: str = "",
    file_as_typed: str = "",
    section: str = "layers",
    file_key: str = "file",
    near: Near | None = None,
    known: Known | None = None,
) -> VectorTable:
    """Read one layer of a vector file.

    Parameters
    ----------
    path : Path
        Absolute path of the file.
    layer : str
        The layer the user named; "" takes the only one with shapes.
    encoding : str
        Of a shapefile's texts, where the user named one.
    file_as_typed : str
        The file as site.toml names it.
    section : {"layers", "trees"}
        Where in site.toml; with "trees" GPX gives its waypoints and all folders of a KML are joined.
    file_key : str
        The key of the section that names the file.
    near : callable, optional
        Returns boxes in the CRS of the layer: of a big file that can be read in part, features that meet none of them
        are left unread.
    known : Known, optional
        What is known of a file that is read by box again and again.

    Raises
    ------
    InputError
        The file is refused, does not read to its end, or leaves open which layer is meant.
    """
    typed, key = file_as_typed or str(path), f"{section}.{file_key}"
    with open_file(path, file_as_typed=typed, key=key, sha256=known.sha256 if known else "") as opened:
        part = choose_part(opened, layer, key=key)
        reader = _Reader(opened, part, "" if len(opened.parts) > 1 else layer, encoding, section, file_key)
        reader.known = known
        with reader.reading():
            table = reader.read(near)
    if table.whole:
        return table

    def read_column(name: str) -> pa.ChunkedArray:
        with open_file(path, file_as_typed=typed, key=key, sha256=table.sha256) as opened:
            part = choose_part(opened, layer, key=key)
            reader = _Reader(opened, part, table.layer, encoding, section, file_key)
            with reader.reading():
                return reader.read_column(name)

    return replace(table, read_column=read_column)


class _Reader:
    """Reads one part; holds what messages need."""

    def __init__(self, opened: OpenedFile, part: Part, layer: str, encoding: str, section: str, file_key: str) -> None:
        self.opened, self.part, self.section, self.file_key = opened, part, section, file_key
        self.layer, self.encoding = layer.strip(), encoding
        self.known: Known | None = None

    def fault(self, what: str, remedy: str, key: str) -> InputError:
        """One fault of this file."""
        key = self.file_key if key == "file" or self.file_key != "file" else key
        return InputError([Problem(file=self.opened.typed, what=what, remedy=remedy, key=f"{self.section}.{key}")])

    def unread(self, error: BaseException) -> InputError:
        """The fault of a file that does not read, in the library's words without our private path."""
        words = str(error).replace(str(self.part.path), self.part.name).replace(str(self.part.path.parent), "")
        if isinstance(error, LookupError | NameError) or "Error occurred in" in words:  # of the library itself
            words = "nothing in it can be opened"
        return self.fault(
            f"this {self.part.kind.value} does not read; it may be cut off or damaged ({shown(words)})",
            "open it in a desktop GIS and export it anew, or send it again",
            "file",
        )

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Say in words for the user where a library stumbles."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # GDAL's words on single shapes: we judge every shape ourselves
                yield
        except _READ_ERRORS as error:
            raise self.unread(error) from error

    def read(self, near: Near | None) -> VectorTable:
        """Read the part as its kind asks."""
        if self.part.kind is Kind.GEOTIFF:
            raise self.fault("this is a raster, not a layer of shapes", "give it under [rasters]", "file")
        if self.part.kind is Kind.XLSX:
            raise self.fault("this is a workbook without shapes", "name a file with shapes", "file")
        if self.part.kind is Kind.CSV:
            return self.read_csv()
        return self.read_parquet(near) if self.part.kind is Kind.PARQUET else self.read_gdal(near)

    def read_column(self, name: str) -> pa.ChunkedArray:
        """Read one column of attributes of the whole layer."""
        if self.part.kind is Kind.PARQUET:
            import pyarrow.parquet as pq

            return sound_texts(pq.read_table(self.part.path, columns=[name])).column(name)
        encoding = self.encoding or self._encoding_of_shapefile()
        _, table = read_arrow(
            self.part.path, layer=self.layer or None, encoding=encoding or None, columns=[name], read_geometry=False
        )
        return sound_texts(table).column(name)

    def read_csv(self) -> VectorTable:
        """Read a CSV that has a column of shapes written as WKT."""
        try:
            read = read_delimited(self.part.path.read_bytes(), file=self.opened.typed, encoding=self.encoding)
        except InputError as error:  # its keys are those of [trees]
            ours = [replace(one, key=one.key.replace("trees.", f"{self.section}.")) for one in error.problems]
            raise InputError(ours) from error
        found = shape_column(read.table)
        if found is None:
            raise self.fault(
                "this CSV holds no column of shapes", "name a file with shapes, or a CSV with a column of WKT", "file"
            )
        shapes = shapes_from_text(read.table.column(found))
        meta = {"crs": shapes.crs, "encoding": read.facts.get("encoding", ""), "facts": dict(read.facts)}
        table = read.table.drop_columns([found])
        return self._finish([], None, meta, table, None, shapes=(shapes.geometry, shapes.faults))

    def read_gdal(self, near: Near | None) -> VectorTable:
        """Read through GDAL."""
        names, tables = self._layers()
        if self.part.kind is Kind.KML and self.section == "trees" and not self.layer and len(names) > 1:
            return self._finish(names, "", *self._joined(names))
        chosen = self._choose(names, tables)
        return self._finish(names, chosen, *(self._read_near(chosen, near) or self._read_one(chosen)))

    def _read_near(self, layer: str | None, near: Near | None) -> _Read | None:
        """One layer's features near the trees; None where it must be read whole, be it to say what is wrong with it."""
        try:
            path, kind = self.part.path, self.part.kind
            picked = pick_near(path, kind, layer, near, known=self.known) if near else None
            read = [self._read_one(layer, ask) for ask in picked.asks] if picked else []
        except _READ_ERRORS:
            return None
        shapes = [_binary(column) for _, _, column in read if column is not None]
        if picked is None or len(shapes) < len(read):
            return None
        table = pa.concat_tables([one for _, one, _ in read])
        column = pa.chunked_array([chunk for one in shapes for chunk in one.chunks], shapes[0].type)
        ids = np.concatenate([meta["ids"] for meta, _, _ in read])
        if not (np.diff(ids) > 0).all():
            ids, order = np.unique(ids, return_index=True)
            table, column = table.take(pa.array(order)), column.take(pa.array(order))
        return {**read[0][0], "numbers": picked.number(ids), "in_file": picked.in_file}, table, column

    def _layers(self) -> tuple[list[str], list[str]]:
        """Names of layers with shapes, and of tables without."""
        if self.part.kind in _ONE_LAYER:
            return [self.part.path.name.split(".")[0]], []
        listed = pyogrio.list_layers(self.part.path)
        names = [str(name) for name, shape in listed if shape is not None]
        return names, [str(name) for name, shape in listed if shape is None and name not in _NO_DATA]

    def _choose(self, names: list[str], tables: list[str]) -> str | None:
        """The layer meant, None for the only one of a one-layer kind."""
        if self.layer:
            found = named(names + tables, self.layer)
            if found:
                return None if self.part.kind in _ONE_LAYER else found
            if self.part.kind in _ONE_LAYER:
                return None if self.layer in self._own_names() else self._no_such_layer(names)
            return self._no_such_layer(names or tables)
        if self.part.kind is Kind.GPX:
            names = self._filled(["waypoints"] if self.section == "trees" else names)
            if not names and self.section == "trees":
                raise self.fault(
                    "the GPX file has no waypoints", "record the trees as waypoints, not as a track", "file"
                )
        if len(names) == 1:
            return None if self.part.kind in _ONE_LAYER else names[0]
        if not names:
            if len(tables) == 1:
                return tables[0]
            raise self.fault("the file holds no layer with shapes", "name a file that does", "file")
        words = ", ".join(shown(name) for name in names[:30])
        raise self.fault(f"the file holds {len(names)} layers with shapes: {words}", "say which one", "layer")

    def _own_names(self) -> tuple[str, ...]:
        """What a one-layer file may be called as a layer."""
        info = pyogrio.read_info(self.part.path)
        return str(info["layer_name"]), Path(self.part.name).stem

    def _no_such_layer(self, names: list[str]) -> str:
        """Say which layers there are."""
        words = ", ".join(shown(name) for name in names[:30])
        raise self.fault(f"there is no layer {shown(self.layer)!r}; it holds {words}", "name one of these", "layer")

    def _filled(self, names: list[str]) -> list[str]:
        """Those of the layers that hold anything."""
        return [n for n in names if pyogrio.read_info(self.part.path, layer=n, force_feature_count=True)["features"]]

    def _read_one(self, layer: str | None, ask: Mapping[str, Any] = MappingProxyType({})) -> _Read:
        """One layer's facts, attributes and shapes as WKB; with `ask` only some of its features, and their ids."""
        options: dict[str, Any] = {**_OPTIONS.get(self.part.kind, {}), **ask, "return_fids": bool(ask)}
        encoding = self.encoding or self._encoding_of_shapefile()
        try:
            meta, table = read_arrow(self.part.path, layer=layer, encoding=encoding or None, **options)
        except _READ_ERRORS:  # GDAL stumbles over a CRS that it can't read, pyogrio over one that it can't write down
            prj = self.part.path.with_suffix(".prj")
            if self.part.kind is not Kind.SHAPEFILE or not prj.exists():
                raise
            prj.unlink()  # our own link to it
            meta, table = read_arrow(self.part.path, layer=layer, encoding=encoding or None, **options)
        if self.part.kind is Kind.FLATGEOBUF and not ask:
            promised = int(pyogrio.read_info(self.part.path)["features"])  # out of its header
            if promised > table.num_rows:
                raise ValueError(f"{table.num_rows} of {promised} features came out")
        meta = {**meta, "encoding": encoding or meta.get("encoding") or ""}
        if ask:
            key = meta.get("fid_column") or "OGC_FID"
            if self.part.kind is Kind.FLATGEOBUF and not _are_ids(table.column(key)):
                table = table.schema.empty_table()
            meta["ids"] = table.column(key).to_numpy().astype(np.int64)
            table = table.drop_columns([key])
        name = meta.get("geometry_name") or "wkb_geometry"
        if name not in table.column_names:
            return meta, table, None
        column = table.column(name)
        if has_curves(column).any():
            meta["curved"] = np.flatnonzero(has_curves(column)) + 1
            _, ids, straight, _ = read_plain(self.part.path, layer=layer, columns=[], force_2d=True, **options)
            if ask and not np.array_equal(ids, meta["ids"]):
                raise ValueError("its features come out in another order the second time")
            column = pa.chunked_array([pa.array(straight, pa.binary())])
        return meta, table.drop_columns([name]), column

    def _encoding_of_shapefile(self) -> str:
        """UTF-8 where there is no .cpg, the table has bytes past ASCII, and they read as UTF-8; else ''."""
        if self.part.kind is not Kind.SHAPEFILE or self.part.facts.get("cpg"):
            return ""
        written = self.part.path.with_suffix(".dbf").read_bytes()
        if written[32:].isascii():
            return ""
        try:
            written[int.from_bytes(written[8:10], "little") :].decode("utf-8")
        except UnicodeDecodeError:
            return "" if written[29] else "CP1252"
        return "UTF-8"

    def _joined(self, names: list[str]) -> _Read:
        """All folders of a KML as one table, in order."""
        read = [self._read_one(name) for name in names]
        tables = [table.append_column("folder", pa.array([name] * table.num_rows, pa.string()))
                  if "folder" not in table.column_names else table
                  for name, (_, table, _) in zip(names, read, strict=True)]  # fmt: skip
        shapes = [chunk for _, _, column in read if column is not None for chunk in column.chunks]
        return read[0][0], pa.concat_tables(tables, promote_options="permissive"), pa.chunked_array(shapes, pa.binary())

    def read_parquet(self, near: Near | None) -> VectorTable:
        """Read a Parquet file, with or without GeoParquet's metadata."""
        import pyarrow.parquet as pq

        parquet = pq.ParquetFile(self.part.path)
        found = self._read_parquet_near(parquet.schema_arrow, near) if near else None
        if found is not None:
            return found
        groups = [parquet.metadata.row_group(number) for number in range(parquet.metadata.num_row_groups)]
        if sum(group.total_byte_size for group in groups) > MOST_BYTES:
            raise self.fault("it unpacks to more than 4 GB", "cut it to the area needed", "file")
        table = parquet.read()
        name, about, geo = self.about_parquet(table.schema)
        meta: dict[str, Any] = {"crs": about.get("crs", WGS84) if geo else None, "encoding": "UTF-8"}
        if not name or name not in table.column_names:
            return self._finish([], None, meta, table, None)
        column = table.column(name)
        table = table.drop_columns([name])
        if str(about.get("encoding", "WKB")).upper() != "WKB":
            import geopandas

            shapes = geopandas.read_parquet(self.part.path, columns=[name]).geometry.to_numpy()
            column = pa.chunked_array([pa.array(shapely.to_wkb(shapes), pa.binary())])
        return self._finish([name], None, meta, table, column)

    def about_parquet(self, schema: pa.Schema) -> tuple[str, dict[str, Any], bool]:
        """The column of shapes, what GeoParquet's metadata say of it, and whether there are such."""
        written = (schema.metadata or {}).get(b"geo")
        try:
            geo = json.loads(written) if written else {}
            name = str(geo["primary_column"]) if geo else bare_wkb_column(schema)
            return name, (geo.get("columns", {}).get(name, {}) if geo else {}), bool(geo)
        except (ValueError, KeyError, AttributeError, TypeError) as error:
            raise self.fault(
                f"its geo metadata does not read ({shown(error)})", "export the file anew", "file"
            ) from error

    def _read_parquet_near(self, schema: pa.Schema, near: Near) -> VectorTable | None:
        """Read the rows of a Parquet file near the trees; None where it must be read whole."""
        name, about, _ = self.about_parquet(schema)
        if name not in schema.names or not isinstance(about, dict):
            return None
        try:
            boxes = parquet_boxes(self.part.path, about, near, known=self.known)
            read = near_rows(self.part.path, name, about, boxes, known=self.known) if boxes else None
        except _READ_ERRORS:  # reading whole says what is wrong
            return None
        if read is None:
            return None
        table, numbers, in_file = read
        meta = {"crs": about.get("crs", WGS84), "encoding": "UTF-8", "numbers": numbers, "in_file": in_file}
        return self._finish([name], None, meta, table.drop_columns([name]), table.column(name))

    def _finish(
        self,
        names: list[str],
        layer: str | None,
        meta: dict[str, Any],
        table: pa.Table,
        column: pa.ChunkedArray | None,
        *,
        shapes: _Shapes = (None, ()),
    ) -> VectorTable:
        """Put together what was read."""
        geometry, faults = shapes if column is None else shapes_from_wkb(_binary(column))
        number = meta.get("numbers", np.arange(1, table.num_rows + 1, dtype=np.int64))
        faults = tuple(replace(fault, feature=int(number[fault.feature - 1])) for fault in faults)
        arcs = np.asarray(meta.get("curved", ()), dtype=np.int64)
        curved = [*number[arcs - 1], *(fault.feature for fault in faults if fault.why == ARCS)]
        crs, crs_from, crs_words = stated_crs(self.part.kind, meta.get("crs"), geometry)
        facts: dict[str, Any] = {"kind": self.part.kind.value, **meta.get("facts", {})}
        if self.opened.packed:
            facts["packed"] = f"{self.opened.packed}: {self.part.name}"
        if meta.get("encoding") and self.part.kind is Kind.SHAPEFILE:
            facts["encoding"] = meta["encoding"]
        if layer and len(names) > 1:
            facts["layer"] = layer
        elif len(names) > 1:
            facts["layer"] = ", ".join(names)
        return VectorTable(
            file=self.opened.typed,
            path=self.opened.path,
            sha256=self.opened.sha256,
            kind=self.part.kind,
            packed=self.opened.packed,
            layer=layer or "",
            layers=tuple(names),
            table=sound_texts(table),
            geometry=geometry,
            feature=number,
            crs=crs,
            crs_from=crs_from,
            crs_words=crs_words,
            faults=tuple(fault for fault in faults if fault.why != ARCS),
            curved=np.asarray(curved, dtype=np.int64),
            facts=facts,
            assumptions=self._assumptions(names, layer, crs_from),
            features_in_file=meta.get("in_file"),
        )

    def _assumptions(self, names: list[str], layer: str | None, crs_from: str) -> tuple[Assumption, ...]:
        """What was taken because nobody said otherwise."""
        taken = []
        if crs_from == "range":
            taken.append(
                Assumption(
                    topic=f"crs.{self.opened.typed}",
                    taken="WGS 84 degrees",
                    why="the file names no CRS and all its coordinates fit degrees",
                    key=f"{self.section}.crs",
                )
            )
        if self.part.kind is Kind.KML and layer == "" and len(names) > 1:
            taken.append(
                Assumption(
                    topic=f"layer.{self.opened.typed}",
                    taken=f"all {len(names)} folders: {', '.join(shown(name) for name in names[:20])}",
                    why="no folder was named",
                    key=f"{self.section}.layer",
                )
            )
        return tuple(taken)


def know_parquet(path: Path, *, file_as_typed: str) -> Known:
    """Return what is worth while to know of a GeoParquet file that is read by box again and again.

    Parameters
    ----------
    path : Path
        Absolute path of the file.
    file_as_typed : str
        The file as site.toml names it.

    Raises
    ------
    InputError
        The file is refused, or does not read.
    """
    import pyarrow.parquet as pq

    with open_file(path, file_as_typed=file_as_typed, key="layers.file") as opened:
        reader = _Reader(opened, opened.parts[0], "", "", "layers", "file")
        with reader.reading():
            private = opened.parts[0].path
            name, about, geo = reader.about_parquet(pq.read_schema(private))
            sound = geo and isinstance(about, dict) and str(about.get("encoding", "WKB")).upper() == "WKB"
            return Known(sha256=opened.sha256, groups=group_bounds(private, name, about) if sound else None)


def _are_ids(column: pa.ChunkedArray) -> bool:
    """Whether features were read at all: where none meets a box, GDAL gives 65,536 of whatever its memory held."""
    ids = column.to_numpy()
    return bool((ids >= 0).all()) and len(np.unique(ids)) == len(ids)


def _binary(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A WKB column without its extension type."""
    if isinstance(column.type, pa.ExtensionType):
        column = pa.chunked_array([chunk.storage for chunk in column.chunks], column.type.storage_type)
    return column


def sound_texts(table: pa.Table) -> pa.Table:
    """Return the table with every text column in the one type that the rest knows; what is no UTF-8 is made so."""
    for index, about in enumerate(table.schema):
        column = table.column(index)
        if isinstance(about.type, pa.BaseExtensionType):  # GDAL marks texts that are JSON
            column = pa.chunked_array([chunk.storage for chunk in column.chunks], about.type.storage_type)
        kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
        if not (pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)):
            continue
        try:
            column = column.cast(pa.string())
            column.validate(full=True)
        except pa.ArrowInvalid:
            written = column.cast(kind).cast(pa.large_binary()).to_pylist()
            texts = [None if cell is None else cell.decode("utf-8", errors="replace") for cell in written]
            column = pa.chunked_array([pa.array(texts, pa.string())])
        if column is not table.column(index):
            table = table.set_column(index, about.name, column)
    return table


def bare_wkb_column(schema: pa.Schema) -> str:
    """Return a binary column that is plainly named as shapes, for Parquet without metadata; "" where there is none."""
    for field in schema:
        binary = pa.types.is_binary(field.type) or pa.types.is_large_binary(field.type)
        if binary and field.name.casefold() in ("geometry", "geom", "wkb_geometry", "wkb", "the_geom", "shape"):
            return str(field.name)
    return ""
