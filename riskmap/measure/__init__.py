"""How the ground lies from each tree: exact distances by role, and raster values."""

from __future__ import annotations

from riskmap.measure.engines import Engine, engine_name, find_engine
from riskmap.measure.exposures import measure_exposures
from riskmap.measure.near import Near, look_near
from riskmap.measure.order import morton_order, spread_bits
from riskmap.measure.rasters import measure_rasters
from riskmap.measure.shapes import Look, Shapes, Wkb
from riskmap.measure.shares import cover_share

__all__ = [
    "Engine",
    "Look",
    "Near",
    "Shapes",
    "Wkb",
    "cover_share",
    "engine_name",
    "find_engine",
    "look_near",
    "measure_exposures",
    "measure_rasters",
    "morton_order",
    "spread_bits",
]
