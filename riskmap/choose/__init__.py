"""Pressure and guards -> what to do at each tree: the cheapest guards that stop what must be stopped."""

from __future__ import annotations

from riskmap.choose.guards import choose_guards, part_steps
from riskmap.choose.part_share import PartSteps, Share

__all__ = ["PartSteps", "Share", "choose_guards", "part_steps"]
