"""Guards on hand: they are used before any are bought."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from riskmap.choose.asked import Verdict
from riskmap.choose.cost import SAME_HEIGHT_MM
from riskmap.choose.words import count_words, money_words
from riskmap.model import Assumption, IntArray, StockLine

__all__ = ["Drawn", "line_sets", "material_of", "stock_used"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What is taken from stock.

    Attributes
    ----------
    used : dict
        Line of the stock list, by key and height, to pieces used.
    assumptions : tuple of Assumption
        What was taken from stock.
    proof : dict
        Where stock was shared out by itself: the money saved, and what no sharing out can save more than.
    """

    used: dict[str, int]
    assumptions: tuple[Assumption, ...]
    proof: dict[str, float] = field(default_factory=dict)


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
    return Drawn(used=used, assumptions=_told(used, saved, currency))


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


def material_of(bought: list[tuple[str, float, float]], line: StockLine) -> tuple[str, float, float] | None:
    """Return which of some parts to be bought, each with key, height and money, one piece of stock stands for.

    Examples
    --------
    >>> material_of([("spiral", 600.0, 1.1), ("cage", 1219.0, 9.0)], StockLine(key="cage", pieces=5, height_mm=1220.0))
    ('cage', 1219.0, 9.0)
    """
    for part in bought:
        fits = line.height_mm is None or abs(line.height_mm - part[1]) <= SAME_HEIGHT_MM
        if part[0] == line.key and fits and part[2] > 0:
            return part
    return None
