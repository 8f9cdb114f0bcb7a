"""What is built in the town: streets, plots, river, railway and woods."""

from __future__ import annotations

import itertools

import numpy as np
import shapely
from demo_places import DRAW
from demo_shapes import Rng, blob, curve_through, pieces, ribbon, strip, waves
from demo_town import ACROSS, BANK_SPECIES, EASTWARD, KERB_M, NORTHWARD, PLACES, UP, VERGE_M, WALK_M, Town, add_tree
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry


def make_town(rng: Rng) -> Town:
    """Draw the town."""
    town = Town()
    _draw_river(rng, town)
    _draw_streets(town)
    for column in range(len(ACROSS) - 1):
        for row in range(len(UP) - 1):
            if not any(c0 <= column < c1 and r0 <= row < r1 for _, (c0, c1), (r0, r1) in PLACES.values()):
                _draw_block(rng, town, _ground(column, column + 1, row, row + 1), (column, row))
    for name, (kind, (c0, c1), (r0, r1)) in PLACES.items():
        if kind in DRAW:
            DRAW[kind](rng, town, name, _ground(c0, c1, r0, r1))
    _draw_green(rng, town)
    return town


def _ground(c0: int, c1: int, r0: int, r1: int) -> tuple[float, float, float, float]:
    """The ground between kerbs."""
    return ACROSS[c0] + KERB_M, UP[r0] + KERB_M, ACROSS[c1] - KERB_M, UP[r1] - KERB_M


def _draw_river(rng: Rng, town: Town) -> None:
    """River with an island, and a brook down a ravine east of the streets."""
    line = curve_through(
        [(-260, 96), (0, 112), (260, 84), (520, 70), (800, 102), (1060, 124), (1320, 92), (1560, 70), (1800, 96)], 12
    )
    line[:, 1] += 5 * waves(rng, len(line), longest=45, count=5)
    half = 31 + 4 * waves(rng, len(line), longest=50, count=6)
    swell = np.exp(-(((line[:, 0] - 900) / 110) ** 2))
    here = line[(line[:, 0] > 770) & (line[:, 0] < 1030)]
    round_ends = np.sin(np.pi * np.linspace(0, 1, len(here)) ** 0.75)
    lens = strip(here, 13 * round_ends + 0.3, 8 * round_ends + 0.3).buffer(-0.5).buffer(0.5)
    river = shapely.difference(strip(line, half + 9 * swell, half + 8 * swell), lens)
    town.add("water", river, name="Quell River", kind="river")
    brook = curve_through(
        [
            (1440, 1330),
            (1500, 1240),
            (1486, 1130),
            (1530, 1020),
            (1508, 900),
            (1540, 780),
            (1512, 640),
            (1530, 500),
            (1516, 380),
            (1548, 260),
            (1540, 100),
        ],
        6,
    )
    brook += np.column_stack([waves(rng, len(brook), longest=30) * 2.2, np.zeros(len(brook))])
    town.add("brook", LineString(brook).difference(river), name="Hatter Brook", width_m=3.2)


def _draw_streets(town: Town) -> None:
    """Carriageways: a street stops where a merged place lies across it."""

    def open_stretch(at: int, gap: int, *, northward: bool) -> bool:
        for _, (c0, c1), (r0, r1) in PLACES.values():
            across, along = ((c0, c1), (r0, r1)) if northward else ((r0, r1), (c0, c1))
            if across[0] < at < across[1] and along[0] <= gap < along[1]:
                return False
        return True

    for names, places, stops, northward in ((NORTHWARD, ACROSS, UP, True), (EASTWARD, UP, ACROSS, False)):
        for at, (name, place) in enumerate(zip(names, places, strict=True)):
            ends = [
                (a, b)
                for gap, (a, b) in enumerate(itertools.pairwise(stops))
                if open_stretch(at, gap, northward=northward)
            ]
            lines = [LineString([(place, a), (place, b)] if northward else [(a, place), (b, place)]) for a, b in ends]
            town.add("roads", shapely.union_all(lines).buffer(KERB_M, quad_segs=4), name=f"{name} Street")
    town.add("roads", ribbon([(785, 1100), (792, 1180), (830, 1260), (900, 1330)], 8.0), name="Hooper Street")
    town.add("roads", ribbon([(0, 250), (-110, 252), (-280, 262)], 8.8), name="Wharf Road west")
    town.add("roads", ribbon([(1460, 250), (1600, 248), (1800, 236)], 8.8), name="Wharf Road east")
    town.add("roads", ribbon([(470, 250), (466, 190), (470, 120), (476, 40), (470, -60)], 9.0), name="Bridge Street")


