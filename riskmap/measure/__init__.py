"""How the ground lies from each tree: exact distances by role, and raster values."""

from __future__ import annotations

from riskmap.measure.engines import engine_name
from riskmap.measure.exposures import measure_exposures
from riskmap.measure.rasters import measure_rasters

__all__ = ["engine_name", "measure_exposures", "measure_rasters"]
