"""Looks over what was read and placed, and joins the findings of every station at the end."""

from __future__ import annotations

from riskmap.check.gather import gather_result
from riskmap.check.inputs import check_inputs, list_inputs
from riskmap.check.site import check_site

__all__ = ["check_inputs", "check_site", "gather_result", "list_inputs"]
