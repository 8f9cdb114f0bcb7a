"""What lies around each tree, as an agent's kernel asks for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from riskmap.model import BoolArray, Coded, Exposure, FloatArray, GroundLayer, RasterValues, Site
from riskmap.rules import CLEARED_BY, CROP_OF_SPRAYER, EDGE_RUBBERS, Figures, Measured, deer_kinds
from riskmap.score.wind import wind_factor

__all__ = [
    "Surroundings",
    "is_one_of",
    "lines_of_unknown_width",
    "measure_around",
    "snow_depth",
    "unknown_everywhere",
    "with_habitat",
]

APART_SURFACES = ("rough_grass", "bed", "pit", "planter")  # no mower works there; a mulch ring lies in its turf


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """One role as one agent meets it."""

    measured: Measured
    known: BoolArray


def measure_around(
    agent: str, role: str, site: Site, exposure: Exposure, snow_m: FloatArray, figures: Figures
) -> Surroundings:
    """Gather what the kernel of `agent` asks for at every tree, from one role."""
    table, local = site.inputs.trees, site.inputs.settings.local
    half_width_m = _unknown_half_widths(site, exposure, figures.get(f"half_width_{role}_m", 0.0))
    measured = Measured(
        distance_m=np.maximum(exposure.distance_m - half_width_m, 0.0)
        if half_width_m is not None
        else exposure.distance_m,
        inside=exposure.inside,
        edge_m=exposure.edge_m,
        snow_lies=snow_m > 0,
    )
    known = exposure.known
    ring_m = np.where(np.isnan(table.mulch_radius_m), local.mulch_radius_m, table.mulch_radius_m)
    match agent:
        case "antler_rub":
            rubs = bool(EDGE_RUBBERS & set(deer_kinds(local, site.inputs.settings.region)))
            measured = replace(measured, rubs_edges=rubs)
        case "vole":
            bare_m = np.where(np.isnan(table.bare_radius_m), ring_m, table.bare_radius_m)
            rough = is_one_of(table.surface, ("rough_grass",))
            measured = replace(
                measured,
                distance_m=np.where(rough, 0.0, measured.distance_m),
                bare_radius_m=bare_m,
                mown=measured.inside & is_one_of(table.surface, ("turf",)),
            )
            known = known | rough
        case "mower":
            measured, known = _along_turf(measured, known, table.surface, ring_m, table.bare_radius_m)
            measured = replace(measured, accuracy_m=_accuracy_m(site))
        case "snow_throw":
            throw_m = _throws_m(site, role, exposure, figures)
            farthest_m = figures["gravel_factor"] * figures["downwind"] * float(throw_m.max(initial=0.0))
            wind = wind_factor(site, exposure, figures, within_m=farthest_m)
            measured = replace(measured, throw_m=throw_m, wind=wind, accuracy_m=_accuracy_m(site))
        case "road_salt":
            wind = wind_factor(site, exposure, figures, within_m=figures["d_max_m"])
            measured = replace(measured, wind=wind)
        case "spray_drift":
            measured = replace(measured, crop=CROP_OF_SPRAYER[local.sprayer])
            if local.spot_spray:
                measured = replace(measured, distance_m=np.zeros_like(measured.distance_m))
                known = np.ones_like(known)
    return Surroundings(measured=measured, known=known)


def _along_turf(
    measured: Measured, known: BoolArray, surface: Coded, ring_m: FloatArray, bare_m: FloatArray
) -> tuple[Measured, BoolArray]:
    """Let the tree's own surface override the lawn layer: what stands at the stem was seen."""
    turf = is_one_of(surface, ("turf",))
    apart = measured.inside & is_one_of(surface, APART_SURFACES)
    ring = is_one_of(surface, ("mulch",)) & ~(ring_m > 0)  # a ring of unknown radius
    return (
        replace(
            measured,
            distance_m=np.where(turf, 0.0, np.where(apart, bare_m, measured.distance_m)),
            inside=(measured.inside & ~apart) | turf,
            edge_m=np.where(turf, np.nan, measured.edge_m),  # seen at the stem: no position error blurs it
            ring_radius_m=np.where(ring, np.inf, ring_m),
        ),
        known | turf,
    )


def is_one_of(column: Coded, words: Sequence[str]) -> BoolArray:
    """Return which cells of a text column hold one of some words."""
    hits = np.array([value in words for value in column.values], dtype=bool)
    return np.asarray(column.take(hits, False), dtype=bool)


def _accuracy_m(site: Site) -> FloatArray:
    """Position error of each tree."""
    own_m = site.inputs.trees.accuracy_m
    return np.where(np.isnan(own_m), site.inputs.settings.trees.accuracy_m, own_m)


