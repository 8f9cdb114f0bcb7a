"""Several limits at once (money, hours, stock), and the proven best for small sites."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from riskmap.choose.knapsack import Bought
from riskmap.model import BoolArray, FloatArray, IntArray

__all__ = ["EXACT_TREES", "buy_exactly", "buy_within", "fill_up", "hushed"]

EXACT_TREES: Final = 1000  # up to here the best choice is proven
MOST_NODES: Final = 5_000  # of the search that proves it
ROUNDS: Final = 60  # of the search for the price of each limit
SAMPLE: Final = 2500  # trees priced first
NEAR: Final = 1.5  # prices of all trees are sought within this factor of those of the sample
PASSES: Final = 6  # of filling up what is left
MOST_FILLED: Final = 5_000  # upgrades looked at in one pass
STEP: Final = 0.6  # of the way from the best prices so far to those that the cuts propose
CLOSE: Final = 2e-8  # the search for prices ends this near to the least bound
CHUNK: Final = 8192  # trees looked at together: fits the cache
SLACK: Final = 1e-9


def buy_exactly(use: FloatArray, benefit: FloatArray, limits: FloatArray, start: Bought | None = None) -> Bought:
    """Choose one option a tree, proven best.

    Parameters
    ----------
    use : ndarray, shape (limit, tree, option)
        What each option uses of each limit, money first; infinity where a tree does not have the option.
    benefit : ndarray, shape (tree, option)
        Loss prevented; option 0 is nothing.
    limits : ndarray, shape (limit,)
        What there is of each; infinity where there is no limit.
    start : Bought, optional
        A choice within the limits to better, with the price of each finite one; else `buy_within` finds one.

    Returns
    -------
    Bought
        `exact` is False, with the bound that was proven, where the search gave up.

    Examples
    --------
    >>> use = np.array([[[0.0, 5.0, 9.0], [0.0, 6.0, 7.0]]])
    >>> buy_exactly(use, np.array([[0.0, 4.0, 8.5], [0.0, 5.0, 5.5]]), np.array([11.0])).option.tolist()
    [1, 1]
    """
    limited = np.isfinite(limits)
    start = buy_within(use, benefit, limits) if start is None else start
    rows = np.arange(len(benefit))
    tree, option = _still_open(use, benefit, limits, start)
    if not len(tree) or start.bound - start.value <= SLACK * start.bound:
        return replace(start, bound=start.value, exact=True)
    found = _search(use[limited][:, tree, option], benefit[tree, option], tree, limits[limited], start)
    chosen = np.zeros(len(benefit), dtype=np.int64)
    chosen[tree[found.taken]] = option[found.taken]
    value = float(benefit[rows, chosen].sum())
    if value < start.value:
        return replace(start, bound=min(start.bound, found.bound))
    bound = value if found.proven else min(start.bound, found.bound)
    spent = float(use[0, rows, chosen].sum())
    return replace(start, option=chosen, value=value, spent=spent, bound=bound, exact=found.proven)


def _still_open(use: FloatArray, benefit: FloatArray, limits: FloatArray, start: Bought) -> tuple[IntArray, IntArray]:
    """Options that a better choice than `start` could hold: the rest would pull the bound below what it prevents."""
    limited = np.isfinite(limits)
    have = np.isfinite(use).all(axis=0)
    price = np.asarray(start.price)
    worth = np.where(have, benefit - np.tensordot(price, np.where(have, use[limited], 0.0), axes=1), -np.inf)
    best = worth.max(axis=1, keepdims=True)
    bound = float(best.sum() + price @ limits[limited])
    may = have & (bound - (best - worth) >= start.value * (1 - SLACK))
    may[:, 0] = False
    tree, option = np.nonzero(may)
    return tree, option


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What the search found: which options are taken, whether that is proven best, and the bound."""

    taken: BoolArray
    proven: bool
    bound: float


