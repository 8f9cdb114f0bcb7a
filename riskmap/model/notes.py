"""What a run says besides faults: notes (mend or look) and assumptions (taken because nobody said otherwise)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from riskmap.model.arrays import BoolArray, IntArray

__all__ = ["Assumption", "Note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something in these data the user could mend or must look at; one per code, file and column.

    Attributes
    ----------
    code : str
        A key of ``data/notes.csv``.
    rows : tuple of int
        Rows concerned, the first 20 (`count` says how many in all).
    tree_ids : tuple of str
        Their tree ids, where the file is the trees file.
    what, remedy : str
        What was found; what would do (naming the site.toml key where one answers).
    """

    code: str
    file: str
    what: str
    remedy: str
    layer: str = ""
    column: str = ""
    count: int = 1
    rows: tuple[int, ...] = ()
    tree_ids: tuple[str, ...] = ()

    MOST_NAMED = 20

    @classmethod
    def at(cls, where: BoolArray, *, row: IntArray, tree_id: Sequence[str | None] | pa.Array, **fields: str) -> Note:
        """Return a note on the trees for which `where` holds, the first 20 of them named."""
        index = np.flatnonzero(where)[: cls.MOST_NAMED]
        ids = [tree_id[int(i)] for i in index]
        named = [str(one) for one in ids if one is not None and getattr(one, "is_valid", True)]
        return cls(
            count=int(where.sum()),
            rows=tuple(int(row[i]) for i in index),
            tree_ids=tuple(named),
            **fields,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """What was taken because nobody said otherwise; goes to run.json and the report, never to stderr.

    Attributes
    ----------
    topic : str
        Short key, such as ``local.snow_depth_m`` or ``columns.species``.
    taken : str
        What was taken, in words with units.
    why : str
        Why it was taken (default, header, cell, judgement).
    key : str
        The site.toml key that overrides it.
    """

    topic: str
    taken: str
    why: str
    key: str = ""
