"""The shapes of one role in the order in which ties are settled, and what an engine finds among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from riskmap.model import BoolArray, FloatArray, GroundLayer, IntArray

__all__ = ["TIE_M", "Found", "Shapes", "gather_shapes"]

TIE_M = 1e-6  # features within this of the least distance are equally near: the first in order is named


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """All features of a role, in (layer, feature) order; arrays of shape (feature,). The place is the rank."""

    geometry: npt.NDArray[np.object_]
    half_width_m: FloatArray  # of its lines, on the ground; 0 where no width is given
    layer: IntArray  # layer number
    feature: IntArray  # feature number in the file


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What lies near each point; arrays of shape (point,), ground metres, nan beyond the reach."""

    edge_m: FloatArray  # nearest ring of any polygon
    drawn_m: FloatArray  # nearest ring, line (half its width taken off, never below 0) or point
    rank: IntArray  # first feature among those within TIE_M of `drawn_m`; -1 where none
    within_width: BoolArray  # stands within the given width of a line
    inside_point: IntArray  # pairs: this point lies inside (or on the edge of) a polygon of this feature
    inside_rank: IntArray


def gather_shapes(layers: Sequence[GroundLayer]) -> Shapes:
    """Put the features of all layers of one role in order.

    Parameters
    ----------
    layers : sequence of GroundLayer
        Of one role.
    """
    geometry = np.concatenate([np.asarray(layer.geometry, dtype=object) for layer in layers])
    number = np.concatenate([np.full(len(layer.geometry), layer.number, dtype=np.int64) for layer in layers])
    feature = np.concatenate([layer.data.feature for layer in layers]).astype(np.int64)
    width_m = np.concatenate([layer.data.width_m for layer in layers])
    order = np.lexsort((feature, number))
    return Shapes(
        geometry=geometry[order],
        half_width_m=np.where(width_m > 0.0, width_m, 0.0)[order] / 2,
        layer=number[order],
        feature=feature[order],
    )
