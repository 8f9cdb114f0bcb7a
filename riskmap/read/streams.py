"""Find water layers that take pipes, dry channels and open water together."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.errors import shown
from riskmap.model import IntArray
from riskmap.read.vectors import VectorTable

__all__ = ["MixedStreams", "mixed_streams"]

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


def mixed_streams(table: VectorTable, feature: IntArray, *, skip: tuple[str, ...] = ()) -> MixedStreams | None:
    """Return the first column in which open water stands beside pipes, dry or seasonal channels; None where none does.

    Parameters
    ----------
    table : VectorTable
        The layer as read.
    feature : ndarray of int
        Numbers of the features in use.
    skip : tuple of str
        Columns the user already chooses by.
    """
    if skip:
        return None
    for name in table.table.column_names:
        field = table.table.schema.field(name).type
        coded = name.casefold() in _CODE_COLUMNS
        if not _KIND_COLUMN.search(name) or not (coded or pa.types.is_string(field) or pa.types.is_large_string(field)):
            continue
        cells = table.table.column(name).take(pa.array(table.at(feature)))
        kinds = Counter("" if cell is None else str(cell).strip() for cell in cells.to_pylist())
        closed = {kind for kind in kinds if _is_not_open(kind, coded=coded)}
        if closed and len(closed) == len(kinds) and not table.whole:  # is there open water farther off?
            kinds.update(dict.fromkeys(_kinds_in_file(table, name), 0))
            closed = {kind for kind in kinds if _is_not_open(kind, coded=coded)}
        if not 2 <= len(kinds) <= _MOST_KINDS or not closed or len(closed) == len(kinds):
            continue
        return _told(name, cells, kinds, closed, feature)
    return None


def _kinds_in_file(table: VectorTable, name: str) -> set[str]:
    """What a column says anywhere in a layer of which only a part was read."""
    cells = table.column_in_file(name)
    kinds = [] if cells is None else pc.unique(cells).to_pylist()
    return {"" if kind is None else str(kind).strip() for kind in kinds}


def _is_not_open(kind: str, *, coded: bool) -> bool:
    """Whether a kind's name says that it is no open water, or not all year."""
    if coded:
        return kind in _NOT_OPEN_CODES
    return bool(_NOT_OPEN.search(kind.replace("_", " ").replace("-", " ")))


def _in_quotes(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=not text.isprintable())


def _told(name: str, cells: pa.ChunkedArray, kinds: Counter[str], closed: set[str], feature: IntArray) -> MixedStreams:
    """Put what was found in words."""
    listed = ", ".join(f"{shown(kind) or 'blank'} {count}" for kind, count in sorted(kinds.items())[:12])
    open_kinds = sorted(kind for kind in kinds if kind not in closed and kind)
    kinds_in_toml = ", ".join(_in_quotes(kind) for kind in open_kinds[:5])
    example = f"{{ {name if _BARE_KEY.match(name) else _in_quotes(name)} = [{kinds_in_toml}] }}"
    said = np.asarray([str(cell).strip() in closed if cell is not None else False for cell in cells.to_pylist()])
    return MixedStreams(column=name, counts=f"{shown(name)} = {listed}", example=example, features=feature[said])
