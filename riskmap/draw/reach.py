"""How far each agent reaches: the distances where the pressure on a medium young tree crosses each band's limit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from riskmap import rules, tables
from riskmap.draw.bands import between
from riskmap.draw.in_box import Box, cut_to_box
from riskmap.draw.in_threads import in_threads
from riskmap.model import FloatArray, Result, Site

__all__ = [
    "Reach",
    "ReachBand",
    "crossings",
    "medium_pressure",
    "reach_areas",
    "reach_distances",
    "result_box",
    "site_box",
    "site_reach",
]

STEP_M: Final = 0.1
MARGIN_M: Final = 150.0  # round the body of a site, as far as reaches are drawn
MOST_VERTICES: Final = 400_000
LEAST_M: Final = 0.01  # by which a shape grows where the reach is nothing
COARSE_M: Final = 0.5  # ground is thinned to this where the reach is far more
COARSE_SHARE, COARSEST_M = 0.03, 6.0  # on a wide site to this share of the reach: nobody sees it, and it costs a tenth
NARROW_M: Final = 1.0  # narrower bands are not drawn on a wide site: nobody sees them, and they cost the most
WIDE_SITE_M: Final = 3000.0
Geometries = npt.NDArray[np.object_]


def medium_pressure(agent: str, role: str, distance_m: FloatArray, site: Site) -> FloatArray:
    """Return the pressure on a young tree of a medium species with medium bark, outside the role's ground.

    Parameters
    ----------
    agent, role : str
        Keys of the agent and of the ground it comes from.
    distance_m : ndarray
        Distance from that ground, on the ground. [m]
    site : Site
        Gives the local facts, the user's own figures and who clears the snow.
    """
    settings = site.inputs.settings
    figures, local = tables.figures(settings.overrides)[agent], settings.local
    tools = {layer.data.source.cleared_by for layer in site.layers if layer.role == role} - {""}
    throws_m = [figures.get(f"throw_{tool}_m", 0.0) for tool in tools or {rules.CLEARED_BY.get(role, "none")}]
    snow_lies = local.snow_depth_m > 0 or any(raster.data.source.name == "snow_depth" for raster in site.rasters)
    measured = rules.Measured(
        distance_m=np.zeros_like(distance_m) if agent == "spray_drift" and local.spot_spray else distance_m,
        inside=np.zeros(len(distance_m), dtype=bool),
        edge_m=distance_m,
        bare_radius_m=local.mulch_radius_m,
        ring_radius_m=local.mulch_radius_m,
        accuracy_m=settings.trees.accuracy_m,
        snow_lies=snow_lies,
        throw_m=max(throws_m, default=0.0) if snow_lies else 0.0,
        crop=rules.CROP_OF_SPRAYER[local.sprayer],
        rubs_edges=bool(rules.EDGE_RUBBERS & set(rules.deer_kinds(local, settings.region))),
    )
    share = rules.RULES[tables.agents()[agent].rule](measured, figures)
    hazard = figures["h0_per_year"] * rules.local_share(agent, local, figures) * share
    pressure: FloatArray = -np.expm1(-hazard)
    return pressure


def reach_distances(site: Site) -> dict[tuple[str, str], list[float]]:
    """Return for each agent and role with ground the distance of each band from slight to severe; nan where never."""
    figures = tables.figures(site.inputs.settings.overrides)
    given = {layer.role for layer in site.layers if len(layer.geometry)}
    return {
        (agent, role): crossings(
            partial(medium_pressure, agent, role, site=site),
            rules.BAND_LIMITS,
            rules.reach_m(agent, figures) + site.inputs.settings.trees.accuracy_m + 1.0,
        )
        for agent in rules.agents_on(site.inputs.settings)
        for role in tables.agents()[agent].roles
        if role in given
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachBand:
    """One band of one agent: out to `to_m` from its ground; the area leaves out what a higher band covers."""

    band: int
    to_m: float
    area: Any | None  # shapely geometry in the working CRS; None where left out


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """One agent's bands round one role, widest first."""

    agent: str
    role: str
    bands: tuple[ReachBand, ...]
    left_out: str = ""  # why there are no areas; empty where there are


def crossings(curve: Callable[[npt.NDArray[np.float64]], Any], limits: tuple[float, ...], far_m: float) -> list[float]:
    """Return for each limit the greatest distance at which the curve still reaches it; nan where it never does.

    Examples
    --------
    >>> crossings(lambda d: np.clip(1 - d / 100, 0, 1), (0.25, 0.5, 1.5), 200.0)
    [75.0, 50.0, nan]
    """
    distance_m = np.arange(0.0, far_m + STEP_M / 2, STEP_M)
    pressure = np.asarray(curve(distance_m), dtype=float)
    found = []
    for limit in limits:
        over = np.flatnonzero(pressure >= limit - 1e-9)
        found.append(round(float(distance_m[over[-1]]), 1) if len(over) else float("nan"))
    return found


def site_box(site: Site) -> Box | None:
    """Return the box of the site's body in the working CRS, widened; of the layers where no tree has a place."""
    placed = site.trees.placed
    if placed.any():
        x_m, y_m = site.trees.x_m[placed], site.trees.y_m[placed]
        low, high = (0.0, 1.0) if len(x_m) < 50 else (0.005, 0.995)
        left, right = np.quantile(x_m, (low, high))
        bottom, top = np.quantile(y_m, (low, high))
        # Small sites are looked at from farther off, as wide as they are; of a city that would be mostly other towns.
        margin = MARGIN_M + min(max(right - left, top - bottom), 1500.0)
        return float(left - margin), float(bottom - margin), float(right + margin), float(top + margin)
    shapes = [layer.geometry for layer in site.layers if len(layer.geometry)]
    if not shapes:
        return None
    left, bottom, right, top = shapely.total_bounds(np.concatenate(shapes))
    return float(left - MARGIN_M), float(bottom - MARGIN_M), float(right + MARGIN_M), float(top + MARGIN_M)


