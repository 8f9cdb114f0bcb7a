"""Trees spread over parts by place, without more than one piece of them in memory: first counted, then put down."""

from __future__ import annotations

from typing import Final

import numpy as np

from riskmap.in_parts.plan import part_name
from riskmap.in_parts.workshop import Workshop
from riskmap.measure import spread_bits
from riskmap.model import FloatArray, IntArray, TreeTable
from riskmap.model.part import join_rows, take_rows

__all__ = ["Spread"]

BITS: Final = 10  # squares a side: 1,024, numbered along a Morton curve
SQUARES: Final = 4**BITS  # and one more for trees without coordinates


class Spread:
    """Squares over the body of a site, in the trees' own coordinates, and the part that each belongs to.

    Parameters
    ----------
    x, y : ndarray
        Coordinates of some of the trees, evenly out of all; what lies outside them falls in a square at the rim.
    shop : Workshop
        Where parts lie.
    """

    def __init__(self, x: FloatArray, y: FloatArray, shop: Workshop) -> None:
        here = np.isfinite(x) & np.isfinite(y)
        some = np.stack([x[here], y[here]]) if here.any() else np.zeros((2, 1))
        self.low, high = np.quantile(some, (0.001, 0.999), axis=1)
        self.wide = max(float((high - self.low).max()), 1e-9)
        self.shop = shop
        self.count = np.zeros(SQUARES + 1, dtype=np.int64)
        self.part_of: IntArray = np.zeros(SQUARES + 1, dtype=np.int64)

    def take_in(self, x: FloatArray, y: FloatArray) -> None:
        """Count the trees of one piece."""
        self.count += np.bincount(self._square(x, y), minlength=SQUARES + 1)

    def settle(self, most: int) -> int:
        """Give each square to a part, so that parts are about equal; return how many there are.

        Parameters
        ----------
        most : int
            Trees of a part, about: a square is never cut.
        """
        n = int(self.count.sum())
        parts = max(1, -(-n // most))
        middle = np.cumsum(self.count) - self.count / 2
        self.part_of = np.minimum((middle * parts / max(n, 1)).astype(np.int64), parts - 1)
        return parts

    def put_down(self, trees: TreeTable) -> None:
        """Add the trees of one piece to their parts."""
        part = self.part_of[self._square(trees.x, trees.y)]
        order = np.argsort(part, kind="stable")
        numbers, starts = np.unique(part[order], return_index=True)
        for number, rows in zip(numbers.tolist(), np.split(order, starts[1:]), strict=True):
            self.shop.add(part_name(number, "trees"), take_rows(trees, rows, n=len(trees.row)))

    def take_up(self, number: int) -> TreeTable | None:
        """Return the trees of one part in the order of the file; None where it has none. They are gone from disk."""
        pieces: list[TreeTable] = self.shop.take_all(part_name(number, "trees"))
        if not pieces:
            return None
        trees = join_rows(pieces, sizes=[len(piece.row) for piece in pieces])
        return take_rows(trees, np.argsort(trees.row, kind="stable"), n=len(trees.row))

    def _square(self, x: FloatArray, y: FloatArray) -> IntArray:
        """The square that each tree stands in."""
        known = np.isfinite(x) & np.isfinite(y)
        xy = np.stack([np.where(known, x, 0.0), np.where(known, y, 0.0)])
        at = np.clip((xy - self.low[:, None]) * (2**BITS / self.wide), 0, 2**BITS - 1)
        code = (spread_bits(at[0]) | (spread_bits(at[1]) << np.uint32(1))).astype(np.int64)
        return np.where(known, code, SQUARES)
