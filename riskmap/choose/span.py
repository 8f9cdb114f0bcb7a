"""Between what the money asked for at each tree lies, by low and high prices and wage."""

from __future__ import annotations

import numpy as np

from riskmap.choose.asked import Verdict
from riskmap.choose.catalogue import Catalogue
from riskmap.choose.lines import equal_shares
from riskmap.choose.share import Shared
from riskmap.model import FloatArray

__all__ = ["cost_span"]


def cost_span(
    shared: Shared, cost: FloatArray, hours: FloatArray, catalogue: Catalogue
) -> tuple[FloatArray, FloatArray]:
    """Return the money at every tree at low and at high built-in prices and wage, its share of a fence included.

    What the user's own list prices, and the user's own wage, have one price.

    Parameters
    ----------
    shared : Shared
        What to do, and the shared fences.
    cost, hours : ndarray, shape (tree,)
        Money, the share of a fence included, and work.
    catalogue : Catalogue
        Guards and rates.
    """
    rates = catalogue.rates
    wage = rates.spans.get("labour_hour", (rates.hour, rates.hour))
    more = np.array([_material(verdict, catalogue) for verdict in shared.verdicts]).reshape(-1, 2)[shared.of_tree]
    ends = []
    for end in range(2):
        found = cost + more[:, end] + hours * (wage[end] - rates.hour)
        for fence in shared.fences:
            inside, many = fence["trees"], len(fence["trees"])
            found[inside] += equal_shares(fence["cost_span"][end], many) - equal_shares(fence["cost"], many)
        ends.append(np.maximum(found, 0.0))  # but for rounding it is never less
    return ends[0], ends[1]


def _material(verdict: Verdict, catalogue: Catalogue) -> tuple[float, float]:
    """How much less, and how much more, the material of one verdict costs at low and at high prices."""
    bought = verdict.keys.split("; ") if verdict.action in {"fit", "swap"} else []
    less = more = 0.0
    for key, _, material in verdict.material:
        if key in bought:
            low, high = catalogue.rates.span_of(catalogue.known[key])
            less, more = less + (low - 1) * material, more + (high - 1) * material
    return less, more
