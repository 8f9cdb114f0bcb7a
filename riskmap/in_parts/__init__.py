"""The main job part by part: more trees than one process, or one machine, should hold at once."""

from __future__ import annotations

from riskmap.in_parts.cutter import Cutter, cut_trees, halo_m
from riskmap.in_parts.measuring import measure_in_parts, measured_by

__all__ = ["Cutter", "cut_trees", "halo_m", "measure_in_parts", "measured_by"]
