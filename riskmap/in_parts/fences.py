"""Shared fences of all parts: numbered through, and where a tree speaks of its fence, by that number."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import accumulate
from typing import Any, Final

import pyarrow as pa

from riskmap.model import Coded

__all__ = ["number_column", "number_fences", "number_words", "offsets"]

_NUMBERED: Final = re.compile(r"(?<=\bShared fence )\d+\b")


def offsets(fences: Sequence[Sequence[object]]) -> list[int]:
    """Return how many fences stand before those of each part.

    Examples
    --------
    >>> offsets([["a", "b"], [], ["c"]])
    [0, 2, 2]
    """
    return [0, *accumulate(map(len, fences))][:-1]


def number_fences(fences: Sequence[Sequence[Mapping[str, Any]]]) -> list[dict[str, Any]]:
    """Return the fences of all parts, numbered through."""
    before = offsets(fences)
    return [{**fence, "number": fence["number"] + n} for part, n in zip(fences, before, strict=True) for fence in part]


def number_words(words: Coded, before: int) -> Coded:
    """Return texts that name a fence of a part by its number among all."""
    return Coded(codes=words.codes, values=tuple(_numbered(text, before) for text in words.values))


def number_column(table: pa.Table, name: str, before: int) -> pa.Table:
    """Return the table of a part with one of its text columns numbered so."""
    if not before:
        return table
    chunks = []
    for chunk in table.column(name).chunks:
        texts = [text and _numbered(text, before) for text in chunk.dictionary.to_pylist()]
        chunks.append(pa.DictionaryArray.from_arrays(chunk.indices, pa.array(texts, chunk.dictionary.type)))
    return table.set_column(table.column_names.index(name), name, pa.chunked_array(chunks, table.column(name).type))


def _numbered(text: str, before: int) -> str:
    """A text with its fence's number among all."""
    return _NUMBERED.sub(lambda found: str(int(found[0]) + before), text)
