"""S: how each species, or its bark, answers to each agent; and Z: what the stem's size and age leave of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from riskmap import tables
from riskmap.model import BoolArray, Coded, FloatArray, Local, Species
from riskmap.rules import Figures, deer_reach_m
from riskmap.score.stems import Sizes

__all__ = [
    "CROWN_FORMS",
    "SPECIES_AGENTS",
    "Browse",
    "Kinds",
    "browse_reach_m",
    "find_kinds",
    "sensitivity_of",
    "size_factor",
]

SPECIES_AGENTS = {
    "beaver": "beaver",
    "deer_browse": "deer_browse",
    "antler_rub": "antler_rub",
    "rabbit": "rabbit",
    "hare": "rabbit",
    "vole": "vole",
}
BARK_CLASS = {"thin": "high", "smooth": "medium", "rough": "low", "corky": "low"}
CROWN_FORMS = ("conifer", "shrub", "feathered")  # browsed as long as part of the crown is within reach


@dataclass(frozen=True, slots=True, kw_only=True)
class Browse:
    """What deer meet at each tree; shape (tree,)."""

    reach_m: FloatArray  # how high they browse there
    crown: BoolArray  # browsed by the share of the crown within reach
    crown_base_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """What each tree is by species: codes into taxa, and one fact per taxon (the last: not known)."""

    taxon: Coded
    rows: tuple[Species | None, ...]  # one per value of taxon, then None

    def per_tree(self, facts: list[float]) -> FloatArray:
        """Look up one number per taxon for every tree."""
        found: FloatArray = np.asarray(facts, dtype=np.float64)[self.taxon.codes]
        return found

    def words(self, field: str) -> Coded:
        """Return a text fact of the species rows as a coded column."""
        words = [getattr(row, field) if row else None for row in self.rows]
        return _recode(self.taxon, words[:-1])


def find_kinds(species: Coded, taxa: tuple[str, ...]) -> Kinds:
    """Turn the species column and the taxon of each of its values into codes of taxa."""
    taxon = _recode(species, [taxon or None for taxon in taxa])
    return Kinds(taxon=taxon, rows=(*(tables.species()[name] for name in taxon.values), None))


def _recode(column: Coded, words: list[str | None]) -> Coded:
    """The column with each value replaced by a word, equal words sharing a code."""
    found = Coded.of(words)
    return Coded(codes=np.append(found.codes, -1)[column.codes], values=found.values)


def sensitivity_of(agent: str, kinds: Kinds, figures: Figures, *, european: bool) -> FloatArray:
    """Return S of one agent for every tree.

    Parameters
    ----------
    agent : str
        Key of the agent.
    kinds : Kinds
        Species of the trees.
    figures : mapping
        Figures of the agent.
    european : bool
        Whether deer are those of Britain and Europe, or elk or moose.
    """
    if agent == "road_salt":
        evergreen = [figures["evergreen"] if row and row.leaf == "conifer" else 1.0 for row in kinds.rows]
        return kinds.per_tree(evergreen)
    return kinds.per_tree([figures[f"s_{_class_of(agent, row, european) or 'medium'}"] for row in kinds.rows])


def _class_of(agent: str, row: Species | None, european: bool) -> str:
    """Class of one species for one agent; "" where there is no basis."""
    if row is None:
        return ""
    if agent not in SPECIES_AGENTS:
        return BARK_CLASS[row.bark]
    if agent == "deer_browse" and european and row.deer_browse_europe:
        return row.deer_browse_europe
    found: str = getattr(row, SPECIES_AGENTS[agent])
    return found


def size_factor(agent: str, sizes: Sizes, kinds: Kinds, browse: Browse, figures: Mapping[str, Figures]) -> FloatArray:
    """Return Z of one agent for every tree: 0 where size, height, age or bark has ended it.

    Which parts apply follows from the agent's figures: safe_caliper fades it out, age_half makes it fall with age,
    d0 and log_sd make it prefer a size. Deer browse goes by height.
    """
    ours, stem = figures[agent], figures["stem"]
    factor = np.ones(len(sizes.caliper_mm))
    if "safe_caliper_mm" in ours:
        factor = fade(sizes.caliper_mm, ours["safe_caliper_mm"], stem["fade_from"])
    if "d0_mm" in ours:
        factor = factor * prefer_size(
            sizes.caliper_mm, ours["d0_mm"], ours["log_sd"], both_sides=tables.agents()[agent].kind == "rub"
        )
    if "age_half_years" in ours:
        by_age = 1.0 / (1.0 + np.exp((sizes.age_years - ours["age_half_years"]) / ours["age_scale_years"]))
        factor = factor * np.where(by_age < stem["age_end"], 0.0, by_age)
    if agent == "spray_drift":
        rough = [
            1.0 if row and row.leaf == "broadleaf" and BARK_CLASS[row.bark] == "low" else 0.0 for row in kinds.rows
        ]
        factor = np.where(kinds.per_tree(rough) > 0, 0.0, factor)
    if agent == "deer_browse":
        factor = browse_factor(sizes.height_m, browse, fade_from=stem["fade_from"], crown_end=ours["crown_end"])
    return factor


def fade(size: FloatArray, safe: FloatArray | float, fade_from: float) -> FloatArray:
    """Fall from 1 at `fade_from` of the safe size to 0 at the safe size; 1 where the size is unknown.

    Examples
    --------
    >>> fade(np.array([64.0, 85.0, 100.0, np.nan]), 100.0, 0.7)
    array([1. , 0.5, 0. , 1. ])
    """
    left = np.clip((safe - size) / np.maximum(np.asarray(safe) * (1.0 - fade_from), 1e-9), 0.0, 1.0)
    return np.where(np.isnan(size), 1.0, left)


def prefer_size(caliper_mm: FloatArray, best_mm: float, log_sd: float, *, both_sides: bool) -> FloatArray:
    """Fall log-normally away from the preferred caliper: above it only, or on both sides; 1 where unknown.

    Examples
    --------
    >>> prefer_size(np.array([20.0, 45.0, 300.0]), 45.0, 0.75, both_sides=False).round(3)
    array([1.   , 1.   , 0.041])
    """
    off = np.log(caliper_mm / best_mm) / log_sd
    if not both_sides:
        off = np.maximum(off, 0.0)
    return np.where(np.isnan(caliper_mm), 1.0, np.exp(-0.5 * off**2))


def browse_factor(height_m: FloatArray, browse: Browse, *, fade_from: float, crown_end: float) -> FloatArray:
    """Return the share of browsing that height leaves; unknown heights are within reach.

    A leader above the reach ends it. Conifers, shrubs and feathered trees are browsed by the share of their crown
    below the reach instead, until no more than `crown_end` is left.
    """
    by_leader = fade(height_m, browse.reach_m, fade_from)
    depth_m = np.maximum(height_m - browse.crown_base_m, 0.1)
    share = np.clip((browse.reach_m - browse.crown_base_m) / depth_m, 0.0, 1.0)
    by_crown = np.where(np.isnan(height_m), 1.0, np.where(share <= crown_end, 0.0, share))
    return np.where(browse.crown, by_crown, by_leader)


def browse_reach_m(local: Local, region: str, snow_m: FloatArray, figures: Figures) -> FloatArray:
    """How high deer browse at each tree: from bare ground, and part of the lasting snow."""
    return deer_reach_m(local, region, figures) + figures["reach_snow"] * snow_m
