"""The tree table as CSV and as GeoParquet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from riskmap.deliver.columns import point_wkb, result_table
from riskmap.deliver.csv_file import write_csv_table
from riskmap.model import Result, Site

__all__ = ["write_csv", "write_parquet"]

_ROWS_IN_A_GROUP: Final = 131_072


def write_csv(result: Result, folder: Path) -> list[str]:
    """Write ``trees.csv``."""
    write_csv_table(result_table(result), folder / "trees.csv")
    return ["trees.csv"]


def write_parquet(result: Result, folder: Path) -> list[str]:
    """Write ``trees.parquet``, a GeoParquet 1.1 file with the points in the working CRS."""
    table = result_table(result).append_column("geometry", point_wkb(result.site.trees))
    schema = pa.schema(
        [field.with_type(_plain_type(field.type)) for field in table.schema],
        metadata={"geo": json.dumps(_geo(result.site))},
    )
    # lists of distinct values make numbers longer and slower to write, texts shorter
    texts = [field.name for field in schema if pa.types.is_string(field.type)]
    with (
        (folder / "trees.parquet").open("wb") as stream,  # Arrow takes some names for addresses
        pq.ParquetWriter(stream, schema, compression="zstd", compression_level=1, use_dictionary=texts) as file,
    ):
        for batch in table.to_batches(max_chunksize=_ROWS_IN_A_GROUP):
            file.write_batch(batch.cast(schema))
    return ["trees.parquet"]


def _plain_type(kind: pa.DataType) -> pa.DataType:
    """A dictionary's own type, so that readers see text and not categories."""
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def _geo(site: Site) -> dict[str, Any]:
    """What GeoParquet says of its geometry column."""
    column: dict[str, Any] = {"encoding": "WKB", "geometry_types": ["Point"], "crs": site.crs.to_json_dict()}
    x_m, y_m = site.trees.x_m[site.trees.placed], site.trees.y_m[site.trees.placed]
    if len(x_m):
        column["bbox"] = [float(x_m.min()), float(y_m.min()), float(x_m.max()), float(y_m.max())]
    return {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
