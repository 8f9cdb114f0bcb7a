"""The trees of a file read piece by piece: what all the pieces say together, and some trees that stand for all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pyarrow as pa

from riskmap.in_parts.words import join_assumptions, join_notes
from riskmap.model import Assumption, IntArray, Note, TreeTable
from riskmap.model.part import join_rows, take_rows
from riskmap.read import TreesRead

__all__ = ["Gathered", "Sample"]

MOST_EVEN: Final = 500_000  # trees, evenly out of all, that settle the working CRS and the middle of the site
SQUARES_A_SIDE: Final = 64  # of each piece; one tree of each square tells how far the site reaches
IN_EVERY: Final = "keep."  # that a text stands in no row is true of the whole where it is true of every piece
SUMMED: Final = ("rows_kept", "rows_with_place")


class Sample:
    """Some trees that stand for all: every so many of the file, and one of every square."""

    def __init__(self, rows: int) -> None:
        self.at: IntArray = np.linspace(0, rows - 1, min(rows, MOST_EVEN)).astype(np.int64)
        self.seen = 0
        self.even: list[TreeTable] = []
        self.rim: list[TreeTable] = []

    def take_in(self, trees: TreeTable) -> None:
        """Choose from the next piece."""
        n = len(trees.row)
        ours = self.at[(self.at >= self.seen) & (self.at < self.seen + n)] - self.seen
        self.seen += n
        self.even.append(_bare(trees, ours))
        rim = _one_a_square(trees)
        self.rim.append(replace(_bare(trees, rim), kept=np.zeros(len(rim), dtype=bool)))

    def trees(self) -> tuple[TreeTable, int]:
        """Return them, and how many of them, the first ones, are even; the others count for nothing but their place."""
        pieces = [*self.even, *self.rim]
        return join_rows(pieces, sizes=[len(piece.row) for piece in pieces]), len(self.at)


def _bare(trees: TreeTable, rows: IntArray) -> TreeTable:
    """Some trees without remarks and columns of the user's own."""
    return take_rows(replace(trees, remarks=None, own=pa.table({})), rows, n=len(trees.row))


def _one_a_square(trees: TreeTable) -> IntArray:
    """One tree of each square over the piece's own bounds."""
    known = np.flatnonzero(np.isfinite(trees.x) & np.isfinite(trees.y))
    if not len(known):
        return known
    squares = np.zeros(len(known), dtype=np.int64)
    for values in (trees.x[known], trees.y[known]):
        wide = max(float(np.ptp(values)), 1e-9)
        place = np.minimum((values - values.min()) * (SQUARES_A_SIDE / wide), SQUARES_A_SIDE - 1).astype(np.int64)
        squares = squares * SQUARES_A_SIDE + place
    return np.asarray(known[np.unique(squares, return_index=True)[1]], dtype=np.int64)


@dataclass(slots=True)
class Gathered:
    """What reading the pieces brought up."""

    pieces: list[TreesRead]  # without their trees

    def take_in(self, read: TreesRead) -> None:
        """Hear the next piece."""
        nobody = _bare(read.table, np.empty(0, dtype=np.int64))
        self.pieces.append(replace(read, table=nobody))

    def of_one_mind(self) -> bool:
        """Whether every piece took columns, units and words in the same way; if not, the file has to be read whole."""
        return len({_mind(piece) for piece in self.pieces}) == 1

    def together(self, trees: TreeTable) -> TreesRead:
        """Return what is said of the whole file, with some of its trees."""
        first = self.pieces[0]
        facts: dict[str, Any] = dict(first.read_as.facts)
        facts |= {name: sum(piece.read_as.facts[name] for piece in self.pieces) for name in SUMMED}
        rows = sum(piece.read_as.rows for piece in self.pieces)
        return TreesRead(
            table=trees,
            read_as=replace(first.read_as, rows=rows, facts=facts),
            problems=first.problems,
            notes=tuple(self.notes()),
            assumptions=tuple(self._assumptions()),
        )

    def notes(self) -> list[Note]:
        """Return the notes of all pieces as those of one file."""
        return join_notes([piece.notes for piece in self.pieces])

    def _assumptions(self) -> Sequence[Assumption]:
        """What was taken; that a text of `keep` stands in no row holds where no piece has it."""
        held = [piece.assumptions for piece in self.pieces]
        common = [
            [one for one in several if not one.topic.startswith(IN_EVERY) or all(one in other for other in held)]
            for several in held
        ]
        return join_assumptions(common)


def _mind(piece: TreesRead) -> str:
    """How a piece took what it holds."""
    facts = {name: fact for name, fact in piece.read_as.facts.items() if name not in SUMMED}
    unread = sorted(taken.topic for taken in piece.assumptions if taken.taken == "not read")
    coarse = any(note.code == "coordinates_coarse" for note in piece.notes)
    faults = sorted((fault.key, fault.column, fault.what) for fault in piece.problems)
    return repr((sorted(facts.items()), unread, coarse, piece.table.stem_kind, faults))
