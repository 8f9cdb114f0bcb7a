"""Ground layers and reach areas as delta-coded steps: geometry only, no attribute of the user's reaches the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from riskmap import tables
from riskmap.deliver.html_map.encode import Payload, mercator, zigzag
from riskmap.draw.in_box import Box, cut_to_box
from riskmap.draw.in_threads import in_threads
from riskmap.draw.palette import FALLBACK_GROUND, FENCE, GROUND_STYLES, GroundStyle
from riskmap.draw.reach import Reach
from riskmap.model import FloatArray, IntArray, Site
from riskmap.project.degrees import to_degrees

__all__ = ["Frame", "add_fences", "add_ground", "add_reach"]

STEP_M: Final = 0.1
TOLERANCE_M: Final = 0.15
MOST_VERTICES: Final = 250_000  # past this a layer is drawn more coarsely: a page must still open on a phone
TRIED_VERTICES: Final = 100_000  # of one layer, to find how coarsely
Geometries = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where steps are counted from: shared by every layer of a page."""

    site: Site
    origin_x: float
    origin_y: float
    step: float
    turn: bool  # the site lies across longitude 180

    def steps(self, x_m: FloatArray, y_m: FloatArray) -> IntArray:
        """Whole steps from the origin, y downward, shape (place, 2); the origin where the CRS gives no answer."""
        lon, lat = to_degrees(self.site, x_m, y_m)
        lon = np.where(self.turn & (lon < 0), lon + 360.0, lon)
        east, north = mercator(lon, lat)
        both = np.column_stack([east - self.origin_x, self.origin_y - north]) / self.step
        return np.rint(np.where(np.isfinite(both), both, 0.0)).astype(np.int64)


def add_ground(payload: Payload, frame: Frame, box: Box | None) -> list[dict[str, Any]]:
    """Append every role's layers to the payload, lowest drawn first, and return their entries for the page."""
    entries = []
    order = {role: place for place, role in enumerate(GROUND_STYLES)}
    roles = sorted({layer.role for layer in frame.site.layers}, key=lambda role: (order.get(role, -1), role))
    for role in roles:
        shapes = np.concatenate([layer.geometry for layer in frame.site.layers if layer.role == role])
        style = GROUND_STYLES.get(role, FALLBACK_GROUND)
        names = {layer.data.source.layer or layer.data.source.file for layer in frame.site.layers if layer.role == role}
        row = tables.roles().get(role)
        entry = _entry(f"ground:{role}", row.label if row else role, style)
        entry |= {"role": role, "from": sorted(names)}
        if _add_shapes(payload, frame, entry, shapes, box):
            entries.append(entry)
    return entries


