"""Inputs to a Site in metres: the one gate through which coordinates change their system."""

from __future__ import annotations

from riskmap.project.gate import Footing, already_said, notes_of_moving, project_inputs, project_part
from riskmap.project.near import Nearness, near_trees
from riskmap.project.outlook import Box, Outlook
from riskmap.project.plain import Places, place_points, place_shapes

__all__ = [
    "Box",
    "Footing",
    "Nearness",
    "Outlook",
    "Places",
    "already_said",
    "near_trees",
    "notes_of_moving",
    "place_points",
    "place_shapes",
    "project_inputs",
    "project_part",
]
