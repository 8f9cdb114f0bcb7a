"""Results for the tests of the map, made up: a river planting, a city, hostile text, and nothing at all."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from conftest import make_layer, make_settings, make_site, make_table

from riskmap import rules, tables
from riskmap.model import (
    Assumption,
    Choices,
    Coded,
    Exposure,
    MapSettings,
    Note,
    Pressure,
    ReadAs,
    Result,
    Settings,
    Site,
    Stems,
    TreeSource,
)

AGENTS = ("beaver", "deer_browse", "antler_rub", "rabbit", "vole", "mower", "snow_throw", "spray_drift")
SPECIES = ("Acer rubrum", "Quercus palustris", "Salix nigra", "Thuja occidentalis", "Betula nigra", "Cornus sericea")
GUARDS = (
    ("Quarter-inch hardware cloth cylinder, 0.6 m", "hwcloth_quarter"),
    ("Quarter-inch hardware cloth cylinder, 1.1 m", "hwcloth_quarter"),
    ("Solid tree shelter, 1.5 m", "shelter_solid"),
    ("Solid tree shelter, 1.8 m", "shelter_solid"),
    ("Welded cage, 2 x 4 in, 1.8 m", "cage_2x4"),
    ("Low beaver cage, 2 x 4 in, 0.9 m", "beaver_cage"),
    ("Mulch ring, 0.6 m + Vented vinyl collar, 0.25 m", "mulch_ring; vinyl_collar"),
    ("Paper wrap to the lowest branch", "paper_wrap"),
    ("Quarter-inch hardware cloth cylinder, 1.1 m + Welded cage, 2 x 4 in, 1.8 m", "hwcloth_quarter; cage_2x4"),
)
ACTIONS = ("fit", "none needed", "keep", "remove", "look", "swap", "loosen", "not a tree")


def river_ground() -> dict[str, list[Any]]:
    """Ground of an invented riverside, in metres from a corner: a bend of water, lawns, drives, woods."""
    along = np.arange(-150, 851, 8.0)
    bank = 120 + 40 * np.sin(along / 130) + 12 * np.sin(along / 41)
    water = shapely.Polygon([*zip(along, bank, strict=True), (850, -160), (-150, -160)])
    island = shapely.Point(420, 20).buffer(38)
    rng = np.random.default_rng(4)
    spots = rng.uniform((20, 260), (650, 460), (26, 2))
    woods = shapely.union_all(
        [shapely.Point(x, y).buffer(r) for (x, y), r in zip(spots, rng.uniform(12, 34, 26), strict=True)]
    )
    lawns = [shapely.box(x, 520, x + 62, 590) for x in range(0, 700, 74)]
    drives = [shapely.box(x + 50, 500, x + 55, 575) for x in range(0, 700, 74)]
    path = shapely.LineString([(x, 214 + 22 * np.sin(x / 90)) for x in range(-150, 851, 20)])
    return {
        "water": [
            shapely.difference(water, island),
            shapely.LineString([(120, 470), (160, 380), (150, 300), (205, 170)]),
        ],
        "deer_habitat": list(shapely.get_parts(woods)),
        "lawn": [*lawns, shapely.box(250, 230, 480, 330)],
        "driveway": [*drives, path.buffer(1.6)],
        "road": [shapely.LineString([(-150, 492), (400, 500), (850, 540)])],
        "rough_grass": [shapely.difference(path.buffer(58), path.buffer(1.8))],
        "study_area": [shapely.box(-60, -40, 760, 620)],
    }


def river_result(n: int = 212, *, seed: int = 7, settings: Settings | None = None, **columns: Any) -> Result:
    """Build a riverside planting of n trees; three have no place (where n allows), a few are not scored."""
    rng = np.random.default_rng(seed)
    ground = river_ground()
    x = rng.uniform(-20, 720, n)
    y = 120 + 40 * np.sin(x / 130) + 12 * np.sin(x / 41) + rng.gamma(1.6, 26, n) + 4
    xy = np.column_stack([x, y])
    if n > 50:
        xy[[5, 17, 40]] = np.nan
    layers = [
        make_layer(role, shapes, number=number, file="ground.gpkg", layer=role)
        for number, (role, shapes) in enumerate(ground.items(), start=1)
    ]
    own = pa.table({"Ward": pa.array([f"Ward {1 + i % 4}" for i in range(n)], pa.string())})
    given = {
        "tree_id": pa.array([f"R{i + 1:03d}" for i in range(n)], pa.string()),
        "species": [SPECIES[i] for i in rng.integers(0, len(SPECIES), n)],
        "group": [f"Block {'ABC'[int(i)]}" for i in rng.integers(0, 3, n)],
        "stem_mm": rng.gamma(4, 9, n).round(1),
        "height_m": rng.uniform(0.8, 4, n).round(2),
        "planted": [f"202{int(i)}-04" for i in rng.integers(2, 7, n)],
        "own": own,
    }
    settings = settings or make_settings(
        title="Alder Bend riverside planting",
        trees=TreeSource(file="trees.csv", columns={"group": "Block"}),
        map=MapSettings(filters=("Ward",)),
    )
    site = make_site(make_table(xy, **{**given, **columns}), layers, settings=settings)
    return result_of(site, rng)


def city_result(n: int, *, seed: int = 3, ground: bool = True) -> Result:
    """Build a street list of n trees over a made-up city, wide enough that a million do not touch."""
    rng = np.random.default_rng(seed)
    side = 170 * np.sqrt(max(n, 1) / 20)
    block = 90.0
    along, across = (
        rng.uniform(0, side, n),
        np.rint(rng.uniform(0, side, n) / block) * block + rng.choice([-6.0, 6.0], n),
    )
    turned = rng.random(n) < 0.5
    xy = np.column_stack([np.where(turned, across, along), np.where(turned, along, across)])
    roads = [shapely.LineString([(0, at), (side, at)]) for at in np.arange(0, side, block * max(1, side // 4000))]
    pond = shapely.Point(side / 3, side / 2).buffer(side / 12)
    layers = {"road": roads, "water": [pond], "lawn": [shapely.box(side * 0.6, side * 0.55, side * 0.8, side * 0.7)]}
    table = make_table(
        xy,
        tree_id=pa.array(rng.permutation(n) + 100_000, pa.int64()).cast(pa.string()),
        species=[SPECIES[i] for i in rng.integers(0, len(SPECIES), n)],
        group=[f"Ward {i}" for i in rng.integers(1, 24, n)],
        stem_mm=rng.gamma(4, 30, n).round(0),
    )
    made = [make_layer(role, shapes, number=i, file="city.gpkg") for i, (role, shapes) in enumerate(layers.items(), 1)]
    settings = make_settings(title="Street trees", trees=TreeSource(file="streets.csv", columns={"group": "Ward"}))
    return result_of(make_site(table, made if ground else [], settings=settings), rng)


def planted_result(xy_m: np.ndarray) -> Result:
    """Put trees at these places, with made-up pressure and choices. [m]"""
    table = make_table(xy_m, tree_id=pa.array([f"P{at}" for at in range(len(xy_m))], pa.string()))
    return result_of(make_site(table, []), np.random.default_rng(5))


def result_of(site: Site, rng: np.random.Generator) -> Result:
    """Put made-up pressure and choices on a site: pressure falls off from the ground that there is."""
    n, placed = site.trees.n, site.trees.placed
    exposures = {
        role: _exposure(site, role) for role in tables.roles() if any(layer.role == role for layer in site.layers)
    }
    exposures = {
        role: seen for role, seen in exposures.items() if role not in ("study_area", "planting_area", "barrier")
    }
    value = np.full((n, len(AGENTS)), np.nan, dtype=np.float32)
    for number, agent in enumerate(AGENTS):
        for role in tables.agents()[agent].roles:
            if role in exposures:
                far = np.where(np.isnan(exposures[role].distance_m), 1e6, exposures[role].distance_m)
                spread = {"beaver": 18, "deer_browse": 60, "antler_rub": 80, "vole": 6}.get(agent, 3)
                here = 0.5 * np.exp(-far / spread) * rng.uniform(0.2, 1.6, n)
                value[placed, number] = np.fmax(value[placed, number], here[placed].astype(np.float32))
    unscored = ~placed | (rng.random(n) < 0.02)
    value[unscored] = np.nan
    bands = rules.band_of(value).astype(np.int8)
    known = np.isfinite(value)
    decisive = np.where(known.any(axis=1), np.nanargmax(np.where(known, value, -1), axis=1), -1)
    worst = bands.max(axis=1, initial=-1)
    guard = np.where(worst >= 2, (decisive * 2 + rng.integers(0, 2, n)) % len(GUARDS), -1)
    action = np.where(guard >= 0, rng.choice([0, 0, 0, 0, 0, 2, 5], n), rng.choice([1, 1, 1, 1, 3, 6, 7], n))
    action = np.where(unscored, 4, action)
    guard = np.where(action == 4, -1, guard)
    keys = tuple(dict.fromkeys(key for _, key in GUARDS))
    key_of = np.array([keys.index(key) for _, key in GUARDS] + [-1])
    stopped = Coded.of(
        [AGENTS[d] if d >= 0 and g >= 0 else None for d, g in zip(decisive.tolist(), guard.tolist(), strict=True)]
    )
    return Result(
        site=site,
        exposures=exposures,
        rasters=(),
        pressure=Pressure(
            agents=AGENTS,
            value=value,
            loss=value / 2,
            pressure_any=1 - np.prod(1 - np.nan_to_num(value), axis=1),
            loss_any=np.nansum(value, axis=1) / 2,
            decisive=decisive,
            not_scored=pa.array([None if k else "no size and no place" for k in known.any(axis=1)], pa.string()),
            stems=_stems(n),
            remarks={"species_unknown": rng.random(n) < 0.03},
        ),
        choices=Choices(
            action=Coded(codes=action, values=ACTIONS),
            guard=Coded(codes=guard, values=tuple(label for label, _ in GUARDS)),
            guard_keys=Coded(codes=key_of[guard], values=keys),
            guard_height_mm=np.where(guard >= 0, 600.0 + 100 * guard, np.nan),
            reason=Coded(
                codes=np.where(guard >= 0, guard, len(GUARDS)),
                values=(
                    *(
                        f"Opening 6.4 mm, 6.4 mm or finer stops voles; top {600 + 100 * i} mm, above snow."
                        for i in range(len(GUARDS))
                    ),
                    "Every scored agent stays below the floor.",
                ),
            ),
            agents_stopped=stopped,
            agents_open=Coded.of(["deer_browse" if g in (0, 5) else None for g in guard.tolist()]),
            cost=np.where(guard >= 0, 4.5 + 1.25 * guard, 0.0),
            cost_per_year=np.where(guard >= 0, 1.5, 0.0),
            hours=np.where(guard >= 0, 0.25, 0.0),
            on_month=np.where(guard >= 0, 11, 0),
            off_month=np.where(guard == 7, 4, 0),
            off_when=Coded(codes=np.where(guard >= 0, 0, -1), values=("the bark is rough",)),
        ),
        bands=bands,
        notes=(
            Note(
                code="tree_id_repeated", file="trees.csv", what="2 ids stand twice", remedy="give each tree its own id"
            ),
        ),
        assumptions=(Assumption(topic="local.beaver", taken="possible", why="default", key="local.beaver"),),
        engine="shapely",
    )


def with_files(result: Result, *names: str) -> Result:
    """The result as if these files had been read."""
    import dataclasses

    read = tuple(ReadAs(file=name, path=result.site.inputs.settings.file, sha256="0", rows=3) for name in names)
    inputs = dataclasses.replace(result.site.inputs, read_as=read)
    return dataclasses.replace(result, site=dataclasses.replace(result.site, inputs=inputs))


def _exposure(site: Site, role: str) -> Exposure:
    """Distances to a role's ground, by shapely."""
    n, placed = site.trees.n, site.trees.placed
    shapes = shapely.union_all(np.concatenate([layer.geometry for layer in site.layers if layer.role == role]))
    distance_m = np.full(n, np.nan)
    shapely.prepare(shapes)
    if n <= 20_000:
        distance_m[placed] = shapely.distance(shapely.points(site.trees.x_m[placed], site.trees.y_m[placed]), shapes)
    else:  # many trees: near enough for a made-up city
        left, bottom, right, top = shapes.bounds
        distance_m[placed] = (
            np.hypot(site.trees.x_m[placed] - (left + right) / 2, site.trees.y_m[placed] - (bottom + top) / 2) % 211
        )
    inside = (distance_m == 0) & (shapely.get_dimensions(shapes) == 2)
    distance_m[distance_m > 200] = np.nan
    return Exposure(
        role=role,
        reach_m=200.0,
        distance_m=distance_m,
        inside=inside,
        edge_m=distance_m,
        nearest_layer=np.where(np.isfinite(distance_m), 1, 0),
        nearest_feature=np.where(np.isfinite(distance_m), 1, 0),
        known=placed.copy(),
        edge_of_data=np.zeros(n, dtype=bool),
    )


def _stems(n: int) -> Stems:
    """Stems nobody looks at here."""
    return Stems(
        caliper_mm=np.full(n, 25.0),
        height_m=np.full(n, 1.5),
        age_years=np.full(n, 2.0),
        size_known=np.ones(n, dtype=bool),
        young=np.zeros(n, dtype=bool),
        taxon=Coded.missing(n),
        leaf=Coded.missing(n),
        bark=Coded.missing(n),
        form=Coded.missing(n),
        sensitivity=np.ones((n, len(AGENTS)), dtype=np.float32),
        size_factor=np.ones((n, len(AGENTS)), dtype=np.float32),
        ended=np.zeros((n, len(AGENTS)), dtype=bool),
        snow_m=np.full(n, 0.3),
    )
