"""What a tree costs to replace: as given, else by figures of ours or of the user's price list."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from riskmap import tables
from riskmap.choose.cost import Rates
from riskmap.choose.words import count_words
from riskmap.model import Assumption, FloatArray, TreeTable

__all__ = ["replace_costs", "worth_taken"]

STOCKS: Final = ("whip", "container", "standard")

BARE_ROOT: Final = frozenset({"whip", "bare_root", "bare root", "bareroot", "seedling", "liner", "plug"})
STANDARD: Final = frozenset({"ball_and_burlap", "ball and burlap", "b&b", "balled and burlapped", "standard"})


def replace_costs(table: TreeTable, caliper_mm: FloatArray, small: Mapping[str, float]) -> FloatArray:
    """Return what each tree costs to replace: as given, else by stock, else by caliper.

    Parameters
    ----------
    table : TreeTable
        Its cost_to_replace and stock.
    caliper_mm : ndarray, shape (tree,)
        Caliper of every tree, known or taken. [mm]
    small : mapping
        Prices of the user or of ours by key; where one is missing, ours is taken as it stands.
    """
    work = tables.work_figures()
    whip, container, standard = _by_stock(small)
    by_stock = np.array(
        [
            whip if word in BARE_ROOT else standard if word in STANDARD else container if "contain" in word else np.nan
            for word in table.stock.values
        ]
        + [np.nan]
    )[table.stock.codes]
    by_caliper = np.select(
        [caliper_mm < work["replace_container_mm"].central, caliper_mm < work["replace_standard_mm"].central],
        [whip, container],
        standard,
    )
    taken = np.where(np.isnan(by_stock), by_caliper, by_stock)
    return np.where(np.isnan(table.cost_to_replace), taken, table.cost_to_replace)


def worth_taken(table: TreeTable, rates: Rates) -> list[Assumption]:
    """Return what trees were taken to be worth that nobody gave a value.

    Parameters
    ----------
    table : TreeTable
        Its cost_to_replace, and which rows are trees.
    rates : Rates
        Prices of the user or of ours, and their currency.
    """
    trees = int(np.count_nonzero(np.isnan(table.cost_to_replace) & table.kept))
    if not trees:
        return []
    whip, container, standard = (f"{cost:,.0f}" for cost in _by_stock(rates.small))
    taken = (
        f"{count_words(trees, 'tree')} at {rates.currency} {whip} (whip), {container} (container) or {standard} "
        "(standard), by stock or caliper"
    )
    ours = [
        row for row in (tables.work_figures()[f"replace_{stock}"] for stock in STOCKS) if row.key not in rates.small
    ]
    foreign = f", figures in {ours[0].currency} taken as they stand" if ours else ""
    key = "trees.columns.cost_to_replace"
    return [Assumption(topic="trees.cost_to_replace", taken=taken, why=f"nobody gave their value{foreign}", key=key)]


def _by_stock(small: Mapping[str, float]) -> list[float]:
    """What a whip, a container tree and a standard cost to replace."""
    work = tables.work_figures()
    return [small.get(f"replace_{stock}", work[f"replace_{stock}"].central) for stock in STOCKS]
