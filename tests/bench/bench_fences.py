"""Processor time of the choice between shared fences and single guards, and how far it can be from the best.

python tests/bench/bench_fences.py [--most 1e5]
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from riskmap.choose.fences import FenceKind, choose_fences

KINDS = (
    FenceKind(key="deer", rate=8.0, gate=120.0, standoff_m=2.0),
    FenceKind(key="deer_and_rabbit", rate=11.0, gate=120.0, standoff_m=2.0),
)


def make_planting(trees: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Blocks, strips and scattered trees; what each tree costs alone and inside a fence."""
    rng = np.random.default_rng(seed)
    side = 60 * np.sqrt(trees)
    places = []
    while sum(map(len, places)) < trees:
        corner = rng.uniform(0, side, 2)
        rows, columns = rng.integers(1, 12), rng.integers(1, 40)
        grid = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2) * 3.0
        turn = rng.uniform(0, np.pi)
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        places.append(corner + grid @ spin + rng.normal(0, 0.3, grid.shape))
        places.append(rng.uniform(0, side, (3, 2)))
    xy_m = np.concatenate(places)[:trees]
    own = rng.choice([8.0, 12.0, 24.0], trees)
    inside = np.stack([own * rng.choice([0.0, 0.3], trees), np.zeros(trees)], axis=1)
    return xy_m, own, inside


def main() -> None:
    """Print one line a size; seconds of processor."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--most", type=float, default=1e5)
    most = int(words.parse_args().most)
    print(f"{'trees':>8}  {'seconds':>8}  {'single':>10}  {'chosen':>10}  {'bound':>10}  {'gap':>6}  fences")
    for trees in (1_000, 10_000, 100_000):
        if trees > most:
            break
        xy_m, own, inside = make_planting(trees)
        start = time.process_time()
        found = choose_fences(xy_m, own, inside, KINDS)
        seconds = time.process_time() - start
        gap = 1 - found.bound / found.total
        print(
            f"{trees:>8,}  {seconds:>8.3f}  {found.single:>10,.0f}  {found.total:>10,.0f}  "
            f"{found.bound:>10,.0f}  {gap:>6.2%}  {len(found.groups)}"
        )


if __name__ == "__main__":
    main()
