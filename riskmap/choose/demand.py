"""What each agent demands of a guard: rows of demands.csv as clauses that can be compared with a guard's measures."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Final

from riskmap import tables
from riskmap.model import Demand

__all__ = ["LEVELS", "Clause", "Ground", "Way", "months_of", "ways_against"]

LEVELS: Final = {"no": 0, "partly": 1, "minimum": 2, "stops": 3}
WORD_CLAUSES: Final = frozenset({"kind", "mesh", "deer", "solid", "stiff", "repels"})
NUMBER_CLAUSE: Final = re.compile(
    r"(?P<measure>[a-z_]+_mm)(?P<sense><=|>=)(?:(?P<above>snow|half_snow|flood)\+)?(?P<number>\d+(?:\.\d+)?)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What a tree's place asks of a guard.

    Attributes
    ----------
    snow_mm, flood_mm : float
        Lasting snow, drift and pile included, and flood depth at the stem.
    pile_mm : float
        Of the snow, what plough or blower piled up. Rabbits, voles and beavers walk up a pile; deer stand on the
        settled snow beside it.
    deer : tuple of str
        Kinds of deer about; a guard must stop them all.
    stem_mm : float
        Caliper of the stem; nan where unknown.
    southern : bool
        Seasons shift six months.
    """

    snow_mm: float = 0.0
    flood_mm: float = 0.0
    pile_mm: float = 0.0
    deer: tuple[str, ...] = ("white_tailed",)
    stem_mm: float = float("nan")
    southern: bool = False

    def above_mm(self, what: str) -> float:
        """Return the depth that a height is counted above."""
        settled_mm = max(self.snow_mm - self.pile_mm, 0.0)
        return {"": 0.0, "snow": self.snow_mm, "half_snow": settled_mm / 2, "flood": self.flood_mm}[what]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clause:
    """One comparison of a demand; `words` for clauses that compare words, `number_mm` for the others."""

    measure: str
    sense: str  # "=", "<=", ">=", "on"
    words: tuple[str, ...] = ()
    above: str = ""
    number_mm: float = 0.0

    def needed_mm(self, ground: Ground) -> float:
        """Return the number the measure is compared with at this place."""
        return self.number_mm + ground.above_mm(self.above)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to stop an agent: every clause must hold."""

    row: Demand
    level: int
    deer: tuple[str, ...]  # kinds it speaks of; empty: all
    clauses: tuple[Clause, ...]


@cache
def ways_against(agent: str) -> tuple[Way, ...]:
    """Return the ways to stop an agent, in the order of the demand table."""
    return tuple(_way(row) for row in tables.demands() if row.agent == agent)


def _way(row: Demand) -> Way:
    """One row of the demand table, its figures parsed."""
    clauses = [_clause(text.strip()) for text in row.figures.split(";")]
    deer = next((clause.words for clause in clauses if clause.measure == "deer"), ())
    kept = tuple(clause for clause in clauses if clause.measure != "deer")
    return Way(row=row, level=LEVELS[row.answer], deer=deer, clauses=kept)


def _clause(text: str) -> Clause:
    """One clause such as opening_mm<=6.4, top_mm>=snow+150, kind=tube|cylinder or on=4-10."""
    found = NUMBER_CLAUSE.fullmatch(text)
    if found:
        return Clause(
            measure=found["measure"],
            sense=found["sense"],
            above=found["above"] or "",
            number_mm=float(found["number"]),
        )
    measure, _, value = text.partition("=")
    if measure == "on":
        first, _, last = value.partition("-")
        return Clause(measure="on", sense="on", words=(first, last))
    if measure not in WORD_CLAUSES or not value:
        raise ValueError(f"demands.csv: {text!r} is no clause")
    return Clause(measure=measure, sense="=", words=tuple(value.split("|")))


def months_of(first: int | None, last: int | None, *, southern: bool = False) -> frozenset[int]:
    """Return the months from `first` to `last`, round the year's end; all twelve where either is open.

    Examples
    --------
    >>> sorted(months_of(11, 4))
    [1, 2, 3, 4, 11, 12]
    >>> sorted(months_of(11, 4, southern=True))
    [5, 6, 7, 8, 9, 10]
    >>> len(months_of(4, None))
    12
    """
    if first is None or last is None:
        return frozenset(range(1, 13))
    span = (last - first) % 12
    shift = 6 if southern else 0
    return frozenset((first - 1 + step + shift) % 12 + 1 for step in range(span + 1))
