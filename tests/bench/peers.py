"""The same question put to others: distance to the nearest feature of each role within its reach."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable
from pathlib import Path

import geopandas
import pyarrow.parquet as pq

__all__ = ["PEERS", "floor_s", "ours_s"]


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


def geopandas_s(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, float]:
    """Seconds of sjoin_nearest by role; reading not counted."""
    points, seconds = geopandas.read_parquet(trees), {}
    for role, file in files.items():
        layer = geopandas.read_parquet(file)
        began = time.perf_counter()
        geopandas.sjoin_nearest(points, layer, how="left", max_distance=reach_m[role], distance_col="away_m")
        seconds[role] = time.perf_counter() - began
    return seconds


def duckdb_s(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, float]:
    """Seconds of a distance join with min, by role; loading not counted."""
    import duckdb
    from duckdb_extensions import import_extension

    import_extension("spatial")
    base = duckdb.connect()
    base.execute("LOAD spatial")

    def load(name: str, file: Path) -> None:
        base.execute(f"CREATE TABLE {name} AS SELECT row_number() OVER () AS id, geometry FROM read_parquet('{file}')")

    load("trees", trees)
    seconds = {}
    for role, file in files.items():
        load("layer", file)
        began = time.perf_counter()
        base.execute(
            "CREATE TABLE found AS SELECT t.id, min(ST_Distance(t.geometry, l.geometry)) AS away_m FROM trees t JOIN"
            f" layer l ON ST_DWithin(t.geometry, l.geometry, {reach_m[role]}) GROUP BY t.id"
        )
        seconds[role] = time.perf_counter() - began
        base.execute("DROP TABLE layer; DROP TABLE found")
    return seconds


def sedonadb_s(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, float]:
    """Seconds of a distance join with min, by role; reads its files inside."""
    import sedona.db

    base = sedona.db.connect()
    base.read_parquet(str(trees)).to_view("trees")
    seconds = {}
    for role, file in files.items():
        base.read_parquet(str(file)).to_view(role)
        began = time.perf_counter()
        base.sql(
            f"SELECT t.tree_id, min(ST_Distance(t.geometry, l.geometry)) AS away_m FROM trees t JOIN {role} l"
            f" ON ST_DWithin(t.geometry, l.geometry, {reach_m[role]}) GROUP BY t.tree_id"
        ).to_memtable()
        seconds[role] = time.perf_counter() - began
    return seconds


def _there(module: str) -> bool:
    """Whether a bench-only package is installed."""
    return importlib.util.find_spec(module.split(".", maxsplit=1)[0]) is not None


Peer = Callable[[Path, dict[str, Path], dict[str, float]], dict[str, float]]
PEERS: dict[str, Peer] = {"geopandas.sjoin_nearest": geopandas_s}
if _there("duckdb") and _there("duckdb_extensions"):
    PEERS["DuckDB spatial"] = duckdb_s
if _there("sedona"):
    PEERS["SedonaDB"] = sedonadb_s
