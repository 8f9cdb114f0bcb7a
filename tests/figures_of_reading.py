"""Three figures of how well real and hard inputs are read: `python tests/figures_of_reading.py` prints them.

Species strings of 25 cities that reach a genus, headers of 157 inventories that are recognised, and the cases that
may be refused but come out right. The first two need the open data beside the project (``../shared``).
"""

from __future__ import annotations

import csv
import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import inventory_headers
from case_files import CASES, NAMES, run_case

from riskmap.model import Coded
from riskmap.score import match_species

STRINGS = Path(__file__).resolve().parents[2] / "shared/data/species-strings/species_strings.csv"


def species_share() -> tuple[float, int]:
    """Share of trees whose species text reaches a genus, and how many trees."""
    trees: Counter[str] = Counter()
    with STRINGS.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            trees[row["species_text"]] += int(row["trees"])
    taxa = match_species(Coded(codes=Coded.missing(0).codes, values=tuple(trees)), "north_america")
    return sum(n for n, taxon in zip(trees.values(), taxa, strict=True) if taxon) / trees.total(), trees.total()


def cases_that_may_be_refused() -> tuple[list[str], list[str]]:
    """Cases that may end in a refusal or in a result, and those of them that were refused."""
    may = [name for name in NAMES if "error" in _accepted(name) != {"error"}]
    refused = []
    for name in may:
        with tempfile.TemporaryDirectory() as folder:
            if run_case(name, Path(folder)).kind == "error":
                refused.append(name)
    return may, refused


def _accepted(name: str) -> set[str]:
    """Every kind that a case accepts."""
    expected = tomllib.loads((CASES / name / "expected.toml").read_text(encoding="utf-8"))
    return {expected["kind"], *expected.get("also_accept", ())}


def main() -> None:
    """Print the three figures."""
    if STRINGS.exists():
        share, trees = species_share()
        print(f"species: {share:.2%} of {trees:,} trees reach a genus")  # noqa: T201
        for name, (headers, inventories) in inventory_headers.shares().items():
            print(f"headers, {name}: {headers:.1%} right, {inventories:.1%} weighted by inventories")  # noqa: T201
        print(f"headers given a unit they do not name: {inventory_headers.wrong_units()}")  # noqa: T201
    else:
        print("species and headers: the open data are not here (../shared)")  # noqa: T201
    may, refused = cases_that_may_be_refused()
    print(f"cases that may be refused: {len(may) - len(refused)} of {len(may)} run; refused: {refused}")  # noqa: T201


if __name__ == "__main__":
    main()
