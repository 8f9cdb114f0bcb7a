"""What a tree costs to replace."""

from __future__ import annotations

from typing import Final

import numpy as np

from riskmap import tables
from riskmap.model import FloatArray, TreeTable

__all__ = ["replace_costs"]

BARE_ROOT: Final = frozenset({"whip", "bare_root", "bare root", "bareroot", "seedling", "liner", "plug"})
STANDARD: Final = frozenset({"ball_and_burlap", "ball and burlap", "b&b", "balled and burlapped", "standard"})


def replace_costs(table: TreeTable, caliper_mm: FloatArray) -> FloatArray:
    """Return what each tree costs to replace: as given, else by stock, else by caliper.

    Parameters
    ----------
    table : TreeTable
        Its cost_to_replace and stock.
    caliper_mm : ndarray, shape (tree,)
        Caliper of every tree, known or taken. [mm]
    """
    work = tables.work_figures()
    whip, container, standard = (work[f"replace_{kind}"].central for kind in ("whip", "container", "standard"))
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
