"""Collects what is to be said of one layer while it is read."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from riskmap.errors import Problem
from riskmap.model import Assumption, LayerSource, Note, ReadAs, Repair

__all__ = ["MOST_LISTED", "LayerSayings"]

MOST_LISTED: Final = 20


class LayerSayings:
    """Faults, notes, repairs and assumptions of one layer.

    Parameters
    ----------
    source : LayerSource
        The block of site.toml.
    name : str
        The layer's name in its file, "" where it has none.
    """

    def __init__(self, source: LayerSource, name: str) -> None:
        self.source, self.name = source, name
        self.problems: list[Problem] = []
        self.notes: list[Note] = []
        self.repaired: list[Repair] = []
        self.assumptions: list[Assumption] = []
        self.read_as: list[ReadAs] = []

    def take(self, other: LayerSayings) -> None:
        """Add all that was said of another file (not its assumptions)."""
        self.problems += other.problems
        self.notes += other.notes
        self.repaired += other.repaired
        self.read_as += other.read_as

    def fault(self, what: str, remedy: str, key: str, *, column: str = "") -> None:
        """Add one fault of this layer."""
        self.problems.append(
            Problem(
                file=self.source.file, layer=self.name, column=column, what=what, remedy=remedy, key=f"layers.{key}"
            )
        )

    def note(self, code: str, what: str, remedy: str, *, features: npt.ArrayLike = (), column: str = "") -> None:
        """Add one note of this layer, its features the first 20."""
        numbers = np.atleast_1d(np.asarray(features, dtype=np.int64))
        self.notes.append(
            Note(
                code=code,
                file=self.source.file,
                layer=self.name,
                column=column,
                what=what,
                remedy=remedy,
                count=max(1, len(numbers)),
                rows=tuple(int(number) for number in numbers[:MOST_LISTED]),
            )
        )

    def assume(self, what: str, taken: str, why: str) -> None:
        """Add one assumption of this layer."""
        place = f"{what}.{self.source.file}" + (f".{self.name}" if self.name else "")
        self.assumptions.append(Assumption(topic=place, taken=taken, why=why, key=f"layers.{what}"))

    def repair(self, feature: int, what: str, why: str) -> Repair:
        """One entry of the list of repairs."""
        return Repair(file=self.source.file, layer=self.name, feature=feature, what=what, why=why)
