"""A still picture of the map as SVG, for browsers that run no script: numbers only, no text of the user's."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from markupsafe import Markup

from riskmap.draw.classes import TreeClasses
from riskmap.draw.in_box import Box, cut_to_box
from riskmap.draw.palette import FALLBACK_GROUND, GROUND_STYLES, INK, PAPER, Symbol
from riskmap.model import FloatArray, Site

__all__ = ["still_picture"]

WIDE = 720
MOST_SYMBOLS = 300
MOST_TREES = 3000
MOST_POINTS = 3000
Geometries = npt.NDArray[np.object_]
_DOTS = {
    "query": "#8f9aa1",
    "ring": "#a3abaf",
    "speck": "#c9cccb",
    "lens": "#5d6a72",
}  # trees with nothing to do recede
_SHAPES = {  # points on a circle of radius 1; whatever is missing is drawn round
    "square": "-.8,-.8 .8,-.8 .8,.8 -.8,.8",
    "up": "0,-1 1,.8 -1,.8",
    "down": "0,1 1,-.8 -1,-.8",
    "diamond": "0,-1.1 1,0 0,1.1 -1,0",
    "hexagon": "0,-1 .87,-.5 .87,.5 0,1 -.87,.5 -.87,-.5",
    "lens": "-1.1,0 -.6,-.44 0,-.62 .6,-.44 1.1,0 .6,.44 0,.62 -.6,.44",
    "arrow_up": "-.42,1.15 .42,1.15 .42,.05 1.05,.05 0,-1.15 -1.05,.05 -.42,.05",
    "arrow_down": "-.42,-1.15 .42,-1.15 .42,-.05 1.05,-.05 0,1.15 -1.05,-.05 -.42,-.05",
    "plus": "-.36,-1 .36,-1 .36,-.36 1,-.36 1,.36 .36,.36 .36,1 -.36,1 -.36,.36 -1,.36 -1,-.36 -.36,-.36",
}


def still_picture(site: Site, guards: TreeClasses, box: Box | None, alt: str) -> Markup:
    """Return the ground and the trees by guard in the working CRS; of very many trees every so many-th.

    Parameters
    ----------
    site : Site
        Ground and trees.
    guards : TreeClasses
        Which symbol each tree has.
    box : tuple of float or None
        What to show, left bottom right top. [m]
    alt : str
        What the picture shows, for those who cannot see it; escaped here.
    """
    if box is None:
        return Markup("")
    left, bottom, right, top = box
    per_m = WIDE / max(right - left, 1e-6)
    high = min(max((top - bottom) * per_m, 120.0), 1400.0)

    def at(x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        return np.column_stack([(x_m - left) * per_m, (top - y_m) * per_m]).round(1)

    parts = [f'<rect width="{WIDE}" height="{high:.0f}" fill="{PAPER}"/>']
    parts += _ground(site, box, at, 1.5 / per_m)
    shown = np.flatnonzero(site.trees.placed)
    shown = shown[:: max(1, -(-len(shown) // MOST_TREES))]
    places = at(site.trees.x_m[shown], site.trees.y_m[shown])
    within = ((places > -8) & (places < (WIDE + 8, high + 8))).all(axis=1)
    codes = guards.code[shown]
    for number, entry in reversed(list(enumerate(guards.classes))):  # guards above what needs none
        own = places[within & (codes == number)].tolist()
        parts += _symbols(entry.symbol, own) if len(shown) <= MOST_SYMBOLS else _dots(entry.symbol, own)
    opening = Markup('<svg class="still" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
        WIDE, round(high), alt
    )
    return opening + Markup(f"{''.join(parts)}</svg>")


def _symbols(symbol: Symbol, places: list[list[float]]) -> list[str]:
    """One shape a tree."""
    shape = _shape(symbol.shape)
    each = "".join(f'<g transform="translate({x:g} {y:g})">{shape}</g>' for x, y in places)
    return [f'<g fill="{symbol.fill}" stroke="{INK}">{each}</g>']


def _dots(symbol: Symbol, places: list[list[float]]) -> list[str]:
    """One round dot a tree, as points of one path."""
    path = "".join(f"M{x:.0f} {y:.0f}h0" for x, y in places)
    fill = _DOTS.get(symbol.shape, symbol.fill)
    return [f'<path d="{path}" stroke="{fill}" stroke-width="4" stroke-linecap="round" fill="none"/>'] if path else []


def _shape(shape: str) -> str:
    """One symbol, five pixels in radius."""
    if shape in _SHAPES:
        return f'<polygon transform="scale(5)" stroke-width=".2" points="{_SHAPES[shape]}"/>'
    radius, opacity = (2.5, 1) if shape == "speck" else (4.5, 0 if shape == "ring" else 1)
    return f'<circle r="{radius}" fill-opacity="{opacity}"/>'


def _ground(site: Site, box, at, tolerance_m: float) -> list[str]:  # type: ignore[no-untyped-def]
    """Areas and lines of every role, coarsened until the picture is small."""
    order = {role: place for place, role in enumerate(GROUND_STYLES)}
    found = []
    for layer in sorted(site.layers, key=lambda layer: order.get(layer.role, -1)):
        style = GROUND_STYLES.get(layer.role, FALLBACK_GROUND)
        shapes = _large(layer.geometry, box, tolerance_m)
        shapes, _ = cut_to_box(shapely.simplify(shapes, tolerance_m, preserve_topology=False), box)
        shapes = shapely.get_parts(shapes)
        if shapely.get_num_coordinates(shapes).sum() > MOST_POINTS:
            shapes = shapely.get_parts(shapely.simplify(shapes, tolerance_m * 6, preserve_topology=False))
        if shapely.get_num_coordinates(shapes).sum() > 4 * MOST_POINTS:
            continue
        for shape in shapes:
            area = shapely.get_dimensions(shape) == 2
            lines = shapely.get_rings(shape) if area else [shape] if shapely.get_dimensions(shape) == 1 else []
            path = "".join(_path(at(*shapely.get_coordinates(line).T), closed=bool(area)) for line in lines)
            fill = style.fill if area else "none"
            found.append(f'<path d="{path}" fill="{fill}" fill-rule="evenodd" stroke="{style.edge}"/>')
    return found


def _large(shapes: Geometries, box: Box, tolerance_m: float) -> Geometries:
    """Shapes that reach into the box, without areas that vanish when drawn so coarsely; none where lines are too many.

    A line keeps both ends, however coarsely it is drawn.
    """
    left, bottom, right, top = box
    west, south, east, north = shapely.bounds(shapes).T
    lines = shapely.get_dimensions(shapes) == 1
    inside = (west >= left) & (east <= right) & (south >= bottom) & (north <= top)
    if 2 * np.count_nonzero(lines & inside) > 4 * MOST_POINTS:
        return shapes[:0]
    near = (west <= right) & (east >= left) & (south <= top) & (north >= bottom)
    kept: Geometries = shapes[near & (lines | (np.hypot(east - west, north - south) > tolerance_m))]
    return kept


def _path(places: FloatArray, *, closed: bool) -> str:
    """Places as an SVG path."""
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in places.tolist()) + ("Z" if closed else "")