def add_fences(payload: Payload, frame: Frame, fences: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Append the lines of shared fences that were chosen, and return their entry for the page; none for none.

    Parameters
    ----------
    payload : Payload
        Takes the columns.
    frame : Frame
        Where steps are counted from.
    fences : sequence of mapping
        ``Choices.extra["fences"]``: each with `line`, a shapely geometry in the working CRS.
    """
    lines = np.array([fence["line"] for fence in fences if fence.get("line") is not None], dtype=object)
    label = "Shared fence" if len(lines) == 1 else f"Shared fences ({len(lines):,})"
    entry = _entry("fences", label, FENCE) | {"role": "fence", "from": []}
    return [entry] if len(lines) and _add_shapes(payload, frame, entry, lines, None) else []


def add_reach(payload: Payload, frame: Frame, box: Box | None, reaches: tuple[Reach, ...]) -> list[dict[str, Any]]:
    """Append each agent's reach areas and return their entries for the page."""
    entries = []
    for reach in reaches:
        bands = []
        for band in reach.bands:
            name = f"reach:{reach.agent}:{reach.role}:{band.band}"
            entry: dict[str, Any] = {"name": name, "band": band.band, "to_m": band.to_m}
            if band.area is not None:
                _add_shapes(payload, frame, entry, shapely.get_parts(band.area), box)
            bands.append(entry)
        label = tables.roles()[reach.role].label.lower()
        entries.append({"agent": reach.agent, "ground": label, "bands": bands, "left_out": reach.left_out})
    return entries


def _entry(name: str, label: str, style: GroundStyle) -> dict[str, Any]:
    """What the page knows of one layer."""
    return {
        "name": name,
        "label": label,
        "fill": style.fill,
        "edge": style.edge,
        "weight": style.weight,
        "dash": style.dash,
    }


def _add_shapes(payload: Payload, frame: Frame, entry: dict[str, Any], shapes: Geometries, box: Box | None) -> bool:
    """Append what lies in the box of one layer's shapes; say in the entry which kinds it has. False where none."""
    if box is not None:
        shapes, _ = cut_to_box(shapes, box)
    shapes = _singles(shapes)
    tolerance_m = _tolerance_m(shapes)
    entry["kinds"] = kinds = []
    for kind, whole, of_whole in _by_kind(_large(shapes, tolerance_m)):
        lines, of_shape = _drawn(kind, whole, of_whole, tolerance_m)
        if not len(lines):
            continue
        places, of_line = shapely.get_coordinates(lines, return_index=True)
        steps = frame.steps(places[:, 0], places[:, 1])
        moved = np.ones(len(steps), dtype=bool)
        moved[1:] = (of_line[1:] != of_line[:-1]) | (steps[1:] != steps[:-1]).any(axis=1)
        steps, of_line = steps[moved], of_line[moved]
        deltas = np.diff(steps, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
        payload.add_numbers(f"{entry['name']}:{kind}:x", zigzag(deltas[:, 0]))
        payload.add_numbers(f"{entry['name']}:{kind}:y", zigzag(deltas[:, 1]))
        payload.add_numbers(f"{entry['name']}:{kind}:n", np.bincount(of_line, minlength=len(lines)))
        payload.add_numbers(f"{entry['name']}:{kind}:rings", np.unique(of_shape, return_counts=True)[1])
        kinds.append(kind)
    return bool(kinds)


def _singles(shapes: Geometries) -> Geometries:
    """The single shapes that shapes of many parts, and collections of these, are made of."""
    while (shapely.get_type_id(shapes) >= shapely.GeometryType.MULTIPOINT).any():
        shapes = shapely.get_parts(shapes)
    return shapes


def _large(shapes: Geometries, tolerance_m: float) -> Geometries:
    """Shapes without the areas that vanish when drawn so coarsely: found by their bounds, at no cost."""
    west, south, east, north = shapely.bounds(shapes).T
    small = np.hypot(east - west, north - south) <= tolerance_m
    kept: Geometries = shapes[~small | (shapely.get_dimensions(shapes) < 2)]
    return kept


def _by_kind(shapes: Geometries) -> Iterator[tuple[str, Geometries, IntArray]]:
    """The outlines of areas, lines, and points, each with the number of the shape it is of."""
    dimension = shapely.get_dimensions(shapes)
    areas, lines, points = (shapes[dimension == number] for number in (2, 1, 0))
    if len(areas):
        yield "area", *shapely.get_rings(areas, return_index=True)
    if len(lines):
        yield "line", lines, np.arange(len(lines))
    if len(points):
        yield "point", points, np.arange(len(points))


def _drawn(kind: str, lines: Geometries, of_shape: IntArray, tolerance_m: float) -> tuple[Geometries, IntArray]:
    """Lines or outlines with few enough vertices; an outline that encloses nothing any more goes, with its holes."""
    simple = in_threads(partial(shapely.simplify, tolerance=tolerance_m, preserve_topology=False), lines)
    if kind != "area":
        return simple, of_shape
    kept = shapely.get_num_points(simple) >= 4
    outer = np.append(True, of_shape[1:] != of_shape[:-1])
    kept &= kept[np.maximum.accumulate(np.where(outer, np.arange(len(outer)), 0))]
    return simple[kept], of_shape[kept]


def _tolerance_m(shapes: Geometries) -> float:
    """How coarsely a layer is drawn so that it has few enough vertices, tried on some of its shapes."""
    vertices = int(shapely.get_num_coordinates(shapes).sum())
    some = shapes[:: vertices // TRIED_VERTICES + 1]
    lines = [lines for _, lines, _ in _by_kind(some)]
    share = vertices / max(1, int(shapely.get_num_coordinates(some).sum()))
    tolerance = TOLERANCE_M
    while tolerance < 5 and vertices > MOST_VERTICES:
        left = sum(
            shapely.get_num_coordinates(shapely.simplify(some, tolerance, preserve_topology=False)).sum()
            for some in lines
        )
        if left * share <= MOST_VERTICES:
            break
        tolerance *= 2
    return tolerance
