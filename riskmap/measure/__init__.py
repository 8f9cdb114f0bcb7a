"""How the ground lies from each tree: exact distances by role, and raster values."""

from __future__ import annotations

from riskmap.measure.engines import engine_name
from riskmap.measure.exposures import measure_exposures
from riskmap.measure.near import Near, look_near
from riskmap.measure.pieces import morton_order
from riskmap.measure.rasters import measure_rasters
from riskmap.measure.shapes import Shapes, Wkb

__all__ = [
    "Near",
    "Shapes",
    "Wkb",
    "engine_name",
    "look_near",
    "measure_exposures",
    "measure_rasters",
    "morton_order",
]
