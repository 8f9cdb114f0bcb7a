"""Words and marks that every check uses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from riskmap.model import BoolArray, TreeTable

__all__ = ["counted", "remarked", "several"]


def counted(where: BoolArray, noun: str) -> str:
    """Return a count of where something holds: `1 tree`, `3 trees`."""
    return several(int(where.sum()), noun)


def several(n: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{n:,} {noun}{'' if n == 1 else 's'}"


def remarked(trees: TreeTable, remarks: Mapping[str, BoolArray]) -> TreeTable:
    """Return the trees with a remark where each code holds."""
    if not any(where.any() for where in remarks.values()):
        return trees
    found = list(trees.remarks or ((),) * len(trees.row))
    for code, where in remarks.items():
        for i in np.flatnonzero(where):
            found[i] = (*found[i], code)
    return replace(trees, remarks=tuple(found))
