"""``summary.csv``: trees, money and hours by group, action and guard; what may come off stands first."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

import pyarrow as pa

from riskmap.deliver.csv_file import write_csv_table
from riskmap.model import Result, TallyLine, add_lines

__all__ = ["summary_table", "write_summary"]

ACTIONS: Final = ("remove", "swap", "loosen", "fit", "keep", "look", "accept", "none needed", "not a tree")


def write_summary(result: Result, folder: Path) -> list[str]:
    """Write ``summary.csv``."""
    write_csv_table(summary_table(result), folder / "summary.csv")
    return ["summary.csv"]


def summary_table(result: Result) -> pa.Table:
    """Return one row for each action, group and guard that has a tree, sorted in that order.

    Money is the sum of the cents in the tree table, so that both add up to the same; low and high are what the same
    comes to at low and at high prices and wage.
    """
    rows: dict[tuple[str, str, str], TallyLine] = {}
    for line in result.tally.lines:
        key = (line.action, line.group, line.guard)
        rows[key] = add_lines(rows[key], line) if key in rows else line
    order = sorted(rows, key=lambda key: tuple(_rank(text, ACTIONS if at == 0 else ()) for at, text in enumerate(key)))
    action, group, guard = ([key[at] or None for key in order] for at in range(3))
    lines = [rows[key] for key in order]
    return pa.table(
        {
            "group": pa.array(group, pa.string()),
            "action": pa.array(action, pa.string()),
            "guard": pa.array(guard, pa.string()),
            "trees": pa.array([line.trees for line in lines], pa.int64()),
            "cost": _money(line.cents for line in lines),
            "cost_low": _money(line.low_cents for line in lines),
            "cost_high": _money(line.high_cents for line in lines),
            "currency": pa.array([result.choices.currency] * len(lines), pa.string()),
            "hours": pa.array([round(line.hours, 2) for line in lines], pa.float64()),
        }
    )


def _money(cents: Iterable[int | None]) -> pa.Array:
    """Cents as money; empty where nobody reckoned it."""
    return pa.array([None if each is None else each / 100 for each in cents], pa.float64())


def _rank(text: str, known: Sequence[str]) -> tuple[bool, int, list[tuple[int, int, str]]]:
    """A key that puts known words in their order, Ward 2 before Ward 10, and the empty cell last."""
    return not text, *_natural(text, known)


def _natural(text: str, known: Sequence[str]) -> tuple[int, list[tuple[int, int, str]]]:
    """A key that puts Ward 2 before Ward 10."""
    parts = re.findall(r"([0-9]+)|([^0-9]+)", text)
    place = known.index(text) if text in known else len(known)
    return place, [(0, int(digits), "") if digits else (1, 0, letters.casefold()) for digits, letters in parts]
