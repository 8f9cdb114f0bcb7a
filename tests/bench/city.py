"""An invented city of 30 x 30 km, from a seed: eight kinds of ground, and trees where people plant them.

Two shapes of data are hard on a nearest search: few features with very many vertices (a river, woods), and very many
small ones (lawns). Both are here, with overlaps, holes and uneven trees. `scale` shrinks counts and vertices alike;
all polygons are valid at every scale.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import shapely

__all__ = ["CRS", "REACH_M", "ROLES", "make_city", "make_trees", "write_city"]

CRS = "EPSG:32617"
SIDE_M = 30_000.0
CORNER = np.array([400_000.0, 4_500_000.0])
REACH_M = {"water": 200.0, "lawn": 2.0, "driveway": 10.0, "road": 10.0, "deer_habitat": 200.0}
REACH_M |= {"rabbit_cover": 30.0, "rough_grass": 5.0, "spray_area": 100.0}
ROLES = list(REACH_M)
TURN = 2 * np.pi


def waves(rng: np.random.Generator, t: Any, octaves: int, first: float, fall: float = 0.6) -> Any:
    """A sum of sines over t in 0..1, finer and smaller by octave."""
    return sum(fall**o * np.sin(TURN * (round(first * 2**o) * t + rng.random())) for o in range(octaves))


def blobs(rng: np.random.Generator, centre: Any, radius: Any, n: int, rough: float = 0.2) -> Any:
    """Star-shaped polygons of n corners: they cannot cross themselves."""
    t = np.linspace(0, TURN, n, endpoint=False)
    away = 1 + sum(
        rough / o * rng.normal(size=(len(centre), 1)) * np.sin((o + 1) * t + TURN * rng.random((len(centre), 1)))
        for o in range(1, 5)
    )
    away = np.clip(away, 0.4, 1.7) * np.broadcast_to(radius, len(centre))[:, None]
    return shapely.polygons(np.stack([centre[:, :1] + away * np.cos(t), centre[:, 1:] + away * np.sin(t)], axis=-1))


def lines(block: Any) -> Any:
    """Lines from an array of shape (line, vertex, 2)."""
    n, k, _ = block.shape
    return shapely.linestrings(block.reshape(-1, 2), indices=np.repeat(np.arange(n), k))


class Streets:
    """Districts of parallel streets, each bent a little."""

    def __init__(self, rng: np.random.Generator, scale: float) -> None:
        centres = np.stack(np.meshgrid(np.arange(1_000, 30_000, 2_000.0), np.arange(1_000, 30_000, 2_000.0)), -1)
        centres = centres.reshape(-1, 2)
        centres = centres[np.hypot(*(centres - SIDE_M / 2).T) < 9_200]
        centres = rng.permutation(centres)[: max(1, round(len(centres) * scale))]
        angle = np.repeat(rng.uniform(0, 1.2, len(centres)), 15)
        along = np.column_stack([np.cos(angle), np.sin(angle)])
        across = np.column_stack([-along[:, 1], along[:, 0]])
        off = np.tile(np.arange(-840, 841, 120.0), len(centres))
        self.start = np.repeat(centres, 15, axis=0) + off[:, None] * across - 900 * along
        self.along, self.across, self.n = along, across, len(along)
        self.bend_m, self.phase = rng.uniform(0, 14, self.n), rng.uniform(0, TURN, self.n)

    def at(self, street: Any, way_m: Any, side_m: Any) -> Any:
        """Places so far along streets and so far to the side of them."""
        bent = side_m + self.bend_m[street] * np.sin(way_m / 150.0 + self.phase[street])
        return self.start[street] + way_m[:, None] * self.along[street] + bent[:, None] * self.across[street]


def make_city(scale: float = 1.0, seed: int = 7) -> dict[str, Any]:
    """Make the ground: an array of shapes by role, and under other names what places trees."""
    rng = np.random.default_rng(seed)
    streets = Streets(rng, scale)

    def some(count: float) -> int:
        return max(3, round(count * scale))

    half = max(200, int(5e4 * scale))
    x = np.linspace(0, SIDE_M, half)
    middle = SIDE_M / 2 - 1_500 + 2_000 * waves(rng, x / SIDE_M, 3, 1, 0.5) + 150 * waves(rng, x / SIDE_M, 4, 24)
    banks = [
        np.column_stack([x, middle + way * 60 + 6 * waves(rng, x / SIDE_M, 9, 60, 0.7) + rng.normal(0, 0.15, half)])
        for way in (-1, 1)
    ]
    islands = [
        shapely.Point(x[at], middle[at]).buffer(12, quad_segs=20).exterior
        for at in ((np.arange(12) + 0.5) * half / 12).astype(int)
    ]
    river = shapely.Polygon(np.vstack([banks[0], banks[1][::-1]]), islands if half >= 5_000 else None)
    ponds = [
        blobs(rng, rng.uniform(0, SIDE_M, (some(k), 2)), rng.lognormal(3.3, 0.5, some(k)).clip(8, 200), n)
        for n, k in ((40, 300), (120, 200), (300, 100))
    ]
    heading = np.cumsum(rng.normal(0, 0.18, (some(1_500), 140)), axis=1) + rng.uniform(0, TURN, (some(1_500), 1))
    steps = 8 * np.stack([np.cos(heading), np.sin(heading)], -1)
    creeks = np.cumsum(steps, axis=1) + rng.uniform(0, SIDE_M, (len(heading), 1, 2))

    lots = some(1e5)
    street = rng.integers(0, streets.n, lots)
    way_m, side = rng.integers(0, 81, lots) * 22.0 + rng.normal(11, 1, lots), rng.choice([-1.0, 1.0], lots)
    drives = np.stack([streets.at(street, way_m + d, side * o) for o, d in ((4, 0), (8, 0.2), (13, 0.6), (19, 0.8))], 1)
    fronts = blobs(rng, streets.at(street, way_m, side * 11.0), rng.uniform(3, 5, lots), 20, 0.05)
    backs = blobs(rng, streets.at(street, way_m, side * 36.0), rng.uniform(5, 10, lots), 20, 0.08)
    blocks = np.arange(streets.n * 18)
    places = (blocks // 2 % 9)[:, None] * 200.0 + np.linspace(4, 196, 21)
    walks = streets.at(
        np.repeat(blocks // 18, 21), places.ravel(), np.repeat(np.where(blocks % 2, 6.5, -6.5), 21)
    ).reshape(-1, 21, 2)

    woods: list[Any] = []
    centres = np.stack(np.meshgrid(np.arange(8), np.arange(8)), -1).reshape(-1, 2) * 3_600.0 + 2_400
    for centre in rng.permutation(centres)[: some(60)]:
        n = max(200, int(rng.uniform(1e4, 3e4) * min(1.0, 3 * scale)))
        t, radius = np.linspace(0, 1, n, endpoint=False), rng.uniform(250, 1_000)
        away = radius * np.clip(1 + 0.16 * waves(rng, t, 8, 2), 0.5, 1.4)
        ring = centre + away[:, None] * np.column_stack([np.cos(TURN * t), np.sin(TURN * t)])
        glades = np.stack(np.meshgrid([-0.2, 0.0, 0.2], [-0.2, 0.0, 0.2]), -1).reshape(-1, 2) * radius
        holes = blobs(rng, centre + glades, 0.05 * radius, 120, 0.1)
        woods.append(shapely.Polygon(ring, [hole.exterior for hole in holes]))

    beds = creeks.reshape(-1, 2)[rng.integers(0, len(creeks) * 140, some(3e4))]
    beds = beds + rng.normal(0, 25, beds.shape)
    half = len(beds) // 2
    beds[:half] = streets.at(
        rng.integers(0, streets.n, half),
        rng.uniform(0, 1_800, half),
        rng.choice([-1, 1], half) * rng.uniform(14, 45, half),
    )
    fields = rng.uniform(0, SIDE_M, (some(4e3), 2))
    ground = {
        "water": np.concatenate([[river], *ponds, lines(creeks)]),
        "lawn": np.concatenate([fronts, backs]),
        "driveway": lines(drives),
        "road": lines(walks),
        "deer_habitat": np.array(woods, dtype=object),
        "rabbit_cover": blobs(rng, beds, rng.uniform(1.5, 9, len(beds)), 24, 0.15),
        "rough_grass": blobs(rng, rng.uniform(0, SIDE_M, (some(5e3), 2)), rng.uniform(15, 90, some(5e3)), 60),
        "spray_area": blobs(rng, fields, rng.uniform(50, 150, len(fields)), 12, 0.05),
    }
    city: dict[str, Any] = {role: shapely.transform(shapes, lambda xy: xy + CORNER) for role, shapes in ground.items()}
    edges = shapely.get_coordinates(shapely.get_exterior_ring(ground["deer_habitat"]))
    return city | {"streets": streets, "banks": np.vstack(banks), "edges": edges}


def make_trees(city: dict[str, Any], n: int, seed: int = 11) -> Any:
    """Place n trees: along streets, in yards, in clumps on the bank, at wood edges, anywhere; shape (tree, 2)."""
    rng = np.random.default_rng((seed, n))
    many = rng.multinomial(n, [0.65, 0.10, 0.12, 0.08, 0.05])
    streets: Streets = city["streets"]

    def along(count: int, near_m: float, far_m: float) -> Any:
        side_m = rng.choice([-1, 1], count) * rng.uniform(near_m, far_m, count)
        return streets.at(rng.integers(0, streets.n, count), rng.uniform(0, 1_800, count), side_m)

    clumps = city["banks"][rng.integers(0, len(city["banks"]), max(1, many[2] // 150))]
    parts = [
        along(many[0], 4, 6.4),
        along(many[1], 9, 48),
        clumps[rng.integers(0, len(clumps), many[2])] + rng.normal(0, 30, (many[2], 2)),
        city["edges"][rng.integers(0, len(city["edges"]), many[3])] + rng.normal(0, 20, (many[3], 2)),
        rng.uniform(0, SIDE_M, (many[4], 2)),
    ]
    return rng.permutation(np.vstack(parts) + CORNER)


def write_city(folder: Path, trees: list[int], scale: float = 1.0) -> dict[str, Path]:
    """Write the city as GeoParquet where it is not there yet, and return the files by role."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {role: folder / f"{role}.parquet" for role in ROLES}
    wanted = {n: folder / f"trees_{n}.parquet" for n in trees}
    if all(file.exists() for file in (*files.values(), *wanted.values())):
        return files
    city = make_city(scale)
    for role, file in files.items():
        geopandas.GeoDataFrame(geometry=city[role], crs=CRS).to_parquet(file)
    for n, file in wanted.items():
        xy = make_trees(city, n)
        points = geopandas.points_from_xy(xy[:, 0], xy[:, 1])
        geopandas.GeoDataFrame({"tree_id": np.arange(n)}, geometry=points, crs=CRS).to_parquet(file)
    return files
