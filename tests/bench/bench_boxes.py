"""Time and peak memory of reading a big layer whole, and only near 200 trees; printed as one table.

python tests/bench/bench_boxes.py [--features 1000000]

The layer is an invented state of 400 x 400 km with ponds all over. Each reading is a process of its own, from the trees
file to distances from every tree, which must be the same both ways. Nothing here asserts a time.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

SIDE_M = 400_000.0
CORNER = 400_000.0, 4_400_000.0
TREES = 200
FORMS = {
    "GeoPackage": "ponds.gpkg",
    "FlatGeobuf": "ponds.fgb",
    "GeoParquet, covering": "covered.parquet",
    "GeoParquet": "ponds.parquet",
    "shapefile": "ponds.shp",
}
SITE = """title = "Bench state"
date = 2026-10-15
[trees]
file = "trees.csv"
crs = "EPSG:32617"
[[layers]]
role = "water"
file = "{file}"
"""


def main() -> None:
    """Write the layers, read each both ways, and print a line a format."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--features", type=int, default=1_000_000)
    for part in ("--write", "--whole", "--near"):  # each done in a process of its own
        words.add_argument(part, type=Path, help=argparse.SUPPRESS)
    asked = words.parse_args()
    if asked.write:
        write(asked.write, asked.features)
    elif asked.whole or asked.near:
        read(asked.whole or asked.near, whole=bool(asked.whole))
    else:
        compare(asked.features)


def compare(features: int) -> None:
    """Print the table."""
    print(f"{features:,} ponds, {TREES} trees; load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
    print("seconds of processor, reading alone; peak memory of reading and measuring")
    print("| layer | MB | whole, seconds | peak MB | near, seconds | peak MB | features near |\n|" + " --- |" * 7)
    with tempfile.TemporaryDirectory() as folder:
        done("--write", folder, "--features", str(features))
        for name, file in FORMS.items():
            site = Path(folder) / f"{file}.toml"
            site.write_text(SITE.format(file=file))
            whole, near = (json.loads(done(way, str(site))) for way in ("--whole", "--near"))
            assert whole["distances"] == near["distances"], name
            size = (Path(folder) / file).stat().st_size / 1e6
            print(
                f"| {name} | {size:,.0f} | {whole['seconds']:.2f} | {whole['peak_mb']:,.0f} | {near['seconds']:.2f} "
                f"| {near['peak_mb']:,.0f} | {near['features']:,} |",
                flush=True,
            )


def write(folder: Path, features: int, seed: int = 3) -> None:
    """Ponds of 12 corners in every format, and trees in the middle of the state."""
    import geopandas
    import shapely

    rng = np.random.default_rng(seed)
    turn = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    centre = np.array(CORNER) + rng.uniform(0, SIDE_M, (features, 2))
    away = rng.lognormal(3.0, 0.8, (features, 1)) * rng.uniform(0.7, 1.0, (features, 12))
    corners = centre[:, None] + away[..., None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    columns = {"kind": rng.choice(["pond", "lake"], features), "code": np.arange(features)}
    frame = geopandas.GeoDataFrame(columns, geometry=shapely.polygons(corners), crs="EPSG:32617")
    frame = frame.iloc[frame.hilbert_distance().argsort()].reset_index(drop=True)  # as a covering is of use
    for name, file in FORMS.items():
        if file.endswith(".parquet"):
            frame.to_parquet(folder / file, write_covering_bbox="covering" in name, row_group_size=50_000)
        else:
            frame.to_file(folder / file, engine="pyogrio")
    xy = np.array(CORNER) + SIDE_M / 2 + rng.uniform(-1_000, 1_000, (TREES, 2))
    rows = "\n".join(f"T{number},{x:.2f},{y:.2f}" for number, (x, y) in enumerate(xy))
    (folder / "trees.csv").write_text(f"tree_id,x,y\n{rows}\n")


def done(*words: str) -> str:
    """What this very file says in a process of its own, whose memory is not that of another one."""
    return subprocess.run([sys.executable, __file__, *words], capture_output=True, text=True, check=True).stdout


def read(site: Path, *, whole: bool) -> None:
    """Read and measure, and say what it took."""
    from riskmap.check import check_inputs
    from riskmap.measure import measure_exposures
    from riskmap.model import SilentWatch
    from riskmap.project import near_trees, project_inputs
    from riskmap.read import boxed, read_inputs, read_settings

    boxed.MOST_WHOLE = 0  # small layers too, so that a small bench shows the same
    settings = read_settings(site)
    start = time.process_time()
    inputs = read_inputs(settings, near=None if whole else near_trees, watch=SilentWatch())
    seconds = time.process_time() - start
    exposures = measure_exposures(project_inputs(check_inputs(inputs), watch=SilentWatch()), watch=SilentWatch())
    found = {
        "seconds": seconds,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000,
        "features": inputs.read_as[1].facts.get("features_near_trees", inputs.read_as[1].rows),
        "distances": [None if np.isnan(away_m) else float(away_m) for away_m in exposures["water"].distance_m],
    }
    print(json.dumps(found))


if __name__ == "__main__":
    main()
