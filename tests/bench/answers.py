"""What a peer answers, and whether it is what we found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import pyarrow.parquet as pq
import pyproj

__all__ = ["Answer", "compare", "point_scale"]

FLOAT32_M = 2e-5  # our file keeps 32 bits: half a unit in the last place at 200 m is 8e-6 m


@dataclass(frozen=True, slots=True)
class Answer:
    """Trees with a feature in reach, and how far it is as the crow flies on the grid."""

    seconds: float
    tree: np.ndarray
    away_m: np.ndarray
    loading_s: float = 0.0
    note: str = ""


def point_scale(trees: Path) -> np.ndarray:
    """Grid metres to a metre on the ground at each tree: ours are ground distances, those of the peers are not."""
    points = geopandas.read_parquet(trees)
    there = points.geometry.to_crs(4326)
    return pyproj.Proj(points.crs).get_factors(there.x.to_numpy(), there.y.to_numpy()).meridional_scale


def compare(answer: Answer, ours: Path, role: str, reach_m: float, scale: np.ndarray) -> tuple[int, float]:
    """Trees in reach and the largest difference in metres; speaks up where it is more than our file can hold."""
    mine = pq.read_table(ours, columns=[f"distance_{role}_m"]).column(0).to_numpy()
    theirs = np.full(len(mine), np.inf)
    np.minimum.at(theirs, answer.tree, answer.away_m)
    theirs /= scale
    theirs[theirs > reach_m] = np.nan
    far_off = np.nan_to_num(theirs - mine)
    edge = (np.isnan(theirs) != np.isnan(mine)) & (np.abs(np.fmax(theirs, mine) - reach_m) > FLOAT32_M)
    if scale.max() > 1:  # they look less far than we do there
        edge &= ~(np.isnan(theirs) & (mine * scale >= reach_m))
    largest_m = float(np.abs(far_off).max(initial=0.0))
    if edge.any() or largest_m > FLOAT32_M:
        raise AssertionError(f"{role}: {edge.sum()} trees in reach of one alone, {largest_m:g} m apart")
    return int(np.isfinite(theirs).sum()), largest_m
