"""Exposure -> pressure: how hard each agent bears on each tree."""

from __future__ import annotations

from riskmap.score.pressure import note_species, score_pressure
from riskmap.score.species import match_species

__all__ = ["match_species", "note_species", "score_pressure"]
