"""Find water layers that take pipes, dry channels and open water together."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.errors import shown
from riskmap.model import BoolArray, Coded, IntArray
from riskmap.read.vector_table import VectorTable

__all__ = ["MixedStreams", "kinds_of", "mixed_streams", "only_closed"]

_NOT_OPEN: Final = re.compile(
    r"\b(?:pipe(?:line)?s?|culvert(?:ed)?s?|underground|sewers?|storm drains?|penstocks?|siphons?|ephemeral|"
    r"intermittent|seasonal|connectors?|dry|wash(?:es)?|coastline|ocean|sea|swimming(?: pool)?|fountains?|f?wetarea|"
    r"retent(?:ion)?|detent(?:ion)?|subterranean|buried)\b",
    re.IGNORECASE,
)
_KIND_COLUMN: Final = re.compile(
    r"kind|type|class|categ|feature|descr|waterway|^water$|natural|flow|perm|hydro|tunnel|intermit|season|legend|code",
    re.IGNORECASE,
)
# Flow-line codes of the US National Hydrography Dataset (USGS feature catalogue, recalled): connector, intermittent,
# ephemeral, pipelines.
_NOT_OPEN_CODES: Final = frozenset({"33400", "46003", "46007", *(str(code) for code in range(42800, 42817))})
_CODE_COLUMNS: Final = ("fcode", "f_code")
_MOST_KINDS: Final = 40
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedStreams:
    """A column that tells kinds apart, and the features of kinds that are not open water."""

    column: str
    counts: str
    example: str  # what keep could say, in TOML
    features: IntArray


def kinds_of(table: VectorTable, used: BoolArray) -> dict[str, Coded]:
    """Return the columns of a layer of water that may tell its kinds apart, cells trimmed.

    Parameters
    ----------
    table : VectorTable
        The layer as read.
    used : ndarray of bool
        Which features are in use: where these are of too many kinds, a column tells none apart.
    """
    found = {}
    for name in table.table.column_names:
        field = table.table.schema.field(name).type
        text = pa.types.is_string(field) or pa.types.is_large_string(field)
        if _KIND_COLUMN.search(name) and (text or name.casefold() in _CODE_COLUMNS):
            column = _coded(table.table.column(name))
            if len(np.unique(column.codes[used])) <= _MOST_KINDS:
                found[name] = column
    return found


def _coded(cells: pa.ChunkedArray) -> Coded:
    """A column of any type as trimmed texts."""
    if not len(cells):
        return Coded.missing(0)
    column = (cells if pa.types.is_dictionary(cells.type) else pc.dictionary_encode(cells)).combine_chunks()
    texts = Coded.of(["" if cell is None else str(cell).strip() for cell in column.dictionary.to_pylist()])
    codes = np.asarray(column.indices.fill_null(len(texts.codes)), dtype=np.int64)
    return Coded(codes=np.append(texts.codes, -1)[codes], values=texts.values)


def mixed_streams(
    kinds: Mapping[str, Coded],
    feature: IntArray,
    used: BoolArray,
    kinds_in_file: Callable[[str], set[str]] | None = None,
) -> MixedStreams | None:
    """Return the first column in which open water stands beside pipes, dry or seasonal channels; None where none does.

    Parameters
    ----------
    kinds : mapping of str to Coded
        As `kinds_of` returns them.
    feature : ndarray of int
        Numbers of the features.
    used : ndarray of bool
        Which of them are in use.
    kinds_in_file : callable, optional
        Returns what a column says anywhere in the file, where not all of it was read.
    """
    for name, column in kinds.items():
        counts, closed = _counted(name, column, used)
        if closed and len(closed) == len(counts) and kinds_in_file:  # is there open water farther off?
            counts.update(dict.fromkeys(kinds_in_file(name), 0))
            closed = _closed_of(name, counts)
        if 2 <= len(counts) <= _MOST_KINDS and closed and len(closed) < len(counts):
            is_closed = np.array([*(kind in closed for kind in column.values), False], dtype=bool)
            return _told(name, counts, closed, feature[is_closed[column.codes] & used])
    return None


def only_closed(kinds: Mapping[str, Coded], used: BoolArray) -> bool:
    """Return whether some column names nothing but pipes, dry or seasonal channels: open water may lie farther off."""
    for name, column in kinds.items():
        counts, closed = _counted(name, column, used)
        if closed and len(closed) == len(counts):
            return True
    return False


def _counted(name: str, column: Coded, used: BoolArray) -> tuple[Counter[str], set[str]]:
    """How often each kind stands in a column, and which of them are not open."""
    many = np.bincount(column.codes[used] + 1, minlength=len(column.values) + 1)
    counts = Counter({kind: int(n) for kind, n in zip(("", *column.values), many, strict=True) if n})
    return counts, _closed_of(name, counts)


def _closed_of(name: str, kinds: Iterable[str]) -> set[str]:
    """Those of the kinds that are no open water, or not all year."""
    coded = name.casefold() in _CODE_COLUMNS
    return {kind for kind in kinds if _is_not_open(kind, coded=coded)}


def _is_not_open(kind: str, *, coded: bool) -> bool:
    """Whether a kind's name says that it is no open water, or not all year."""
    if coded:
        return kind in _NOT_OPEN_CODES
    return bool(_NOT_OPEN.search(kind.replace("_", " ").replace("-", " ")))


def _in_quotes(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=not text.isprintable())


def _told(name: str, kinds: Counter[str], closed: set[str], features: IntArray) -> MixedStreams:
    """Put what was found in words."""
    listed = ", ".join(f"{shown(kind) or 'blank'} {count}" for kind, count in sorted(kinds.items())[:12])
    open_kinds = sorted(kind for kind in kinds if kind not in closed and kind)
    kinds_in_toml = ", ".join(_in_quotes(kind) for kind in open_kinds[:5])
    example = f"{{ {name if _BARE_KEY.match(name) else _in_quotes(name)} = [{kinds_in_toml}] }}"
    return MixedStreams(column=name, counts=f"{shown(name)} = {listed}", example=example, features=features)
