"""Where there are too many trees for one page: those under most pressure, and hexagons of all the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from riskmap.deliver.html_map.encode import Payload, mercator, unturned
from riskmap.deliver.html_map.ground import Frame
from riskmap.model import FloatArray, IntArray, Result

__all__ = ["MOST_TREES", "WORST_TREES", "Lookout", "Overview", "add_overview", "pick_trees"]

MOST_TREES: Final = 2_000_000  # past this a page is too big to send or to open
WORST_TREES: Final = 100_000
HEXAGONS_ACROSS: Final = 36
NEEDS: Final = frozenset({"fit", "swap", "loosen", "remove", "look"})


def pick_trees(result: Result, *, most: int) -> IntArray:
    """Return so many trees, in file order: those with the highest expected loss, then the highest pressure."""
    loss, pressure = (
        np.nan_to_num(column, nan=-1.0) for column in (result.pressure.loss_any, result.pressure.pressure_any)
    )
    rank = np.lexsort((result.site.trees.table.row, -pressure, -loss, ~result.site.trees.placed))
    return np.sort(rank[:most])


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookout:
    """How all the trees are looked at from above; told from the whole site, before it is cut into parts.

    Attributes
    ----------
    wide_m : float
        Width of one hexagon, in metres of the drawn map.
    turned : bool
        Whether longitudes run on past 180.
    bounds : list
        South, west and north, east of the body of the trees. [degrees]
    """

    wide_m: float
    turned: bool
    bounds: list[list[float]]

    @classmethod
    def of(cls, lon: FloatArray, lat: FloatArray) -> Lookout:
        """Look at trees; those without a place have no degrees."""
        here = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
        east, turned = unturned(lon)
        low_x, high_x = np.quantile(east[here], (0.005, 0.995)) if len(here) else (0.0, 0.0)
        low_y, high_y = np.quantile(lat[here], (0.005, 0.995)) if len(here) else (0.0, 0.0)
        edges_m, _ = mercator(np.array([low_x, high_x]), np.zeros(2))
        return cls(
            wide_m=max(float(edges_m[1] - edges_m[0]) / HEXAGONS_ACROSS, 1.0),
            turned=turned,
            bounds=[[float(low_y), float(low_x)], [float(high_y), float(high_x)]],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """Trees gathered in hexagons: how many stand in each, and how many of them need something done."""

    look: Lookout
    count: Mapping[tuple[int, int], tuple[int, int]]  # row and column of the hexagon -> trees, those with need

    @classmethod
    def of(cls, result: Result, look: Lookout) -> Overview:
        """Gather the trees of a run, or of a part of one."""
        placed = np.flatnonzero(result.site.trees.placed)
        lon = result.site.trees.lon[placed]
        x_m, y_m = mercator(np.where(lon < 0, lon + 360.0, lon) if look.turned else lon, result.site.trees.lat[placed])
        column, row = hexagon_of(x_m / look.wide_m, y_m / look.wide_m)
        words = result.choices.action.values
        needs = np.array([word in NEEDS for word in (*words, "")], dtype=np.int64)[result.choices.action.codes[placed]]
        cells, place = np.unique(np.column_stack([row, column]), axis=0, return_inverse=True)
        trees = np.bincount(place.reshape(-1), minlength=len(cells))
        hot = np.bincount(place.reshape(-1), weights=needs, minlength=len(cells)).astype(np.int64)
        both = zip(map(tuple, cells.tolist()), zip(trees.tolist(), hot.tolist(), strict=True), strict=True)
        return cls(look=look, count=dict(both))

    @classmethod
    def together(cls, overviews: Sequence[Overview]) -> Overview:
        """Return at least one overview as one."""
        count: dict[tuple[int, int], tuple[int, int]] = {}
        for cell, (trees, hot) in (item for overview in overviews for item in overview.count.items()):
            had = count.get(cell, (0, 0))
            count[cell] = had[0] + trees, had[1] + hot
        return cls(look=overviews[0].look, count=count)


def add_overview(payload: Payload, overview: Overview, frame: Frame) -> dict[str, Any]:
    """Append hexagons over all placed trees: middle, number of trees, number that need something done."""
    cells = np.array(sorted(overview.count), dtype=np.int64).reshape(-1, 2)
    count, hot = np.array([overview.count[cell] for cell in sorted(overview.count)], dtype=np.int64).reshape(-1, 2).T
    wide = overview.look.wide_m
    middle_x = (cells[:, 1] + (cells[:, 0] % 2) / 2) * wide
    middle_y = cells[:, 0] * wide * np.sqrt(3) / 2
    payload.add_numbers("overview:n", count)
    payload.add_numbers("overview:hot", hot)
    steps = np.rint(np.column_stack([middle_x - frame.origin_x, frame.origin_y - middle_y]) / frame.step)
    for name, axis in zip(("overview:x", "overview:y"), steps.astype(np.int64).T, strict=True):
        payload.add_numbers(name, ((axis << 1) ^ (axis >> 63)).astype(np.uint32))
    return {"wide": wide / frame.step, "trees": int(count.sum())}


def hexagon_of(x: FloatArray, y: FloatArray) -> tuple[IntArray, IntArray]:
    """Return column and row of the hexagon, one wide and pointed at the top, that each place lies in.

    Examples
    --------
    >>> [part.tolist() for part in hexagon_of(np.array([0.1, 0.6]), np.array([0.1, 0.9]))]
    [[0, 0], [0, 1]]
    """
    high = np.sqrt(3) / 2
    nearest = np.rint(y / high).astype(np.int64)
    best = np.full(len(x), np.inf)
    column, row = np.zeros_like(nearest), np.zeros_like(nearest)
    for other in (nearest, nearest - 1, nearest + 1):  # near the slanted sides a neighbouring row may be nearer
        there = np.rint(x - (other % 2) / 2).astype(np.int64)
        far = (x - there - (other % 2) / 2) ** 2 + (y - other * high) ** 2
        nearer = far < best
        column, row, best = np.where(nearer, there, column), np.where(nearer, other, row), np.where(nearer, far, best)
    return column, row
