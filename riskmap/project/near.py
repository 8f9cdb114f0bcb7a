"""Where the ground can matter to the trees, in the CRS of any layer: asked before big layers are read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import TypeAlias

import pyproj

from riskmap.errors import InputError
from riskmap.model import Inputs, Settings, TreeTable
from riskmap.project.gate import Whereabouts, whereabouts
from riskmap.project.ground import NEAR_180_DEG, in_degrees
from riskmap.project.working import LARGEST_SCALE

__all__ = ["near_trees"]

IN_SIGHT_M = 50_000.0  # a layer with nothing nearer is read whole, to say how far off it is

Boxes: TypeAlias = tuple[tuple[float, float, float, float], ...]  # west, south, east, north


def near_trees(settings: Settings, table: TreeTable) -> Callable[[pyproj.CRS, bool], Boxes]:
    """Return what tells in any CRS where a feature can matter to the trees.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    table : TreeTable
        The trees as read; they are placed once, when first asked for.

    Returns
    -------
    callable
        Of a CRS, and whether wide: boxes that every feature meets by its bounds which `project_inputs` would bring
        over (or, wide, which lies in sight); none where that can't be told, so that all must be read.
    """

    @cache
    def found() -> Whereabouts | None:
        try:
            return whereabouts(Inputs(settings=settings, trees=table, layers=(), rasters=(), read_as=()))
        except InputError:  # said when they are projected
            return None

    def near(crs: pyproj.CRS, wide: bool) -> Boxes:
        site = found()
        if site is None:
            return ()
        degrees = in_degrees(crs)
        if degrees and abs(site.middle[0]) > NEAR_180_DEG:  # there shapes are unrolled vertex by vertex
            return ()
        margin_m = max(site.window.margin_m, LARGEST_SCALE * IN_SIGHT_M) if wide else site.window.margin_m
        window = replace(site.window, margin_m=margin_m)
        way = site.steps.way(crs, site.crs, file="")
        box = window.box() if way.same else window.box_in(way)
        if box is None:
            return ()
        west, south, east, north = box
        return tuple((west + turn, south, east + turn, north) for turn in ((0.0, 360.0, -360.0) if degrees else (0.0,)))

    return near
