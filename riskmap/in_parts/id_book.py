"""Which tree ids stand more than once in a file of very many trees: a sum of each is kept on disk, not the ids."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.check import IDS_REMEDY, ids_repeated
from riskmap.model import BoolArray, Note, TreeTable

__all__ = ["IdBook"]

DRAWERS: Final = 64  # sums are spread over so many files, and looked through one file at a time
FIRST: Final = 100  # rows with a repeated id that words are taken from
Sums = npt.NDArray[np.uint64]


class IdBook:
    """Takes in ids piece by piece, then tells which are repeated.

    Two ids with one sum of 64 bits would be taken for one: among 10^9 trees the chance is 3 %, among 10^8 0.03 %.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.twice: Sums = np.empty(0, dtype=np.uint64)
        self.rows = 0
        self.first: list[tuple[int, str]] = []

    def take_in(self, tree_id: pa.Array) -> None:
        """Keep the sums of some ids; empty ones are none."""
        sums = _sums(tree_id.drop_null())
        drawer = (sums >> np.uint64(58)).astype(np.int64)
        for number in np.unique(drawer):
            with self._drawer(int(number)).open("ab") as held:
                sums[drawer == number].tofile(held)

    def close(self) -> None:
        """Find the repeated ones; nothing is taken in after that."""
        found = [self.twice]
        for number in range(DRAWERS):
            path = self._drawer(number)
            if path.exists():
                sums = np.sort(np.fromfile(path, dtype=np.uint64))
                found.append(np.unique(sums[1:][sums[1:] == sums[:-1]]))
                path.unlink()
        self.twice = np.sort(np.concatenate(found))

    def repeated(self, tree_id: pa.Array) -> BoolArray:
        """Return which of some ids stand more than once in the whole file."""
        known = np.asarray(tree_id.is_valid())
        found = np.zeros(len(tree_id), dtype=bool)
        if len(self.twice) and known.any():
            found[known] = np.isin(_sums(tree_id.drop_null()), self.twice)
        return found

    def look_at(self, trees: TreeTable) -> None:
        """Count the rows of a piece whose id is repeated; pieces come in the order of the file."""
        where = np.flatnonzero(self.repeated(trees.tree_id))
        self.rows += len(where)
        self.first += [(int(trees.row[at]), str(trees.tree_id[int(at)])) for at in where[: FIRST - len(self.first)]]

    def notes(self, file: str, column: str) -> list[Note]:
        """Say which ids are repeated."""
        if not self.rows:
            return []
        named = self.first[: Note.MOST_NAMED]
        return [
            Note(
                code="tree_id_repeated",
                file=file,
                what=ids_repeated(len(self.twice), self.rows, [tree_id for _, tree_id in self.first]),
                remedy=IDS_REMEDY,
                column=column,
                count=self.rows,
                rows=tuple(row for row, _ in named),
                tree_ids=tuple(tree_id for _, tree_id in named),
            )
        ]

    def _drawer(self, number: int) -> Path:
        """Where the sums lie that begin alike."""
        return self.folder / f"ids.{number:02}"


def _sums(tree_id: pa.Array) -> Sums:
    """A sum of each id; equal ids have equal ones."""
    coded = pc.dictionary_encode(tree_id)
    sums: Sums = pd.util.hash_array(np.asarray(coded.dictionary, dtype=object), categorize=False)
    return sums[np.asarray(coded.indices, dtype=np.int64)]
