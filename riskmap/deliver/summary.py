"""``summary.csv``: trees, money and hours by group, action and guard; what may come off stands first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import pyarrow as pa

from riskmap.deliver.csv_file import write_csv_table
from riskmap.model import Result

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
    rows: dict[tuple[str, str, str], tuple[int, int, float]] = {}
    for line in result.tally.lines:
        key = (line.action, line.group, line.guard)
        trees, cents, hours = rows.get(key, (0, 0, 0.0))
        rows[key] = trees + line.trees, cents + line.cents, hours + line.hours
    order = sorted(rows, key=lambda key: tuple(_rank(text, ACTIONS if at == 0 else ()) for at, text in enumerate(key)))
    action, group, guard = ([key[at] or None for key in order] for at in range(3))
    return pa.table(
        {
            "group": pa.array(group, pa.string()),
            "action": pa.array(action, pa.string()),
            "guard": pa.array(guard, pa.string()),
            "trees": pa.array([rows[key][0] for key in order], pa.int64()),
            "cost": pa.array([rows[key][1] / 100 for key in order], pa.float64()),
            "hours": pa.array([round(rows[key][2], 2) for key in order], pa.float64()),
        }
    )


def _rank(text: str, known: Sequence[str]) -> tuple[bool, int, list[tuple[int, int, str]]]:
    """A key that puts known words in their order, Ward 2 before Ward 10, and the empty cell last."""
    return not text, *_natural(text, known)


def _natural(text: str, known: Sequence[str]) -> tuple[int, list[tuple[int, int, str]]]:
    """A key that puts Ward 2 before Ward 10."""
    parts = re.findall(r"([0-9]+)|([^0-9]+)", text)
    place = known.index(text) if text in known else len(known)
    return place, [(0, int(digits), "") if digits else (1, 0, letters.casefold()) for digits, letters in parts]
