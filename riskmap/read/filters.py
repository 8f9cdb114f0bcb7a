"""`keep` and `drop`: rows chosen by what their cells say, as text after trimming, letter case apart."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa

from riskmap.model import BoolArray

__all__ = ["Filtered", "filter_rows", "is_any_of"]

_NUMBER: Final = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?$")
_PLAIN_ZEROS: Final = re.compile(r"^([+-]?\d+)\.0*$")
_YES: Final = frozenset({"true", "yes", "1", "t", "y"})
_NO: Final = frozenset({"false", "no", "0", "f", "n"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Filtered:
    """Which rows stay, and what in the filter met nothing."""

    kept: BoolArray
    missing: tuple[str, ...]  # columns that are not there
    unseen: tuple[tuple[str, str], ...]  # column and text of `keep` that stand in no row
    partly: int = 0  # rows that some column of `drop` names, and not all: they stay


def filter_rows(
    column: Callable[[str], pa.ChunkedArray | None],
    rows: int,
    keep: Mapping[str, Sequence[str]],
    drop: Mapping[str, Sequence[str]],
) -> Filtered:
    """Apply `keep` and `drop`.

    Parameters
    ----------
    column : callable
        Returns a column by its name, None where there is none.
    rows : int
        How many rows there are.
    keep, drop : mapping of column to texts
        Several columns all must hold: to be kept, and to be dropped.

    Examples
    --------
    >>> table = pa.table({"kind": ["Pond", " pond ", None], "code": [6.0, 7.0, 6.0]})
    >>> filter_rows(table.column, 3, {"kind": ("pond",)}, {"code": ("7",)}).kept
    array([ True, False, False])
    """
    missing: list[str] = []
    unseen: list[tuple[str, str]] = []
    kept = np.ones(rows, dtype=bool)
    for name, texts in keep.items():
        cells = column(name)
        if cells is None:
            missing.append(name)
            continue
        hit, seen = is_any_of(cells, texts)
        kept &= hit
        unseen += [(name, text) for text, met in zip(texts, seen, strict=True) if not met]
    dropped, named = np.full(rows, bool(drop), dtype=bool), np.zeros(rows, dtype=bool)
    for name, texts in drop.items():
        cells = column(name)
        if cells is None:
            missing.append(name)
            continue
        hit = is_any_of(cells, texts)[0]
        dropped &= hit
        named |= hit
    partly = int(np.count_nonzero(named & ~dropped & kept))
    return Filtered(kept=kept & ~dropped, missing=tuple(missing), unseen=tuple(unseen), partly=partly)


def is_any_of(cells: pa.ChunkedArray, texts: Sequence[str]) -> tuple[BoolArray, list[bool]]:
    """Return which cells say one of the texts ("" means an empty cell), and which texts were met."""
    numeric = pa.types.is_floating(cells.type) or pa.types.is_integer(cells.type) or pa.types.is_decimal(cells.type)
    boolean = pa.types.is_boolean(cells.type)
    wanted = [_as_said(text, numeric=numeric, boolean=boolean) for text in texts]
    met: set[str] = set()
    parts = []
    for chunk in cells.chunks:
        values, codes = _coded(chunk)
        said = [_as_said(value, numeric=numeric, boolean=boolean) for value in values]
        hits = np.asarray([word in wanted for word in said] + ["" in wanted], dtype=bool)
        met.update(word for word, hit in zip(said, hits[:-1], strict=True) if hit)
        if "" in wanted and (codes == len(values)).any():
            met.add("")
        parts.append(hits[codes])
    found = np.concatenate(parts) if parts else np.zeros(0, dtype=bool)
    return found, [word in met for word in wanted]


def _coded(chunk: pa.Array) -> tuple[list[Any], np.ndarray[Any, np.dtype[np.int64]]]:
    """Distinct values, and each cell as an index into them; one past the end where null."""
    try:
        coded = chunk.dictionary_encode() if not pa.types.is_dictionary(chunk.type) else chunk
        values = coded.dictionary.to_pylist()
        return values, coded.indices.fill_null(len(values)).to_numpy(zero_copy_only=False).astype(np.int64)
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
        cells = chunk.to_pylist()
        values = sorted({str(cell) for cell in cells if cell is not None})
        place = {value: index for index, value in enumerate(values)}
        return values, np.asarray([len(values) if cell is None else place[str(cell)] for cell in cells], dtype=np.int64)


def _as_said(value: Any, *, numeric: bool, boolean: bool) -> str:
    """A cell or a text of the filter in the one form in which the two are compared."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    text = str(value).strip().casefold()
    if boolean:
        return "true" if text in _YES else "false" if text in _NO else text
    if numeric and _NUMBER.match(text):
        number = float(text)
        if abs(number) >= 2**53:  # a long id: its digits count, not its size
            return text
        return str(int(number)) if number.is_integer() else repr(number)
    plain = _PLAIN_ZEROS.match(text)
    return plain[1] if plain else text
