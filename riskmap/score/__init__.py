"""Exposure -> pressure: how hard each agent bears on each tree."""

from __future__ import annotations

from riskmap.score.lost_names import LostNames
from riskmap.score.pressure import score_pressure
from riskmap.score.species import match_species

__all__ = ["LostNames", "match_species", "score_pressure"]