def _throws_m(site: Site, role: str, exposure: Exposure, figures: Figures) -> FloatArray:
    """How far the nearest layer's clearer throws."""
    usual_m = figures[f"throw_{CLEARED_BY[role]}_m"]
    sources = [layer.data.source for layer in site.layers if layer.role == role]
    throws_m = np.full(len(exposure.nearest_layer), usual_m)
    for source in sources:
        if source.cleared_by:
            throws_m[exposure.nearest_layer == source.number] = figures[f"throw_{source.cleared_by}_m"]
    return throws_m


def _unknown_half_widths(site: Site, exposure: Exposure, usual_m: float) -> FloatArray | None:
    """Half the usual width where the nearest feature is a line of unknown width; None where there is none."""
    if not usual_m:
        return None
    half_m = np.zeros(len(exposure.nearest_layer))
    for layer in site.layers:
        if layer.role != exposure.role:
            continue
        lines = lines_of_unknown_width(layer)
        numbers = np.sort(layer.data.feature[lines])
        if not len(numbers):
            continue
        mine = np.flatnonzero(exposure.nearest_layer == layer.number)
        nearest = exposure.nearest_feature[mine]
        at = np.minimum(np.searchsorted(numbers, nearest), len(numbers) - 1)
        half_m[mine[numbers[at] == nearest]] = usual_m
    return half_m if half_m.any() else None


def lines_of_unknown_width(layer: GroundLayer) -> BoolArray:
    """Return which features of a layer are lines of which nobody said how wide they are."""
    lines: BoolArray = np.isin(shapely.get_type_id(layer.geometry), (1, 2, 5)) & np.isnan(layer.data.width_m)
    return lines


def snow_depth(
    site: Site, exposures: Mapping[str, Exposure], rasters: Sequence[RasterValues], figures: Mapping[str, Figures]
) -> tuple[FloatArray, FloatArray, dict[str, BoolArray]]:
    """Return the lasting snow at each tree, drifted and piled, how much of it is pile, and remarks on its source."""
    local, stem = site.inputs.settings.local, figures["stem"]
    depth_m = np.full(site.trees.n, local.snow_depth_m)
    remarks = {}
    for raster in rasters:
        if raster.name == "snow_depth":
            read = raster.status == 0
            depth_m = np.where(read, np.maximum(raster.value, 0.0), depth_m)
            remarks["snow_from_local"] = ~read & site.trees.placed
    lies = depth_m > 0
    drifted = lies & _near_barrier(site, stem["drift_reach_m"])
    depth_m = np.where(drifted, depth_m * stem["snow_drift"], depth_m)
    piled = np.zeros(site.trees.n, dtype=bool)
    for role in CLEARED_BY:
        cleared = exposures.get(role)
        if cleared is not None:
            throw_m = _throws_m(site, role, cleared, figures["snow_throw"])
            piled |= np.nan_to_num(cleared.distance_m, nan=np.inf) < throw_m
    pile_m = np.where(lies & piled, stem["snow_pile_m"], 0.0)
    return depth_m + pile_m, pile_m, remarks


def _near_barrier(site: Site, reach_m: float) -> BoolArray:
    """Which trees stand within reach of a fence or wall, where snow drifts."""
    near = np.zeros(site.trees.n, dtype=bool)
    shapes = [layer.geometry for layer in site.layers if layer.role == "barrier" and len(layer.geometry)]
    if shapes:
        placed = np.flatnonzero(site.trees.placed)
        points = shapely.points(site.trees.x_m[placed], site.trees.y_m[placed])
        fences = shapely.STRtree(np.concatenate(shapes))
        hits = fences.query(points, predicate="dwithin", distance=reach_m * site.trees.scale[placed])
        near[placed[hits[0]]] = True
    return near


def with_habitat(site: Site, exposures: Mapping[str, Exposure], rasters: Sequence[RasterValues]) -> dict[str, Exposure]:
    """Count cells of habitat as deer cover: distance 0 there; elsewhere the layers speak, or nobody knows."""
    found = dict(exposures)
    classes = {source.name: source.habitat for source in site.inputs.settings.rasters if source.habitat}
    for raster in rasters:
        if raster.name not in classes:
            continue
        hit = (raster.status == 0) & np.isin(raster.value, classes[raster.name])
        ours = found.get("deer_habitat") or unknown_everywhere("deer_habitat", site.trees.n)
        found["deer_habitat"] = replace(
            ours,
            distance_m=np.where(hit, 0.0, ours.distance_m),
            inside=ours.inside | hit,
            known=ours.known | hit,
        )
    return found


def unknown_everywhere(role: str, n: int) -> Exposure:
    """A role that no layer surveyed."""
    nowhere, no, none = np.full(n, np.nan), np.zeros(n, dtype=bool), np.zeros(n, dtype=np.int64)
    return Exposure(
        role=role, reach_m=0.0, distance_m=nowhere, inside=no, edge_m=nowhere, nearest_layer=none,
        nearest_feature=none, known=no, edge_of_data=no,
    )  # fmt: skip
