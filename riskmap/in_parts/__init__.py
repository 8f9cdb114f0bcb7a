"""The main job part by part: more trees than one process, or one machine, should hold at once."""

from __future__ import annotations

from riskmap.in_parts.cutter import Cutter, cut_trees
from riskmap.in_parts.measuring import measure_in_parts, measured_by
from riskmap.in_parts.path import Size, Steps, work_at_once_or_in_parts

__all__ = ["Cutter", "Size", "Steps", "cut_trees", "measure_in_parts", "measured_by", "work_at_once_or_in_parts"]
