"""How measures, agents and guards are said in sentences."""

from __future__ import annotations

import math
from typing import Final

from riskmap import tables
from riskmap.rules import BAND_LIMITS, BAND_WORDS
from riskmap.units import FOOT_M, INCH_M

__all__ = ["agent_words", "below_words", "count_words", "height_words", "joined", "length_words", "money_words"]

AGENT_WORDS: Final = {
    "beaver": "beaver",
    "deer_browse": "deer browse",
    "antler_rub": "antler rub",
    "rabbit": "rabbits",
    "vole": "voles",
    "mower": "mowers and trimmers",
    "snow_throw": "thrown snow and grit",
    "spray_drift": "spray drift",
    "hare": "hares",
    "road_salt": "road salt",
    "sunscald": "sunscald",
}


def agent_words(agent: str) -> str:
    """Return what a sentence calls an agent.

    Examples
    --------
    >>> agent_words("vole")
    'voles'
    """
    if agent in AGENT_WORDS:
        return AGENT_WORDS[agent]
    return tables.agents()[agent].label.lower() if agent in tables.agents() else agent


def below_words(floor: str) -> str:
    """Return that nothing scored comes up to a band, as a sentence without its full stop.

    Examples
    --------
    >>> below_words("some")
    "Every pressure scored here is below 'some' (under 5 % a year)"
    """
    least = 100 * (0.0, *BAND_LIMITS)[BAND_WORDS.index(floor)]
    return f"Every pressure scored here is below '{floor}' (under {least:g} % a year)"


def length_words(length_mm: float, units: str = "metric") -> str:
    """Return a small length as people say it: 5.7 mm, 0.22 in.

    Examples
    --------
    >>> length_words(5.72), length_words(75), length_words(75, "us"), length_words(5.72, "us")
    ('5.7 mm', '75 mm', '3 in', '0.23 in')
    """
    if units == "us":
        inches = length_mm / 1000 / INCH_M
        return f"{_short(inches, 3 if inches < 0.1 else 2 if inches < 1 else 1)} in"
    return f"{_short(length_mm, 2 if length_mm < 1 else 1)} mm"


def height_words(height_mm: float, units: str = "metric") -> str:
    """Return a height as people say it: 1.14 m, 225 mm, 6 ft, 18 in.

    Examples
    --------
    >>> height_words(1144), height_words(225), height_words(1829, "us"), height_words(457, "us")
    ('1.14 m', '225 mm', '6 ft', '18 in')
    """
    if units != "us":
        return f"{height_mm:.0f} mm" if height_mm < 300 else f"{_short(height_mm / 1000, 2)} m"
    if height_mm < 950:
        return f"{_short(height_mm / 1000 / INCH_M, 0)} in"
    return f"{_short(height_mm / 1000 / FOOT_M, 1)} ft"


def count_words(count: int, what: str) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> count_words(1, "tree"), count_words(2, "tree")
    ('1 tree', '2 trees')
    """
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def money_words(amount: float, currency: str) -> str:
    """Return an amount of money: USD 12.40."""
    return f"{currency} {amount:,.2f}"


def joined(words: list[str]) -> str:
    """Return words as a list in a sentence.

    Examples
    --------
    >>> joined(["voles", "rabbits", "beaver"])
    'voles, rabbits and beaver'
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def _short(number: float, decimals: int) -> str:
    """A number with at most so many decimals and no needless noughts."""
    rounded = round(number + math.copysign(1e-9, number), decimals)
    return f"{rounded:.{decimals}f}".rstrip("0").rstrip(".") if decimals else f"{rounded:.0f}"
