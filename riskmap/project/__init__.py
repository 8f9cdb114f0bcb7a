"""Inputs to a Site in metres: the one gate through which coordinates change their system."""

from __future__ import annotations

from riskmap.project.gate import Footing, project_inputs, project_part
from riskmap.project.near import near_trees
from riskmap.project.plain import Places, place_points, place_shapes

__all__ = ["Footing", "Places", "near_trees", "place_points", "place_shapes", "project_inputs", "project_part"]
