"""What the prevailing wind does to snow and salt: farther down the wind, less far up it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from riskmap.model import Exposure, FloatArray, IntArray, Site
from riskmap.rules import Figures

__all__ = ["wind_factor"]

SIDE_DEG = 45.0  # on either side of straight down or up the wind


def wind_factor(site: Site, exposure: Exposure, figures: Figures, *, within_m: float) -> FloatArray | float:
    """Return the factor of down or up the wind at every tree; 1 where the wind is not given or blows across.

    Parameters
    ----------
    site : Site
        Gives the wind and the shapes of the role.
    exposure : Exposure
        Says which trees lie near enough for it to matter.
    figures : mapping
        Figures `downwind` and `upwind` of the agent.
    within_m : float
        How far the agent reaches at most. [m]
    """
    wind_from_deg = site.inputs.settings.local.wind_from_deg
    if wind_from_deg is None:
        return 1.0
    near = np.flatnonzero((exposure.distance_m > 0) & (exposure.distance_m <= within_m) & (exposure.nearest_layer > 0))
    pieces = _pieces(site, exposure.role)
    factor = np.ones(site.trees.n)
    if len(near) and len(pieces):
        off_deg = np.abs((_bearing_deg(site, near, pieces) - wind_from_deg + 180.0) % 360.0 - 180.0)
        factor[near[off_deg >= 180.0 - SIDE_DEG]] = figures["downwind"]  # 180: straight down the wind
        factor[near[off_deg <= SIDE_DEG]] = figures["upwind"]
    return factor


def _pieces(site: Site, role: str) -> npt.NDArray[np.object_]:
    """Every straight piece of the outlines and lines of a role."""
    shapes = [layer.geometry for layer in site.layers if layer.role == role and len(layer.geometry)]
    if not shapes:
        return np.empty(0, dtype=object)
    every = shapely.get_parts(np.concatenate(shapes))
    areas = shapely.get_type_id(every) == 3
    lines = np.concatenate([shapely.get_rings(every[areas]), every[shapely.get_type_id(every) == 1]])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    joined = np.flatnonzero(line[:-1] == line[1:])
    pieces: npt.NDArray[np.object_] = shapely.linestrings(np.stack([xy[joined], xy[joined + 1]], axis=1))
    return pieces


def _bearing_deg(site: Site, near: IntArray, pieces: npt.NDArray[np.object_]) -> FloatArray:
    """Bearing from the nearest place of the role to each tree, clockwise from grid north."""
    trees = shapely.points(site.trees.x_m[near], site.trees.y_m[near])
    nearest = shapely.STRtree(pieces).query_nearest(trees, all_matches=False)[1]
    ends = shapely.get_coordinates(shapely.shortest_line(pieces[nearest], trees)).reshape(-1, 2, 2)
    east_m, north_m = (ends[:, 1] - ends[:, 0]).T
    return np.asarray(np.degrees(np.arctan2(east_m, north_m)) % 360.0)
