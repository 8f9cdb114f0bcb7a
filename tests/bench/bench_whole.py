"""Print how long a whole `riskmap run` takes, station by station, on an invented city; write it to DEVELOPERS.md.

``python tests/bench/bench_whole.py --trees 100000 1000000 --write``; with ``--scale 0.01 --trees 500`` it is a smoke
test that takes seconds. Each run is a process of its own, from a cold start to the last file. Nothing here asserts a
time.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import city
import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
SPECIES = ["Acer rubrum", "Quercus robur", "Tilia cordata", "Malus domestica", "Prunus avium", "Pinus strobus"]
SPECIES += ["Gleditsia triacanthos", "Ulmus americana", "Betula nigra", "Picea abies", "Ginkgo biloba", "Salix alba"]
SITE = """title = "Bench city"
date = 2026-10-15
units = "us"
[trees]
file = "{trees}"
crs = "{crs}"
units = {{ caliper = "in" }}
caliper_at = "breast"
[trees.columns]
tree_id = "TreeID"
x = "East"
y = "North"
species = "Species"
caliper = "DBH_in"
planted = "Year"
group = "Ward"
"""


def tree_table(xy: Any, seed: int = 5) -> pa.Table:
    """Trees with the columns of a city's list: id, species, diameter in inches (one in fifty unknown), ward, year."""
    rng, n = np.random.default_rng(seed), len(xy)
    inches = np.round(np.clip(rng.lognormal(1.1, 0.8, n), 0.3, 60), 1)
    return pa.table(
        {
            "TreeID": pa.array(np.char.add("T", np.char.zfill(np.arange(1, n + 1).astype("U8"), 8))),
            "Species": pa.array(SPECIES).take(pa.array(rng.integers(0, len(SPECIES), n))),
            "DBH_in": pa.array(inches, mask=rng.random(n) < 0.02),
            "Ward": pa.array([f"Ward {ward}" for ward in range(1, 41)]).take(pa.array(rng.integers(0, 40, n))),
            "Year": pa.array(rng.integers(1990, 2027, n)),
            "East": np.round(xy[:, 0], 2),
            "North": np.round(xy[:, 1], 2),
        }
    )


def write_site(folder: Path, n: int, kind: str, scale: float) -> Path:
    """Write layers, trees and site file where they are not there yet; return the site file."""
    layers = city.write_city(folder / "layers", [], scale)
    site = folder / f"{n}_{kind}" / "site.toml"
    if not site.exists():
        site.parent.mkdir(parents=True)
        table = tree_table(city.make_trees(city.make_city(scale), n))
        trees = site.with_name(f"trees.{kind}")
        pq.write_table(table, trees) if kind == "parquet" else pyarrow.csv.write_csv(table, trees)
        blocks = [f'[[layers]]\nrole = "{role}"\nfile = "{file.absolute()}"\n' for role, file in layers.items()]
        site.write_text(SITE.format(trees=trees.name, crs=city.CRS) + "".join(blocks), encoding="utf-8")
    return site


def run_whole(site: Path) -> tuple[dict[str, float], float, float]:
    """Run it all in a process of its own: seconds by station, seconds in all, peak memory in GB."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, time.perf_counter()
    words = [sys.executable, "-m", "riskmap", "run", str(site), "--overwrite", "-q"]
    subprocess.run(words, capture_output=True, check=True, cwd=Path(__file__).parents[2])
    seconds = time.perf_counter() - started
    stations: dict[str, float] = json.loads((site.parent / "site-out" / "timings.json").read_text())
    return stations, seconds, max(before, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss) / 1e6


def report(sizes: list[int], kinds: list[str], scale: float, folder: Path) -> str:
    """The table in Markdown, a column a run; sizes must grow, since peak memory is the largest so far."""
    columns = {}
    for n in sorted(sizes):
        for kind in kinds:
            stations, seconds, peak_gb = run_whole(write_site(folder, n, kind, scale))
            bounds = {"in all, cold start to last file": seconds, "peak memory, GB": peak_gb}
            columns[f"{n:,}, {kind}"] = stations | bounds | {"load": os.getloadavg()[0]}
    names = list(dict.fromkeys(name for column in columns.values() for name in column))
    lines = [f"| seconds | {' | '.join(columns)} |", f"| --- |{' --- |' * len(columns)}"]
    for name in names:
        lines.append(f"| {name} | {' | '.join(f'{column.get(name, 0.0):.2f}' for column in columns.values())} |")
    where = f"{os.cpu_count()} cores, Python {platform.python_version()}, city at scale {scale:g}"
    return f"The whole `riskmap run`, every file written; {where}.\n\n" + "\n".join(lines) + "\n"


def write(text: str) -> None:
    """Put the table into DEVELOPERS.md."""
    mark = re.compile(r"(<!-- whole -->\n).*?(\n?<!-- /whole -->)", re.DOTALL)
    whole = DEVELOPERS.read_text(encoding="utf-8")
    if not mark.search(whole):
        whole = whole.rstrip("\n") + "\n\n<!-- whole -->\n<!-- /whole -->\n"
    DEVELOPERS.write_text(mark.sub(lambda found: f"{found[1]}{text}{found[2]}", whole), encoding="utf-8")


def main() -> None:
    """Read the words and go."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--trees", type=int, nargs="+", default=[100_000])
    words.add_argument("--kinds", nargs="+", default=["parquet"], choices=["parquet", "csv"])
    words.add_argument("--scale", type=float, default=1.0, help="share of the city's features and vertices")
    words.add_argument("--folder", type=Path, help="where the city is kept between runs")
    words.add_argument("--write", action="store_true", help="write the table to DEVELOPERS.md")
    args = words.parse_args()
    with tempfile.TemporaryDirectory(prefix="riskmap-bench-") as temporary:
        text = report(args.trees, args.kinds, args.scale, args.folder or Path(temporary))
    print(text)
    if args.write:
        write(text)


if __name__ == "__main__":
    main()
