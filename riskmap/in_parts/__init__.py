"""The main job part by part: more trees than one process, or one machine, should hold at once."""

from __future__ import annotations

from riskmap.in_parts.cutter import Cutter, cut_trees
from riskmap.in_parts.measuring import measure_in_parts, measured_by
from riskmap.in_parts.path import Size, begin_parts, finish_parts, parts_kept

__all__ = [
    "Cutter",
    "Size",
    "begin_parts",
    "cut_trees",
    "finish_parts",
    "measure_in_parts",
    "measured_by",
    "parts_kept",
]
