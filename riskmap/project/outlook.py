"""What all trees of a site settle for its ground, fit to be sent to whoever works on some of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import pyproj

from riskmap.model import GroundLayer, LayerData
from riskmap.project.gate import Whereabouts
from riskmap.project.ground import NEAR_180_DEG, Window, in_degrees, move_layer
from riskmap.project.steps import Steps

__all__ = ["Box", "Boxes", "Brought", "Outlook", "boxes_in"]

Box: TypeAlias = tuple[float, float, float, float]  # west, south, east, north
Boxes: TypeAlias = tuple[Box, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """Some features of a layer in the working CRS, the numbers of those that came to grief, and which way they took."""

    ground: GroundLayer
    lost: tuple[int, ...]
    mended: tuple[int, ...]
    way: Sequence[dict[str, object]]  # datum step: file, from, to, operation, accuracy_m; empty: none


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """From where the ground is looked at.

    Attributes
    ----------
    crs : pyproj.CRS
        The working one.
    middle : tuple of float
        Longitude and latitude of the site.
    area : tuple of float or None
        West, south, east, north of nine trees in ten, in degrees.
    window : Window
        Two corners of the box that holds all trees, and the margin round it.
    """

    crs: pyproj.CRS
    middle: tuple[float, float]
    area: tuple[float, float, float, float] | None
    window: Window

    @classmethod
    def of(cls, site: Whereabouts) -> Outlook:
        """Return it without the trees."""
        x_m, y_m = (np.array([axis.min(), axis.max()]) for axis in (site.window.x_m, site.window.y_m))
        window = replace(site.window, x_m=x_m, y_m=y_m)
        return cls(crs=site.crs, middle=site.middle, area=site.steps.area, window=window)

    def boxes(self, crs: pyproj.CRS, box: Box | None = None, margin_m: float = 0.0) -> Boxes:
        """Return where, in the CRS of a layer, a feature can matter to the trees in a box; none: nobody can tell.

        Parameters
        ----------
        crs : pyproj.CRS
            Of the layer.
        box : tuple of float, optional
            Where some of the trees stand, in the working CRS; of all where not given. [m]
        margin_m : float
            How far from these trees anything can matter. [m]
        """
        window = self.window
        if box is not None:
            window = Window(x_m=np.array([box[0], box[2]]), y_m=np.array([box[1], box[3]]), margin_m=margin_m)
        return boxes_in(crs, Whereabouts(crs=self.crs, window=window, middle=self.middle, steps=Steps(self.area)))

    def bring(self, data: LayerData) -> Brought:
        """Bring features over just as they come over with all the others of their layer.

        Parameters
        ----------
        data : LayerData
            Some features of a layer, in its own CRS.
        """
        steps, source = Steps(self.area), data.source
        way = steps.way(data.crs, self.crs, file=source.file, layer=source.layer or source.role)
        moved = move_layer(data, way, self.window, self.middle)
        return Brought(ground=moved.ground, lost=moved.lost, mended=moved.mended, way=steps.records)


def boxes_in(crs: pyproj.CRS, site: Whereabouts) -> Boxes:
    """Return the window of a site in the CRS of a layer, in degrees also a turn to the east and west; none: unknown."""
    degrees = in_degrees(crs)
    if degrees and abs(site.middle[0]) > NEAR_180_DEG:  # there shapes are unrolled vertex by vertex
        return ()
    way = site.steps.way(crs, site.crs, file="")
    box = site.window.box() if way.same else site.window.box_in(way)
    if box is None:
        return ()
    west, south, east, north = box
    return tuple((west + turn, south, east + turn, north) for turn in ((0.0, 360.0, -360.0) if degrees else (0.0,)))
