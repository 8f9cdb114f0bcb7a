"""The trees of a file read piece by piece: what all the pieces say together, and some trees that stand for all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from riskmap.in_parts.words import join_assumptions, join_notes
from riskmap.model import Assumption, IntArray, Note, TreeTable
from riskmap.model.part import join_rows, take_rows
from riskmap.read import TreesRead

__all__ = ["Gathered", "Sample"]

MOST_EVEN: Final = 500_000  # trees, evenly out of all, that settle the working CRS and the middle of the site
SQUARE_M: Final = 2000.0  # one tree of every such square tells where the ground can matter: it looks 5 km round itself
DEGREE_M: Final = 100_000.0  # at least so much of a square's side where coordinates are degrees
IN_EVERY: Final = "keep."  # that a text stands in no row is true of the whole where it is true of every piece
SUMMED: Final = ("rows_kept", "rows_with_place")


class Sample:
    """Some trees that stand for all: every so many of the file, and one of every square of 2 km."""

    def __init__(self, rows: int) -> None:
        self.at: IntArray = np.linspace(0, rows - 1, min(rows, MOST_EVEN)).astype(np.int64)
        self.seen = 0
        self.even: list[TreeTable] = []
        self.rim: list[TreeTable] = []
        self.squares: npt.NDArray[np.complex128] = np.empty(0, dtype=np.complex128)  # seen, as column + row i

    def take_in(self, trees: TreeTable) -> None:
        """Choose from the next piece."""
        n = len(trees.row)
        ours = self.at[(self.at >= self.seen) & (self.at < self.seen + n)] - self.seen
        self.seen += n
        self.even.append(_bare(trees, ours))
        rim = self._first_in_squares(trees)
        self.rim.append(replace(_bare(trees, rim), kept=np.zeros(len(rim), dtype=bool)))

    def _first_in_squares(self, trees: TreeTable) -> IntArray:
        """The first tree of each square that no piece before had one in."""
        known = np.flatnonzero(np.isfinite(trees.x) & np.isfinite(trees.y))
        side = _square_side(trees)
        squares, first = np.unique(
            np.floor(trees.x[known] / side) + 1j * np.floor(trees.y[known] / side), return_index=True
        )
        new = ~np.isin(squares, self.squares)
        self.squares = np.union1d(self.squares, squares)
        return np.asarray(known[first[new]], dtype=np.int64)

    def trees(self) -> tuple[TreeTable, int]:
        """Return them, and how many of them, the first ones, are even; the others count for nothing but their place."""
        pieces = [*self.even, *self.rim]
        return join_rows(pieces, sizes=[len(piece.row) for piece in pieces]), len(self.at)


def _bare(trees: TreeTable, rows: IntArray) -> TreeTable:
    """Some trees without remarks and columns of the user's own."""
    return take_rows(replace(trees, remarks=None, own=pa.table({})), rows, n=len(trees.row))


def _square_side(trees: TreeTable) -> float:
    """Side of a square in the trees' own coordinates."""
    if trees.crs is None or trees.crs.is_geographic:
        return SQUARE_M / DEGREE_M
    return SQUARE_M / float(trees.crs.axis_info[0].unit_conversion_factor or 1.0)


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