def _draw_block(rng: Rng, town: Town, ground: tuple[float, float, float, float], at: tuple[int, int]) -> None:
    """A block of plots: two rows of houses back to back, walk and verge round them, trees in the verge."""
    x0, y0, x1, y1 = ground
    block = shapely.box(*ground)
    inner = VERGE_M + WALK_M + 0.2
    middle = (y0 + y1) / 2 + rng.uniform(-3, 3)
    drives = []
    for front, back, out in ((y0, middle, 1.0), (y1, middle, -1.0)):
        x = x0 + inner
        while x < x1 - inner - 12:
            width = min(rng.uniform(15, 24), x1 - inner - x)
            drives += _draw_plot(rng, town, (x, front + out * inner, width, abs(back - front) - inner), out)
            x += width
    paved = shapely.union_all(drives)
    for drive in drives:
        town.add("drives", drive, kind="drive")
    walk = shapely.box(*ground).buffer(-(VERGE_M + WALK_M / 2), join_style="mitre").exterior
    town.add("walks", walk, kind="sidewalk", width_m=WALK_M)
    verge = shapely.difference(
        shapely.difference(block.buffer(-0.15), block.buffer(-VERGE_M, join_style="mitre")),
        paved.buffer(0.4, join_style="mitre"),
    )
    town.add("lawn", verge, kind="verge")
    _plant_verge(rng, town, ground, paved, at)


def _draw_plot(rng: Rng, town: Town, plot: tuple[float, float, float, float], out: float) -> list[BaseGeometry]:
    """House, drive and lawn of one plot; returns the drives."""
    x, y, width, depth = plot

    def area(a: float, b: float, c: float, d: float) -> Polygon:
        return shapely.box(x + a, min(y + out * b, y + out * d), x + c, max(y + out * b, y + out * d))

    setback, deep = rng.uniform(4.5, 8), rng.uniform(9, 12)
    broad = min(rng.uniform(8, 11), width - 5)
    left = rng.uniform(0.8, 1.6)
    home = area(left, setback, left + broad, setback + deep)
    if rng.random() < 0.3:
        home = shapely.union(home, area(left + 1, setback + deep - 0.1, left + 1 + broad * 0.55, setback + deep + 3))
    drives = []
    if rng.random() < 0.88:
        start = left + broad + 0.7
        drives.append(
            area(start, -(VERGE_M + WALK_M + 0.2), min(start + 2.7, width - 0.3), setback + rng.uniform(3, deep + 4))
        )
    if rng.random() < 0.9:
        grass = area(0.5, 0.3, width - 0.5, depth * rng.uniform(0.6, 0.97))
        town.add(
            "lawn",
            shapely.difference(grass, shapely.union_all([home.buffer(0.7, join_style="mitre"), *drives])),
            kind="garden",
        )
    return drives


def _plant_verge(
    rng: Rng, town: Town, ground: tuple[float, float, float, float], paved: BaseGeometry, at: tuple[int, int]
) -> None:
    """Trees in the verge round a block, missing at corners, drives and by chance."""
    x0, y0, x1, y1 = ground
    column, row = at
    half = VERGE_M / 2
    sides = (
        ((x0, y0 + half), (x1, y0 + half), EASTWARD[row]),
        ((x1 - half, y0), (x1 - half, y1), NORTHWARD[column + 1]),
        ((x1, y1 - half), (x0, y1 - half), EASTWARD[row + 1]),
        ((x0 + half, y1), (x0 + half, y0), NORTHWARD[column]),
    )
    for start, end, street in sides:
        line = LineString([start, end])
        along = rng.uniform(7, 11)
        while along < line.length - 7:
            spot = line.interpolate(along)
            if rng.random() < 0.84 and spot.distance(paved) > 1.4:
                add_tree(
                    rng,
                    town,
                    (spot.x + rng.normal(0, 0.15), spot.y + rng.normal(0, 0.15)),
                    street=f"{street} Street",
                    surface="turf",
                )
            along += rng.uniform(7.2, 11.2)