def result_box(result: Result) -> Box | None:
    """Return the box of the site's body, told once; of all trees, also where the result holds but some."""
    box: Box | None = result.once("box", lambda: site_box(result.site))
    return box


def site_reach(result: Result) -> tuple[Reach, ...]:
    """Return the areas in the box of the site, worked out once for all deliverables."""
    areas: tuple[Reach, ...] = result.once("reach", lambda: reach_areas(result.site, result_box(result)))
    return areas


def reach_areas(
    site: Site, box: Box | None, distances: Mapping[tuple[str, str], list[float]] | None = None
) -> tuple[Reach, ...]:
    """Return the areas of every agent whose ground was given.

    Parameters
    ----------
    site : Site
        Gives the ground in the working CRS.
    box : tuple of float or None
        Where the map looks, left bottom right top; ground farther off is left out. [m]
    distances : mapping, optional
        As `reach_distances` returns them; worked out where not given.
    """
    scale = float(np.median(site.trees.scale[site.trees.placed])) if site.trees.placed.any() else 1.0
    found = []
    for (agent, role), far in (reach_distances(site) if distances is None else distances).items():
        bands = [(number, to_m) for number, to_m in enumerate(far, start=1) if np.isfinite(to_m)]
        if not bands:
            continue
        shapes, half_m = _ground(site, agent, role)
        if box is not None:
            far_m = max(to_m for _, to_m in bands) * scale + float(half_m.max(initial=0.0))
            shapes, of = cut_to_box(shapes, (box[0] - far_m, box[1] - far_m, box[2] + far_m, box[3] + far_m))
            half_m = half_m[of]
        if len(shapes):
            found.append(_reach(agent, role, bands, shapes, half_m, scale))
    return tuple(found)


def _ground(site: Site, agent: str, role: str) -> tuple[Geometries, FloatArray]:
    """A role's shapes, and how much wider than drawn each is: half a line's width, or the usual one. [m]"""
    figures = tables.figures(site.inputs.settings.overrides)[agent]
    layers = [layer for layer in site.layers if layer.role == role]
    shapes = np.concatenate([layer.geometry for layer in layers])
    width_m = np.concatenate([layer.data.width_m for layer in layers])
    usual_m = 2 * figures.get(f"half_width_{role}_m", 0.0)
    lines = shapely.get_dimensions(shapes) == 1
    return shapes, np.where(lines, np.where(np.isnan(width_m), usual_m, width_m), 0.0) / 2


def _reach(
    agent: str, role: str, bands: list[tuple[int, float]], shapes: Geometries, half_m: FloatArray, scale: float
) -> Reach:
    """Nested areas, each grown from the next one in and less it."""
    bare = tuple(ReachBand(band=band, to_m=to_m, area=None) for band, to_m in bands)
    left, bottom, right, top = shapely.total_bounds(shapes)
    wide = max(right - left, top - bottom) > WIDE_SITE_M
    if bands[0][1] < NARROW_M and wide:
        return Reach(agent=agent, role=role, bands=bare, left_out="too narrow to see on a site this wide")
    round_corners = 24 * int(shapely.get_num_geometries(shapes).sum())  # every part grows corners of its own
    if round_corners <= MOST_VERTICES:
        shapes = _thinned(shapes, bands[0][1], wide=False)
        round_corners += int(shapely.get_num_coordinates(shapes).sum())
    if round_corners > MOST_VERTICES:
        return Reach(agent=agent, role=role, bands=bare, left_out="too much ground to draw")
    shapes, owner = shapely.get_parts(shapes, return_index=True)  # one shape of many parts grows slowly, its parts fast
    half_m = half_m[owner]
    # No tree stands in water; on all other ground one may, and is then at distance 0.
    areas = shapes[shapely.get_dimensions(shapes) == 2]
    inner = shapely.union_all(areas) if role == "water" and len(areas) else None
    rings: list[ReachBand] = []
    reached_m = 0.0
    for band, to_m in reversed(bands):  # the highest band lies innermost, and each grows from the one before
        if rings and to_m <= reached_m:
            rings.append(ReachBand(band=band, to_m=to_m, area=shapely.MultiPolygon()))
            continue
        thin = _thinned(shapes, to_m - reached_m, wide=wide) if wide or not rings else shapes
        far_m = np.maximum((to_m - reached_m + half_m) * scale, LEAST_M)
        grown = in_threads(partial(shapely.buffer, quad_segs=4 if to_m < 2 else 6), thin, far_m)
        area = shapely.disjoint_subset_union_all(grown)
        rings.append(ReachBand(band=band, to_m=to_m, area=area if inner is None else between(area, inner)))
        inner, shapes, reached_m = area, shapely.get_parts(area), to_m
        half_m = np.zeros(len(shapes))
    return Reach(agent=agent, role=role, bands=tuple(reversed(rings)))


def _thinned(shapes: Geometries, to_m: float, *, wide: bool) -> Geometries:
    """Shapes with fewer vertices, where the reach is far more than what that moves; none vanishes."""
    if to_m <= 10 * COARSE_M:
        return shapes
    coarse_m = min(max(COARSE_M, COARSE_SHARE * to_m), COARSEST_M) if wide else COARSE_M
    thinned = in_threads(partial(shapely.simplify, tolerance=coarse_m, preserve_topology=False), shapes)
    return np.where(shapely.is_empty(thinned), shapes, thinned)
