"""The ground of the riverside site: a meandering river, its meadows, a farm, a lane of houses, fields and woods."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from demo_shapes import (
    Points,
    Rng,
    blob,
    box,
    curve_through,
    house,
    meanders,
    pieces,
    place,
    ribbon,
    strip,
    waves,
)
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

WIDE_M, HIGH_M = 1400.0, 950.0


@dataclass
class Ground:
    """What lies where, role by role, in metres from the site's corner."""

    line: Points  # middle of the river
    water: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    ditches: list[tuple[str, BaseGeometry, float]] = field(default_factory=list)
    lawn: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    drives: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    paths: list[tuple[str, BaseGeometry, float]] = field(default_factory=list)
    roads: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    houses: list[BaseGeometry] = field(default_factory=list)
    woods: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    cover: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    hedges: list[tuple[str, BaseGeometry, float]] = field(default_factory=list)
    rough: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    sprayed: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    fences: list[tuple[str, BaseGeometry]] = field(default_factory=list)
    blocks: dict[str, BaseGeometry] = field(default_factory=dict)


REACHES = (  # length and steepest heading of each reach of the river, metres and degrees
    (190, -35),
    (250, 58),
    (330, -80),
    (240, 60),
    (170, -34),
    (310, 88),
    (390, -78),
    (180, 46),
    (230, -62),
    (300, 70),
    (150, -30),
)


def river_line(rng: Rng) -> Points:
    """Return the middle of a river whose bends differ in length and tightness."""
    step = 4.0
    lobes = [
        turn * np.sin(np.pi * np.linspace(0, 1, int(length / step), endpoint=False) ** 0.9) for length, turn in REACHES
    ]
    heading = np.radians(np.concatenate(lobes))
    even = np.convolve(np.pad(heading, 10, mode="edge"), np.hanning(21) / np.hanning(21).sum(), mode="valid")
    return meanders((-70.0, 520.0), even + 0.045 * waves(rng, len(even), longest=70, count=4), step)


def bend_tops(line: Points) -> list[int]:
    """Return the places where the river turns most, one a bend."""
    along = np.diff(line, axis=0)
    turn = np.convolve(np.diff(np.unwrap(np.arctan2(along[:, 1], along[:, 0]))), np.ones(25) / 25, mode="same")
    top = [i for i in range(30, len(turn) - 30) if abs(turn[i]) == np.abs(turn[i - 30 : i + 31]).max()]
    return [i for i in top if abs(turn[i]) > 0.01]


def make_ground(rng: Rng) -> Ground:
    """Draw the whole site; later features give way to earlier ones."""
    ground = Ground(line=river_line(rng))
    _draw_water(rng, ground)
    _draw_roads(ground)
    _draw_farm(rng, ground)
    _draw_houses(rng, ground)
    _draw_park(rng, ground)
    _draw_fields(ground)
    _draw_woods(rng, ground)
    _draw_meadows(rng, ground)
    _cut_lawns(ground)
    return ground


def _cut_lawns(ground: Ground) -> None:
    """Take houses, drives, paths and roads out of the lawns."""
    built = shapely.union_all(
        ground.houses
        + [shape for _, shape in ground.drives + ground.roads]
        + [line.buffer(width / 2) for _, line, width in ground.paths]
    )
    ground.lawn = [
        (name, part) for name, lawn in ground.lawn for part in pieces(shapely.difference(lawn, built), smallest=15)
    ]


