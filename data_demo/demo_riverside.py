"""The riverside site: eight planting blocks, their layers and rasters, and the files they go into."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely
from demo_files import frame, single, write_csv, write_geopackage, write_raster
from demo_ground import HIGH_M, WIDE_M, Ground, make_ground
from demo_shapes import Points, Rng, curve_through, normals
from shapely import LineString
from shapely.geometry.base import BaseGeometry

ORIGIN = (514_200.0, 4_718_600.0)  # EPSG:26918, metres

STOCK = {  # block: (species, share), stem mm, height m, form, surface
    "Willow bank": (
        (("Salix nigra", 0.34), ("Populus deltoides", 0.24), ("Alnus incana", 0.22), ("Cornus sericea", 0.2)),
        (8, 15),
        (0.7, 1.4),
        "whip",
        "rough_grass",
    ),
    "Flood meadow": (
        (
            ("Quercus bicolor", 0.28),
            ("Acer saccharinum", 0.2),
            ("Platanus occidentalis", 0.18),
            ("Quercus palustris", 0.14),
            ("Ulmus americana", 0.12),
            ("Carya ovata", 0.08),
        ),
        (13, 28),
        (0.9, 2.0),
        "feathered",
        "rough_grass",
    ),
    "Hedge side": (
        (
            ("Crataegus crus-galli", 0.25),
            ("Prunus serotina", 0.25),
            ("Amelanchier laevis", 0.25),
            ("Corylus americana", 0.25),
        ),
        (9, 20),
        (0.7, 1.5),
        "whip",
        "rough_grass",
    ),
    "Old Loop": (
        (("Nyssa sylvatica", 0.3), ("Betula nigra", 0.3), ("Larix laricina", 0.2), ("Salix nigra", 0.2)),
        (12, 30),
        (1.0, 2.3),
        "feathered",
        "rough_grass",
    ),
    "Landing park": (
        (("Acer rubrum", 0.3), ("Tilia americana", 0.25), ("Quercus rubra", 0.25), ("Betula nigra", 0.2)),
        (44, 72),
        (3.2, 4.8),
        "standard",
        "turf",
    ),
    "Farm drive": ((("Acer saccharum", 1.0),), (40, 56), (3.4, 4.4), "standard", "turf"),
    "Field shelter": (
        (("Pinus strobus", 0.3), ("Picea abies", 0.25), ("Thuja occidentalis", 0.2), ("Acer rubrum", 0.25)),
        (9, 24),
        (0.45, 1.2),
        "whip",
        "rough_grass",
    ),
    "Old orchard": (
        (("Malus domestica", 0.75), ("Pyrus communis", 0.25)),
        (20, 36),
        (1.5, 2.2),
        "standard",
        "rough_grass",
    ),
}


FORMS = {"Cornus sericea": "shrub"} | dict.fromkeys(
    ("Larix laricina", "Pinus strobus", "Picea abies", "Thuja occidentalis"), "conifer"
)


def _spots(rng: Rng, ground: Ground) -> dict[str, Points]:
    """Where the trees of each block stand."""
    line = ground.line
    side = normals(line)
    bank = np.arange(86, 136)
    willow = line[bank] + side[bank] * (rng.uniform(12.5, 21.0, len(bank)))[:, None]
    rows, places = np.meshgrid(np.arange(6), np.arange(9), indexing="ij")
    meadow = np.column_stack([rows.ravel() * 8.0, places.ravel() * 7.0]) + rng.normal(0, 0.5, (54, 2))
    turn = np.radians(-14)
    meadow = meadow @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + (428, 566)
    hedge = LineString([(60, 637), (150, 652), (214, 656)])
    hedge_side = np.array(
        [
            [p.x + rng.normal(0, 0.4), p.y - rng.uniform(3, 7)]
            for p in (hedge.interpolate(4 + 6.2 * i) for i in range(24))
        ]
    )
    loop = ground.water[1][1]
    angles = np.radians(np.linspace(170, 372, 22))
    around = np.column_stack([624 + 82 * np.cos(angles), 336 + 78 * np.sin(angles)]) + rng.normal(0, 2.0, (22, 2))
    around = around[~shapely.contains_xy(loop.buffer(2.5), around)]
    path = ground.paths[0][1]
    beside = [path.interpolate(6 + 13.5 * i) for i in range(18)]
    centre = np.array([1016, 744])
    park = np.array([[p.x, p.y] for p in beside])
    inward = (centre - park) / np.hypot(*(centre - park).T)[:, None]
    park = park + inward * np.where(rng.random(18) < 0.5, 1.0, -1.0)[:, None] * rng.uniform(1.6, 6.5, 18)[:, None]
    drive = curve_through([(385, 880), (380, 840), (362, 800), (352, 768)])
    along = LineString(drive)
    avenue = np.array(
        [
            [p.x + sign * rng.uniform(4.6, 5.6), p.y]
            for p in (along.interpolate(14 + 11 * i) for i in range(9))
            for sign in (-1, 1)
        ]
    )
    beans = ground.sprayed[1][1]
    rows_of_shelter = [
        beans.buffer(away).exterior for away in (1.1, 3.6)
    ]  # a row at the field's edge and one behind it
    shelter = np.vstack([_northern_side(row, step=21.0, between=(800, 1040)) for row in rows_of_shelter])
    rows, places = np.meshgrid(np.arange(2), np.arange(7), indexing="ij")
    orchard = np.column_stack([662 + 12.0 * places.ravel(), 716 + 26.0 * rows.ravel()]) + rng.normal(0, 0.6, (14, 2))
    return {
        "Willow bank": willow,
        "Flood meadow": meadow,
        "Hedge side": hedge_side,
        "Old Loop": around,
        "Landing park": park,
        "Farm drive": avenue,
        "Field shelter": shelter,
        "Old orchard": orchard,
    }


def _northern_side(ring: BaseGeometry, *, step: float, between: tuple[float, float]) -> Points:
    """Spots along the northern half of a ring."""
    spots = np.array([ring.interpolate(along).coords[0] for along in np.arange(0, ring.length, step)])
    middle = (ring.bounds[1] + ring.bounds[3]) / 2
    return spots[(spots[:, 1] > middle + 40) & (spots[:, 0] > between[0]) & (spots[:, 0] < between[1])]


def make_trees(rng: Rng, ground: Ground) -> list[dict[str, object]]:
    """Plant the blocks; a tree never stands in water, on paving, in a house or in a hedge."""
    solid = shapely.union_all(
        [shape.buffer(0.8) for _, shape in ground.water + ground.drives + ground.roads]
        + [line.buffer(width / 2 + 0.8) for _, line, width in ground.ditches + ground.paths + ground.hedges]
        + [shape.buffer(2) for shape in ground.houses]
    )
    trees: list[dict[str, object]] = []
    for letter, (block, spots) in zip("ABCDEFGH", _spots(rng, ground).items(), strict=True):
        free = spots[~shapely.contains_xy(solid, spots)]
        for number, (x, y) in enumerate(free, start=1):
            trees.append(_tree(rng, f"{letter}-{number:03d}", block, float(x), float(y), number))
    return trees


def _tree(rng: Rng, tag: str, block: str, x: float, y: float, number: int) -> dict[str, object]:
    """One row of the planting list."""
    kinds, (thin, thick), (low, high), form, surface = STOCK[block]
    name = str(rng.choice([kind for kind, _ in kinds], p=[share for _, share in kinds]))
    size = rng.beta(2, 2)
    stem, height = thin + size * (thick - thin), low + (0.8 * size + 0.2 * rng.random()) * (high - low)
    spring = rng.random() < 0.6
    year = int(rng.choice([2024, 2025, 2026], p=[0.2, 0.35, 0.45]))
    planted = (
        f"{year}-04-{rng.integers(8, 29):02d}" if spring or year == 2026 else f"{year}-10-{rng.integers(12, 30):02d}"
    )
    tree: dict[str, object] = {
        "Tag": tag,
        "x": x,
        "y": y,
        "Latin name": name,
        "Stem mm": round(stem),
        "Height m": f"{height:.1f}",
        "Form": FORMS.get(name, form),
        "Planted": planted,
        "Block": block,
        "Surface": surface,
    }
    _dress(rng, tree, block, number)
    return tree


def _dress(rng: Rng, tree: dict[str, object], block: str, number: int) -> None:
    """Mulch, older trees, guards that are on already and sizes nobody took."""
    words: dict[str, object] = {}
    match block:
        case "Willow bank" if number % 14 == 5:
            words = {"Stem mm": ""}
        case "Flood meadow":
            if number % 14 == 5:
                words = {"Stem mm": ""}
            if number % 9 == 0:
                words |= {"Guard now": f"tree shelter {1.8 if number % 2 else 1.2} m", "Guarded since": tree["Planted"]}
        case "Hedge side" if number % 8 == 0:
            words = {"Guard now": "winter spiral 0.6 m", "Guarded since": "2025-11-20"}
        case "Old Loop" if number % 6 == 0:
            words = {"Guard now": "welded cage 1.8 m", "Guarded since": "2025-11"}
        case "Old Loop" if number % 6 == 4:
            words = {"Stem mm": int(rng.integers(52, 70)), "Height m": f"{rng.uniform(4, 5):.1f}", "Planted": "2017-10"}
            words |= {"Form": "standard", "Guard now": "half-inch hardware cloth 1.2 m", "Guarded since": "2017-10"}
        case "Landing park":
            words = {"Lowest branch m": f"{rng.uniform(1.5, 2.0):.1f}"}
            if number % 3 == 0:
                words |= {"Surface": "mulch", "Mulch radius m": "0.9"}
            if number in (4, 11):
                words |= {"Guard now": "vinyl collar", "Guarded since": "2026-05"}
        case "Farm drive" if number % 2:
            words = {
                "Stem mm": int(rng.integers(150, 226)),
                "Height m": f"{rng.uniform(8, 11.5):.1f}",
                "Planted": "2006",
            }
        case "Old orchard":
            words = _orchard_words(rng, number)
    tree |= words


def _orchard_words(rng: Rng, number: int) -> dict[str, object]:
    """Old apples and pears, wire left on two of them, and two young ones that nobody wrote down."""
    words: dict[str, object] = {}
    if number <= 6:
        words = {
            "Stem mm": int(rng.integers(170, 261)),
            "Height m": f"{rng.uniform(4.5, 6.5):.1f}",
            "Planted": str(1996 + number),
        }
    if number in (2, 5):
        words |= {
            "Guard now": "quarter-inch hardware cloth 0.6 m",
            "Guarded since": "2004",
            "Note": "wire is tight on the bark",
        }
    if number in (9, 12):
        words = {"Stem mm": "", "Height m": "", "Planted": "", "Note": "found standing, not on the planting sheet"}
    return words


CRS = "EPSG:26918"
COLUMNS = (
    "Tag",
    "East",
    "North",
    "Latin name",
    "Stem mm",
    "Height m",
    "Form",
    "Lowest branch m",
    "Planted",
    "Block",
    "Surface",
    "Mulch radius m",
    "Guard now",
    "Guarded since",
    "Note",
)


def make_layers(ground: Ground) -> dict[str, list[dict[str, object]]]:
    """Return the layers of layers.gpkg in local metres."""

    def lines(items: list[tuple[str, BaseGeometry, float]]) -> list[dict[str, object]]:
        return [{"name": name, "width_m": width, "geometry": line} for name, line, width in items]

    return {
        "water": [
            {"name": name, "kind": "river" if "River" in name else "pond", "geometry": shape}
            for name, shape in ground.water
        ],
        "ditches": lines(ground.ditches),
        "lawn": single(ground.lawn),
        "drives": single(ground.drives),
        "paths": lines(ground.paths),
        "road": single(ground.roads),
        "woods": single(ground.woods),
        "brambles": single(ground.cover),
        "hedges": lines(ground.hedges),
        "rough_grass": single(ground.rough),
        "fields": single(ground.sprayed),
        "fences": single(ground.fences),
        "study_area": single([("Study area", shapely.box(-45, -30, WIDE_M + 45, HIGH_M + 35))]),
    }


def _grid(cell_m: float) -> tuple[Points, Points, tuple[float, float]]:
    """Cell centres of a raster over the site, first row north, and its upper left corner."""
    x = np.arange(-60 + cell_m / 2, WIDE_M + 60, cell_m)
    y = np.arange(HIGH_M + 50 - cell_m / 2, -50, -cell_m)
    across, up = np.meshgrid(x, y)
    return across, up, (ORIGIN[0] - 60, ORIGIN[1] + HIGH_M + 50)


def make_elevation(rng: Rng, ground: Ground) -> tuple[Points, tuple[float, float]]:
    """Return ground heights: river falling east, flat meadows, a terrace in the north, a hill in the south."""
    x, y, corner = _grid(5.0)
    away = shapely.distance(shapely.points(x, y), LineString(ground.line))
    hill = 52 / (1 + np.exp((y - 110) / 70)) + 24 / (1 + np.exp(-(y - 930) / 55))
    swells = sum(
        rng.normal(0, 0.5) * np.sin((x * np.cos(a) + y * np.sin(a)) / span + rng.uniform(0, 6))
        for a, span in ((0.3, 60), (1.2, 95), (2.4, 45))
    )
    height = (
        181.5
        - 0.0016 * x
        + 2.3 * (1 - np.exp(-np.maximum(away - 9, 0) / 9))
        + 0.022 * np.maximum(away - 60, 0)
        + hill
        + 0.4 * swells
    )
    return np.round(height, 1).astype(np.float32), corner


def make_snow(rng: Rng, ground: Ground) -> tuple[Points, tuple[float, float]]:
    """Return lasting snow in whole centimetres: deep along hedges and in the lee of woods, thin on blown fields."""
    x, y, corner = _grid(10.0)
    spots = shapely.points(x, y)
    woods = shapely.union_all([shape for _, shape in ground.woods])
    hedges = shapely.union_all([line for _, line, _ in ground.hedges])
    fields = shapely.union_all([shape for _, shape in ground.sprayed])
    depth = 27 + 14 * np.exp(-shapely.distance(spots, woods) / 22) + 12 * np.exp(-shapely.distance(spots, hedges) / 9)
    depth -= 7 * shapely.contains_xy(fields, x, y)
    depth += sum(
        rng.normal(0, 2.0) * np.sin((x * np.cos(a) + y * np.sin(a)) / span + rng.uniform(0, 6))
        for a, span in ((0.8, 40), (1.9, 70), (0.1, 25))
    )
    open_water = shapely.contains_xy(shapely.union_all([shape for _, shape in ground.water]).buffer(-7.5), x, y)
    return np.where(open_water, 255, np.clip(np.round(depth), 8, 90)).astype(np.uint8), corner


def write(folder: Path) -> None:
    """Write every input of the site."""
    folder.mkdir(parents=True, exist_ok=True)
    ground = make_ground(np.random.default_rng(7))
    trees = make_trees(np.random.default_rng(8), ground)
    for tree in trees:
        tree |= {"East": f"{tree['x'] + ORIGIN[0]:.2f}", "North": f"{tree['y'] + ORIGIN[1]:.2f}"}
    write_csv(folder / "trees.csv", COLUMNS, trees)
    write_geopackage(
        folder / "layers.gpkg", {name: frame(rows, CRS, origin=ORIGIN) for name, rows in make_layers(ground).items()}
    )
    height, corner = make_elevation(np.random.default_rng(9), ground)
    write_raster(folder / "elevation.tif", height, corner=corner, cell_m=5.0, crs=CRS, nodata=-9999.0)
    depth, corner = make_snow(np.random.default_rng(10), ground)
    write_raster(folder / "snow.tif", depth, corner=corner, cell_m=10.0, crs=CRS, nodata=255)
