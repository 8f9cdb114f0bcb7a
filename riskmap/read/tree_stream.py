"""Reads a trees file of very many trees piece by piece, so that it never lies in memory whole."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from riskmap.model import Settings
from riskmap.read.archives import MOST_BYTES
from riskmap.read.crs import crs_from_file
from riskmap.read.door import open_file, sniff
from riskmap.read.kinds import Kind
from riskmap.read.packed import UNSAID_CRS, one_buffer, plain_points
from riskmap.read.rows import TreeRows, no_rows, unique_names
from riskmap.read.shapes import shapes_from_wkb
from riskmap.read.stated_crs import stated_crs
from riskmap.read.trees import TreesRead, columns_of, rows_of_shapes, understand_rows
from riskmap.read.vectors import VectorTable, bare_wkb_column, sound_texts

__all__ = ["TreeStream", "open_tree_stream"]

_WORDS: Final = frozenset(  # read cell by cell; what any other column of text means hangs on all its cells
    ("tree_id", "species", "common", "genus", "cultivar", "group", "form", "stock", "surface", "guard_now")
)


@dataclass(frozen=True, slots=True)
class TreeStream:
    """A trees file that stands open: its rows piece after piece, each read as the whole would be."""

    file: Any  # pyarrow.parquet.ParquetFile
    settings: Settings
    path: Path  # as its owner has it
    sha256: str
    blank: frozenset[str]  # columns without any cell

    @property
    def rows(self) -> int:
        """Trees of the file."""
        return int(self.file.metadata.num_rows)

    def pieces(self, most: int) -> Iterator[TreesRead]:
        """Read the trees, so many at a time, in the order of the file.

        Raises
        ------
        InputError
            A piece can't be read at all; what can be told apart from that stands in `TreesRead.problems`.
        """
        typed, before = self.settings.trees.file, 0
        for batch in self.file.iter_batches(batch_size=most):
            rows = replace(self._rows(pa.Table.from_batches([batch]), before), blank=self.blank)
            before += batch.num_rows
            yield understand_rows(rows, self.settings, file=typed, path=self.path, sha256=self.sha256)

    def _rows(self, table: pa.Table, before: int) -> TreeRows:
        """One piece as rows."""
        about, name = _geo(self.file)
        n = table.num_rows
        row = np.arange(before + 1, before + n + 1, dtype=np.int64)
        facts: dict[str, str] = {"kind": Kind.PARQUET.value}
        if not name:
            return TreeRows(table=_named(table), row=row, ragged=no_rows(n), facts=facts)
        column = table.column(name)
        if isinstance(column.type, pa.ExtensionType):
            column = pa.chunked_array([chunk.storage for chunk in column.chunks], column.type.storage_type)
        plain = plain_points(*one_buffer(column))
        shapes, faults = (None, ()) if plain is not None else shapes_from_wkb(column)
        crs, crs_from, crs_words = _stated(about, plain, shapes)
        table = table.drop_columns([name])
        if plain is not None:
            facts |= {"crs_words": crs_words} if crs_words else {}
            x, y = plain
            return TreeRows(table=_named(table), row=row, ragged=no_rows(n), x=x, y=y, crs=crs, facts=facts)
        vector = VectorTable(
            file=self.settings.trees.file, path=self.path, sha256=self.sha256, kind=Kind.PARQUET, packed="", layer="",
            layers=(name,), table=sound_texts(table), geometry=shapes, feature=row, crs=crs, crs_from=crs_from,
            crs_words=crs_words, faults=faults, facts=facts,
        )  # fmt: skip
        return rows_of_shapes(vector, self.settings.trees.on_invalid)


def _named(table: pa.Table) -> pa.Table:
    """A table with sound texts, and headers trimmed and unique."""
    return sound_texts(table).rename_columns(unique_names(table.column_names))


@contextmanager
def open_tree_stream(settings: Settings) -> Iterator[TreeStream | None]:
    """Open the trees file of a site to be read piece by piece; None where it has to be read whole.

    Such a file is Parquet, with points as well-known binary and a CRS or with columns of coordinates, and has numbers
    and dates in columns of their type: what a text such as 1,5 or 03/04/2025 means would hang on cells of other pieces.

    Raises
    ------
    InputError
        The file is not there, or refused.
    """
    source = settings.trees
    path = settings.resolve(source.file)
    if sniff(path, file_as_typed=source.file, key="trees.file") is not Kind.PARQUET:
        yield None
        return
    with open_file(path, file_as_typed=source.file, key="trees.file") as opened:
        stream = _stream(opened.parts[0].path, settings, path, opened.sha256)
        try:
            yield stream
        finally:
            if stream is not None:
                stream.file.close()  # before its private name goes


def _stream(file: Path, settings: Settings, path: Path, sha256: str) -> TreeStream | None:
    """The open file; None where it is of another kind, or does not read: who reads it whole will say why."""
    import pyarrow.parquet as pq

    try:
        held = pq.ParquetFile(file, pre_buffer=False)  # else what was read stays in memory
        about, name = _geo(held)
        groups = [held.metadata.row_group(number) for number in range(held.metadata.num_row_groups)]
        fits = not name and not bare_wkb_column(held.schema_arrow)
        if name in held.schema_arrow.names:
            fits = str(about.get("encoding", "WKB")).upper() == "WKB"
            fits &= crs_from_file(about.get("crs", UNSAID_CRS)) is not None
        fits &= max((group.total_byte_size for group in groups), default=0) <= MOST_BYTES
        stream = TreeStream(held, settings, path, sha256, _blank(groups))
        return stream if fits and _typed(stream, name) else None
    except (pa.ArrowException, OSError, ValueError, KeyError, AttributeError, TypeError):
        return None


def _geo(file: Any) -> tuple[dict[str, Any], str]:
    """What GeoParquet says of its shapes, and the column that they stand in; "" where Parquet holds none."""
    written = (file.schema_arrow.metadata or {}).get(b"geo")
    if not written:
        return {}, ""
    geo = json.loads(written)
    name = str(geo["primary_column"])
    return geo["columns"][name], name


def _stated(about: dict[str, Any], plain: Any, shapes: Any) -> tuple[Any, str, str]:
    """The CRS that the file states, where it is from, and why there is none."""
    written = about.get("crs", UNSAID_CRS)
    if plain is not None:
        x, y = plain
        crs = crs_from_file(written)
        if not (crs is not None and crs.is_geographic and ((abs(x) > 180) | (abs(y) > 90)).any()):
            return crs, "file", ""
        import shapely

        shapes = shapely.points(x, y)
    return stated_crs(Kind.PARQUET, written, shapes)


def _blank(groups: list[Any]) -> frozenset[str]:
    """Columns that no row group holds a cell of, as far as the file says so."""
    filled: set[str] = set()
    names: set[str] = set()
    for group in groups:
        for place in range(group.num_columns):
            column = group.column(place)
            name = column.path_in_schema.split(".")[0]
            names.add(name)
            counted = column.statistics is not None and column.statistics.has_null_count
            if not counted or column.statistics.null_count < column.num_values:
                filled.add(name)
    return frozenset(names - filled)


def _typed(stream: TreeStream, shapes: str) -> bool:
    """Whether every column that holds numbers or dates is of such a type."""
    empty = stream.file.schema_arrow.empty_table()
    table = _named(empty.drop_columns([shapes]) if shapes else empty)
    points = np.empty(0) if shapes else None
    rows = TreeRows(
        table=table, row=np.empty(0, dtype=np.int64), ragged=no_rows(0), x=points, y=points, blank=stream.blank
    )
    for column, header in columns_of(rows, stream.settings).items():
        kind = table.schema.field(header.index).type
        kind = kind.value_type if pa.types.is_dictionary(kind) else kind
        number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_temporal(kind)
        if column not in _WORDS and not number:
            return False
    return True
