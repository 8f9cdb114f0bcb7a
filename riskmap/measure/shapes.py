"""The shapes of one role in the order in which ties are settled, and what an engine finds among them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.model import BoolArray, FloatArray, GroundLayer, IntArray

__all__ = ["TIE_M", "Found", "Look", "Shapes", "Wkb", "gather_shapes"]

TIE_M = 1e-6  # features within this of the least distance are equally near: the first in order is named


@dataclass(frozen=True, slots=True, kw_only=True)
class Wkb:
    """Shapes as well-known binary: shape i lies in data[offset[i]:offset[i + 1]], nothing there where it is null."""

    data: Any  # anything with the buffer protocol
    offset: IntArray

    @classmethod
    def of(cls, geometry: npt.NDArray[np.object_]) -> Wkb:
        """Write shapes down; null ones take no bytes."""
        written = [shape or b"" for shape in shapely.to_wkb(geometry, byte_order=1)]
        offset = np.zeros(len(written) + 1, dtype=np.int64)
        np.cumsum(np.fromiter(map(len, written), dtype=np.int64, count=len(written)), out=offset[1:])
        return cls(data=b"".join(written), offset=offset)

    @classmethod
    def joined(cls, several: Sequence[Wkb]) -> Wkb:
        """Put some one after the other."""
        if len(several) == 1:
            return several[0]
        data = [memoryview(one.data)[int(one.offset[0]) : int(one.offset[-1])] for one in several]
        size = np.concatenate([np.diff(one.offset) for one in several])
        return cls(data=b"".join(data), offset=np.concatenate([[0], np.cumsum(size)]).astype(np.int64))

    def geometry(self, some: IntArray | None = None) -> npt.NDArray[np.object_]:
        """Read all shapes, or some; None where null."""
        whole, chosen = memoryview(self.data), slice(None) if some is None else some
        ends = zip(self.offset[:-1][chosen].tolist(), self.offset[1:][chosen].tolist(), strict=True)
        pieces = [bytes(whole[a:b]) or None for a, b in ends]
        shapes: npt.NDArray[np.object_] = shapely.from_wkb(np.array(pieces, dtype=object))
        return shapes


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """All features of a role, in (layer, feature) order; arrays of shape (feature,). The place is the rank."""

    given: npt.NDArray[np.object_] | Wkb
    half_width_m: FloatArray  # of its lines, on the ground; 0 where no width is given
    layer: IntArray  # layer number
    feature: IntArray  # feature number in the file

    def geometry(self) -> npt.NDArray[np.object_]:
        """Return the features as shapely geometries."""
        return self.given.geometry() if isinstance(self.given, Wkb) else self.given

    def wkb(self) -> Wkb:
        """Return the features as bytes."""
        return self.given if isinstance(self.given, Wkb) else Wkb.of(self.given)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What lies near each point; arrays of shape (point,), ground metres, nan beyond the reach."""

    edge_m: FloatArray  # nearest ring of any polygon
    drawn_m: FloatArray  # nearest ring, line (half its width taken off, never below 0) or point
    rank: npt.NDArray[np.int32]  # first feature among those within TIE_M of `drawn_m`; -1 where none
    within_width: BoolArray  # stands within the given width of a line
    inside_point: IntArray  # pairs: this point lies inside (or on the edge of) a polygon of this feature
    inside_rank: IntArray

    def part(self, part: slice) -> Found:
        """Return what was found from some of the points."""
        start, stop, _ = part.indices(len(self.rank))
        there = (self.inside_point >= start) & (self.inside_point < stop)
        return Found(
            edge_m=self.edge_m[part],
            drawn_m=self.drawn_m[part],
            rank=self.rank[part],
            within_width=self.within_width[part],
            inside_point=self.inside_point[there] - start,
            inside_rank=self.inside_rank[there],
        )


Look: TypeAlias = Callable[[slice], Found]  # from some of the points that shapes were laid out for


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
        given=geometry[order],
        half_width_m=np.where(width_m > 0.0, width_m, 0.0)[order] / 2,
        layer=number[order],
        feature=feature[order],
    )
