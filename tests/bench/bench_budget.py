"""Time and proven gap of the budget solver at 1e3 to 1e6 trees of 12 options.

python tests/bench/bench_budget.py [--most 1e6]
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from riskmap.choose.knapsack import buy, hull_steps
from riskmap.choose.limits import buy_within
from riskmap.choose.settle import settle

OPTIONS = 12


def make_trees(trees: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Costs and benefits of options that cost more the more they prevent; option 0 is nothing."""
    rng = np.random.default_rng(seed)
    cost = np.sort(rng.uniform(2, 60, (trees, OPTIONS)), axis=1)
    benefit = np.sort(rng.gamma(2.0, 20.0, (trees, OPTIONS)), axis=1) * rng.uniform(0.2, 1.0, (trees, 1))
    cost[:, 0] = benefit[:, 0] = 0.0
    return np.round(cost, 2), benefit


def main() -> None:
    """Print one line a size."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--most", type=float, default=1e6)
    most = int(words.parse_args().most)
    print(f"{'trees':>9}  {'limits':>6}  {'seconds':>8}  {'proven gap':>10}  solver")
    for trees in (1_000, 10_000, 100_000, 1_000_000):
        if trees > most:
            break
        cost, benefit = make_trees(trees)
        budget = 0.2 * cost[:, -1].sum()
        start = time.perf_counter()
        bought = buy(cost, benefit, budget, hull_steps(cost, benefit))
        print(f"{trees:>9,}  {1:>6}  {time.perf_counter() - start:>8.3f}  {bought.gap:>10.1e}  hull and greedy")
        start = time.perf_counter()
        best = settle(cost, benefit, budget, bought)
        seconds = time.perf_counter() - start
        worked = "proven best" if best.exact else "too much to work through"
        print(f"{trees:>9,}  {1:>6}  {seconds:>8.3f}  {best.gap:>10.1e}  every change: {worked}")
        if trees <= 100_000:
            rng = np.random.default_rng(2)
            hours = np.where(cost > 0, rng.uniform(0.05, 0.6, cost.shape), 0.0)
            stock_a = (rng.random(cost.shape) < 0.15) * (cost > 0)
            stock_b = (rng.random(cost.shape) < 0.10) * (cost > 0)
            use = np.stack([cost, hours, stock_a, stock_b]).astype(float)
            limits = np.array([budget, 0.08 * trees, 0.03 * trees, 0.02 * trees])
            start = time.perf_counter()
            bought = buy_within(use, benefit, limits)
            spent = use[:, np.arange(trees), bought.option].sum(axis=1)
            kept = "kept" if (spent <= limits + 1e-6).all() else "BROKEN"
            seconds = time.perf_counter() - start
            print(f"{trees:>9,}  {4:>6}  {seconds:>8.3f}  {bought.gap:>10.1e}  cutting planes; limits {kept}")


if __name__ == "__main__":
    main()
