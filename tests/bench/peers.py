"""The same question put to others: distance to the nearest feature of each role within its reach."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import geopandas
import postgis
import pyarrow.parquet as pq
from answers import Answer

__all__ = ["PEERS", "Peer", "floor_s", "ours_s"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Peer:
    """One that is asked; in a process of its own."""

    ask: Callable[[Path, dict[str, Path], dict[str, float]], dict[str, Answer]]
    why_not: str  # empty where it is installed
    most_trees: Mapping[str, int] = field(default_factory=dict)  # by role: with more it would take too long


def ours_s(trees: Path, files: dict[str, Path], reach_m: dict[str, float], out: Path, engine: str) -> float:
    """Seconds from files to file, all four results a role."""
    from riskmap.distances import measure_files

    began = time.perf_counter()
    measure_files(trees, {role: [file] for role, file in files.items()}, out, within_m=reach_m, engine=engine)
    return time.perf_counter() - began


def floor_s(trees: Path, files: dict[str, Path], out: Path, copy: Path) -> float:
    """Seconds to read the same files and write what ours wrote, doing nothing in between."""
    result = pq.read_table(out)
    began = time.perf_counter()
    for file in (trees, *files.values()):
        pq.read_table(file, columns=["geometry"])
    nearest = [name for name in result.column_names if name.startswith("nearest_")]
    pq.write_table(result, copy, compression="none", use_dictionary=nearest, write_statistics=False)
    return time.perf_counter() - began


def geopandas_ask(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, Answer]:
    """Ask sjoin_nearest; reading not counted."""
    points, found = geopandas.read_parquet(trees), {}
    for role, file in files.items():
        layer = geopandas.read_parquet(file)
        began = time.perf_counter()
        near = geopandas.sjoin_nearest(points, layer, max_distance=reach_m[role], distance_col="away_m")
        seconds = time.perf_counter() - began
        found[role] = Answer(seconds, near.index.to_numpy(), near["away_m"].to_numpy())
    return found


def duckdb_ask(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, Answer]:
    """Ask for a distance join with min; loading not counted."""
    import duckdb
    from duckdb_extensions import import_extension

    import_extension("spatial")
    base = duckdb.connect()
    base.execute("LOAD spatial")

    def load(name: str, file: Path) -> float:
        began = time.perf_counter()
        base.execute(
            f"CREATE TABLE {name} AS SELECT row_number() OVER () - 1 AS id, geometry FROM read_parquet('{file}')"
        )
        return time.perf_counter() - began

    loaded_s, found = load("trees", trees), {}
    for role, file in files.items():
        loaded_s += load("layer", file)
        began = time.perf_counter()
        base.execute(
            "CREATE TABLE found AS SELECT t.id, min(ST_Distance(t.geometry, l.geometry)) AS away_m FROM trees t JOIN"
            f" layer l ON ST_DWithin(t.geometry, l.geometry, {reach_m[role]}) GROUP BY t.id"
        )
        seconds = time.perf_counter() - began
        table = base.execute("SELECT id, away_m FROM found").fetchnumpy()
        found[role] = Answer(seconds, table["id"], table["away_m"], loading_s=loaded_s)
        loaded_s = 0.0
        base.execute("DROP TABLE layer; DROP TABLE found")
    return found


def sedonadb_ask(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, Answer]:
    """Ask for a distance join with min; it reads its files inside."""
    import sedonadb

    base = sedonadb.connect()
    base.read_parquet(str(trees)).to_view("trees")
    found = {}
    for role, file in files.items():
        base.read_parquet(str(file)).to_view(role)
        began = time.perf_counter()
        table = base.sql(
            f"SELECT t.tree_id, min(ST_Distance(t.geometry, l.geometry)) AS away_m FROM trees t JOIN {role} l"
            f" ON ST_DWithin(t.geometry, l.geometry, {reach_m[role]}) GROUP BY t.tree_id"
        ).to_arrow_table()
        seconds = time.perf_counter() - began
        found[role] = Answer(seconds, table.column(0).to_numpy(), table.column(1).to_numpy())
    return found


def _absent(*modules: str) -> str:
    """Say which bench-only packages are not installed."""
    missing = [module for module in modules if importlib.util.find_spec(module) is None]
    return f"not installed: {', '.join(missing)}" if missing else ""


PEERS: dict[str, Peer] = {
    "geopandas.sjoin_nearest": Peer(
        ask=geopandas_ask, why_not="", most_trees={"water": 100_000, "deer_habitat": 100_000}
    ),
    "DuckDB spatial": Peer(ask=duckdb_ask, why_not=_absent("duckdb", "duckdb_extensions")),
    "SedonaDB": Peer(ask=sedonadb_ask, why_not=_absent("sedonadb"), most_trees={"water": 100_000}),
    "PostGIS": Peer(ask=postgis.ask, why_not=postgis.why_not()),
}
