"""PostgreSQL with PostGIS: a server of its own, on a socket in a temporary folder, gone when the bench is done."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from answers import Answer

__all__ = ["ask", "why_not"]

LARGE = 256  # vertices: features with more are cut up
PIECE = 64  # vertices of what they are cut into
SAMPLE = 10_000  # trees on which the queries are tried, so that the best one runs on all
SETTINGS = {
    "listen_addresses": "",
    "shared_buffers": "2GB",
    "work_mem": "256MB",
    "maintenance_work_mem": "1GB",
    "fsync": "off",
    "full_page_writes": "off",
    "max_wal_size": "8GB",
    "jit": "off",
    "max_parallel_workers_per_gather": str((os.cpu_count() or 1) - 1),  # and the one that leads
}
QUERIES = {
    "nearest first": "SELECT t.id, n.away_m FROM {trees} t CROSS JOIN LATERAL (SELECT t.shape <-> l.shape AS away_m"
    " FROM layer l ORDER BY t.shape <-> l.shape LIMIT 1) n WHERE n.away_m <= {reach_m}",
    "nearest first in reach": "SELECT t.id, n.away_m FROM {trees} t CROSS JOIN LATERAL (SELECT t.shape <-> l.shape AS"
    " away_m FROM layer l WHERE ST_DWithin(t.shape, l.shape, {reach_m}) ORDER BY t.shape <-> l.shape LIMIT 1) n",
    "join in reach": "SELECT t.id, min(ST_Distance(t.shape, l.shape)) AS away_m FROM {trees} t"
    " JOIN layer l ON ST_DWithin(t.shape, l.shape, {reach_m}) GROUP BY t.id",
}


def programs() -> Path | None:
    """Where a PostgreSQL that has PostGIS keeps its programs; the newest."""
    for control in sorted(Path("/usr/share/postgresql").glob("*/extension/postgis.control"), reverse=True):
        found = Path("/usr/lib/postgresql") / control.parts[-3] / "bin"
        if (found / "initdb").exists() and shutil.which("psql"):
            return found
    return None


def why_not() -> str:
    """Why it can't be asked; empty where it can."""
    return "" if programs() else "Debian's postgresql and postgresql-postgis are not installed"


def ask(trees: Path, files: dict[str, Path], reach_m: dict[str, float]) -> dict[str, Answer]:
    """Ask for the least distance in reach, by role, with the query that is best on a sample; loading not counted."""
    with server() as base:
        base.run("CREATE EXTENSION postgis")
        began = time.perf_counter()
        base.load("trees", trees)
        base.run(f"CREATE UNLOGGED TABLE few AS SELECT * FROM trees WHERE id < {SAMPLE}; ANALYZE few")
        loaded_s = time.perf_counter() - began
        found = {}
        for role, file in files.items():
            began = time.perf_counter()
            base.load("layer", file, cut=True)
            loading_s = time.perf_counter() - began + loaded_s
            loaded_s = 0.0
            tried = {name: base.time(query, "few", reach_m[role]) for name, query in QUERIES.items()}
            best = min(tried, key=lambda name: tried[name])
            seconds = base.time(QUERIES[best], "trees", reach_m[role])
            found[role] = Answer(seconds, *base.answer(), loading_s=loading_s, note=best)
            base.run("DROP TABLE layer; DROP TABLE found")
        return found


class Base:
    """One server, spoken to through psql."""

    def __init__(self, folder: Path) -> None:
        self.words = ["psql", "-h", str(folder), "-U", "bench", "-d", "postgres", "-X", "-q", "-A", "-t"]

    def run(self, sql: str, given: bytes | None = None) -> str:
        """Run SQL and return what it prints."""
        told = [word for line in ("\\timing on", sql) for word in ("-c", line)]
        words = [*self.words, "-v", "ON_ERROR_STOP=1", *told]
        done = subprocess.run(words, input=given, capture_output=True, check=False)
        if done.returncode:
            raise RuntimeError(done.stderr.decode())
        return done.stdout.decode()

    def load(self, name: str, file: Path, *, cut: bool = False) -> None:
        """Load a file of shapes, cut the large ones, and index them."""
        shapes = pq.read_table(file, columns=["geometry"]).column(0).to_pylist()
        lines = "\n".join(f"{i}\t{shape.hex()}" for i, shape in enumerate(shapes))
        self.run(f"CREATE UNLOGGED TABLE {name} (id integer, shape geometry)")
        self.run(f"COPY {name} FROM STDIN", lines.encode())
        if cut and self.run(f"SELECT max(ST_NPoints(shape)) > {LARGE} FROM {name}").startswith("t"):
            self.run(f"ALTER TABLE {name} RENAME TO whole")
            self.run(f"CREATE UNLOGGED TABLE {name} AS SELECT id, ST_Subdivide(shape, {PIECE}) AS shape FROM whole")
            self.run("DROP TABLE whole")
        self.run(f"CREATE INDEX ON {name} USING gist (shape)")
        self.run(f"VACUUM ANALYZE {name}")

    def time(self, query: str, trees: str, reach_m: float) -> float:
        """Seconds of a query into a table."""
        self.run("DROP TABLE IF EXISTS found")
        said = self.run(f"CREATE UNLOGGED TABLE found AS {query.format(trees=trees, reach_m=reach_m)}")
        return float(re.findall(r"Time: ([\d.]+) ms", said)[-1]) / 1000

    def answer(self) -> tuple[np.ndarray, np.ndarray]:
        """Trees and distances of the last query."""
        said = self.run("COPY found TO STDOUT")
        rows = [line.split("\t") for line in said.splitlines() if "\t" in line]
        return np.array([row[0] for row in rows], dtype=int), np.array([row[1] for row in rows], dtype=float)


@contextmanager
def server() -> Iterator[Base]:
    """Start a server as a user who may do nothing else, and stop it at the end."""
    found = programs()
    assert found, why_not()
    user = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}
    with tempfile.TemporaryDirectory(prefix="riskmap-pg-") as temporary:
        folder = Path(temporary)
        if user:
            shutil.chown(folder, "postgres", "postgres")
        data = folder / "data"
        words = [str(found / "initdb"), "-D", str(data), "-U", "bench", "-A", "trust", "-N", "-E", "UTF8", "--locale=C"]
        subprocess.run(words, check=True, capture_output=True, cwd=folder, **user)
        settings = SETTINGS | {"unix_socket_directories": str(folder)}
        with (data / "postgresql.conf").open("a") as conf:
            conf.writelines(f"{name} = '{value}'\n" for name, value in settings.items())
        control = [str(found / "pg_ctl"), "-D", str(data), "-w", "-l", str(folder / "log")]
        subprocess.run([*control, "start"], check=True, stdout=subprocess.DEVNULL, cwd=folder, **user)
        try:
            yield Base(folder)
        finally:
            subprocess.run([*control, "stop", "-m", "fast"], check=True, stdout=subprocess.DEVNULL, cwd=folder, **user)
