"""Collects what reading one trees file brings up: faults, notes, assumptions, remarks."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from riskmap.errors import Problem, shown
from riskmap.model import Assumption, BoolArray, IntArray, Note

__all__ = ["Findings", "examples", "some"]

QUOTED_CELLS = 3


class Findings:
    """Everything found while one file is read."""

    def __init__(self, file: str, row: IntArray, tree_id: pa.Array) -> None:
        self.file, self.row, self.tree_id = file, row, tree_id
        self.problems: list[Problem] = []
        self.notes: list[Note] = []
        self.assumptions: list[Assumption] = []
        self.remarks: dict[str, BoolArray] = {}
        self.decimals: dict[str, str] = {}  # our column -> its decimal sign, "" where no cell shows one

    def fault(self, what: str, remedy: str, key: str, *, column: str = "", row: int | None = None) -> None:
        """Add a fault."""
        self.problems.append(Problem(file=self.file, what=what, remedy=remedy, key=key, column=column, row=row))

    def note(self, code: str, where: BoolArray, what: str, remedy: str, *, column: str = "") -> None:
        """Add a note and a remark on the rows where it holds; nothing where it holds nowhere."""
        if not where.any():
            return
        found = Note.at(
            where,
            row=self.row,
            tree_id=self.tree_id,
            code=code,
            file=self.file,
            column=column,
            what=what,
            remedy=remedy,
        )
        self.notes.append(found)
        self.remarks[code] = self.remarks.get(code, np.zeros(len(self.row), dtype=bool)) | where

    def assume(self, topic: str, taken: str, why: str, key: str) -> None:
        """Add an assumption."""
        self.assumptions.append(Assumption(topic=topic, taken=taken, why=why, key=key))

    def remarks_by_tree(self) -> tuple[tuple[str, ...], ...] | None:
        """Return the codes of each tree, or None where no tree has any."""
        if not self.remarks:
            return None
        found: list[tuple[str, ...]] = [()] * len(self.row)
        for code, where in self.remarks.items():
            for i in np.flatnonzero(where):
                found[i] = (*found[i], code)
        return tuple(found)


def examples(cells: pa.Array | pa.ChunkedArray, where: BoolArray) -> str:
    """Quote the first different cells where something holds."""
    seen: dict[str, None] = {}
    for i in np.flatnonzero(where)[:2000]:
        seen[_as_said(cells[int(i)])] = None
        if len(seen) == QUOTED_CELLS:
            break
    more = ", …" if len(seen) == QUOTED_CELLS and where.sum() > QUOTED_CELLS else ""
    return ", ".join(f"'{shown(text)}'" for text in seen) + more


def some(where: BoolArray, noun: str) -> str:
    """Count: `1 row`, `3 rows`.

    Examples
    --------
    >>> some(np.array([True, True]), "cell")
    '2 cells'
    """
    n = int(where.sum())
    return f"{n:,} {noun}{'' if n == 1 else 's'}"


def _as_said(cell: pa.Scalar) -> str:
    """A cell as text; a day past the calendar has none."""
    try:
        return str(cell.as_py())
    except (OverflowError, ValueError):
        return "a day past the calendar"
