"""A site cut into parts by space: some of its trees, and the ground that can matter to them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from riskmap import tables
from riskmap.measure import morton_order
from riskmap.measure.reaches import role_reach_m
from riskmap.model import FloatArray, GroundLayer, IntArray, Site
from riskmap.model.part import take_rows

__all__ = ["Cutter", "cut_trees", "halo_m", "matters_within_m", "some_trees"]

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


def halo_m(layer: GroundLayer, site: Site) -> float:
    """Return how far from a tree the ground of one layer can still matter, in the working CRS. [m]"""
    return matters_within_m(layer.role, float(np.nanmax(layer.data.width_m, initial=0.0)), site)


def matters_within_m(role: str, widest_m: float, site: Site) -> float:
    """Return how far from a tree the ground of one role can still matter, in the working CRS. [m]

    Parameters
    ----------
    role : str
        Key of the role.
    widest_m : float
        Width of its widest line. [m]
    site : Site
        The trees, and the figures of the site.
    """
    settings, scale = site.inputs.settings, float(site.trees.scale.max(initial=1.0))
    drift_m = tables.figures(settings.overrides)["stem"]["drift_reach_m"] if role == "barrier" else 0.0
    roles = tables.roles() if role == "study_area" else [role]  # its edge is looked at from every role
    reach_m = max(*(role_reach_m(one, settings) for one in roles), drift_m, settings.measure.report_within_m)
    return (reach_m + widest_m + SPARE_M) * scale


def some_trees(site: Site, rows: IntArray) -> Site:
    """Return a site with some of its trees, and all of its ground."""
    trees = take_rows(site.trees, rows, n=site.trees.n)
    rasters = tuple(take_rows(raster, rows, n=site.trees.n) for raster in site.rasters)
    inputs = replace(site.inputs, trees=trees.table, layers=())
    return replace(site, inputs=inputs, trees=trees, rasters=rasters)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutter:
    """Cuts parts out of one site; its ground is indexed once."""

    site: Site
    boxes: tuple[FloatArray, ...]  # by layer: bounds of every feature, and its halo round them

    @classmethod
    def of(cls, site: Site) -> Cutter:
        """Index a site."""
        return cls(
            site=site,
            boxes=tuple(
                shapely.bounds(layer.geometry).reshape(-1, 4) + np.array([-1, -1, 1, 1]) * halo_m(layer, site)
                for layer in site.layers
            ),
        )

    def part(self, rows: IntArray) -> Site:
        """Return the site of some trees: measuring and scoring them there gives what the whole site gives.

        Parameters
        ----------
        rows : ndarray
            Rows of the trees. Layers keep their features in order, with at least one of each layer that has any, so
            that a role surveyed elsewhere counts as surveyed here.
        """
        return self.cut(some_trees(self.site, rows))

    def cut(self, part: Site) -> Site:
        """Return a part with the ground that can matter to its trees, and no other."""
        layers = tuple(self._near(layer, boxes, part.trees.x_m, part.trees.y_m)
                       for layer, boxes in zip(self.site.layers, self.boxes, strict=True))  # fmt: skip
        return replace(part, layers=layers)

    def _near(self, layer: GroundLayer, boxes: FloatArray, x_m: FloatArray, y_m: FloatArray) -> GroundLayer:
        """One layer without the features that are out of reach of all the trees."""
        near = np.zeros(len(boxes), dtype=bool)
        if np.isfinite(x_m).any():
            west, south, east, north = boxes.T
            near = (west <= np.nanmax(x_m)) & (east >= np.nanmin(x_m))
            near &= (south <= np.nanmax(y_m)) & (north >= np.nanmin(y_m))
        if not near.any():
            near[:1] = True
        data = layer.data
        cut = replace(data, feature=data.feature[near], width_m=data.width_m[near], geometry=data.geometry[:0])
        return replace(layer, data=cut, geometry=layer.geometry[near])
