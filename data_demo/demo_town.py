"""The town as it grows: its grid, its layers, and how a tree is added to its list."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from demo_shapes import Points, Rng
from shapely.geometry.base import BaseGeometry

DATE_YEAR = 2026

ACROSS = (0, 168, 322, 470, 640, 785, 950, 1130, 1290, 1460)  # where the streets run before the town is bent, metres
UP = (250, 345, 440, 528, 620, 708, 800, 905, 1000, 1100)
NORTHWARD = ("Cooper", "Dyer", "Fuller", "Glover", "Hooper", "Joiner", "Lorimer", "Mason", "Tanner", "Wright")
EASTWARD = ("Wharf", "Mill", "Chapel", "Lantern", "Foundry", "Orchard", "School", "Quarry", "Hill", "Ridge")
KERB_M, WALK_M, VERGE_M = 4.4, 1.6, 2.2  # half a carriageway, a walk, the grass between

PLACES = {  # columns and rows of blocks that are something else than plots
    "Foundry Green": ("park", (4, 6), (4, 6)),
    "Ridge Cemetery": ("cemetery", (0, 2), (7, 9)),
    "Quarry Street School": ("school", (7, 8), (6, 8)),
    "Depot yard": ("yard", (7, 9), (0, 1)),
    "Basin meadow": ("meadow", (8, 9), (3, 4)),
    **{f"Market {3 * r + c}": ("market", (2 + c, 3 + c), (r, r + 1)) for r in (0, 1) for c in (1, 2, 3)},
    "North wood foot": ("wood", (7, 9), (8, 9)),
}


@dataclass
class Town:
    """What lies where before the town is bent; rows of layers with geometry in metres."""

    layers: dict[str, list[dict[str, object]]] = field(
        default_factory=lambda: {
            name: [] for name in ("lawn", "drives", "walks", "roads", "water", "brook", "green", "rail", "area")
        }
    )
    trees: list[dict[str, object]] = field(default_factory=list)

    def add(self, layer: str, geometry: BaseGeometry, **words: object) -> None:
        """Add one feature unless nothing is left of it."""
        if not geometry.is_empty:
            self.layers[layer].append({**words, "geometry": geometry})


def bend(xy: Points) -> Points:
    """Bend the straight town: streets curve, blocks lean."""
    u, v = xy[:, 0], xy[:, 1]
    x = u + 30 * np.sin(v / 330 + 0.5) + 16 * np.sin(u / 290 + v / 480)
    y = v + 30 * np.sin(u / 410 + 0.4) + 11 * np.sin(u / 210 + 1.0)
    a = np.radians(-9)
    return np.column_stack([x * np.cos(a) - y * np.sin(a), x * np.sin(a) + y * np.cos(a) + 230])


WARDS = ("Wharf", "Depot", "Foundry", "Orchard", "North Hill")


def ward_of(u: float, v: float) -> str:
    """The ward in which a spot of the straight town lies."""
    if v > 905:
        return "North Hill"
    if v < 440:
        return "Wharf" if u < 785 else "Depot"
    return "Foundry" if u < 785 else "Orchard"


SPECIES = (
    ("Acer platanoides", 14),
    ("Acer rubrum", 11),
    ("Gleditsia triacanthos", 10),
    ("Tilia cordata", 8),
    ("Quercus rubra", 7),
    ("Quercus palustris", 6),
    ("Pyrus calleryana", 6),
    ("Ulmus americana", 5),
    ("Zelkova serrata", 5),
    ("Acer saccharum", 5),
    ("Ginkgo biloba", 4),
    ("Platanus x acerifolia", 4),
    ("Fraxinus pennsylvanica", 4),
    ("Prunus serrulata", 3),
    ("Malus", 3),
    ("Syringa reticulata", 3),
    ("Amelanchier laevis", 2),
)
BANK_SPECIES = (
    ("Betula nigra", 3),
    ("Salix nigra", 3),
    ("Platanus occidentalis", 2),
    ("Quercus bicolor", 2),
    ("Alnus incana", 2),
)


def add_tree(
    rng: Rng,
    town: Town,
    spot: tuple[float, float],
    *,
    street: str,
    surface: str,
    kinds: tuple[tuple[str, int], ...] = SPECIES,
    whip: bool = False,
    young: float = 0.36,
) -> None:
    """One row of the inventory."""
    names, shares = zip(*kinds, strict=True)
    name = str(rng.choice(names, p=np.array(shares) / sum(shares)))
    age = int(rng.integers(0, 9)) if rng.random() < young else int(9 + rng.gamma(2.2, 16))
    stem = 1.6 + rng.uniform(-0.35, 0.6) + 0.33 * age * rng.uniform(0.7, 1.25)
    tree: dict[str, object] = {
        "x": spot[0],
        "y": spot[1],
        "Street": street,
        "Species": name,
        "DBH_in": f"{min(stem, 48):.1f}",
        "Planted": DATE_YEAR - age if age < 15 or rng.random() < 0.4 else "",
        "SiteKind": "Tree",
        "Surface": surface,
        "Condition": str(rng.choice(["Good", "Fair", "Poor"], p=[0.62, 0.3, 0.08])),
    }
    if whip:
        tree |= {
            "DBH_in": "",
            "Planted": DATE_YEAR - int(rng.integers(0, 3)),
            "Height_ft": f"{rng.uniform(2.4, 5.2):.1f}",
            "Form": "whip",
        }
    else:
        _dress(rng, tree, age)
    town.trees.append(tree)


def _dress(rng: Rng, tree: dict[str, object], age: int) -> None:
    """Stumps, vacant pits, sizes nobody took, and guards that are on already."""
    lot = rng.random()
    if lot < 0.025:
        tree |= {"SiteKind": "Stump", "Condition": ""}
    elif lot < 0.07:
        tree |= {"SiteKind": "Vacant", "Species": "", "DBH_in": "", "Planted": "", "Condition": ""}
    elif lot < 0.085:
        tree |= {"DBH_in": ""}
    elif age <= 8 and lot < 0.24:
        guard = str(
            rng.choice(
                ["vinyl collar", "winter spiral 24 in", "welded cage 5 ft", "paper wrap"], p=[0.4, 0.25, 0.2, 0.15]
            )
        )
        tree |= {"Guard": guard, "GuardSince": max(DATE_YEAR - age, 2019)}
    elif age > 20 and lot < 0.1:
        tree |= {"Guard": "welded cage 4 ft", "GuardSince": 2004 + int(rng.integers(0, 8))}
    if tree["Street"] == "River walk" and tree["SiteKind"] == "Tree" and 4 <= age <= 9:
        tree |= {"Guard": "half-inch hardware cloth 4 ft", "GuardSince": DATE_YEAR - age}
    if tree["SiteKind"] == "Tree" and tree["Surface"] == "turf" and age <= 4 and rng.random() < 0.3:
        tree["Surface"] = "mulch"


def plant_ring(
    rng: Rng, town: Town, ring: BaseGeometry, street: str, *, surface: str, step: float, young: float
) -> None:
    """Trees along a ring."""
    for along in np.arange(4, ring.length - 4, step):
        spot = ring.interpolate(along + rng.uniform(-1, 1))
        if rng.random() < 0.85:
            add_tree(rng, town, (spot.x, spot.y), street=street, surface=surface, young=young)


def plant_bank(rng: Rng, town: Town, water: BaseGeometry, street: str, *, step: float, far: float) -> None:
    """Whips planted along a bank."""
    bank = water.buffer(far / 2).exterior
    for along in np.arange(0, bank.length, step):
        spot = bank.interpolate(along)
        where = (spot.x + rng.uniform(-1.5, 1.5), spot.y + rng.uniform(-1.5, 1.5))
        add_tree(rng, town, where, street=street, surface="rough_grass", kinds=BANK_SPECIES, whip=True)
