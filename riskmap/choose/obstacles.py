"""Where a shared fence can stand: clear of water, drives and roads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.model import BoolArray, FloatArray, Site

__all__ = ["Obstacles", "cut_small"]

CLEAR_OF: Final = frozenset({"water", "driveway", "road"})
CLEAR_M: Final = 0.5  # a fence keeps this far from water, drives and roads
CORNERS: Final = 4  # a quarter circle of a fence line has so many sides
MOST_CORNERS: Final = 128  # of one piece of an obstacle: a link meets a piece at a price that grows with its corners
TINY_M: Final = 1.0  # smaller pieces are not cut further


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacles:
    """What a fence may not cross."""

    tree: shapely.STRtree
    pieces: shapely.STRtree  # the same ground cut small
    shapes: npt.NDArray[np.object_]
    half_m: FloatArray  # half the width of lines

    @classmethod
    def of(cls, site: Site) -> Obstacles:
        """Gather water, drives and roads."""
        layers = [layer for layer in site.layers if layer.role in CLEAR_OF]
        shapes = np.concatenate([np.empty(0, dtype=object), *(layer.geometry for layer in layers)])
        width_m = np.concatenate([np.empty(0), *(layer.data.width_m for layer in layers)])
        return cls(
            tree=shapely.STRtree(shapes),
            pieces=shapely.STRtree(cut_small(shapes)),
            shapes=shapes,
            half_m=np.nan_to_num(width_m, nan=0.0) / 2,
        )

    def crosses(self, start_m: FloatArray, end_m: FloatArray) -> BoolArray:
        """Return which straight links cross any of it."""
        links = shapely.linestrings(np.stack([start_m, end_m], axis=1))
        crossed = np.zeros(len(links), dtype=bool)
        crossed[np.unique(self.pieces.query(links, predicate="intersects")[0])] = True
        return crossed

    def clear(self, xy_m: FloatArray, standoff_m: float) -> BoolArray:
        """Return which trees lie so far off that no fence round them is cut back there."""
        within_m = standoff_m + CLEAR_M + self.half_m
        near = shapely.STRtree(shapely.points(xy_m)).query(self.shapes, predicate="dwithin", distance=within_m)[1]
        clear = np.ones(len(xy_m), dtype=bool)
        clear[near] = False
        return clear

    def area(self, xy_m: FloatArray, standoff_m: float) -> Any:
        """Return the ground inside a fence round some trees, cut back from obstacles; None where it can't stand."""
        trees = shapely.multipoints(xy_m)
        whole = shapely.buffer(shapely.convex_hull(trees), standoff_m, quad_segs=CORNERS)
        near = self.tree.query(whole, predicate="intersects")
        if len(near):
            round_it = shapely.buffer(whole, CLEAR_M + float(self.half_m[near].max()))
            there = shapely.buffer(shapely.intersection(self.shapes[near], round_it), CLEAR_M + self.half_m[near])
            cut = shapely.difference(whole, shapely.union_all(there))
            whole = next((part for part in shapely.get_parts(cut) if shapely.contains(part, trees)), None)
        if whole is None or shapely.get_num_interior_rings(whole):
            return None
        return whole

    def length_m(self, xy_m: FloatArray, standoff_m: float) -> float | None:
        """Return the length of a fence round some trees; None where it can't stand."""
        area = self.area(xy_m, standoff_m)
        return None if area is None else float(area.length)


def cut_small(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return shapes in pieces that cover the same ground, none of them with many corners unless it is tiny."""
    small = []
    while len(shapes):
        west, south, east, north = shapely.bounds(shapes).T
        wide_m, tall_m = east - west, north - south
        done = (shapely.get_num_coordinates(shapes) <= MOST_CORNERS) | (np.maximum(wide_m, tall_m) < TINY_M)
        small.append(shapes[done])
        across = wide_m >= tall_m
        to_x, to_y = np.where(across, west + wide_m / 2, east + 1), np.where(across, north + 1, south + tall_m / 2)
        from_x, from_y = np.where(across, to_x, west - 1), np.where(across, south - 1, to_y)
        halves = (shapely.box(west - 1, south - 1, to_x, to_y), shapely.box(from_x, from_y, east + 1, north + 1))
        cut = np.concatenate([shapely.intersection(shapes[~done], half[~done]) for half in halves])
        shapes = cut[~shapely.is_empty(cut)]
    return np.concatenate([np.empty(0, dtype=object), *small])
