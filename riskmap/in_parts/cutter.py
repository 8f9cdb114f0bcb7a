"""A site cut into parts by space: some of its trees, and the ground that can matter to them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from riskmap import tables
from riskmap.measure import morton_order
from riskmap.measure.reaches import role_reach_m
from riskmap.model import BoolArray, FloatArray, GroundLayer, IntArray, Site
from riskmap.model.part import take_rows

__all__ = ["Cutter", "cut_trees", "halo_m"]

SPARE_M: Final = 50.0  # beyond every reach: nothing that is looked at lies so near the edge of a part


def cut_trees(site: Site, most: int) -> list[IntArray]:
    """Cut the trees into parts of about equal size, near ones together; those without a place stand in the last ones.

    Parameters
    ----------
    site : Site
        In metres.
    most : int
        Trees of one part at most.

    Returns
    -------
    list of ndarray
        Rows of each part, in file order; every row stands in one part.
    """
    placed = np.flatnonzero(site.trees.placed)
    order = placed[morton_order(site.trees.x_m[placed], site.trees.y_m[placed])]
    every = np.concatenate([order, np.flatnonzero(~site.trees.placed)])
    parts = max(1, -(-len(every) // most))
    return [np.sort(part) for part in np.array_split(every, parts)]


def halo_m(site: Site) -> float:
    """Return how far from a tree any ground can still matter, in the working CRS. [m]"""
    settings = site.inputs.settings
    roles = {layer.role for layer in site.layers}
    reach_m = max((role_reach_m(role, settings) for role in roles), default=0.0)
    drift_m = tables.figures(settings.overrides)["stem"]["drift_reach_m"]
    widest_m = max((float(np.nanmax(layer.data.width_m, initial=0.0)) for layer in site.layers), default=0.0)
    scale = float(site.trees.scale.max(initial=1.0))
    return (max(reach_m, drift_m, settings.measure.report_within_m) + widest_m + SPARE_M) * scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutter:
    """Cuts parts out of one site; its ground is indexed once."""

    site: Site
    halo_m: float
    boxes: tuple[FloatArray, ...]  # by layer: bounds of every feature

    @classmethod
    def of(cls, site: Site) -> Cutter:
        """Index a site."""
        return cls(
            site=site,
            halo_m=halo_m(site),
            boxes=tuple(shapely.bounds(layer.geometry).reshape(-1, 4) for layer in site.layers),
        )

    def part(self, rows: IntArray) -> Site:
        """Return the site of some trees: measuring and scoring them there gives what the whole site gives.

        Parameters
        ----------
        rows : ndarray
            Rows of the trees. Layers keep their features in order, with at least one of each layer that has any, so
            that a role surveyed elsewhere counts as surveyed here.
        """
        site = self.site
        trees = take_rows(site.trees, rows, n=site.trees.n)
        layers = tuple(self._near(layer, boxes, trees.x_m, trees.y_m)
                       for layer, boxes in zip(site.layers, self.boxes, strict=True))  # fmt: skip
        return replace(
            site,
            inputs=replace(site.inputs, trees=trees.table, layers=()),
            trees=trees,
            layers=layers,
            rasters=tuple(take_rows(raster, rows, n=site.trees.n) for raster in site.rasters),
        )

    def _near(self, layer: GroundLayer, boxes: FloatArray, x_m: FloatArray, y_m: FloatArray) -> GroundLayer:
        """One layer without the features that are out of reach of all the trees."""
        near = self._meet(boxes, x_m, y_m)
        if not near.any():
            near[:1] = True
        data = layer.data
        cut = replace(data, feature=data.feature[near], width_m=data.width_m[near], geometry=data.geometry[:0])
        return replace(layer, data=cut, geometry=layer.geometry[near])

    def _meet(self, boxes: FloatArray, x_m: FloatArray, y_m: FloatArray) -> BoolArray:
        """Which bounds come within the halo of the trees' box."""
        west, south, east, north = boxes.T
        if not np.isfinite(x_m).any():
            return np.zeros(len(boxes), dtype=bool)
        low_x, high_x = np.nanmin(x_m) - self.halo_m, np.nanmax(x_m) + self.halo_m
        low_y, high_y = np.nanmin(y_m) - self.halo_m, np.nanmax(y_m) + self.halo_m
        meet: BoolArray = (west <= high_x) & (east >= low_x) & (south <= high_y) & (north >= low_y)
        return meet
