"""A whole `Result` made by hand, for the tests of what a run leaves behind."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from conftest import make_site

from riskmap.model import Assumption, Choices, Coded, Exposure, Note, Pressure, RasterValues, Result, Stems

AGENTS = ("beaver", "mower")


def make_result(n: int = 4, *, own: pa.Table | None = None, xy: Any = None, **columns: Any) -> Result:
    """Build a result of n trees: the first stands inside the lawn, the last has no place and is not scored."""
    if xy is None:
        xy = np.stack([np.arange(n) * 10.0, np.zeros(n)], axis=1)
        xy[-1] = np.nan
    if own is None:
        own = pa.table({"Remark": pa.array([f"no {i}" for i in range(n)], pa.string())})
    site = make_site(
        xy,
        {
            "water": [shapely.LineString([(0, 20), (500, 20)])],
            "lawn": [shapely.box(-5, -5, 5, 5), shapely.MultiPolygon([shapely.box(50, -5, 55, 5)])],
        },
        own=own,
        **{"group": ["Ward 10", "Ward 2"] * (n // 2) + ["Ward 2"] * (n % 2), "stem_mm": 25.4, **columns},
    )
    placed = site.trees.placed
    reach = Coded.of(["fit", "remove"] * (n // 2) + ["fit"] * (n % 2))
    bands = np.where(placed[:, None], [[2, 0]] * n, -1).astype(np.int8)
    share = np.where(placed[:, None], [[0.0712345678, 0.001]] * n, np.nan).astype(np.float32)
    return Result(
        site=site,
        exposures={
            "water": _exposure("water", np.where(placed, 20.00004, np.nan), placed, inside=np.zeros(n, bool)),
            "lawn": _exposure(
                "lawn", np.where(np.arange(n) == 0, 0.0, np.nan), placed, inside=np.arange(n) == 0, layer=2
            ),
        },
        rasters=(
            RasterValues(
                name="snow_depth",
                value=np.where(placed, 0.25, np.nan),
                status=np.where(placed, 0, 2).astype(np.int8),
            ),
        ),
        pressure=Pressure(
            agents=AGENTS,
            value=share,
            loss=share / 2,
            pressure_any=np.where(placed, 0.072, np.nan),
            loss_any=np.where(placed, 0.036, np.nan),
            decisive=np.where(placed, 0, -1),
            not_scored=pa.array([None if here else "the row has no place" for here in placed], pa.string()),
            stems=_stems(n),
            remarks={"species_unknown": np.arange(n) == 1},
        ),
        choices=Choices(
            action=reach,
            guard=Coded(codes=np.where(reach.codes == 0, 0, -1), values=("Wire cylinder 900 mm",)),
            guard_keys=Coded(codes=np.where(reach.codes == 0, 0, -1), values=("cylinder",)),
            guard_height_mm=np.where(reach.codes == 0, 900.0, np.nan),
            reason=Coded.of(["opening 13 mm <= 100 mm"] * n),
            agents_stopped=Coded(codes=np.where(reach.codes == 0, 0, -1), values=("beaver",)),
            agents_open=Coded(codes=np.where(reach.codes == 0, 0, -1), values=("mower",)),
            cost=np.where(reach.codes == 0, 12.345, 0.0),
            cost_per_year=np.where(reach.codes == 0, 3.0, 0.0),
            hours=np.where(reach.codes == 0, 0.25, 0.1),
            on_month=np.where(reach.codes == 0, 11, 0),
            off_month=np.where(reach.codes == 0, 4, 0),
            off_when=Coded.of(["bark is thick"] * n),
        ),
        bands=bands,
        notes=(Note(code="row_without_place", file="trees.csv", what="1 row has no place", remedy="fill in x and y"),),
        assumptions=(Assumption(topic="local.beaver", taken="possible", why="default", key="local.beaver"),),
        engine="shapely",
    )


def _exposure(role: str, distance_m: Any, known: Any, *, inside: Any, layer: int = 1) -> Exposure:
    """One role, its nearest feature the first of its layer."""
    near = np.isfinite(distance_m)
    return Exposure(
        role=role,
        reach_m=200.0,
        distance_m=distance_m,
        inside=inside,
        edge_m=np.where(inside, 5.0, distance_m),
        nearest_layer=np.where(near, layer, 0),
        nearest_feature=np.where(near, 1, 0),
        known=known,
        edge_of_data=np.zeros(len(known), bool),
    )


def _stems(n: int) -> Stems:
    """Stems of 25.4 mm."""
    return Stems(
        caliper_mm=np.full(n, 25.4),
        height_m=np.full(n, np.nan),
        age_years=np.full(n, np.nan),
        size_known=np.ones(n, bool),
        young=np.zeros(n, bool),
        taxon=Coded.missing(n),
        leaf=Coded.missing(n),
        bark=Coded.missing(n),
        form=Coded.missing(n),
        sensitivity=np.ones((n, len(AGENTS)), np.float32),
        size_factor=np.ones((n, len(AGENTS)), np.float32),
        ended=np.zeros((n, len(AGENTS)), bool),
        snow_m=np.full(n, 0.3),
    )
