"""The tree table as CSV and as GeoParquet."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any, BinaryIO, Final

import pyarrow as pa
import pyarrow.parquet as pq

from riskmap.deliver.columns import result_pieces, result_table
from riskmap.deliver.csv_file import write_csv_table
from riskmap.model import Result

__all__ = ["write_csv", "write_parquet"]

_ROWS_IN_A_GROUP: Final = 131_072


def write_csv(result: Result, folder: Path) -> list[str]:
    """Write ``trees.csv``."""
    write_csv_table(result_table(result), folder / "trees.csv")
    return ["trees.csv"]


def write_parquet(result: Result, folder: Path) -> list[str]:
    """Write ``trees.parquet``, a GeoParquet 1.1 file with the points in the working CRS."""
    file: pq.ParquetWriter | None = None
    with (folder / "trees.parquet").open("wb") as stream, contextlib.ExitStack() as closing:  # a name may be an address
        for piece in result_pieces(result):
            schema = pa.schema(
                [field.with_type(_plain_type(field.type)) for field in piece.schema],
                metadata={"geo": json.dumps(_geo(result))},
            )
            if file is None:
                file = closing.enter_context(_open_parquet(stream, schema))
            for batch in piece.to_batches(max_chunksize=_ROWS_IN_A_GROUP):
                file.write_batch(batch.cast(schema))
    return ["trees.parquet"]


def _open_parquet(stream: BinaryIO, schema: pa.Schema) -> pq.ParquetWriter:
    """Begin a file; lists of distinct values make numbers longer and slower to write, texts shorter."""
    texts = [field.name for field in schema if pa.types.is_string(field.type)]
    return pq.ParquetWriter(stream, schema, compression="zstd", compression_level=1, use_dictionary=texts)


def _plain_type(kind: pa.DataType) -> pa.DataType:
    """A dictionary's own type, so that readers see text and not categories."""
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def _geo(result: Result) -> dict[str, Any]:
    """What GeoParquet says of its geometry column."""
    crs = result.site.crs.to_json_dict()
    column: dict[str, Any] = {"encoding": "WKB", "geometry_types": ["Point"], "crs": crs}
    if result.tally.box_m is not None:
        column["bbox"] = list(result.tally.box_m)
    return {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
