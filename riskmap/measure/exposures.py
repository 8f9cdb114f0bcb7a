"""Site -> Exposure per role: distance, inside, edge, nearest feature, and where nobody looked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from riskmap import tables
from riskmap.measure.engines import Engine, find_engine
from riskmap.measure.near import settle
from riskmap.measure.order import morton_order
from riskmap.measure.pieces import cut_lines
from riskmap.measure.reaches import role_reach_m
from riskmap.measure.shapes import Found, Shapes, gather_shapes
from riskmap.model import BoolArray, Exposure, FloatArray, GroundLayer, IntArray, Site, Watch

__all__ = ["measure_exposures", "measured_roles"]

NOT_MEASURED = ("barrier", "planting_area", "study_area")


def measured_roles(site: Site) -> list[str]:
    """Return the surveyed roles that have an exposure, in the order of roles.csv."""
    return [role for role in tables.roles() if role in site.surveyed and role not in NOT_MEASURED]


def measure_exposures(site: Site, *, watch: Watch, engine: str = "") -> dict[str, Exposure]:
    """Measure how every surveyed role lies from every tree.

    Parameters
    ----------
    site : Site
        Trees and ground in one metric CRS.
    watch : Watch
        Told how far the work has come.
    engine : str, optional
        ``grid`` or ``shapely``; the fastest there is when empty. All give the same results.

    Returns
    -------
    dict of str to Exposure
        In the order of roles.csv; one row per tree, in the order of the trees.
    """
    look = _Look(site, find_engine(engine))
    roles = measured_roles(site)
    exposures = {}
    for done, role in enumerate(roles):
        watch.progress(done, len(roles))
        exposures[role] = _measure_role(role, look)
    return exposures


class _Look:
    """A look at each role from all placed trees; kept where other roles have it cut out of them."""

    def __init__(self, site: Site, lay: Engine) -> None:
        self.site, self.lay = site, lay
        placed = np.flatnonzero(site.trees.placed)
        self.placed = placed[morton_order(site.trees.x_m[placed], site.trees.y_m[placed])]
        self._cut_out = {role for layer in site.layers for role in layer.data.source.minus}
        self._seen: dict[str, tuple[Shapes, Found]] = {}

    def at(self, role: str) -> tuple[Shapes, Found]:
        """The shapes of a role, and what was found among them."""
        if role in self._seen:
            return self._seen[role]
        trees, placed = self.site.trees, self.placed
        shapes = gather_shapes(layers_of(role, self.site))
        places = trees.x_m[placed], trees.y_m[placed], trees.scale[placed]
        seen = shapes, self.lay(shapes, *places, self.reach_m(role))(slice(None))
        if role in self._cut_out:
            self._seen[role] = seen
        return seen

    def reach_m(self, role: str) -> float:
        """How far off anything of a role is reported."""
        settings = self.site.inputs.settings
        return max(role_reach_m(role, settings), settings.measure.report_within_m)

    def inside(self, role: str) -> BoolArray:
        """Whether each placed tree stands in a role, before anything is cut out of it."""
        local = self.site.inputs.settings.local
        inside = np.full(len(self.placed), role in local.everywhere)
        if role not in (*local.everywhere, *local.nowhere) and layers_of(role, self.site):
            _, found = self.at(role)
            inside[found.inside_point] = True
            inside |= found.within_width
        return inside


def _measure_role(role: str, look: _Look) -> Exposure:
    """One role from every tree."""
    site, placed = look.site, look.placed
    local, trees, reach_m = site.inputs.settings.local, site.trees, look.reach_m(role)
    layers = layers_of(role, site)
    if role in local.everywhere or role in local.nowhere or not layers:
        return _said_exposure(role, reach_m, trees.placed, everywhere=role in local.everywhere)
    shapes, found = look.at(role)
    agents_reach_m = role_reach_m(role, site.inputs.settings)
    holds = _kept_pairs(shapes, found, layers, look)
    distance_m, inside, rank = settle(found, holds)
    known, data_end_m = _where_known(layers, site, placed)
    distance_m, inside, rank = np.where(known, distance_m, np.nan), inside & known, np.where(known, rank, -1)
    edge_m = np.where(known, found.edge_m, np.nan)
    with np.errstate(invalid="ignore"):
        ends_first = known & (data_end_m < agents_reach_m) & ~(distance_m <= data_end_m)

    def for_all(values: FloatArray | BoolArray | IntArray, missing: object) -> np.ndarray:
        whole = np.full(trees.n, missing, dtype=values.dtype)
        whole[placed] = values
        return whole

    return Exposure(
        role=role,
        reach_m=reach_m,
        distance_m=for_all(distance_m, np.nan),
        inside=for_all(inside, False),
        edge_m=for_all(edge_m, np.nan),
        nearest_layer=for_all(np.append(shapes.layer, 0)[rank], 0),
        nearest_feature=for_all(np.append(shapes.feature, 0)[rank], 0),
        known=for_all(known, False),
        edge_of_data=for_all(ends_first, False),
    )


def layers_of(role: str, site: Site) -> list[GroundLayer]:
    """Return the layers of one role that hold anything near the trees, in order."""
    layers = [layer for layer in site.layers if layer.role == role and len(layer.geometry)]
    return sorted(layers, key=lambda layer: layer.number)


def _said_exposure(role: str, reach_m: float, placed: BoolArray, *, everywhere: bool) -> Exposure:
    """A role that holds over the whole site, or is known to be absent."""
    n, nothing = len(placed), np.zeros(len(placed), dtype=np.int64)
    return Exposure(
        role=role,
        reach_m=reach_m,
        distance_m=np.where(placed & everywhere, 0.0, np.nan),
        inside=placed & everywhere,
        edge_m=np.full(n, np.nan),
        nearest_layer=nothing,
        nearest_feature=nothing.copy(),
        known=placed.copy(),
        edge_of_data=np.zeros(n, dtype=bool),
        everywhere=everywhere,
    )


def _kept_pairs(shapes: Shapes, found: Found, layers: Sequence[GroundLayer], look: _Look) -> BoolArray:
    """Which pairs of tree and polygon count: not those of a layer out of which another role is cut there."""
    kept = np.ones(len(found.inside_point), dtype=bool)
    number = shapes.layer[found.inside_rank]
    for layer in layers:
        for role in layer.data.source.minus:
            kept &= ~((number == layer.number) & look.inside(role)[found.inside_point])
    return kept


def _where_known(layers: Sequence[GroundLayer], site: Site, placed: IntArray) -> tuple[BoolArray, FloatArray]:
    """Where a role was surveyed, and how far from each placed tree the survey ends (inf: it does not).

    Layers that say what they cover speak for their role; the study area bounds all.
    """
    x_m, y_m, scale = (column[placed] for column in (site.trees.x_m, site.trees.y_m, site.trees.scale))
    known, end_m = np.ones(len(placed), dtype=bool), np.full(len(placed), np.inf)
    covers = [layer.covers for layer in layers if layer.covers is not None]
    if covers:
        known, end_m = _within(np.concatenate(covers), x_m, y_m, scale)
    studied = [layer.geometry for layer in site.layers if layer.role == "study_area" and len(layer.geometry)]
    if studied:
        within, border_m = _within(np.concatenate(studied), x_m, y_m, scale)
        end_m = np.minimum(end_m, np.where(within, border_m, 0.0))
    return known, end_m


def _within(areas: np.ndarray, x_m: FloatArray, y_m: FloatArray, scale: FloatArray) -> tuple[BoolArray, FloatArray]:
    """Whether each tree stands in any of the areas, and how far the border of all together is on the ground."""
    area = shapely.union_all(areas)
    border = shapely.get_parts(shapely.boundary(area))
    points = shapely.points(x_m, y_m)
    shapely.prepare(area)
    within: BoolArray = shapely.intersects_xy(area, x_m, y_m)
    if not len(border):
        return within, np.full(len(x_m), np.inf)
    index = shapely.STRtree(cut_lines(border))
    (at, _), away_m = index.query_nearest(points, return_distance=True, all_matches=False)
    border_m = np.full(len(x_m), np.inf)
    border_m[at] = away_m
    return within, border_m / scale
