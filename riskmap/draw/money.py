"""What the first fitting costs and what it prevents, in the sentences that terminal, map and print sheet share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from riskmap.model import Result

__all__ = ["cost_words", "prevented_words"]

_SURE = 1e-9  # a gap below this is what is left of rounding
_LEAST_GAP = 1e-4


def cost_words(result: Result) -> str:
    """Return what the first fitting asks for, material and work, as a sentence; empty where it costs nothing."""
    tally = result.tally
    if tally.cost <= 0:
        return ""
    hours = f"{tally.hours:,.0f}"
    work = f", and about {hours} {'hour' if hours == '1' else 'hours'} of work" if tally.hours >= 1 else ""
    span = tally.cost_span
    low, high = (_rounded(each, 2) for each in span) if span else ("", "")
    between = f" (between {low} and {high} by low and high prices)" if low != high else ""
    return f"First fitting, material and work: {result.choices.currency} {tally.cost:,.0f}{between}{work}."


def prevented_words(result: Result) -> list[str]:
    """Return what the money prevents, how near that is to the best possible, and what a little more would prevent.

    Nothing is said where no tree could be scored: no money spent there is no best choice.
    """
    told = result.choices.extra.get("money") or {}
    if "prevented" not in told or not result.tally.scored:
        return []
    currency, choice = told.get("currency", result.choices.currency), result.site.inputs.settings.choice
    budget = f" of a budget of {told['budget']:,.0f}" if told.get("budget") is not None else ""
    lines = [
        f"{currency} {told.get('spent', 0):,.0f} spent{budget} prevents about {currency} "
        f"{_rounded(told['prevented'], 3)} of loss, while what is bought lasts and is needed."
    ]
    if told.get("gap") is not None:
        scope = f" This holds for {told['proof_holds_for']}." if "proof_holds_for" in told else ""
        lines.append(f"{_proof_words(told['gap'])}{scope}")
    elif "plant" in told:
        lines.append(_planting_words(told, currency))
    elif choice.policy == "stop_all":
        kinds = f" with at most {choice.most_kinds:,} kinds of guard" if choice.most_kinds is not None else ""
        lines.append(
            f"It is the least money that stops whatever is '{choice.floor}' or worse{kinds}; where a budget is given, "
            "money goes where it prevents most loss instead."
        )
    if told.get("next_prevents", 0) > 0:
        more = _rounded(told["next_prevents"], 3)
        lines.append(f"The next {told['next_money']:,.0f} would prevent about {more} more.")
    return lines


def _planting_words(told: Mapping[str, Any], currency: str) -> str:
    """How many trees stand in the year asked about, and how many are to be planted for that."""
    aim = f"{told['target']:,.0f} trees are to stand in year {told['year']} ({told['alive_per_ha']:,.0f} a hectare)"
    if not told["plant"]:
        return f"{aim}, and {told['alive']:,.0f} will by this reckoning."
    guarded = ", guarded like their neighbours" if told["plant_guarded"] else ""
    money = f"{currency} {_rounded(told['cost_planting'], 3)}"
    there = f"of those planted now {told['alive_without']:,.0f} would without any work"
    return f"{aim}: plant {told['plant']:,} more{guarded}, about {money} besides; {there}."


def _proof_words(gap: float) -> str:
    """How far from the best possible a choice may be."""
    if gap <= _SURE:
        return "No other choice within the limits prevents more: that is proven."
    share = "0.01 %" if gap < _LEAST_GAP else f"{100 * math.ceil(gap * 1e4 - 1e-9) / 1e4:.4g} %"
    return f"This choice is proven to be within {share} of the best possible."


def _rounded(amount: float, figures: int) -> str:
    """An amount with so many figures that count."""
    step = 10 ** max(math.floor(math.log10(amount)) + 1 - figures, 0) if amount >= 1 else 1
    return f"{round(amount / step) * step:,.0f}"
