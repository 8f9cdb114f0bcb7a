"""Inputs to a Site in metres: the one gate through which coordinates change their system."""

from __future__ import annotations

from riskmap.project.gate import project_inputs

__all__ = ["project_inputs"]