def _search(use: FloatArray, benefit: FloatArray, tree: IntArray, room: FloatArray, start: Bought) -> _Found:
    """Search among the options that are still open; each tree takes one of them or nothing."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    _, row = np.unique(tree, return_inverse=True)
    column = np.arange(len(tree))
    one_each = csr_array((np.ones(len(tree)), (row, column)), shape=(int(row.max()) + 1, len(tree)))
    with hushed():
        found = milp(
            -benefit,
            constraints=[LinearConstraint(one_each, -np.inf, 1), LinearConstraint(use, -np.inf, room)],
            integrality=np.ones(len(tree)),
            bounds=Bounds(0, 1),
            options={"mip_rel_gap": 0.0, "node_limit": MOST_NODES},
        )
    if found.x is None:
        return _Found(taken=np.zeros(len(tree), dtype=bool), proven=False, bound=start.bound)
    return _Found(taken=found.x > 0.5, proven=found.status == 0, bound=float(-found.mip_dual_bound))


@contextmanager
def hushed() -> Iterator[None]:
    """Keep the solver's stray lines, written past Python, off standard output."""
    try:
        kept = os.dup(1)
    except OSError:  # no standard output: nothing can be written to it
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).fflush(None)  # lines still held by the C library
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def buy_within(use: FloatArray, benefit: FloatArray, limits: FloatArray) -> Bought:
    """Choose one option a tree under several limits, with a proven bound.

    A price is put on each limit; at any prices, the best that every tree does less what it uses, plus the worth of
    the limits, is a bound. The prices with the least bound are sought by cutting planes; the choice at those prices
    is brought within the limits by the cheapest switches, and what is left over is filled up.

    Parameters
    ----------
    use : ndarray, shape (limit, tree, option)
        What each option uses of each limit, money first; infinity where a tree does not have the option.
    benefit : ndarray, shape (tree, option)
        Loss prevented; option 0 is nothing.
    limits : ndarray, shape (limit,)
        What there is of each; infinity where there is no limit.
    """
    limited = np.isfinite(limits)
    benefit = np.where(np.isfinite(use).all(axis=0), benefit, -np.inf)
    ours = np.where(np.isfinite(use[limited]), use[limited], 0.0)
    room = limits[limited]
    price, bound, option = _prices(ours, benefit, room)
    option = _brought_within(ours, benefit, room, price, option)
    option = fill_up(ours, benefit, room, price, option)
    rows = np.arange(len(option))
    value = float(benefit[rows, option].sum())
    spent = float(use[0, rows, option].sum())
    return Bought(option=option, value=value, spent=spent, bound=max(bound, value), price=tuple(map(float, price)))


def _choice_at(use: FloatArray, benefit: FloatArray, price: FloatArray) -> tuple[IntArray, float]:
    """The best option of every tree at these prices, and what they are worth together."""
    option = np.empty(len(benefit), dtype=np.int64)
    total = 0.0
    for start in range(0, len(benefit), CHUNK):
        worth = benefit[start : start + CHUNK].copy()
        for limit, each in enumerate(price):
            if each:
                worth -= each * use[limit, start : start + CHUNK]
        best = worth.argmax(axis=1)
        option[start : start + CHUNK] = best
        total += float(worth[np.arange(len(best)), best].sum())
    return option, total


