"""How a role's layers and the rasters lie from each tree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from riskmap.model.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Exposure", "RasterValues"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """One role, seen from every tree; all arrays have shape (tree,).

    known & isnan(distance_m) means surveyed and farther than the reach (or `nowhere`): pressure 0.
    ~known means not surveyed at this tree (unplaced, or outside the layer's `covers`): not scored.
    """

    role: str
    reach_m: float
    distance_m: FloatArray  # ground metres; 0 inside; nan past the reach or unknown
    inside: BoolArray  # False where nan
    edge_m: FloatArray  # to the nearest ring of any polygon of the role; nan where none in reach
    nearest_layer: IntArray  # layer number, 0 where none
    nearest_feature: IntArray  # feature number in the file before keep, 0 where none
    known: BoolArray
    edge_of_data: BoolArray  # the survey ends nearer than the nearest feature found and than the reach
    everywhere: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterValues:
    """One raster at every tree."""

    name: str
    value: FloatArray  # scaled; nan where nodata or outside
    status: npt.NDArray[np.int8]  # 0 value, 1 nodata, 2 outside (also: tree has no place)

    STATUS_WORDS = ("value", "nodata", "outside")
