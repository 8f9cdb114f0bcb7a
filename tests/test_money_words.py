"""What a first fitting costs and prevents, in sentences."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from map_factory import river_result

from riskmap.draw.money import cost_words, prevented_words
from riskmap.model import Result

MONEY = {"currency": "USD", "spent": 2990.0, "prevented": 69970.5, "next_money": 1000.0, "next_prevents": 0.0}


def told(**extra: Any) -> Result:
    result = river_result(40)
    return replace(result, choices=replace(result.choices, extra=extra))


def between(low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """The cost of every tree, so much lower and so much higher."""
    cost = river_result(40).choices.cost
    return cost * low, cost * high


def test_the_cost_is_said_with_its_range_and_hours() -> None:
    result = told(cost_span=between(0.5, 2.0))
    cost, hours = result.tally.cost, result.tally.hours
    assert result.tally.cost_span == pytest.approx((cost / 2, 2 * cost), abs=0.01 * 40)
    words = cost_words(result)
    assert words.startswith(f"First fitting, material and work: {result.choices.currency} {cost:,.0f} (between ")
    assert " by low and high prices)" in words
    assert words.endswith(f", and about {hours:,.0f} hours of work.")
    assert "between" not in cost_words(told(cost_span=between(1.0, 1.0)))
    lines = (replace(result.tally.lines[0], cents=1300, hours=1.2),)
    assert cost_words(result.knowing(tally=replace(result.tally, lines=lines))).endswith(", and about 1 hour of work.")


def test_where_nobody_reckoned_a_range_none_is_said() -> None:
    assert told().tally.cost_span is None
    assert "between" not in cost_words(told())


def test_nothing_is_said_of_money_where_no_tree_is_scored() -> None:
    """Nothing known is no best choice: 'the least money that stops whatever is worse' would be a lie."""
    result = told(money={**MONEY, "spent": 0.0, "prevented": 0.0})
    assert prevented_words(result)
    assert prevented_words(result.knowing(tally=replace(result.tally, scored=0))) == []


@pytest.mark.parametrize(
    ("gap", "words"),
    [
        (0.0, "No other choice within the limits prevents more: that is proven."),
        (3e-7, "This choice is proven to be within 0.01 % of the best possible."),
        (0.0123, "This choice is proven to be within 1.23 % of the best possible."),
        (0.012301, "This choice is proven to be within 1.24 % of the best possible."),
    ],
)
def test_the_gap_is_said_and_never_too_small(gap: float, words: str) -> None:
    lines = prevented_words(told(money={**MONEY, "budget": 3000.0, "gap": gap}))
    assert lines == [
        "USD 2,990 spent of a budget of 3,000 prevents about USD 70,000 of loss, while what is bought lasts and is "
        "needed.",
        words,
    ]


def test_without_limits_it_is_said_what_the_list_is_chosen_by() -> None:
    lines = prevented_words(told(money=MONEY))
    assert lines[1].startswith("It is the least money that stops whatever is 'some' or worse; where a budget is given")


def test_a_number_of_trees_alive_is_told_by_what_it_asks_for() -> None:
    """Whoever asks for so many alive is told how many to plant, and nothing of a floor that decided nothing."""
    alive = {"alive_per_ha": 400.0, "year": 3, "target": 256.2, "alive": 256.3, "alive_without": 206.7, "plant": 72}
    facts = {**MONEY, **alive, "plant_guarded": True, "cost_planting": 576.0}
    assert prevented_words(told(money=facts))[1:] == [
        "256 trees are to stand in year 3 (400 a hectare): plant 72 more, guarded like their neighbours, about USD 576 "
        "besides; of those planted now 207 would without any work."
    ]
    (line,) = prevented_words(told(money={**facts, "plant": 0, "cost_planting": 0.0, "alive": 280.2}))[1:]
    assert line == "256 trees are to stand in year 3 (400 a hectare), and 280 will by this reckoning."


def test_what_the_proof_holds_for_and_what_more_would_buy_is_said() -> None:
    lines = prevented_words(
        told(money={**MONEY, "gap": 0.5, "proof_holds_for": "single guards", "next_prevents": 12.4})
    )
    assert lines[1].endswith("within 50 % of the best possible. This holds for single guards.")
    assert lines[2] == "The next 1,000 would prevent about 12 more."
    assert prevented_words(told()) == []
