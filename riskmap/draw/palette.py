"""Colours and symbols that map, figure, report and crew sheets share.

The guard fills were found by search (closest pair at least 13 apart in CIEDE2000 under normal, protan, deutan and
tritan sight) and each has a shape of its own, so that no answer hangs on colour alone. What is to be done has shapes
that no guard has: the two keys of one page never use one symbol in two senses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "ACTION_SYMBOLS",
    "FALLBACK_GROUND",
    "FENCE",
    "GROUND_STYLES",
    "GUARD_SYMBOLS",
    "INK",
    "NOT_SCORED",
    "OTHER_GUARDS",
    "PAPER",
    "PRESSURE_RAMP",
    "SHARE_RAMP",
    "GroundStyle",
    "Symbol",
    "contrast",
]

INK: Final = "#1d2a33"
PAPER: Final = "#f6f4ee"


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """One tree symbol: a shape drawn with an ink outline and a white halo, and its fill."""

    shape: str
    fill: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundStyle:
    """How one role is drawn: fill and edge; `dash` in pixels for lines, empty for a whole line."""

    fill: str
    edge: str
    weight: float = 1.0
    dash: str = ""


_FILLS: Final = ("#3f51bb", "#9c512e", "#14a06f", "#1e3c4b", "#a28b1a", "#690c20", "#a075e4")
_SHAPES: Final = ("circle", "square", "up", "down", "diamond", "hexagon", "plus")
# A second set of shapes over the same fills, not new hues: more hues would look alike to somebody.
_MORE_SHAPES: Final = ("star", "bowtie", "drop", "house", "cross", "half", "bar")

GUARD_SYMBOLS: Final[tuple[Symbol, ...]] = tuple(
    Symbol(shape=shape, fill=fill)
    for shapes in (_SHAPES, _MORE_SHAPES)
    for shape, fill in zip(shapes, _FILLS, strict=True)
)
OTHER_GUARDS: Final = Symbol(shape="pentagon", fill="#7d6b55")

# Work is an arrow and no guard is: put it on, take off and put on, give it room, take it off. The last has a colour
# that no guard has either, since a guard left on kills.
ACTION_SYMBOLS: Final[dict[str, Symbol]] = {
    "fit": Symbol(shape="arrow_down", fill="#14a06f"),
    "swap": Symbol(shape="arrow_both", fill="#a28b1a"),
    "loosen": Symbol(shape="arrow_wide", fill="#9c512e"),
    "remove": Symbol(shape="arrow_up", fill="#330088"),
    "look": Symbol(shape="query", fill="#ffffff"),
    "keep": Symbol(shape="dotted", fill="#a075e4"),
    "accept": Symbol(shape="lens", fill="#1e3c4b"),  # an eye: open to pressure, and known
    "none needed": Symbol(shape="ring", fill="#6b767d"),
    "not a tree": Symbol(shape="speck", fill="#6b767d"),
}

PRESSURE_RAMP: Final = ("#f4d9a8", "#e9a75f", "#cf6a3a", "#9c3328", "#5a1326")  # bands none to severe; darker is more
SHARE_RAMP: Final = ("#e9efe4", "#bcd2b2", "#86ad80", "#4d8058", "#1d472d")  # shares of trees that need something done
NOT_SCORED: Final = Symbol(shape="query", fill="#ffffff")

GROUND_STYLES: Final[dict[str, GroundStyle]] = {
    "study_area": GroundStyle(fill="none", edge="#4a5963", weight=1.6, dash="10 4"),
    "deer_habitat": GroundStyle(fill="#c6d6b5", edge="#93ac78"),
    "rabbit_cover": GroundStyle(fill="#dfdcb6", edge="#b3ad72"),
    "rough_grass": GroundStyle(fill="#e6e8c4", edge="#bfc387"),
    "lawn": GroundStyle(fill="#ecf1d8", edge="#c7d0a4"),
    "spray_area": GroundStyle(fill="#ece0ea", edge="#b99fb6"),
    "water": GroundStyle(fill="#cfe1ea", edge="#558aa8", weight=1.2),
    "road": GroundStyle(fill="#ffffff", edge="#bdb8ae", weight=1.2),
    "driveway": GroundStyle(fill="#dedad3", edge="#b7b1a6"),
    "planting_area": GroundStyle(fill="none", edge="#22553f", weight=1.6, dash="4 4"),
    "barrier": GroundStyle(fill="none", edge="#5b4636", weight=2.0, dash="1 4"),
}
"""In drawing order, lowest first."""

FENCE: Final = GroundStyle(fill="none", edge="#8d3b1f", weight=2.4, dash="9 3")
FALLBACK_GROUND: Final = GroundStyle(fill="#e4e0d8", edge="#b7b1a6")


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2, relative luminance).

    Examples
    --------
    >>> contrast("#ffffff", "#000000")
    21.0
    >>> contrast("#ffffff", "#ffffff")
    1.0
    """
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return round((high + 0.05) / (low + 0.05), 4)


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb."""
    parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
