"""Text columns as codes into their distinct texts."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.deliver.html_map.encode import Payload, compact
from riskmap.model import Coded, IntArray

__all__ = ["add_texts", "coded_column"]


def coded_column(column: pa.Array | pa.ChunkedArray) -> Coded:
    """Any Arrow column as codes into its texts."""
    texts = column if pa.types.is_dictionary(column.type) else _as_text(column)
    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
    if not pa.types.is_dictionary(texts.type):
        texts = pc.dictionary_encode(texts)
    codes = pc.fill_null(texts.indices, -1).to_numpy(zero_copy_only=False).astype(np.int64)
    return Coded(codes=codes, values=tuple(str(value) for value in texts.dictionary.to_pylist()))


def _as_text(column: pa.Array | pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """A column as texts; lists and other shapes Arrow has no text for as Python writes them."""
    try:
        return column.cast(pa.string())
    except pa.ArrowException:
        return pa.array([None if cell is None else str(cell) for cell in column.to_pylist()], pa.string())


def add_texts(payload: Payload, name: str, column: Coded, order: IntArray) -> None:
    """Append codes and the list of texts they point into; an empty cell is the text ""."""
    codes = np.where(column.codes < 0, len(column.values), column.codes)[order]
    used, codes = compact(codes)
    texts = (*column.values, "")
    payload.add_json(f"{name}:values", [texts[code] for code in used])
    payload.add_numbers(name, codes)
