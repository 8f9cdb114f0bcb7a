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
from riskmap.draw.in_threads import in_threads
from riskmap.draw.palette import FALLBACK_GROUND, FENCE, GROUND_STYLES, GroundStyle
from riskmap.draw.reach import Reach
from riskmap.model import FloatArray, IntArray, Site
from riskmap.project.degrees import to_degrees

__all__ = ["Box", "Frame", "add_fences", "add_ground", "add_reach"]

STEP_M: Final = 0.1
TOLERANCE_M: Final = 0.15
MOST_VERTICES: Final = 250_000  # past this a layer is drawn more coarsely: a page must still open on a phone
TRIED_VERTICES: Final = 100_000  # of one layer, to find how coarsely
Box = tuple[float, float, float, float]
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
        if _add_shapes(payload, frame, entry, _cut(shapes, box)):
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
    return [entry] if len(lines) and _add_shapes(payload, frame, entry, lines) else []


def add_reach(payload: Payload, frame: Frame, box: Box | None, reaches: tuple[Reach, ...]) -> list[dict[str, Any]]:
    """Append each agent's reach areas and return their entries for the page."""
    entries = []
    for reach in reaches:
        bands = []
        for band in reach.bands:
            name = f"reach:{reach.agent}:{reach.role}:{band.band}"
            entry: dict[str, Any] = {"name": name, "band": band.band, "to_m": band.to_m}
            if band.area is not None:
                _add_shapes(payload, frame, entry, _cut(np.array([band.area], dtype=object), box))
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


def _cut(shapes: Geometries, box: Box | None) -> Geometries:
    """Keep what lies in the box."""
    if box is None or not len(shapes):
        return shapes
    near = shapes[shapely.intersects(shapes, shapely.box(*box))]
    within = shapely.covered_by(near, shapely.box(*box))
    cut = near.copy()
    cut[~within] = shapely.clip_by_rect(near[~within], *box)
    kept: Geometries = cut[~shapely.is_empty(cut)]
    return kept


def _add_shapes(payload: Payload, frame: Frame, entry: dict[str, Any], shapes: Geometries) -> bool:
    """Append one layer's shapes; say in the entry which kinds it has. False where nothing is left to draw."""
    coarsely = partial(shapely.simplify, tolerance=_tolerance_m(shapes), preserve_topology=False)
    simple = in_threads(coarsely, shapes)  # for drawing alone
    kinds = []
    for kind, lines, rings in _by_kind(shapely.get_parts(simple)):
        places, of_line = shapely.get_coordinates(lines, return_index=True)
        steps = frame.steps(places[:, 0], places[:, 1])
        moved = np.ones(len(steps), dtype=bool)
        moved[1:] = (of_line[1:] != of_line[:-1]) | (steps[1:] != steps[:-1]).any(axis=1)
        steps, of_line = steps[moved], of_line[moved]
        deltas = np.diff(steps, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
        payload.add_numbers(f"{entry['name']}:{kind}:x", zigzag(deltas[:, 0]))
        payload.add_numbers(f"{entry['name']}:{kind}:y", zigzag(deltas[:, 1]))
        payload.add_numbers(f"{entry['name']}:{kind}:n", np.bincount(of_line, minlength=len(lines)))
        payload.add_numbers(f"{entry['name']}:{kind}:rings", rings)
        kinds.append(kind)
    entry["kinds"] = kinds
    return bool(kinds)


def _tolerance_m(shapes: Geometries) -> float:
    """How coarsely a layer is drawn so that it has few enough vertices, tried on some of its shapes."""
    vertices = int(shapely.get_num_coordinates(shapes).sum())
    some = shapes[:: vertices // TRIED_VERTICES + 1]
    share = vertices / max(1, int(shapely.get_num_coordinates(some).sum()))
    tolerance = TOLERANCE_M
    while tolerance < 5:
        simple = shapely.simplify(some, tolerance, preserve_topology=False)
        if shapely.get_num_coordinates(simple).sum() * share <= MOST_VERTICES:
            break
        tolerance *= 2
    return tolerance


def _by_kind(parts: Geometries) -> Iterator[tuple[str, Geometries, IntArray]]:
    """Areas as their rings, lines, and points: each with how many rings a shape has."""
    parts = shapely.get_parts(parts)  # collections inside collections
    types = shapely.get_type_id(parts)
    areas = parts[types == 3]
    if len(areas):
        rings, of_area = shapely.get_rings(areas, return_index=True)
        yield "area", rings, np.bincount(of_area, minlength=len(areas)).astype(np.int64)
    lines = parts[(types == 1) | (types == 2)]
    if len(lines):
        yield "line", lines, np.ones(len(lines), dtype=np.int64)
    points = parts[types == 0]
    if len(points):
        yield "point", points, np.ones(len(points), dtype=np.int64)