def _prices(use: FloatArray, benefit: FloatArray, room: FloatArray) -> tuple[FloatArray, float, IntArray]:
    """Prices with the least bound, that bound, and the choice at those prices.

    Of many trees a sample is priced first: its prices are near, and the search for the rest starts round them.
    """
    low, high = np.zeros(len(room)), _steepest(use, benefit)
    price = low
    if len(benefit) > 4 * SAMPLE:
        sample = slice(None, None, len(benefit) // SAMPLE)
        share = len(benefit[sample]) / len(benefit)
        price = _priced(use[:, sample], benefit[sample], room * share, price, low, high)[1]
        near, far = price / NEAR, np.minimum(price * NEAR + high / 1000, high)
        found = _priced(use, benefit, room, price, near, far)
        aimed = found[3]
        if ((aimed > near) | (near == 0)).all() and (aimed < far).all():
            return found[1], found[0], found[2]
        price = found[1]
    found = _priced(use, benefit, room, price, low, high)
    return found[1], found[0], found[2]


def _priced(
    use: FloatArray, benefit: FloatArray, room: FloatArray, price: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[float, FloatArray, IntArray, FloatArray]:
    """The least bound with prices between `low` and `high`, its prices, its choice, and the prices last aimed at."""
    from scipy.optimize import linprog

    k, rows = len(room), np.arange(len(benefit))
    best: tuple[float, FloatArray, IntArray] | None = None
    unit = np.maximum(room, 1e-12)  # limits are counted in shares of themselves, money in shares of the first bound:
    whole = 1.0  # the small programme below has a fixed tolerance
    aimed = price
    cuts: list[FloatArray] = []
    levels: list[float] = []
    for _ in range(ROUNDS):
        option, worth = _choice_at(use, benefit, price)
        bound = worth + float(price @ room)
        if best is None:
            whole = max(abs(bound), 1e-12)
        if best is None or bound < best[0]:
            best = (bound, price, option)
        slope = (room - use[:, rows, option].sum(axis=1)) / unit
        cuts.append(np.append(slope, -1.0))
        levels.append(float(slope @ (price * unit) - bound) / whole)
        found = linprog(
            np.append(np.zeros(k), 1.0),
            A_ub=np.array(cuts),
            b_ub=np.array(levels),
            bounds=[*zip(low * unit / whole, high * unit / whole, strict=True), (None, None)],
        )
        if found.x is None:
            break
        aimed = found.x[:k] * whole / unit
        if best[0] - found.fun * whole <= CLOSE * abs(best[0]):
            break
        price = best[1] + STEP * (aimed - best[1])
    assert best is not None
    return (*best, aimed)


def _steepest(use: FloatArray, benefit: FloatArray) -> FloatArray:
    """For each limit a price at which nothing that uses it is worth having."""
    gain = np.where(np.isfinite(benefit), benefit, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(use > 0, gain / use, 0.0)
    return np.asarray(slope.max(axis=(1, 2)) * 1.01 + 1e-12)


def _brought_within(
    use: FloatArray, benefit: FloatArray, room: FloatArray, price: FloatArray, option: IntArray
) -> IntArray:
    """Switch trees to cheaper options, least lost for what is freed first, until every limit holds."""
    option = option.copy()
    rows = np.arange(len(option))
    worth = benefit - np.tensordot(price, use, axes=1)
    for _ in range(100):
        over = use[:, rows, option].sum(axis=1) - room
        if (over <= SLACK * np.maximum(room, 1)).all():
            return option
        weight = np.where(over > 0, over / np.maximum(room, 1e-12), 0.0)
        freed = np.tensordot(weight, use[:, rows, option][:, :, None] - use, axes=1)
        lost = worth[rows, option][:, None] - worth
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.where((freed > 1e-15) & np.isfinite(lost), lost / freed, np.inf)
        to = np.argmin(rate, axis=1)
        order = np.argsort(rate[rows, to], kind="stable")
        order = order[np.isfinite(rate[order, to[order]])]
        if not len(order):
            break
        saves = use[:, order, option[order]] - use[:, order, to[order]]
        still = over[:, None] - np.cumsum(saves, axis=1)
        enough = np.flatnonzero((still <= 0).all(axis=0) | (np.where(over[:, None] > 0, still, 0.0) <= 0).all(axis=0))
        last = int(enough[0]) + 1 if len(enough) else len(order)
        option[order[:last]] = to[order[:last]]
    return np.where((use[:, rows, option].sum(axis=1) <= room + SLACK).all(), option, 0)


def fill_up(use: FloatArray, benefit: FloatArray, room: FloatArray, price: FloatArray, option: IntArray) -> IntArray:
    """Return the choice with what is left used up: upgrades that fit, best for what they use first.

    Parameters
    ----------
    use : ndarray, shape (limit, tree, option)
        What each option uses of each limit.
    benefit : ndarray, shape (tree, option)
        Loss prevented; minus infinity where a tree does not have the option.
    room : ndarray, shape (limit,)
        What there is of each.
    price : ndarray, shape (limit,)
        What one more unit of each would prevent.
    option : ndarray, shape (tree,)
        The choice so far; it keeps the limits.
    """
    option = option.copy()
    rows = np.arange(len(option))
    for _ in range(PASSES):
        left = room - use[:, rows, option].sum(axis=1)
        gain = benefit - benefit[rows, option][:, None]
        more = use - use[:, rows, option][:, :, None]
        tree, to = np.nonzero((gain > 0) & (more <= left[:, None, None]).all(axis=0))
        charge = np.tensordot(price, more[:, tree, to], axes=1)
        order = np.argsort(charge - gain[tree, to], kind="stable")[:MOST_FILLED]
        filled = 0
        for place in order:
            i, j = int(tree[place]), int(to[place])
            step = use[:, i, j] - use[:, i, option[i]]
            if benefit[i, j] > benefit[i, option[i]] and (step <= left).all():
                left = left - step
                option[i] = j
                filled += 1
        if not filled:
            break
    return option
