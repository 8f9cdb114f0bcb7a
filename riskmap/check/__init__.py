"""Looks over what was read and placed, and joins the findings of every station at the end."""

from __future__ import annotations

from riskmap.check.gather import gather_result
from riskmap.check.inputs import IDS_REMEDY, check_inputs, ids_repeated, list_inputs
from riskmap.check.site import Cloud, check_site

__all__ = [
    "IDS_REMEDY",
    "Cloud",
    "check_inputs",
    "check_site",
    "gather_result",
    "ids_repeated",
    "list_inputs",
]
