"""What fills a block of the town besides plots: park, cemetery, school, market, depot yard, meadow."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import shapely
from demo_shapes import Rng, blob, curve_through, ribbon
from demo_town import EASTWARD, KERB_M, UP, Town, add_tree, plant_bank, plant_ring
from shapely import LineString, Point

Box: TypeAlias = tuple[float, float, float, float]


def draw_park(rng: Rng, town: Town, name: str, box: Box) -> None:
    """Lawn with a loop of paths, shrub beds and a pond with an unmown fringe."""
    (x0, y0, x1, y1), block = box, shapely.box(*box)
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    west = [(x0 + 14, y1 - 12), (x0 + 30, y), (x0 + 12, y0 + 10)]
    loop = [
        *west[2:],
        (x, y0 + 24),
        (x1 - 14, y0 + 12),
        (x1 - 26, y + 10),
        (x1 - 16, y1 - 14),
        (x + 10, y1 - 30),
        *west,
    ]
    spur = [(x0 + 30, y), (x - 70, y - 40), (x, y0 + 24)]
    paths = [LineString(curve_through(line, 6)) for line in (loop, spur)]
    beds = [blob(rng, (x0 + 60 + 80 * i, y1 - 24 - 9 * (i % 2)), (11, 5), rough=0.2) for i in range(3)]
    pond = blob(rng, (x - 5, y - 2), (46, 27), turn=15, rough=0.09)
    landing = blob(rng, (x - 50, y - 2), (26, 30))  # where the lawn comes down to the water
    fringe = shapely.difference(pond.buffer(7), shapely.union(pond, landing))
    taken = shapely.union_all([*(path.buffer(1.2) for path in paths), *beds, pond, fringe])
    town.add("water", pond, name="Foundry pond", kind="pond")
    town.add("lawn", shapely.difference(block.buffer(-1), taken), kind="park")
    town.add("green", fringe, kind="rough grass")
    for bed in beds:
        town.add("green", bed, kind="scrub")
    for path in paths:
        town.add("walks", path, kind="park path", width_m=2.4)
        for along in np.arange(6, path.length, 13.0):
            foot = path.interpolate(along)
            spot = Point(foot.x + rng.uniform(-9, 9), foot.y + rng.uniform(-9, 9))
            if block.buffer(-3).contains(spot) and not taken.buffer(0.8).contains(spot):
                add_tree(rng, town, (spot.x, spot.y), street=name, surface="turf", young=0.5)
    plant_bank(rng, town, pond, name, step=6.0, far=6.0)


def draw_cemetery(rng: Rng, town: Town, name: str, box: Box) -> None:
    """Mown ground with lanes, a hedge along the top, mostly old trees."""
    (x0, y0, x1, y1), block = box, shapely.box(*box)
    y = (y0 + y1) / 2
    lanes = shapely.union(
        ribbon([(x0 + 20, y0), (x0 + 34, y), (x0 + 120, y + 14), (x1 - 40, y - 12), (x1 - 26, y0)], 3.4),
        ribbon([(x0 + 150, y + 8), (x0 + 160, y1 - 30), (x1 - 90, y1 - 18)], 3.0),
    )
    town.add("drives", lanes, kind="lane")
    town.add("lawn", shapely.difference(block.buffer(-3), lanes), kind="cemetery")
    town.add("green", LineString([(x0 + 3, y1 - 1), (x1 - 3, y1 - 1)]).buffer(1.2, cap_style="flat"), kind="scrub")
    for _ in range(90):
        spot = Point(rng.uniform(x0 + 6, x1 - 6), rng.uniform(y0 + 6, y1 - 6))
        if spot.distance(lanes) > 1.5:
            add_tree(rng, town, (spot.x, spot.y), street=name, surface="turf", young=0.2)


def draw_school(rng: Rng, town: Town, name: str, box: Box) -> None:
    """A hall and a car park in a mown field ringed with trees."""
    (x0, y0, x1, _), block = box, shapely.box(*box)
    hall = shapely.union(
        shapely.box(x0 + 18, y0 + 22, x1 - 22, y0 + 46), shapely.box(x0 + 18, y0 + 22, x0 + 42, y0 + 78)
    )
    paved = shapely.union(shapely.box(x0 + 52, y0 + 54, x1 - 14, y0 + 80), shapely.box(x1 - 14.1, y0 + 62, x1, y0 + 68))
    town.add("drives", paved, kind="car park")
    town.add("lawn", shapely.difference(block.buffer(-1), shapely.union(hall.buffer(1.5), paved)), kind="school field")
    plant_ring(rng, town, block.buffer(-4).exterior, name, surface="turf", step=10.5, young=0.6)


def draw_market(rng: Rng, town: Town, name: str, box: Box) -> None:
    """A built-up block: broad pavement with trees in pits, a car park in the yard."""
    (x0, y0, x1, y1), block = box, shapely.box(*box)
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    lot = shapely.box(x - 30, y - 16, x + 24, y + 14)
    town.add("walks", block.buffer(-1.6, join_style="mitre").exterior, kind="market pavement", width_m=3.2)
    town.add("drives", shapely.union(lot, shapely.box(x - 3, y0, x + 3, y)), kind="car park")
    kerb = block.buffer(-0.9, join_style="mitre").exterior
    street = f"{EASTWARD[UP.index(round(y0 - KERB_M))]} Street"
    plant_ring(rng, town, kerb, street, surface="pit", step=9.0, young=0.55)
    plant_ring(rng, town, lot.buffer(1.2).exterior, f"{name} car park", surface="bed", step=9.0, young=0.6)


def draw_yard(rng: Rng, town: Town, name: str, box: Box) -> None:
    """Gravel that is kept bare with herbicide, rough grass and young trees round it."""
    (x0, y0, x1, y1), block = box, shapely.box(*box)
    gravel = blob(rng, ((x0 + x1) / 2 + 30, (y0 + y1) / 2), (100, 26), rough=0.05)
    town.add("rail", gravel, kind="gravel yard")
    town.add("drives", shapely.box(x0 + 10, y0 + 10, x0 + 70, y1 - 20), kind="yard")
    built = shapely.union(gravel.buffer(2), shapely.box(x0 + 8, y0 + 8, x0 + 72, y1 - 18))
    town.add("green", shapely.difference(block.buffer(-7), built), kind="rough grass")
    plant_ring(rng, town, block.buffer(-2.2).exterior, name, surface="rough_grass", step=10.0, young=0.7)
    plant_ring(rng, town, gravel.buffer(4).exterior, name, surface="rough_grass", step=12.0, young=1.0)


def draw_meadow(rng: Rng, town: Town, name: str, box: Box) -> None:
    """An unmown basin that holds storm water."""
    (x0, y0, x1, y1), block = box, shapely.box(*box)
    basin = blob(rng, ((x0 + x1) / 2 + 6, (y0 + y1) / 2 - 2), (27, 13), rough=0.12)
    town.add("water", basin, name="Lantern basin", kind="pond")
    town.add("green", shapely.difference(block.buffer(-4), basin), kind="rough grass")
    plant_bank(rng, town, basin, name, step=5.0, far=9.0)
    plant_ring(rng, town, block.buffer(-3).exterior, name, surface="rough_grass", step=11.0, young=0.8)


DRAW: dict[str, Callable[[Rng, Town, str, Box], None]] = {
    "cemetery": draw_cemetery,
    "market": draw_market,
    "meadow": draw_meadow,
    "park": draw_park,
    "school": draw_school,
    "yard": draw_yard,
}
