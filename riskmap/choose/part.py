"""A guard as it would stand at one tree: one height, one stand-off, buried or not."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from riskmap.choose.demand import months_of
from riskmap.choose.words import height_words
from riskmap.model import Guard

__all__ = ["CLASPING", "ENCLOSING", "Part"]

CLASPING: Final = frozenset({"wrap", "spiral", "halfwrap", "collar", "paint"})  # lie on the bark
ENCLOSING: Final = frozenset({"cylinder", "frame", "line"})  # stand round what is inside

WALL_MM: Final = 5.0  # thickness of mesh or wrap with its fastenings
SIZED: Final = re.compile(r"\d in$")  # the label already ends in a height


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One guard at one height and stand-off.

    Attributes
    ----------
    height_mm : float
        Height sold or cut, burial included; 0 for ground measures.
    standoff_mm : float
        Gap between stem and guard.
    buried : bool
        False where the ground lets nothing be buried (pits, grates, planters).
    """

    guard: Guard
    height_mm: float
    standoff_mm: float = 0.0
    buried: bool = True

    @property
    def burial_mm(self) -> float:
        """Depth in the soil."""
        return (self.guard.burial_mm or 0.0) if self.buried else 0.0

    @property
    def top_mm(self) -> float:
        """Height of the top above the ground."""
        return self.height_mm - self.burial_mm

    def measure(self, name: str) -> float | None:
        """Return one measure as demands name it; None where the guard has none."""
        guard, stands = self.guard, self.height_mm > 0
        measures = {
            "top_mm": self.top_mm if stands else None,
            "burial_mm": self.burial_mm if stands else None,
            "standoff_mm": self.standoff_mm,
            "opening_mm": guard.opening_mm if guard.opening_top_mm is None else guard.opening_top_mm,
            "tight_opening_mm": guard.opening_mm,
            "tight_mm": min(guard.tight_height_mm or self.top_mm, self.top_mm) if stands else None,
            "wire_mm": guard.wire_mm,
            "ring_radius_mm": guard.ring_radius_mm,
        }
        return measures[name]

    def months(self, *, southern: bool = False) -> frozenset[int]:
        """Months in which it is on."""
        return months_of(self.guard.on_month, self.guard.off_month, southern=southern)

    @property
    def outer_mm(self) -> float:
        """Distance from the bark of a thin stem to its outer face: what an outer guard must clear."""
        if self.guard.diameter_mm:
            return max(self.guard.diameter_mm / 2, self.standoff_mm)
        return self.standoff_mm + WALL_MM

    def label(self, units: str = "metric") -> str:
        """Return its name with its size."""
        if self.guard.kind in {"ground", "spray"} or SIZED.search(self.guard.label):
            return self.guard.label
        return f"{self.guard.label}, {height_words(self.height_mm, units)}"
