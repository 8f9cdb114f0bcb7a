"""How many headers of real tree inventories are recognised: `python tests/inventory_headers.py` prints the figures.

The headers of 157 city inventories, with the role of each (data beside the project, not part of it). A header decides
where it plays one role only; names that the compilers made (``_rep``, ``x1``) and numbers (``F10``) decide nothing.
"""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from pathlib import Path

from riskmap.read.headers import header_unit, match_header, recognise

FILE = Path(__file__).resolve().parents[2] / "shared/data/inventory-headers/headers.csv"
OURS = {
    "SPP_BOT": ("species", "genus"),  # a genus alone is read as the species where there is no other
    "SPP_COM": ("common", "species"),
    "GENUS": ("genus",),
    "SPECIES": ("species",),
    "CULTIVAR": ("cultivar",),
    "DBH_EXACT": ("caliper",),
    "DBH_CLASS": ("caliper",),
    "CIRC_EXACT": ("caliper",),
    "LONG_col": ("x",),
    "LAT_col": ("y",),
    "TREE_ID": ("tree_id",),
    "HEIGHT_EXACT": ("height",),
    "HEIGHT_CLASS": ("height",),
    "STEMS": ("stems",),
    "DATE_PLANT": ("planted",),
    "AGE": ("age",),
}
NEEDED = ("SPP_BOT", "SPP_COM", "DBH_EXACT", "DBH_CLASS", "CIRC_EXACT", "LONG_col", "LAT_col", "TREE_ID", "DATE_PLANT")
UNITS = {"in": r"in(ches)?(_range)?$|__in_$|in inches$", "ft": r"ft(_range)?$"}  # what a header says of its unit


def rows() -> list[tuple[str, str, int]]:
    """Role, header and number of inventories of every header that decides."""
    with FILE.open(encoding="utf-8", newline="") as file:
        found = [(row["role"], row["header_text"], int(row["inventories"])) for row in csv.DictReader(file)]
    roles = defaultdict(set)
    for role, header, _ in found:
        roles[header.casefold()].add(OURS.get(role))
    return [
        (role, header, n)
        for role, header, n in found
        if len(roles[header.casefold()]) == 1 and not re.search(r"_rep$|^[Ff]\d+$", header)
    ]


def meaning(header: str) -> str:
    """What we take a header for when it stands alone; "" for nothing of ours."""
    for axis in ("x", "y"):
        if match_header(header, axis) is not None:
            return axis
    return next(iter(recognise([header], given={})), "")


def right(role: str, header: str) -> bool:
    """Whether a header is taken for what it is, or for nothing where it is nothing of ours."""
    return meaning(header) in OURS.get(role, ("",))


def shares() -> dict[str, tuple[float, float]]:
    """Share of headers, and of inventories, that are right: all roles, and the six that a run needs."""
    return {
        name: (
            sum(right(role, header) for role, header, _ in part) / len(part),
            sum(n for role, header, n in part if right(role, header)) / sum(n for *_, n in part),
        )
        for name, part in {"all": rows(), "needed": [row for row in rows() if row[0] in NEEDED]}.items()
    }


def wrong_units() -> list[tuple[str, str]]:
    """Headers for which we name a unit that they don't."""
    found = []
    for role, header, _ in rows():
        if role.split("_")[0] in ("DBH", "CIRC", "HEIGHT"):
            said = next((unit for unit, pattern in UNITS.items() if re.search(pattern, header, re.IGNORECASE)), "")
            if header_unit(header) != said:
                found.append((header, header_unit(header)))
    return found


if __name__ == "__main__":
    for name, (headers, inventories) in shares().items():
        print(f"{name:8}{headers:7.1%} of headers right, {inventories:.1%} weighted by inventories")  # noqa: T201
    print(f"units named that the header does not: {wrong_units()}")  # noqa: T201
    print("not right:", [(role, header) for role, header, _ in rows() if not right(role, header)])  # noqa: T201
