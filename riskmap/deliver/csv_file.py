"""How riskmap writes CSV: fast, quotes only where needed, and nothing in it that a spreadsheet would run."""

from __future__ import annotations

import json
import os
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

__all__ = ["as_text", "guard_cells", "write_csv_table"]

ROWS_AT_ONCE: Final = 65_536
THREADS: Final = min(4, os.cpu_count() or 1)
_RUN_BY_A_SPREADSHEET: Final = r"^'*[=+\-@\t\r]"
_PLAIN_NUMBER: Final = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_BOM: Final = b"\xef\xbb\xbf"
_FIRST_OF_A_FORMULA: Final = b"'=+-@\t\r"
_SPECIAL: Final = (b",", b'"', b"\r", b"\n")
_THOUSANDTHS: Final = 1_000_000  # up to 1,000 m to the millimetre: how far most distances of ours go
_WORTH_A_LIST: Final = 16_384  # rows


def write_csv_table(table: pa.Table, file: Path) -> None:
    """Write a table as CSV in UTF-8.

    Where it holds more than ASCII the file starts with a byte order mark, since spreadsheets take it for an old code
    page otherwise.
    """
    header = pa.table({str(number): [name] for number, name in enumerate(table.column_names)})
    with file.open("wb") as out, ThreadPoolExecutor(THREADS) as pool:
        if not all(_is_ascii(column) for part in (header, table) for column in part.columns):
            out.write(_BOM)
        for part in (header, table):
            batches = part.to_batches(max_chunksize=ROWS_AT_ONCE)
            for first in range(0, len(batches), THREADS):  # few at once: their lines wait in memory
                for lines in pool.map(_lines, batches[first : first + THREADS]):
                    out.write(lines)


def guard_cells(texts: pa.Array) -> pa.Array:
    """Put one apostrophe before texts that a spreadsheet would run as a formula; plain numbers stay numbers.

    Examples
    --------
    >>> guard_cells(pa.array(["=1+1", "'@x", "-75.01", "oak", None])).to_pylist()
    ["'=1+1", "''@x", '-75.01', 'oak', None]
    """
    if not _begins_with(texts, _FIRST_OF_A_FORMULA):  # a regular expression costs ten times this look
        return texts
    runs = pc.and_not(
        pc.match_substring_regex(texts, _RUN_BY_A_SPREADSHEET), pc.match_substring_regex(texts, _PLAIN_NUMBER)
    )
    return pc.if_else(runs, pc.binary_join_element_wise("'", texts, ""), texts)


def as_text(column: pa.Array) -> pa.Array:
    """Return any column as text: numbers shortest, dates ISO, bytes as hex, lists and records as JSON; nan is null.

    Examples
    --------
    >>> as_text(pa.array([1.5, float("nan"), None])).to_pylist()
    ['1.5', None, None]
    >>> as_text(pa.array([[1, 2], None])).to_pylist()
    ['[1, 2]', None]
    """
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_string(kind):
        return column
    if pa.types.is_floating(kind):
        column = pc.if_else(pc.is_nan(column), None, column)
        return _looked_up(column) or column.cast(pa.string())
    if pa.types.is_nested(kind) or pa.types.is_duration(kind) or pa.types.is_interval(kind):
        return pa.array([_json(value) for value in column.to_pylist()], pa.string())
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_fixed_size_binary(kind):
        return pa.array([None if value is None else value.hex() for value in column.to_pylist()], pa.string())
    return column.cast(pa.string())


def _json(value: Any) -> str | None:
    """A value as JSON, None for none."""
    return None if value is None else json.dumps(value, default=str)