def _draw_water(rng: Rng, ground: Ground) -> None:
    """River with two islands, a side channel, an oxbow, a farm pond and two ditches."""
    line, n = ground.line, len(ground.line)
    place_on = np.arange(n)
    half = 10.0 + 0.9 * waves(rng, n, longest=n / 3, count=6)
    bend = np.gradient(np.unwrap(np.arctan2(*np.gradient(line, axis=0).T[::-1])))
    outer = 55 * np.convolve(bend, np.ones(15) / 15, mode="same")  # left where the river turns right, and deeper there
    left, right = half - np.clip(outer, -3, 3) / 2, half + np.clip(outer, -3, 3) / 2
    islands = []
    for middle, length, width, lean in ((330, 30, 9.0, 2.0), (500, 22, 6.5, -1.5)):
        swell = np.exp(-(((place_on - middle) / (0.62 * length)) ** 2))
        left, right = left + 0.8 * width * swell, right + 0.8 * width * swell
        here = slice(middle - length // 2, middle + length // 2 + 1)
        lens = width * np.sin(np.pi * np.linspace(0, 1, length + 1) ** 0.8) * 0.55 + 0.2
        islands.append(strip(line[here], lens + lean, lens - lean).buffer(-0.4).buffer(0.4))
    chute = curve_through([tuple(line[160]), (436, 452), (480, 437), (523, 452), tuple(line[217])])
    side_channel = strip(chute, 2.6 + 0.5 * waves(rng, len(chute), longest=40), 2.6)
    river = shapely.difference(shapely.union(strip(line, left, right), side_channel), shapely.union_all(islands))
    oxbow = curve_through([(575, 372), (566, 330), (588, 292), (630, 281), (668, 300), (680, 338)])
    bulge = 5.0 + 4.5 * np.sin(np.pi * np.linspace(0, 1, len(oxbow)))
    ground.water += [
        ("Ossamer River", river),
        ("Old Loop", strip(oxbow, bulge, bulge).buffer(1.5)),
        ("Farm pond", blob(rng, (258, 706), (19, 12), turn=25, rough=0.08)),
    ]
    ground.ditches += [
        (
            "Corn field ditch",
            LineString(curve_through([(236, 660), (228, 625), (204, 590), (196, 548), (190, 505)])),
            1.2,
        ),
        ("South ditch", LineString(curve_through([(748, 322), (738, 372), (752, 410), (776, 448)])), 1.6),
    ]


def _draw_roads(ground: Ground) -> None:
    """County road, lane to the bridge, and what runs beside them."""
    county = [(-60, 842), (200, 872), (450, 882), (700, 858), (950, 880), (1200, 907), (1460, 893)]
    lane = [
        (1083, 899),
        (1103, 800),
        (1112, 700),
        (1148, 590),
        (1180, 480),
        (1192, 390),
        (1212, 290),
        (1216, 150),
        (1262, -40),
    ]
    ground.roads += [("County road", ribbon(county, 7.0)), ("Landing lane", ribbon(lane, 5.2))]


def _draw_farm(rng: Rng, ground: Ground) -> None:
    """Farm yard with house and barns at the end of its drive."""
    ground.drives.append(("Farm drive", ribbon([(385, 880), (380, 840), (362, 800), (352, 768), (350, 745)], 4.0)))
    barns = [box((386, 716), (34, 14), 8), box((330, 716), (22, 12), 96), box((398, 744), (14, 11), 8)]
    home = house(rng, (313, 762), 12)
    yard = blob(rng, (358, 736), (25, 16), turn=8, rough=0.05)
    ground.houses += [*barns, home]
    ground.drives.append(("Farm yard", shapely.difference(yard, shapely.union_all(barns))))
    garden = blob(rng, (312, 770), (32, 25), turn=15, rough=0.06)
    ground.lawn.append(("Farm garden", garden))


def _draw_houses(rng: Rng, ground: Ground) -> None:
    """Plots along the county road: house, lawn round it, drive to the road, hedge at the back."""
    road = LineString(
        curve_through([(-60, 842), (200, 872), (450, 882), (700, 858), (950, 880), (1200, 907), (1460, 893)])
    )
    starts = (
        [(620 + 47 * i, -1) for i in range(8)]
        + [(1150 + 56 * i, -1) for i in range(4)]
        + [(480 + 52 * i, 1) for i in range(3)]
    )
    for number, (along, side) in enumerate(starts, start=1):
        foot, ahead = road.interpolate(along + 62), road.interpolate(along + 64)
        turn = float(np.degrees(np.arctan2(ahead.y - foot.y, ahead.x - foot.x)))
        depth, front, setback = rng.uniform(52, 64), 41.0, rng.uniform(20, 27)

        def at(x: float, y: float, foot: Point = foot, turn: float = turn, side: int = side) -> tuple[float, float]:
            spot = place(Point(x, side * y), (foot.x, foot.y), turn)
            return spot.x, spot.y

        plot = place(box((0, side * (5.5 + depth / 2)), (front, depth), 0), (foot.x, foot.y), turn)
        home = house(rng, at(rng.uniform(-5, 2), setback), turn + (0 if side > 0 else 180))
        x = rng.uniform(10, 14)
        drive = ribbon([at(x, 3.0), at(x, 12.0), at(x - rng.uniform(0, 2), setback + 2)], rng.uniform(2.9, 3.6), step=3)
        apron = box(at(x - 0.5, setback + 2.5), (6.4, 6.2), turn)
        ground.houses.append(home)
        ground.drives.append((f"Drive {number}", shapely.union(drive, apron)))
        back = rng.uniform(0.72, 0.95)
        lawn = place(
            box((0, side * (6.5 + depth * back / 2)), (front - 2.4, depth * back - 2), 0), (foot.x, foot.y), turn
        )
        beds = blob(rng, at(rng.uniform(-14, 14), 8 + depth * back * 0.7), (5, 3), rough=0.15)
        ground.lawn.append((f"Lawn {number}", shapely.difference(lawn.buffer(-2).buffer(2), beds)))
        if number % 2 and plot.area > 0:
            hedge = LineString([at(-front / 2, 5.5 + depth), at(front / 2, 5.5 + depth)])
            ground.hedges.append((f"Garden hedge {number}", hedge, 1.4))


def _draw_park(rng: Rng, ground: Ground) -> None:
    """Landing park: lawn with paths, car park, and a river walk."""
    ground.lawn.append(("Landing park", blob(rng, (1016, 746), (72, 45), turn=-4, rough=0.06)))
    ground.drives.append(("Car park", shapely.union(box((1078, 774), (26, 17), -84), box((1094, 772), (22, 5), 4))))
    ground.paths += [
        (
            "Park loop",
            LineString(
                curve_through(
                    [
                        (1070, 768),
                        (1040, 772),
                        (1000, 764),
                        (968, 742),
                        (985, 716),
                        (1030, 718),
                        (1062, 742),
                        (1066, 762),
                    ],
                    3,
                )
            ),
            2.2,
        ),
        ("Landing walk", LineString(curve_through([(985, 716), (972, 700), (962, 690)], 3)), 1.8),
        (
            "River walk",
            LineString(
                curve_through(
                    [
                        (968, 742),
                        (930, 722),
                        (900, 690),
                        (868, 640),
                        (846, 572),
                        (818, 520),
                        (770, 512),
                        (715, 530),
                        (650, 545),
                        (600, 540),
                    ],
                    4,
                )
            ),
            1.8,
        ),
    ]


def _draw_fields(ground: Ground) -> None:
    """Two sprayed fields with hedges, and the fences of the old orchard."""
    corn = Polygon(
        [(-40, 640), (60, 652), (150, 668), (222, 668), (226, 740), (214, 832), (120, 836), (20, 826), (-40, 818)]
    )
    beans = Polygon(
        [(752, 318), (760, 200), (800, 128), (930, 120), (1050, 150), (1062, 250), (1040, 332), (930, 352), (840, 330)]
    )
    ground.sprayed += [("Corn field", corn.buffer(-6).buffer(6)), ("Bean field", beans.buffer(-18).buffer(18))]
    ground.hedges += [
        ("Corn field south hedge", LineString([(-38, 632), (60, 644), (150, 660), (205, 661)]), 2.4),
        ("Corn field east hedge", LineString([(233, 690), (234, 742), (221, 838)]), 2.0),
        (
            "Bean field hedge",
            LineString(curve_through([(744, 300), (752, 196), (794, 120), (930, 112), (1040, 138)], 12)),
            2.6,
        ),
    ]
    ground.fences += [("Orchard fence", LineString([(650, 770), (646, 700), (742, 694), (748, 770)]))]


def _draw_woods(rng: Rng, ground: Ground) -> None:
    """Hillside woods with clearings and patches of bank woodland; no wood stands in water, field, road or garden."""
    hill = shapely.union_all(
        [blob(rng, (120, 60), (260, 170), rough=0.1), blob(rng, (400, 40), (240, 150), turn=8, rough=0.1)]
    )
    clearings = [blob(rng, (150, 110), (38, 24), turn=30), blob(rng, (372, 70), (46, 27), turn=-20)]
    east = blob(rng, (1310, 210), (150, 150), turn=20, rough=0.12)
    glade = blob(rng, (1290, 230), (34, 22), turn=40)
    north = blob(rng, (150, 968), (310, 70), turn=2, rough=0.1)
    bank = [
        blob(rng, (1122, 520), (30, 58), turn=25, rough=0.16),
        blob(rng, (470, 505), (34, 24), turn=20, rough=0.15),
        blob(rng, (320, 470), (40, 50), rough=0.18),
        blob(rng, (1345, 560), (50, 34), turn=20, rough=0.15),
        blob(rng, (26, 574), (40, 29), turn=-10, rough=0.15),
        blob(rng, (540, 738), (38, 27), turn=15, rough=0.15),
    ]
    gives_way = shapely.union_all(
        [shape.buffer(1) for _, shape in ground.water + ground.roads + ground.drives + ground.sprayed + ground.lawn]
        + [line.buffer(width) for _, line, width in ground.ditches + ground.paths]
    )
    named = [
        ("Hill wood", shapely.difference(hill, shapely.union_all(clearings))),
        ("East wood", shapely.difference(east, glade)),
        ("North wood", north),
    ]
    named += [(f"Bank wood {i}", patch) for i, patch in enumerate(bank, start=1)]
    for name, wood in named:
        ground.woods += [(name, part) for part in pieces(shapely.difference(wood, gives_way), smallest=150)]
    brambles = [
        ((262, 628), (17, 7), 60),
        ((540, 402), (12, 8), 0),
        ((690, 352), (16, 9), 40),
        ((872, 560), (14, 6), 70),
        ((1010, 690), (15, 6), 10),
        ((168, 515), (11, 7), 15),
        ((765, 770), (13, 7), 0),
        ((590, 640), (15, 8), 120),
    ]
    for number, (centre, radii, turn) in enumerate(brambles, start=1):
        patch = shapely.difference(blob(rng, centre, radii, turn=turn, rough=0.2), gives_way)
        ground.cover += [(f"Bramble {number}", part) for part in pieces(patch)]


def _draw_meadows(rng: Rng, ground: Ground) -> None:
    """Rough grass along the river and in the orchard, round everything that is something else."""
    reach = 58 + 20 * waves(rng, len(ground.line), longest=260, count=4)[::4]
    corridor = shapely.union_all(shapely.buffer(shapely.points(ground.line[::4]), np.clip(reach, 22, 95)))
    corridor = corridor.buffer(8).buffer(-8).simplify(1.5)
    edge = shapely.union_all(
        [corridor, blob(rng, (500, 600), (120, 70), rough=0.1), blob(rng, (620, 330), (105, 85), rough=0.1)]
    )
    taken = shapely.union_all(
        [
            shape
            for _, shape in ground.water
            + ground.roads
            + ground.drives
            + ground.sprayed
            + ground.lawn
            + ground.woods
            + ground.cover
        ]
        + [line.buffer(width / 2) for _, line, width in ground.ditches + ground.paths + ground.hedges]
        + [shape.buffer(3) for shape in ground.houses]
    )
    window = shapely.box(-45, -30, WIDE_M + 45, HIGH_M + 30)
    meadow = shapely.intersection(shapely.difference(edge, taken), window).buffer(-1).buffer(1)
    ground.rough += [("River meadow", part) for part in pieces(meadow, smallest=120)]
    orchard = Polygon([(652, 768), (648, 702), (740, 696), (746, 768)])
    ground.rough += [("Orchard grass", part) for part in pieces(shapely.difference(orchard, taken), smallest=50)]
