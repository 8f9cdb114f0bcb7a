"""Ways to map a function over parts: here, in processes of this machine, on a cluster. Knows no station."""

from __future__ import annotations

from riskmap.scale.crew import HERE, Crew, open_crew

__all__ = ["HERE", "Crew", "open_crew"]