def _is_text(kind: pa.DataType) -> bool:
    """Whether a column holds text of people, which may be a formula or need quotes."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def _is_ascii(column: pa.ChunkedArray) -> bool:
    """Whether a column holds nothing but ASCII."""
    if pa.types.is_dictionary(column.type):
        return all(_is_ascii(chunk.dictionary) for chunk in column.chunks)
    return not _is_text(column.type) or bool(pc.all(pc.string_is_ascii(column), min_count=0).as_py())


def _cells(column: pa.Array) -> pa.Array:
    """One column as CSV cells."""
    kind = column.type
    if pa.types.is_dictionary(kind) and _is_text(kind.value_type):
        distinct = _quoted(guard_cells(as_text(column.dictionary)))
        return pa.DictionaryArray.from_arrays(column.indices, distinct).cast(pa.string())
    if _is_text(kind):
        return _quoted(guard_cells(as_text(column)))
    texts = as_text(column)
    return _quoted(texts) if pa.types.is_nested(kind) else texts


def _looked_up(numbers: pa.Array) -> pa.Array | None:
    """Numbers as text out of a list of all thousandths, a third of the work; None where they are none."""
    if len(numbers) < _WORTH_A_LIST or not pa.types.is_float64(numbers.type):
        return None
    filled = numbers.fill_null(0.0).to_numpy(zero_copy_only=False)
    if np.signbit(filled).any() or filled.max() > _THOUSANDTHS / 1000:
        return None
    step = np.rint(filled * 1000)
    if not (step / 1000 == filled).all():
        return None
    places = pa.array(step.astype(np.int32), mask=pc.is_null(numbers).to_numpy(zero_copy_only=False))
    return _thousandths().take(places)


@cache
def _thousandths() -> pa.Array:
    """0, 0.001, 0.002 and so on as text."""
    return pa.array(np.arange(_THOUSANDTHS + 1) / 1000).cast(pa.string())


def _bytes_of(texts: pa.Array) -> tuple[npt.NDArray[np.int32], memoryview]:
    """Where each text begins and the last one ends, and the bytes that they lie in."""
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32, count=texts.offset + len(texts) + 1)[texts.offset :]
    return offsets, memoryview(texts.buffers()[2] or b"")


def _begins_with(texts: pa.Array, marks: bytes, *, ends: bool = False) -> bool:
    """Whether any text begins (or also ends) with one of these marks."""
    if not len(texts):
        return False
    offsets, data = _bytes_of(texts)
    whole = np.frombuffer(data, dtype=np.uint8)
    some = offsets[1:] > offsets[:-1]
    outer = [whole[offsets[:-1][some]], *([whole[offsets[1:][some] - 1]] if ends else [])]
    return any(bool((at == mark).any()) for at in outer for mark in marks)


def _needs_no_quotes(texts: pa.Array) -> bool:
    """Whether plainly none of these texts needs quotes."""
    if not len(texts):
        return True
    offsets, data = _bytes_of(texts)
    text = bytes(data[offsets[0] : offsets[-1]])
    return not any(mark in text for mark in _SPECIAL) and not _begins_with(texts, b" ", ends=True)


def _quoted(texts: pa.Array) -> pa.Array:
    """Quote the texts that need it."""
    if _needs_no_quotes(texts):
        return texts
    needs = pc.match_substring_regex(texts, '[",\r\n]|^ | $')
    inner = pc.replace_substring(texts, '"', '""')
    return pc.if_else(needs, pc.binary_join_element_wise('"', inner, '"', ""), texts)


def _no_nulls(texts: pa.Array) -> pa.Array:
    """Empty texts in place of nulls; where nulls hold no bytes, as Arrow makes them, only the mask is taken off."""
    if not texts.null_count:
        return texts
    offsets, _ = _bytes_of(texts)
    if np.diff(offsets)[pc.is_null(texts).to_numpy(zero_copy_only=False)].any():
        return texts.fill_null("")
    _, ends, data = texts.buffers()
    return pa.StringArray.from_buffers(len(texts), ends, data, None, 0, texts.offset)


def _lines(batch: pa.RecordBatch) -> memoryview:
    """Rows as the bytes of CSV lines."""
    cells = [_no_nulls(_cells(column)) for column in batch.columns]
    cells[-1] = pc.binary_join_element_wise(cells[-1], "\n", "")
    rows = pc.binary_join_element_wise(*cells, ",") if len(cells) > 1 else cells[0]
    offsets, data = _bytes_of(rows)
    return data[offsets[0] : offsets[-1]]