def _draw_green(rng: Rng, town: Town) -> None:
    """Woods, ravine, railway and the promenade between railway and river."""
    edge = 1118 + 16 * waves(rng, 120, longest=70, count=6)
    u = np.linspace(-120, 1640, 120)
    top = 1400 + 34 * waves(rng, 120, longest=110, count=5)
    wood = Polygon([*zip(u, edge, strict=True), *zip(u[::-1], top[::-1], strict=True)]).buffer(-70).buffer(70)
    clearing = blob(rng, (420, 1250), (90, 40), turn=10, rough=0.15)
    brook = town.layers["brook"][0]["geometry"]
    ravine = brook.buffer(26).intersection(shapely.box(1470, 200, 1700, 1160))
    foot = shapely.box(*_ground(7, 9, 8, 9)).buffer(-6)
    road = shapely.union_all([row["geometry"] for row in town.layers["roads"]]).buffer(2)
    for name, part in (
        ("North wood", shapely.difference(wood, shapely.union_all([clearing, brook.buffer(2), road]))),
        ("Ravine", shapely.difference(ravine, shapely.union_all([brook.buffer(2), wood, road]))),
        ("Wood foot", shapely.difference(foot, wood)),
    ):
        for piece in pieces(part, smallest=100):
            town.add("green", piece, kind="wood", name=name)
    town.add("green", shapely.difference(clearing.buffer(-2), brook.buffer(2)), kind="rough grass")
    rail = curve_through([(-260, 214), (200, 207), (600, 200), (1000, 214), (1400, 206), (1800, 190)], 20)
    town.add("rail", LineString(rail).buffer(4.2, cap_style="flat"), kind="railway")
    line = LineString(rail)
    for side in (1, -1):
        bank = line.buffer(side * 11, single_sided=True).difference(line.buffer(4.6))
        town.add("green", bank.difference(ribbon([(470, 260), (466, 190), (470, 160)], 14)), kind="rough grass")
    for i in range(18):
        spot = line.interpolate(130 + 100 * i + rng.uniform(-30, 30))
        town.add(
            "green",
            blob(rng, (spot.x, spot.y + rng.choice([-9.0, 9.0])), (rng.uniform(6, 15), 3.5), rough=0.2),
            kind="scrub",
        )
    river = town.layers["water"][0]["geometry"]
    walk = (
        LineString(curve_through([(60, 176), (300, 166), (456, 160)], 8)),
        LineString(curve_through([(486, 162), (700, 164), (900, 182), (1180, 180), (1400, 172)], 8)),
    )
    grass = shapely.difference(
        Polygon([(30, 150), (70, 196), (1390, 196), (1430, 160), (1380, 120), (80, 120)]),
        shapely.union_all(
            [river.buffer(5), line.buffer(12), *[w.buffer(1.5) for w in walk], shapely.box(455, 100, 488, 260)]
        ),
    )
    for piece in pieces(grass, smallest=60):
        town.add("lawn", piece, kind="promenade")
    for path in walk:
        town.add("walks", path, kind="river walk", width_m=3.0)
        for along in np.arange(5, path.length, 9.0):
            foot = path.interpolate(along)
            if rng.random() < 0.8:
                add_tree(
                    rng,
                    town,
                    (foot.x, foot.y + rng.choice([-1, 1]) * rng.uniform(2.4, 5.5)),
                    street="River walk",
                    surface="turf",
                    young=0.6,
                )
    bank = curve_through([(90, 146), (280, 126), (430, 114)], 5)
    for x, y in bank:
        spot = Point(x + rng.normal(0, 2.0), y + rng.normal(3, 4.0))
        if spot.distance(river) > 1.0 and spot.distance(walk[0]) > 3:
            add_tree(
                rng, town, (spot.x, spot.y), street="River walk", surface="rough_grass", kinds=BANK_SPECIES, whip=True
            )
    town.add("area", shapely.box(-860, -720, 2400, 2200), name="City survey")
