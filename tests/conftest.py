"""Tiny sites in metres, for every test file: `make_inputs` (as read) and `make_site` (as projected)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyproj
import pytest
import shapely

from riskmap.model import (
    Coded,
    GroundLayer,
    Inputs,
    LayerData,
    LayerSource,
    Settings,
    Site,
    Trees,
    TreeSource,
    TreeTable,
)

ORIGIN = (500_000.0, 4_683_000.0)  # UTM 18N, on its central meridian (75 W, 42.3 N)
UTM = "EPSG:32618"
CODED = ("species", "group", "form", "stock", "surface", "guard_now")
NUMBERS = (
    "stem_mm",
    "height_m",
    "age_years",
    "stems",
    "lowest_branch_m",
    "bare_radius_m",
    "mulch_radius_m",
    "room_m",
    "accuracy_m",
    "cost_to_replace",
)
TEXTS = ("planted", "guard_since")


def make_table(xy: Any, *, crs: Any = UTM, **columns: Any) -> TreeTable:
    """Build a TreeTable at coordinates of shape (tree, 2); any column may be given, the rest are empty.

    Numbers may be one value for all. `species`, `group`, ... are sequences of texts or None. `row` starts at 2.
    """
    xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    n = len(xy)
    given: dict[str, Any] = {
        "row": np.arange(2, n + 2),
        "tree_id": pa.array([f"T{i + 1}" for i in range(n)], pa.string()),
        "x": xy[:, 0],
        "y": xy[:, 1],
        "crs": None if crs is None else pyproj.CRS.from_user_input(crs),
        "kept": np.ones(n, dtype=bool),
        "stem_kind": "caliper_mm",
        "stem_at": "nursery",
        "own": pa.table({}) if "own" not in columns else columns["own"],
    }
    for name in CODED:
        cells = columns.pop(name, None)
        given[name] = Coded.missing(n) if cells is None else Coded.of([cells] * n if isinstance(cells, str) else cells)
    for name in NUMBERS:
        given[name] = np.broadcast_to(np.asarray(columns.pop(name, np.nan), dtype=np.float64), n).copy()
    if "tree_id" in columns:
        columns["tree_id"] = pa.array(columns["tree_id"], pa.string())
    for name in TEXTS:
        given[name] = pa.array(columns.pop(name, [None] * n), pa.string())
    return TreeTable(**{**given, **columns})


def make_layer(
    role: str, shapes: Sequence[Any], *, number: int = 1, crs: Any = UTM, feature: Any = None, **source: Any
) -> LayerData:
    """Build one layer from shapely geometries; `feature`, `width_m`, `covers`, `minus` ... where they matter."""
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = list(shapes)
    width_m = source.get("width_m")
    widths = np.full(len(geometry), np.nan) if width_m is None or isinstance(width_m, str) else None
    covers = source.pop("covers", None)
    if covers is not None:
        covers = np.asarray([*np.atleast_1d(np.asarray(covers, dtype=object))], dtype=object)
    return LayerData(
        source=LayerSource(number=number, role=role, file=source.pop("file", f"{role}.gpkg"), **source),
        geometry=geometry,
        feature=np.arange(1, len(geometry) + 1) if feature is None else np.asarray(feature, dtype=np.int64),
        width_m=widths if widths is not None else np.broadcast_to(np.asarray(width_m, float), len(geometry)).copy(),
        crs=pyproj.CRS.from_user_input(crs),
        features_in_file=len(geometry),
        covers=covers,
        covers_crs=None if covers is None else pyproj.CRS.from_user_input(crs),
    )


def make_settings(**keys: Any) -> Settings:
    """Build Settings of a site that names nothing but what is given."""
    given: dict[str, Any] = {
        "file": Path("/nowhere/site.toml"),
        "title": "A tiny site",
        "date": dt.date(2026, 10, 15),
        "trees": TreeSource(file="trees.csv"),
    }
    return Settings(**{**given, **keys})


def make_inputs(
    trees: Any,
    layers: Mapping[str, Sequence[Any]] | Sequence[LayerData] = (),
    *,
    crs: Any = UTM,
    settings: Mapping[str, Any] | Settings | None = None,
    rasters: Sequence[Any] = (),
    **columns: Any,
) -> Inputs:
    """Build Inputs as the readers hand them on.

    trees : TreeTable, or coordinates of shape (tree, 2) in `crs` (then `columns` go to `make_table`).
    layers : role -> shapely geometries in `crs`, or LayerData made by `make_layer`.
    settings : Settings, or keys of it (``{"local": Local(...)}``).
    """
    table = trees if isinstance(trees, TreeTable) else make_table(trees, crs=crs, **columns)
    if isinstance(layers, Mapping):
        layers = [
            make_layer(role, shapes, number=number, crs=crs)
            for number, (role, shapes) in enumerate(layers.items(), start=1)
        ]
    if not isinstance(settings, Settings):
        settings = make_settings(**{"layers": tuple(layer.source for layer in layers), **(settings or {})})
    return Inputs(settings=settings, trees=table, layers=tuple(layers), rasters=tuple(rasters), read_as=(), problems=())


def make_site(
    trees: Any,
    layers: Mapping[str, Sequence[Any]] | Sequence[LayerData] = (),
    *,
    offset: tuple[float, float] = ORIGIN,
    **options: Any,
) -> Site:
    """Build a Site whose planar metres are ground metres (scale 1); coordinates are metres from a corner.

    `trees` and the shapes of `layers` are moved by `offset`, so that numbers in tests stay small.
    """
    inputs = make_inputs(trees, layers, **options)
    table, (east, north) = inputs.trees, offset
    x_m, y_m = table.x + east, table.y + north
    placed = np.isfinite(x_m) & np.isfinite(y_m)
    lon, lat = pyproj.Proj(UTM)(np.where(placed, x_m, east), np.where(placed, y_m, north), inverse=True)

    def move(shapes: Any) -> Any:
        return None if shapes is None else shapely.transform(shapes, lambda xy: xy + np.array([east, north]))

    ground = tuple(
        GroundLayer(data=data, geometry=move(data.geometry), covers=move(data.covers)) for data in inputs.layers
    )
    local = inputs.settings.local
    return Site(
        inputs=inputs,
        crs=pyproj.CRS.from_user_input(UTM),
        trees=Trees(
            table=table,
            x_m=np.where(placed, x_m, np.nan),
            y_m=np.where(placed, y_m, np.nan),
            lon=np.where(placed, lon, np.nan),
            lat=np.where(placed, lat, np.nan),
            scale=np.ones(len(x_m)),
            placed=placed,
        ),
        layers=ground,
        rasters=(),
        surveyed=frozenset({layer.role for layer in ground if len(layer.geometry)})
        | frozenset(local.everywhere)
        | frozenset(local.nowhere),
    )


@pytest.fixture(name="make_inputs")
def _make_inputs() -> Any:
    """Give `make_inputs` to a test that would rather not import it."""
    return make_inputs


@pytest.fixture(name="make_site")
def _make_site() -> Any:
    """Give `make_site` to a test that would rather not import it."""
    return make_site
