"""Which trees the guards on hand go to, where money is no limit: so that most money is saved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from riskmap.choose.asked import Asked, Place, Verdict
from riskmap.choose.context import Alike
from riskmap.choose.limits import hushed
from riskmap.choose.share import Shared
from riskmap.choose.stock import Drawn, line_sets, material_of, stock_used
from riskmap.model import FloatArray, IntArray, StockLine

__all__ = ["share_out", "use_stock"]

MOST_NODES: Final = 5_000  # of the search
TINY: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Use:
    """One way in which trees of one verdict may use stock."""

    at: int  # place of the verdict
    verdict: Verdict
    saves: float  # money a tree, over the years


def use_stock(
    stock: tuple[StockLine, ...], place: Place, alike: Alike, shared: Shared, *, swap: bool = True
) -> tuple[Shared, Drawn]:
    """Give stock to trees: to those that take such a guard, and to those where it stops as much for less money.

    Parameters
    ----------
    stock : tuple of StockLine
        Guards on hand.
    place, alike
        Guards and rates, and the groups of trees that are alike.
    shared : Shared
        What is chosen without stock.
    swap : bool
        Another guard than the one chosen may come from stock, if it stops every agent too.

    Notes
    -----
    Trees are counted by what is chosen for them, so that the choice is proven best of these for sites of any size.
    """
    currency = place.catalogue.rates.currency
    verdicts, of_tree = list(shared.verdicts), shared.of_tree.copy()
    if not stock or not len(of_tree):
        return shared, stock_used(stock, verdicts, of_tree, currency)
    count = np.bincount(of_tree, minlength=len(verdicts))
    _, first = np.unique(of_tree, return_index=True)
    uses = []
    for tree in first.tolist():
        at = int(of_tree[tree])
        uses += _same_guards(stock, verdicts[at], at)
        if swap:
            uses += _other_guards(stock, place, alike, int(alike.group[tree]), verdicts[at], at)
    if not uses:
        return shared, stock_used(stock, verdicts, of_tree, currency)
    saves = np.array([use.saves for use in uses])
    takes = np.zeros((len(stock), len(uses)))
    for way, use in enumerate(uses):
        for line, _ in use.verdict.drawn:
            takes[line, way] += 1
    pieces = np.array([line.pieces for line in stock], dtype=np.float64)
    many, bound = share_out(saves, takes, np.array([use.at for use in uses]), count, pieces)
    trees_of = {at: np.flatnonzero(shared.of_tree == at).tolist() for at in {use.at for use in uses}}
    for use, number in zip(uses, many.tolist(), strict=True):
        ours, trees_of[use.at] = trees_of[use.at][:number], trees_of[use.at][number:]
        if ours:
            of_tree[ours] = len(verdicts)
            verdicts.append(use.verdict)
    drawn = stock_used(stock, verdicts, of_tree, currency)
    saved = float(saves @ many)
    drawn = replace(drawn, proof={"saved": round(saved, 2), "bound": round(max(bound, saved), 2)})
    return replace(shared, verdicts=verdicts, of_tree=of_tree), drawn


def share_out(
    saves: FloatArray, takes: FloatArray, of: IntArray, count: IntArray, pieces: FloatArray
) -> tuple[IntArray, float]:
    """Return how many trees use stock in each way, and what no sharing out can save more than.

    Parameters
    ----------
    saves : ndarray, shape (way,)
        Money saved at one tree.
    takes : ndarray, shape (line, way)
        Pieces that one tree takes of each line.
    of : ndarray, shape (way,)
        Which kind of tree each way is for.
    count : ndarray, shape (kind,)
        Trees of each kind.
    pieces : ndarray, shape (line,)
        Pieces on hand.

    Examples
    --------
    Three pieces, two trees that save 5 and two that save 4:

    >>> many, bound = share_out(np.array([4.0, 5.0]), np.ones((1, 2)), np.arange(2), np.array([2, 2]), np.array([3.0]))
    >>> many.tolist(), bound
    ([1, 2], 14.0)
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    kinds, row = np.unique(of, return_inverse=True)
    one_each = csr_array((np.ones(len(of)), (row, np.arange(len(of)))), shape=(len(kinds), len(of)))
    with hushed():
        found = milp(
            -saves,
            constraints=[LinearConstraint(one_each, -np.inf, count[kinds]), LinearConstraint(takes, -np.inf, pieces)],
            integrality=np.ones(len(of)),
            bounds=Bounds(0, np.inf),
            options={"mip_rel_gap": 0.0, "node_limit": MOST_NODES},
        )
    if found.x is None:
        return np.zeros(len(of), dtype=np.int64), float(saves @ count[of])
    return np.round(found.x).astype(np.int64), float(-found.mip_dual_bound)


def _same_guards(stock: tuple[StockLine, ...], verdict: Verdict, at: int) -> list[_Use]:
    """What is chosen, one or more of its parts from stock."""
    found: list[_Use] = []
    if verdict.action not in {"fit", "swap"}:
        return found
    bought = verdict.keys.split("; ")
    for lines in line_sets(stock):
        drawn, left = [], [part for part in verdict.material if part[0] in bought]
        for number, line in lines:
            part = material_of(left, line)
            if part is not None:
                drawn.append((number, part[2]))
                left.remove(part)
        saved = sum(material for _, material in drawn)
        if len(drawn) > (len(lines) > 1):  # all lines together: only where several are drawn on
            new = replace(
                verdict,
                cost=round(verdict.cost - saved, 2),
                over=verdict.over - saved,
                reason=f"{verdict.reason} Taken from stock.",
                drawn=tuple(drawn),
            )
            found.append(_Use(at=at, verdict=new, saves=saved))
    return found


def _other_guards(
    stock: tuple[StockLine, ...], place: Place, alike: Alike, group: int, verdict: Verdict, at: int
) -> list[_Use]:
    """Other guards that stop as much, with parts from stock, where that is cheaper."""
    if verdict.action != "fit" or alike.guard_now[group]:
        return []
    if any(place.catalogue.known[key].group for key in verdict.keys.split("; ")):
        return []  # a shared fence stands there
    found = []
    for lines in line_sets(stock):
        other = Asked(place=place, alike=alike, group=group, lines=lines).fit()
        alike_else = other.open == verdict.open and other.stopped == verdict.stopped
        saves = verdict.over - other.over
        if other.drawn and other.keys != verdict.keys and alike_else and saves > TINY:
            found.append(_Use(at=at, verdict=other, saves=saves))
    return found
