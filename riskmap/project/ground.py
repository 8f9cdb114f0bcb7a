"""One ground layer from its own CRS into the working one, only as far as it can matter to a tree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from riskmap.model import BoolArray, FloatArray, GroundLayer, LayerData
from riskmap.project.steps import Way

__all__ = [
    "FAR_M",
    "NEAR_180_DEG",
    "Moved",
    "Window",
    "bring_shapes",
    "in_degrees",
    "kilometres_off",
    "move_covers",
    "move_layer",
]

FAR_M = 5000.0  # a layer with nothing nearer than this to any tree says nothing about the site
BEND_M = 0.01  # an edge that bends more than this on the way is split first
SHORT_M = 200.0  # edges shorter than this bend less than BEND_M anywhere
NEAR_180_DEG = 165.0  # a site beyond this longitude may have shapes drawn across the 180th meridian
MOST_PIECES = 20_000  # of one edge; a feature with a longer edge is cut to the window first
GEOD = pyproj.Geod(ellps="WGS84")

Shapes = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Where the trees stand, in the working CRS."""

    x_m: FloatArray  # of placed trees
    y_m: FloatArray
    margin_m: float  # nothing farther than this from every tree can matter

    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north of the trees with the margin round them."""
        return (
            float(self.x_m.min()) - self.margin_m,
            float(self.y_m.min()) - self.margin_m,
            float(self.x_m.max()) + self.margin_m,
            float(self.y_m.max()) + self.margin_m,
        )

    def box_in(self, way: Way) -> tuple[float, float, float, float] | None:
        """Bounds of the box in the source CRS of `way`; None where they can't be told (a pole, the 180th meridian)."""
        west, south, east, north = self.box()
        side = np.linspace(0.0, 1.0, 41)
        x = np.concatenate([west + side * (east - west)] * 2 + [np.full(41, west), np.full(41, east)])
        y = np.concatenate([np.full(41, south), np.full(41, north)] + [south + side * (north - south)] * 2)
        there_x, there_y = way.back(x, y)
        if not (np.isfinite(there_x).all() and np.isfinite(there_y).all()):
            return None
        source = way.transformer.source_crs if way.transformer else None
        angles = source is not None and source.is_geographic
        if angles and (np.ptp(there_x) > 180.0 or np.abs(there_y).max() > 85.0):
            return None
        grow_x, grow_y = 0.01 * np.ptp(there_x), 0.01 * np.ptp(there_y)
        return (
            float(there_x.min() - grow_x),
            float(there_y.min() - grow_y),
            float(there_x.max() + grow_x),
            float(there_y.max() + grow_y),
        )

    def near(self, shapes: Shapes, scale: float) -> bool:
        """Whether any shape comes within FAR_M of any tree."""
        if not len(shapes):
            return False
        if self._plainly_near(shapes, FAR_M * scale):
            return True
        index = shapely.STRtree(shapes)
        order = np.random.default_rng(0).permutation(len(self.x_m))
        start = 0
        for end in (16, 1024, len(order)):
            some = order[start:end]
            points = shapely.points(self.x_m[some], self.y_m[some])
            if start < end and len(index.query(points, "dwithin", FAR_M * scale)[0]):
                return True
            start = end
        return False

    def _plainly_near(self, shapes: Shapes, far_m: float) -> bool:
        """Whether some shape lies whole within reach of one of a few trees: quick, and never true without cause."""
        west, south, east, north = shapely.bounds(shapes).T
        for tree in np.linspace(0, len(self.x_m) - 1, 5).astype(np.int64):
            x, y = self.x_m[tree], self.y_m[tree]
            farthest = np.hypot(np.maximum(abs(west - x), abs(east - x)), np.maximum(abs(south - y), abs(north - y)))
            if farthest.min() <= far_m:
                return True
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A layer brought over, and what had to be done to it."""

    ground: GroundLayer
    lost: tuple[int, ...] = ()  # feature numbers with no place in the working CRS
    mended: tuple[int, ...] = ()  # feature numbers repaired after the move


def move_layer(data: LayerData, way: Way, window: Window | None, middle: tuple[float, float]) -> Moved:
    """Bring one layer into the working CRS.

    Parameters
    ----------
    middle : tuple
        Longitude and latitude of the site, to unroll longitudes about.
    window : Window or None
        None where no tree is placed: nothing can be near, so nothing is brought over.
    """
    if window is None:
        return Moved(ground=GroundLayer(data=_taken(data, np.zeros(len(data.geometry), dtype=bool)), geometry=_none()))
    shapes = _unrolled(data.geometry, data.crs, middle[0])
    box = None if way.same else window.box_in(way)
    own_box = window.box() if way.same else box
    wanted = _meets(shapes, own_box) if own_box else np.ones(len(shapes), dtype=bool)
    shapes, features = shapes[wanted], data.feature[wanted]
    data = _taken(data, wanted)
    if way.same:
        return Moved(ground=GroundLayer(data=data, geometry=shapes))
    moved = _moved(shapes, way, box)
    whole = ~shapely.is_empty(moved)
    lost = tuple(int(number) for number in features[~whole])
    moved, features, data = moved[whole], features[whole], _taken(data, whole)
    moved, mended = _mended(moved)
    return Moved(
        ground=GroundLayer(data=data, geometry=moved),
        lost=lost,
        mended=tuple(int(number) for number in features[mended]),
    )


def move_covers(covers: Shapes, way: Way, crs: pyproj.CRS, middle: tuple[float, float]) -> Shapes:
    """Bring the polygons that say where a layer was surveyed over, whole."""
    moved = bring_shapes(covers, way, crs, middle)
    kept: Shapes = moved[~shapely.is_empty(moved)]
    return kept


def bring_shapes(shapes: Shapes, way: Way, crs: pyproj.CRS, middle: tuple[float, float]) -> Shapes:
    """Bring shapes over, however far off they are; empty where one has no place."""
    shapes = _unrolled(shapes, crs, middle[0])
    return shapes if way.same else _mended(_moved(shapes, way, None))[0]


def kilometres_off(shapes: Shapes, to_lonlat: Way, middle: tuple[float, float]) -> float:
    """About how far a layer lies from the middle of the site, in km; nan where it can't be told."""
    corners = shapely.get_coordinates(shapes)
    corners = corners[:: max(1, len(corners) // 20_000)]
    lon, lat = to_lonlat.there(corners[:, 0], corners[:, 1])
    sound = np.isfinite(lon) & np.isfinite(lat)
    if not sound.any():
        return float("nan")
    lon, lat = lon[sound], lat[sound]
    _, _, metres = GEOD.inv(np.full(len(lon), middle[0]), np.full(len(lon), middle[1]), lon, lat)
    return float(np.min(metres)) / 1000.0


def _none() -> Shapes:
    """No shapes."""
    return np.empty(0, dtype=object)


def _taken(data: LayerData, wanted: BoolArray) -> LayerData:
    """The layer with some of its features."""
    if wanted.all():
        return data
    return replace(data, geometry=data.geometry[wanted], feature=data.feature[wanted], width_m=data.width_m[wanted])


def _meets(shapes: Shapes, box: tuple[float, float, float, float]) -> BoolArray:
    """Whether the bounds of each shape meet a box."""
    west, south, east, north = shapely.bounds(shapes).T
    meets: BoolArray = (west <= box[2]) & (east >= box[0]) & (south <= box[3]) & (north >= box[1])
    return meets


def _unrolled(shapes: Shapes, crs: pyproj.CRS, middle_lon: float) -> Shapes:
    """Longitudes within half a turn of the site: whole shapes, and near the 180th meridian vertex by vertex.

    Elsewhere an edge of more than half a turn means what it says: a straight line the long way round.
    """
    if not len(shapes) or not in_degrees(crs):
        return shapes
    west, _, east, _ = shapely.bounds(shapes).T
    least, most = middle_lon - 180.0, middle_lon + 180.0
    turned = (east > most) | (west < least) if abs(middle_lon) > NEAR_180_DEG else (west > most) | (east < least)
    if not turned.any():
        return shapes

    def unroll(xy: FloatArray) -> FloatArray:
        away = np.abs(xy[:, 0] - middle_lon) > 180.0
        round_again = middle_lon + (xy[:, 0] - middle_lon + 180.0) % 360.0 - 180.0
        return np.column_stack([np.where(away, round_again, xy[:, 0]), xy[:, 1]])

    shapes = shapes.copy()
    shapes[turned] = shapely.transform(shapes[turned], unroll)
    return shapes


def in_degrees(crs: pyproj.CRS) -> bool:
    """Return whether coordinates are angles in degrees from Greenwich."""
    if not crs.is_geographic:
        return False
    from_greenwich = crs.prime_meridian is None or crs.prime_meridian.longitude == 0.0
    return from_greenwich and all(axis.unit_name == "degree" for axis in crs.axis_info[:2])


def _moved(shapes: Shapes, way: Way, box: tuple[float, float, float, float] | None) -> Shapes:
    """Shapes in the working CRS, long edges split where they bend; empty where a shape has no place there."""
    moved: Shapes = shapely.transform(shapes, way.move)
    longest = _longest_edges(shapes, moved, way)
    split = np.flatnonzero(np.isfinite(longest) & (longest > 0))
    if len(split):
        moved[split] = shapely.transform(shapely.segmentize(shapes[split], longest[split]), way.move)
    for at in np.flatnonzero(longest == 0):
        moved[at] = _cut(shapes[at], way, box)
    return moved


def _cut(shape: Any, way: Way, box: tuple[float, float, float, float] | None) -> Any:
    """Cut the part of a shape that lies in the window, in the working CRS; empty where nothing can be had."""
    nothing = shapely.Polygon()
    if box is None:
        return nothing
    inner = np.asarray([shapely.intersection(shapely.make_valid(shape), shapely.box(*box))], dtype=object)
    longest = _longest_edges(inner, shapely.transform(inner, way.move), way)
    if shapely.is_empty(inner[0]) or longest[0] == 0:
        return nothing
    if np.isfinite(longest[0]):
        inner = shapely.segmentize(inner, longest)
    return shapely.transform(inner, way.move)[0]


def _longest_edges(shapes: Shapes, moved: Shapes, way: Way) -> FloatArray:
    """Longest edge each shape may keep (source units); inf: any; 0: it must be cut to the window first."""
    longest = np.full(len(shapes), np.inf)
    bounds = shapely.bounds(moved)
    with np.errstate(invalid="ignore"):
        small = np.hypot(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]) <= SHORT_M
    big = np.flatnonzero(~small | _torn(moved))
    xy, owner, line = _vertices(shapes[big])
    there, _, _ = _vertices(moved[big])
    longest[big[owner[~np.isfinite(there).all(axis=1)]]] = 0.0
    edge = np.flatnonzero(line[1:] == line[:-1])
    with np.errstate(invalid="ignore"):
        edge = edge[np.hypot(*(there[edge + 1] - there[edge]).T) > SHORT_M]
    middle = (xy[edge] + xy[edge + 1]) / 2
    bend = np.hypot(*(way.move(middle) - (there[edge] + there[edge + 1]) / 2).T)
    edge, bend = edge[~(bend <= BEND_M)], bend[~(bend <= BEND_M)]
    pieces = np.ceil(1.2 * np.sqrt(bend / BEND_M))
    allowed = np.hypot(*(xy[edge + 1] - xy[edge]).T) / pieces
    np.minimum.at(longest, big[owner[edge]], np.where(pieces <= MOST_PIECES, allowed, 0.0))
    return longest


def _torn(shapes: Shapes) -> BoolArray:
    """Whether a vertex of each shape has no place."""
    xy, index = shapely.get_coordinates(shapes, return_index=True)
    torn = np.zeros(len(shapes), dtype=bool)
    torn[index[~np.isfinite(xy).all(axis=1)]] = True
    return torn


def _vertices(shapes: Shapes) -> tuple[FloatArray, npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Vertices of the rings and lines shapes are drawn with: coordinates, shape and line each belongs to."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    parts, outer = shapely.get_parts(parts, return_index=True)
    owner = owner[outer]
    area = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, polygon = shapely.get_rings(parts[area], return_index=True)
    lines = np.concatenate([rings, parts[~area]])
    owner = np.concatenate([owner[area][polygon], owner[~area]])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    return xy, owner[line], line


def _mended(shapes: Shapes) -> tuple[Shapes, npt.NDArray[np.intp]]:
    """Polygons that the move made invalid, repaired, and which they were."""
    area = np.flatnonzero(shapely.get_dimensions(shapes) == 2)
    bad: npt.NDArray[np.intp] = area[~shapely.is_valid(shapes[area])]
    shapes[bad] = shapely.make_valid(shapes[bad])
    return shapes, bad
