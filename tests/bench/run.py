"""Print how fast measuring is, beside others and beside the floor, and write it to DEVELOPERS.md.

``python tests/bench/run.py --trees 100000 1000000 --peers all --write`` does it all; with ``--scale 0.02 --trees 2000
--repeat 1`` it is a smoke test that takes seconds. Each run of ours is a process of its own, so that peak memory is its
own; the first run warms the page cache and is not counted. Nothing here asserts a time.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
SMALL = ["lawn", "driveway", "road", "rabbit_cover", "rough_grass", "spray_area"]
Cell = str | float


def alone(folder: Path, scale: float, trees: int, engine: str, repeat: int) -> dict[str, float]:
    """Time one engine in a process of its own."""
    words = [sys.executable, __file__, "--folder", str(folder), "--scale", str(scale), "--trees", str(trees)]
    words += ["--repeat", str(repeat), "--alone", engine]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    answer: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return answer


def run_alone(folder: Path, scale: float, trees: int, engine: str, repeat: int) -> None:
    """Say as JSON what one engine took: all roles, the six of small features, the floor; and peak memory."""
    import city
    import peers

    files = city.write_city(folder, [trees], scale)
    points, out = folder / f"trees_{trees}.parquet", folder / f"out_{engine}.parquet"
    some = {role: files[role] for role in SMALL}
    every = [peers.ours_s(points, files, city.REACH_M, out, engine) for _ in range(repeat + 1)][1:]
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    floors = [peers.floor_s(points, files, out, folder / "copy.parquet") for _ in range(repeat + 1)][1:]
    small = [peers.ours_s(points, some, city.REACH_M, out, engine) for _ in range(repeat)]
    answer = {"s": statistics.median(every), "least_s": min(every), "small_s": statistics.median(small)}
    print(json.dumps(answer | {"floor_s": statistics.median(floors), "peak_gb": peak_gb}))


def table(head: list[str], rows: list[list[Cell]]) -> str:
    """A table in Markdown."""
    shown = [[f"{cell:,.2f}" if isinstance(cell, float) else cell for cell in row] for row in rows]
    return "\n".join(f"| {' | '.join(row)} |" for row in [head, ["---"] * len(head), *shown])


def measure(args: argparse.Namespace, folder: Path) -> str:
    """All tables as text."""
    import city
    import peers

    from riskmap.measure.engines import ENGINES

    city_files = city.write_city(folder, args.trees, args.scale)
    rows: list[list[Cell]] = []
    for trees in args.trees:
        ours = {name: alone(folder, args.scale, trees, name, args.repeat) for name in ENGINES}
        best = ours[next(iter(ENGINES))]
        for name, took in ours.items():
            load = f"{os.getloadavg()[0]:.1f}"
            note = f"peak {took['peak_gb']:.2f} GB, least {took['least_s']:.2f} s"
            rows.append([f"{trees:,}", f"riskmap, engine {name}, files to file", took["s"], "", note, load])
        rows.append([f"{trees:,}", "floor: read and write the same bytes", best["floor_s"],
                     f"ours is {best['s'] / best['floor_s']:.1f} x", "", f"{os.getloadavg()[0]:.1f}"])  # fmt: skip
        for name, peer in peers.PEERS.items():
            if args.peers == "none" or (args.peers != "all" and args.peers not in name):
                continue
            seconds = peer(folder / f"trees_{trees}.parquet", city_files, city.REACH_M)
            total, small = sum(seconds.values()), sum(seconds[role] for role in SMALL)
            load = f"{os.getloadavg()[0]:.1f}"
            rows.append([f"{trees:,}", f"{name}, query only", total, f"{total / best['s']:.1f} x", "", load])
            rows.append([f"{trees:,}", f"{name}, six layers of small features", small,
                         f"{small / best['small_s']:.1f} x", f"ours {best['small_s']:.2f} s", load])  # fmt: skip
    head = ["trees", "what", "seconds", "ratio to ours", "", "load"]
    where = f"{os.cpu_count()} cores, Python {platform.python_version()}, city at scale {args.scale:g}"
    return f"{where}; medians of {args.repeat}; eight roles, all four results each.\n\n{table(head, rows)}\n"


def write(text: str) -> None:
    """Put the tables into the section Performance of DEVELOPERS.md."""
    mark = re.compile(r"(<!-- bench -->\n).*?(\n?<!-- /bench -->)", re.DOTALL)
    whole = DEVELOPERS.read_text(encoding="utf-8")
    if not mark.search(whole):
        whole = whole.rstrip("\n") + "\n\n## Performance\n\n<!-- bench -->\n<!-- /bench -->\n"
    DEVELOPERS.write_text(mark.sub(lambda found: f"{found[1]}{text}{found[2]}", whole), encoding="utf-8")


def main() -> None:
    """Read the words and go."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--trees", type=int, nargs="+", default=[100_000])
    words.add_argument("--scale", type=float, default=1.0, help="share of the city's features and vertices")
    words.add_argument("--peers", default="none", help="none, all, or part of a name")
    words.add_argument("--repeat", type=int, default=3)
    words.add_argument("--folder", type=Path, help="where the city is kept between runs")
    words.add_argument("--write", action="store_true", help="write the tables to DEVELOPERS.md")
    words.add_argument("--alone", help=argparse.SUPPRESS)
    args = words.parse_args()
    if args.alone:
        run_alone(args.folder, args.scale, args.trees[0], args.alone, args.repeat)
        return
    with tempfile.TemporaryDirectory(prefix="riskmap-bench-") as temporary:
        text = measure(args, args.folder or Path(temporary))
    print(text)
    if args.write:
        write(text)


if __name__ == "__main__":
    main()
