"""Guards on hand: they are used before any are bought."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from riskmap.choose.asked import Verdict
from riskmap.choose.cost import SAME_HEIGHT_MM
from riskmap.choose.words import count_words, money_words
from riskmap.model import Assumption, FloatArray, IntArray, StockLine

__all__ = ["Drawn", "draw_stock", "line_sets", "stock_used"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What is taken from stock.

    Attributes
    ----------
    saved : ndarray, shape (tree,)
        Material that need not be bought for each tree. [money]
    used : dict
        Pieces used of each line of the stock list, by key and height.
    """

    saved: FloatArray
    used: dict[str, int]
    assumptions: tuple[Assumption, ...]


def line_sets(stock: tuple[StockLine, ...]) -> list[tuple[tuple[int, StockLine], ...]]:
    """Return the sets of lines that one tree may draw on: each line alone, and all together.

    Examples
    --------
    >>> lines = tuple(StockLine(key=key, pieces=5) for key in ("spiral", "cage_2x4"))
    >>> [[number for number, _ in lines] for lines in line_sets(lines)]
    [[0], [1], [0, 1]]
    """
    each = list(enumerate(stock))
    return [*((line,) for line in each), *([tuple(each)] if len(each) > 1 else [])]


def stock_used(stock: tuple[StockLine, ...], verdicts: list[Verdict], of_tree: IntArray, currency: str) -> Drawn:
    """Return what verdicts that know of stock take from it.

    Parameters
    ----------
    stock : tuple of StockLine
        Guards on hand.
    verdicts : list of Verdict
        What to do; their costs are without the material that stock saves.
    of_tree : ndarray, shape (tree,)
        Place of each tree's verdict.
    currency : str
        Of the money.
    """
    count = np.bincount(of_tree, minlength=len(verdicts)) if len(of_tree) else np.zeros(len(verdicts), dtype=np.int64)
    pieces, saved = [0] * len(stock), 0.0
    for verdict, many in zip(verdicts, count.tolist(), strict=True):
        for line, material in verdict.drawn:
            pieces[line] += many
            saved += many * material
    used: dict[str, int] = {}
    for each, taken in zip(stock, pieces, strict=True):
        used[_name(each)] = used.get(_name(each), 0) + taken
    return Drawn(saved=np.zeros(len(of_tree)), used=used, assumptions=_told(used, saved, currency))


def _name(line: StockLine) -> str:
    """A line of the stock list by key and height."""
    return f"{line.key} {line.height_mm:g} mm" if line.height_mm else line.key


def _told(used: dict[str, int], saved: float, currency: str) -> tuple[Assumption, ...]:
    """What is said of the stock used."""
    if not used:
        return ()
    pieces = "; ".join(f"{name}: {count_words(many, 'piece')}" for name, many in used.items())
    taken = f"{pieces} from stock, {money_words(saved, currency)} of material not bought"
    return (Assumption(topic="guards.stock", taken=taken, why="stock list", key="guards.stock"),)


def draw_stock(stock: tuple[StockLine, ...], verdicts: list[Verdict], of_tree: IntArray, currency: str) -> Drawn:
    """Use stock for the trees that take such a guard, those that save most first, then in file order.

    Parameters
    ----------
    stock : tuple of StockLine
        Guards on hand.
    verdicts : list of Verdict
        What to do; their parts to be bought, with the material each takes.
    of_tree : ndarray, shape (tree,)
        Place of each tree's verdict.
    currency : str
        Of the money.
    """
    saved = np.zeros(len(of_tree))
    used: dict[str, int] = {}
    for line in stock:
        by_verdict = np.array([_material(verdict, line) for verdict in verdicts], dtype=np.float64)
        worth = by_verdict[of_tree] if len(verdicts) else np.zeros(len(of_tree))
        takers = np.flatnonzero(worth > 0)
        takers = takers[np.argsort(-worth[takers], kind="stable")][: line.pieces]
        saved[takers] += np.round(worth[takers], 2)
        used[_name(line)] = used.get(_name(line), 0) + len(takers)
    return Drawn(saved=saved, used=used, assumptions=_told(used, float(saved.sum()), currency))


def _material(verdict: Verdict, line: StockLine) -> float:
    """Material that one piece of stock saves at a tree with this verdict."""
    if verdict.action not in {"fit", "swap"} or line.key not in verdict.keys.split("; "):
        return 0.0
    for key, height_mm, material in verdict.material:
        fits = line.height_mm is None or abs(line.height_mm - height_mm) <= SAME_HEIGHT_MM
        if key == line.key and fits:
            return float(np.nan_to_num(material))
    return 0.0
