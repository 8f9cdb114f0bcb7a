"""``summary.csv``: trees, money and hours by group, action and guard; what may come off stands first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa

from riskmap.deliver.csv_file import write_csv_table
from riskmap.model import Coded, IntArray, Result

__all__ = ["summary_table", "write_summary"]

ACTIONS: Final = ("remove", "swap", "loosen", "fit", "keep", "look", "accept", "none needed", "not a tree")


def write_summary(result: Result, folder: Path) -> list[str]:
    """Write ``summary.csv``."""
    write_csv_table(summary_table(result), folder / "summary.csv")
    return ["summary.csv"]


def summary_table(result: Result) -> pa.Table:
    """Return one row for each action, group and guard that has a tree, sorted in that order.

    Money is the sum of the cents in the tree table, so that both add up to the same.
    """
    choices, group = result.choices, result.site.trees.table.group
    columns = {"group": group, "action": choices.action, "guard": choices.guard}
    ranks = {"action": _rank(choices.action, ACTIONS), "group": _rank(group), "guard": _rank(choices.guard)}
    code = np.zeros(len(group.codes), dtype=np.int64)
    for name, rank in ranks.items():
        code = code * len(rank) + rank[columns[name].codes]
    found, first, place, trees = np.unique(code, return_index=True, return_inverse=True, return_counts=True)
    cents = np.rint(np.nan_to_num(choices.cost) * 100)
    return pa.table(
        {
            **{name: pa.array(_texts(column, first), pa.string()) for name, column in columns.items()},
            "trees": trees,
            "cost": np.bincount(place, weights=cents, minlength=len(found)) / 100,
            "hours": np.round(np.bincount(place, np.nan_to_num(choices.hours), len(found)), 2),
        }
    )


def _rank(column: Coded, known: Sequence[str] = ()) -> IntArray:
    """The place of each distinct text: known words in their order, then by number and letter; the empty cell last."""
    order = sorted(range(len(column.values)), key=lambda code: _natural(column.values[code], known))
    rank = np.empty(len(order) + 1, dtype=np.int64)
    rank[order] = np.arange(len(order))
    rank[-1] = len(order)
    return rank


def _natural(text: str, known: Sequence[str]) -> tuple[int, list[tuple[int, int, str]]]:
    """A key that puts Ward 2 before Ward 10."""
    parts = re.findall(r"([0-9]+)|([^0-9]+)", text)
    place = known.index(text) if text in known else len(known)
    return place, [(0, int(digits), "") if digits else (1, 0, letters.casefold()) for digits, letters in parts]


def _texts(column: Coded, rows: IntArray) -> list[str | None]:
    """The texts of some rows, None where empty."""
    values = (*column.values, None)
    return [values[code] for code in column.codes[rows]]
