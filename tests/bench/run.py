"""Print how fast measuring is, beside others and beside the floor, and write it to DEVELOPERS.md.

``python tests/bench/run.py --trees 100000 1000000 10000000 --peers all --write`` does it all in half an hour; with
``--scale 0.02 --trees 2000 --repeat 1`` it is a smoke test that takes seconds. Whoever is timed runs in a process of
its own, so that peak memory is its own; of ours, the first run warms the page cache and is not counted. The answers of
the others are compared with ours, tree by tree. Nothing here asserts a time.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
SMALL = ["lawn", "driveway", "road", "rabbit_cover", "rough_grass", "spray_area"]
MOST_SLOW = 1_000_000  # trees that the engine without a kernel, and others, are asked about at most
MARKS = {  # by trees: what must be, and what is aimed at
    100_000: {
        "floor": ("<= 4 x", "<= 3 x"),
        "geopandas.sjoin_nearest": (">= 100 x", ">= 200 x"),
        "engine shapely": (">= 20 x", ">= 30 x"),
        "fastest": (">= 8 x", ">= 11 x"),
        "PostGIS": (">= 6 x", ">= 8 x"),
        "small": ("printed", ""),
    },
    1_000_000: {
        "floor": ("<= 4 x", "<= 3 x"),
        "geopandas.sjoin_nearest": (">= 400 x", ">= 800 x"),
        "engine shapely": (">= 20 x", ">= 30 x"),
        "fastest": (">= 20 x", ">= 35 x"),
        "PostGIS": (">= 30 x", ">= 40 x"),
        "small": (">= 1.5 x", ""),
    },
}
Cell = str | float
Took = dict[str, Any]


def alone(args: argparse.Namespace, folder: Path, trees: int, who: str) -> Took:
    """Time one engine or peer in a process of its own."""
    words = [sys.executable, __file__, "--folder", str(folder), "--scale", str(args.scale), "--trees", str(trees)]
    words += ["--repeat", str(args.repeat), "--alone", who]
    done = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=True)
    answer: Took = json.loads(done.stdout.splitlines()[-1])
    return answer | {"load": f"{os.getloadavg()[0]:.1f}"}


def run_alone(folder: Path, scale: float, trees: int, who: str, repeat: int) -> Took:
    """What one engine or peer took."""
    import city
    import peers

    files = city.write_city(folder, [trees], scale)
    points = folder / f"trees_{trees}.parquet"
    if who in peers.PEERS:
        return ask_peer(points, files, folder / f"out_grid_{trees}.parquet", who)
    out, small = folder / f"out_{who}_{trees}.parquet", folder / f"small_{who}.parquet"
    some = {role: files[role] for role in SMALL}
    every = [peers.ours_s(points, files, city.REACH_M, out, who) for _ in range(repeat + 1)][1:]
    took = {"s": statistics.median(every), "least_s": min(every), "peak_gb": peak_gb()}
    took["small_s"] = statistics.median(peers.ours_s(points, some, city.REACH_M, small, who) for _ in range(repeat))
    if who == "grid":
        floors = [peers.floor_s(points, files, out, folder / "copy.parquet") for _ in range(repeat + 1)][1:]
        took["floor_s"] = statistics.median(floors)
    return took


def ask_peer(points: Path, files: dict[str, Path], ours: Path, who: str) -> Took:
    """What one peer took, role by role, and whether it found what we found."""
    import answers
    import city
    import peers
    import pyarrow.parquet as pq

    peer, trees = peers.PEERS[who], pq.read_metadata(points).num_rows
    asked = {role: file for role, file in files.items() if trees <= peer.most_trees.get(role, trees)}
    found = peer.ask(points, asked, city.REACH_M)
    peak, scale, seen, apart_m = peak_gb(), answers.point_scale(points), 0, 0.0
    for role, answer in found.items():
        some, largest_m = answers.compare(answer, ours, role, city.REACH_M[role], scale)
        seen, apart_m = seen + some, max(apart_m, largest_m)
        print(f"{who}, {trees:,}, {role}: {answer.seconds:.2f} s, {some:,} in reach, {largest_m:.1e} m from ours; "
              f"{answer.note}", file=sys.stderr, flush=True)  # fmt: skip
    seconds = {role: answer.seconds for role, answer in found.items()}
    loading_s = sum(answer.loading_s for answer in found.values())
    return {"roles": seconds, "loading_s": loading_s, "peak_gb": peak, "in_reach": seen, "apart_m": apart_m}


def peak_gb() -> float:
    """Peak memory of this process; its own, not that of the one it came from."""
    return int(re.findall(r"VmHWM:\s*(\d+)", Path("/proc/self/status").read_text())[0]) / 1e6


def grown(took: Took, before: Took | None, times: float, trees_before: int) -> str:
    """Put in, by linear growth, the roles that were not asked about so many trees; say so."""
    import city

    left_out = [role for role in city.ROLES if role not in took["roles"]]
    if left_out and before:
        same = [role for role in SMALL if role in took["roles"]]
        measured = sum(took["roles"][role] for role in same) / sum(before["roles"][role] for role in same)
        took["roles"] |= {role: times * before["roles"][role] for role in left_out}
        left = f"{', '.join(left_out)} not run: {times:g} x what they took for {trees_before:,} trees"
        return f"{left}; the small layers, run, took {measured:.1f} x"
    return f"without {', '.join(left_out)}" if left_out else ""


def marks(trees: int, ours: dict[str, Took], took: dict[str, Took]) -> list[list[Cell]]:
    """Ratios beside what is asked of them at 10^5 and 10^6 trees."""
    asked = MARKS.get(trees, dict.fromkeys(MARKS[100_000], ("", "")))
    best, slow = ours["grid"], ours.get("shapely")
    total = {name: sum(one["roles"].values()) for name, one in took.items()}
    small = {name: sum(one["roles"][role] for role in SMALL) for name, one in took.items()}
    rows: list[list[Cell]] = []

    def put(what: str, ratio: float, mark: str, aim: str) -> None:
        rows.append([f"{trees:,}", what, f"{ratio:,.1f} x", mark, aim])

    put("ours / floor", best["s"] / best["floor_s"], *asked["floor"])
    join, fast = "geopandas.sjoin_nearest", [name for name in ("DuckDB spatial", "SedonaDB") if name in total]
    if join in total:
        put(f"{join} / ours", total[join] / best["s"], *asked[join])
        if slow:
            put(f"{join} / engine shapely", total[join] / slow["s"], *asked["engine shapely"])
    if fast:
        first = min(fast, key=lambda name: total[name])
        put(f"{first} / ours", total[first] / best["s"], *asked["fastest"])
    if "PostGIS" in total:
        put("PostGIS / ours", total["PostGIS"] / best["s"], *asked["PostGIS"])
    if "DuckDB spatial" in total:
        ratio = small["DuckDB spatial"] / best["small_s"]
        put("six layers of small features: DuckDB spatial / ours", ratio, *asked["small"])
    return rows


def table(head: list[str], rows: list[list[Cell]]) -> str:
    """A table in Markdown."""
    shown = [[f"{cell:,.2f}" if isinstance(cell, float) else cell for cell in row] for row in rows]
    return "\n".join(f"| {' | '.join(row)} |" for row in [head, ["---"] * len(head), *shown])


def measure(args: argparse.Namespace, folder: Path) -> str:
    """All tables as text."""
    import city
    import peers

    from riskmap.measure.engines import ENGINES

    wanted = [name for name in peers.PEERS if args.peers == "all" or args.peers in name]
    absent = [f"{name} is left out: {peers.PEERS[name].why_not}." for name in wanted if peers.PEERS[name].why_not]
    rows: list[list[Cell]] = []
    ratios: list[list[Cell]] = []
    before: dict[str, Took] = {}
    before_trees = 0
    for trees in args.trees:
        city.write_city(folder, [trees], args.scale)
        ours = {name: alone(args, folder, trees, name) for name in ENGINES if name == "grid" or trees <= MOST_SLOW}
        for name, took in ours.items():
            note = f"least {took['least_s']:.2f} s; six layers of small features {took['small_s']:.2f} s"
            rows.append([f"{trees:,}", f"riskmap, engine {name}, files to file", took["s"], f"{took['peak_gb']:.2f}",
                         took["load"], note])  # fmt: skip
        if "grid" not in ours:
            raise SystemExit("the kernel is not built: pip install -e .")
        best = ours["grid"]
        rows.append([f"{trees:,}", "floor: read and write the same bytes", best["floor_s"], "", best["load"], ""])
        found: dict[str, Took] = {}
        for name in wanted if trees <= MOST_SLOW else []:
            if peers.PEERS[name].why_not:
                continue
            found[name] = took = alone(args, folder, trees, name)
            notes = [grown(took, before.get(name), trees / max(before_trees, 1), before_trees)]
            notes.append(f"six layers of small features {sum(took['roles'][role] for role in SMALL):.2f} s")
            notes.append(f"loading {took['loading_s']:.1f} s not counted" if took["loading_s"] else "")
            notes.append(f"{took['in_reach']:,} distances, {took['apart_m']:.0e} m from ours at most")
            peak = "" if name == "PostGIS" else f"{took['peak_gb']:.2f}"
            rows.append([f"{trees:,}", f"{name}, query only", sum(took["roles"].values()), peak, took["load"],
                         "; ".join(filter(None, notes))])  # fmt: skip
        ratios += marks(trees, ours, found)
        before, before_trees = found, trees
    where = f"{os.cpu_count()} cores, Python {platform.python_version()}, city at scale {args.scale:g}"
    where += f"; medians of {args.repeat}; eight roles, all four results each; others distances alone, run once."
    timed = table(["trees", "what", "seconds", "peak GB", "load", "notes"], rows)
    ratio = table(["trees", "ratio", "measured", "mark", "aim"], ratios)
    return "\n\n".join([" ".join([where, *absent]), timed, ratio]) + "\n"


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
        print(json.dumps(run_alone(args.folder, args.scale, args.trees[0], args.alone, args.repeat)))
        return
    with tempfile.TemporaryDirectory(prefix="riskmap-bench-") as temporary:
        text = measure(args, args.folder or Path(temporary))
    print(text)
    if args.write:
        write(text)


if __name__ == "__main__":
    main()
