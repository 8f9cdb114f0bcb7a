"""What to do at each tree, for the page: each distinct plan once, its cost, and the sets beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from riskmap import tables
from riskmap.deliver.html_map.coded import add_texts
from riskmap.deliver.html_map.encode import Payload, compact, unique_rows
from riskmap.model import Coded, IntArray, Result

__all__ = ["add_beside", "add_costs", "add_plans"]


def add_plans(payload: Payload, result: Result, order: IntArray) -> None:
    """Append each distinct plan once: guard, heights, months, what it stops and leaves open."""
    chosen = result.choices
    heights = np.where(np.isfinite(chosen.guard_height_mm), np.rint(chosen.guard_height_mm), -1).astype(np.int64)
    parts = [chosen.guard.codes, chosen.guard_keys.codes, chosen.agents_stopped.codes, chosen.agents_open.codes]
    first, code = unique_rows([*parts, chosen.off_when.codes, chosen.on_month, chosen.off_month, heights])
    place = {agent: number for number, agent in enumerate(result.pressure.agents)}

    def word(column: Coded, tree: int) -> str:
        return column.values[column.codes[tree]] if column.codes[tree] >= 0 else ""

    def agents(column: Coded, tree: int) -> list[int]:
        return [place[agent] for agent in (part.strip() for part in word(column, tree).split(";")) if agent in place]

    plans: list[dict[str, Any]] = []
    for tree in first.tolist():
        plan = {
            "guard": word(chosen.guard, tree),
            "keys": word(chosen.guard_keys, tree),
            "height_mm": int(heights[tree]) if heights[tree] >= 0 else None,
            "on": int(chosen.on_month[tree]),
            "off": int(chosen.off_month[tree]),
            "when": word(chosen.off_when, tree),
            "stopped": agents(chosen.agents_stopped, tree),
            "open": agents(chosen.agents_open, tree),
        }
        plans.append(plan)
    payload.add_json("plan:values", plans)
    payload.add_numbers("plan", code[order])


def add_costs(payload: Payload, result: Result, order: IntArray) -> None:
    """Append the money asked for at each tree, where there are not too many different sums."""
    cents = np.rint(np.nan_to_num(result.choices.cost) * 100).astype(np.int64)
    values, codes = compact(cents)
    if len(values) <= 65_536:
        payload.add_json("cost:values", [int(value) / 100 for value in values])
        payload.add_numbers("cost", codes[order])


def add_beside(payload: Payload, result: Result, order: IntArray) -> None:
    """Append the next cheaper and the next better set beside the one chosen, where `choose` tells them."""
    told, group = result.choices.extra.get("alternatives"), result.choices.extra.get("alternative")
    if not told or group is None or len(group) != result.site.trees.n:
        return
    texts = [
        "; ".join(
            _beside_words(label, each[name], result.pressure.agents)
            for name, label in (("next_cheaper", "cheaper"), ("next_better", "better"))
            if name in each
        )
        for each in told
    ]
    by_group = Coded.of(texts)
    add_texts(payload, "beside", Coded(codes=by_group.codes[group], values=by_group.values), order)


def _beside_words(label: str, told: Mapping[str, Any], agents: tuple[str, ...]) -> str:
    """One set beside the one chosen: its name, its cost, what it leaves open."""
    left = [tables.agents()[agent].label.lower() for agent in told.get("leaves_open", ()) if agent in agents]
    open_words = f", leaves open {', '.join(left)}" if left else ""
    return f"{label}: {told.get('guard', '')} ({told.get('cost_words', '')}{open_words})"
