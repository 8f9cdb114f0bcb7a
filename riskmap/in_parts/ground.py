"""Ground that whoever works on a part reads for itself: of a big layer file, what lies round the trees of the part."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pyproj
import shapely

from riskmap.errors import InputError, MachineError
from riskmap.in_parts.cutter import Cutter, matters_within_m
from riskmap.in_parts.plan import part_name
from riskmap.in_parts.workshop import Workshop
from riskmap.model import GroundLayer, Inputs, LayerData, LayerSource, Settings, Site
from riskmap.project import Box, Nearness, Outlook
from riskmap.read import Known, LayerFile, LayerReading, Seen, fits_parts, open_layer, read_part

__all__ = ["Ahead", "Came", "came_upon", "drawn_ground", "with_ground"]

GROUND: Final = "ground"
PLACES: Final = 8  # trees, evenly out of all, round which a layer is looked for; it is read at once where none is near
WITHIN_M: Final = (500.0, 4750.0)  # first so far, then farther: nearer than what makes a role count as surveyed

Boxes = tuple[Box, ...]
Near = Callable[[pyproj.CRS], Boxes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Later:
    """A layer that is left to the parts.

    Attributes
    ----------
    place : int
        Among the layers of the site, where `stand_in`, one feature of it, stands for all.
    way : list of dict
        The datum step that it took here.
    """

    place: int
    file: LayerFile
    stand_in: GroundLayer
    way: list[dict[str, object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """All that is left to the parts, and what they must know of the whole."""

    outlook: Outlook
    scale: float  # the largest point scale at any tree
    layers: tuple[Later, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """What one part came upon in one layer, and which features did not get into the working CRS as they were."""

    seen: Seen
    lost: tuple[int, ...]
    mended: tuple[int, ...]


class Ahead:
    """Finds the layers that can be left to the parts, and what holds for the whole of each.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    near : Nearness
        Where the trees are.
    """

    def __init__(self, settings: Settings, near: Nearness) -> None:
        self.settings, self.near = settings, near
        self.files: dict[int, LayerFile] = {}

    def __call__(self, source: LayerSource) -> LayerReading | None:
        """Return a layer with one feature that stands for all; None where it must be read at once.

        One feature near a tree tells that the role counts as surveyed, whatever the others do.
        """
        known = fits_parts(source, self.settings)
        site = None if known is None else self.near.site()
        if known is None or site is None:
            return None
        outlook, trees = Outlook.of(site), np.linspace(0, len(site.window.x_m) - 1, PLACES).astype(np.int64)
        for within_m in WITHIN_M:
            for x_m, y_m in {(float(site.window.x_m[tree]), float(site.window.y_m[tree])): None for tree in trees}:
                box = x_m - within_m, y_m - within_m, x_m + within_m, y_m + within_m
                reading, whole = read_part(source, self.settings, _boxes(outlook, box), known)
                if whole or reading.problems:
                    return None
                number = None if reading.layer is None else _plainest(reading.layer, outlook, (x_m, y_m), within_m)
                if number is not None:
                    return self._opened(source, _boxes(outlook, box), known, number)
        return None

    def _opened(self, source: LayerSource, near: Near, known: Known, number: int) -> LayerReading | None:
        """The layer with the one feature of that number."""
        opened = open_layer(source, self.settings, near, known)
        data = None if opened is None else opened[0].layer
        if opened is None or data is None:
            return None
        reading, self.files[source.number] = opened
        one = data.feature == number
        only = replace(data, geometry=data.geometry[one], feature=data.feature[one], width_m=data.width_m[one])
        return replace(reading, layer=only)

    def spread(self, inputs: Inputs) -> Inputs:
        """Return the inputs with layers that are left to the parts as wide as they may lie, for checks of where."""
        return replace(inputs, layers=tuple(self._spread(layer) for layer in inputs.layers))

    def _spread(self, layer: LayerData) -> LayerData:
        """One layer, if it is left to the parts, as one box round all trees."""
        boxes = self.near(layer.crs, False) if layer.source.number in self.files else ()
        return replace(layer, geometry=np.array([shapely.box(*boxes[0])], dtype=object)) if boxes else layer

    def leave_to_parts(self, whole: Site, shop: Workshop) -> None:
        """Put down what parts must know.

        Parameters
        ----------
        whole : Site
            In metres.
        shop : Workshop
            Where parts look for it.
        """
        site = self.near.site()
        if not self.files or site is None:
            return
        layers = []
        for place, layer in enumerate(whole.layers):
            file = self.files.get(layer.number)
            if file is not None:
                way = [step for step in whole.datum_steps if step["file"] == file.source.file]
                layers.append(Later(place=place, file=file, stand_in=layer, way=way))
        shop.save(GROUND, Left(outlook=Outlook.of(site), scale=float(whole.trees.scale.max()), layers=tuple(layers)))


def _boxes(outlook: Outlook, box: Box | None, margin_m: float = 0.0) -> Near:
    """What a reader asks for the boxes to read."""
    return lambda crs: outlook.boxes(crs, box, margin_m)


def _plainest(data: LayerData, outlook: Outlook, tree: tuple[float, float], within_m: float) -> int | None:
    """The number of the feature with the fewest vertices that lies so near a tree; None where none does."""
    brought = outlook.bring(data)
    shapes, numbers = brought.ground.geometry, brought.ground.data.feature
    near = shapely.distance(shapes, shapely.Point(tree)) <= within_m
    near &= ~np.isin(numbers, brought.mended)
    if not near.any():
        return None
    return int(numbers[near][np.argmin(shapely.get_num_coordinates(shapes[near]))])


def with_ground(site: Site, shop: Workshop, number: int) -> Site:
    """Return a part with the ground that is left to it, and keep what was come upon.

    Parameters
    ----------
    site : Site
        The part as it was laid out.
    shop : Workshop
        Where it was.
    number : int
        Its number.

    Raises
    ------
    MachineError
        A layer file is not here as it was found.
    InputError
        With what is wrong in a layer.
    """
    left = _left(shop)
    if left is None:
        return site
    layers, came, box = list(site.layers), {}, _box_of(site)
    for later in left.layers if box is not None else ():
        source = later.file.source
        near = _boxes(left.outlook, box, matters_within_m(source.role, later.file.widest_m, site))
        ground, came[source.number] = _read(later, site.inputs.settings, left.outlook, near)
        if len(ground.geometry):
            (layers[later.place],) = Cutter.of(replace(site, layers=(ground,))).cut(site).layers
    shop.save(part_name(number, GROUND), came)
    return replace(site, layers=tuple(layers))


def _left(shop: Workshop) -> Left | None:
    """What is left to the parts; None where nothing is."""
    if not shop.holds(GROUND):
        return None
    left: Left | None = shop.load(GROUND)
    if left is None:
        raise shop.broken("what parts must know of the ground")
    return left


def _box_of(site: Site) -> Box | None:
    """Where the trees of a part stand; None where none has a place."""
    x_m, y_m = (axis[site.trees.placed] for axis in (site.trees.x_m, site.trees.y_m))
    return (float(x_m.min()), float(y_m.min()), float(x_m.max()), float(y_m.max())) if len(x_m) else None


def _read(later: Later, settings: Settings, outlook: Outlook, near: Near) -> tuple[GroundLayer, Came]:
    """What of a layer lies in some boxes, in the working CRS, and what was come upon."""
    later.file.expect()
    reading, _ = read_part(later.file.source, settings, near, later.file.known, crs=later.file.crs)
    later.file.expect()
    if reading.problems or reading.seen is None:
        raise InputError(reading.problems)
    if reading.layer is None:
        nothing = replace(later.stand_in, geometry=later.stand_in.geometry[:0])
        return nothing, Came(seen=reading.seen, lost=(), mended=())
    brought = outlook.bring(reading.layer)
    if list(brought.way) != [step for step in later.way if step in brought.way]:
        raise MachineError(
            f"{later.file.source.file} would come into the working coordinate system another way where this part is "
            "worked on: let workers have the same PROJ, with the same grids, as this machine"
        )
    return brought.ground, Came(seen=reading.seen, lost=brought.lost, mended=brought.mended)


def came_upon(shop: Workshop, parts: int) -> dict[int, list[Came]]:
    """Return by number of a layer what the parts came upon in it; nothing where nothing was left to them.

    Parameters
    ----------
    shop : Workshop
        Where they were worked on.
    parts : int
        How many there are.
    """
    found: dict[int, list[Came]] = defaultdict(list)
    if _left(shop) is None:
        return {}
    for number in range(parts):
        came: dict[int, Came] | None = shop.load(part_name(number, GROUND))
        if came is None:
            raise shop.broken(f"the ground of part {number}")
        for layer, one in came.items():
            found[layer].append(one)
    return dict(found)


def drawn_ground(site: Site, shop: Workshop, box: Box | None, everything: bool) -> tuple[GroundLayer, ...]:
    """Return the layers of the whole site as far as they are drawn.

    Parameters
    ----------
    site : Site
        Its ground, with one feature in place of each layer that was left to the parts.
    shop : Workshop
        Where parts were worked on.
    box : tuple of float or None
        What the map shows, in the working CRS. [m]
    everything : bool
        All that lies near any tree, and not what the map shows alone.
    """
    left, layers = _left(shop), list(site.layers)
    if left is None:
        return site.layers
    for later in left.layers:
        near = _boxes(left.outlook, None)
        if box is not None and not everything:
            widest_m = later.file.widest_m + site.inputs.settings.trees.accuracy_m
            near = _boxes(left.outlook, box, matters_within_m(later.file.source.role, widest_m, site) * left.scale)
        ground, _ = _read(later, site.inputs.settings, left.outlook, near)
        layers[later.place] = ground if len(ground.geometry) else later.stand_in
    return tuple(layers)
