"""What scoring says beside its numbers: why not, remarks, notes, what was assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa

from riskmap import tables
from riskmap.errors import shown
from riskmap.model import Assumption, BoolArray, Exposure, Site
from riskmap.rules import CLEARED_BY, Figures
from riskmap.score.around import lines_of_unknown_width
from riskmap.score.sensitivity import Kinds
from riskmap.score.stems import Sizes

__all__ = [
    "classes_missing",
    "crowns_taken",
    "ground_taken",
    "odd_names",
    "remarks_of",
    "why_not_scored",
]

NAMES_LISTED = 20
WHY_NOT = ("left out by keep/drop", "no place", "no caliper, height or planting year: look", "no role surveyed here")


def why_not_scored(site: Site, sizes: Sizes, unscored: BoolArray) -> pa.Array:
    """Return why no agent could be scored, null where some was; the first reason that holds."""
    reasons = (~site.inputs.trees.kept, ~site.trees.placed, ~(sizes.known | sizes.young))
    codes = np.select(reasons, range(len(reasons)), default=len(reasons))
    indices = pa.array(codes, mask=~unscored, type=pa.int32())
    return pa.DictionaryArray.from_arrays(indices, pa.array(WHY_NOT)).cast(pa.string())


def remarks_of(
    site: Site, sizes: Sizes, kinds: Kinds, exposures: Mapping[str, Exposure], found: Mapping[str, BoolArray]
) -> dict[str, BoolArray]:
    """Return per-tree remarks by code, those that hold for some tree."""
    table = site.inputs.trees
    paved = exposures.get("driveway")
    remarks = {
        "no_size": ~sizes.known & ~sizes.young,
        "taken_as_young": sizes.young,
        "caliper_taken": sizes.caliper_taken,
        "diameter_zero": table.stem_mm == 0,
        "species_unknown": (kinds.taxon.codes < 0) & (len(table.species.values) > 0),
        **found,
    }
    if paved is not None:
        remarks["inside_driveway"] = paved.inside & ~np.full(site.trees.n, paved.everywhere)
    return {code: trees & table.kept for code, trees in remarks.items() if (trees & table.kept).any()}


def ground_taken(site: Site, agents: Sequence[str], figures: Mapping[str, Figures]) -> list[Assumption]:
    """Return what the score took of the ground because nobody said: widths of lines, and who clears the snow."""
    said = []
    for layer in site.layers:
        role, key = layer.role, f"layers[{layer.number}]"
        scored = [agent for agent in agents if role in tables.agents()[agent].roles and len(layer.geometry)]
        halves = [figures[agent].get(f"half_width_{role}_m", 0.0) for agent in scored]
        if any(halves) and lines_of_unknown_width(layer).any():
            taken = f"{role} lines of unknown width {2 * max(halves):g} m wide, in the score only"
            said.append(Assumption(topic=f"{key}.width_m", taken=taken, why="judgement", key="layers.width_m"))
        if "snow_throw" in scored and not layer.data.source.cleared_by:
            tool = CLEARED_BY[role]
            throw_m = figures["snow_throw"][f"throw_{tool}_m"]
            taken = f"snow on {role} cleared by {tool.replace('_', ' ')}, thrown {throw_m:g} m"
            said.append(Assumption(topic=f"{key}.cleared_by", taken=taken, why="usual", key="layers.cleared_by"))
    return said


def crowns_taken(lifted: BoolArray, clear_m: float) -> list[Assumption]:
    """Return where the crowns of standards were taken to begin, though deer browse them by the crown."""
    count = int(np.count_nonzero(lifted))
    if not count:
        return []
    taken = f"{clear_m:g} m of clear stem on conifer standards whose lowest branch is not known, {count:,} in all"
    return [Assumption(topic="sizes.crown", taken=taken, why="judgement", key="trees.columns.lowest_branch")]


def classes_missing(site: Site) -> list[Assumption]:
    """Return what was taken of a raster of habitat that does not say which of its values are habitat."""
    return [
        Assumption(
            topic=f"rasters.{raster.name}.habitat",
            taken="none of its cells as deer cover, since nobody said which of its values are: habitat = [1], or so",
            why="nobody said otherwise",
            key="rasters.habitat",
        )
        for raster in site.inputs.settings.rasters
        if raster.name == "deer_habitat" and not raster.habitat
    ]


def odd_names(site: Site, species: Sequence[tuple[str, str]]) -> list[Assumption]:
    """Return which names were read as codes or as slips of the pen."""
    said = []
    for how, words in (("code", "codes read as"), ("misspelt", "misspelt names read as")):
        read = [
            f"'{shown(text)}' {taxon}"
            for text, (taxon, found) in zip(site.inputs.trees.species.values, species, strict=True)
            if found == how
        ]
        if read:
            more = f" and {len(read) - NAMES_LISTED} more" if len(read) > NAMES_LISTED else ""
            said.append(
                Assumption(
                    topic=f"species.{how}",
                    taken=f"{words} {', '.join(sorted(read)[:NAMES_LISTED])}{more}",
                    why="species_names.csv" if how == "code" else "nearest genus",
                    key="trees.columns.species",
                )
            )
    return said
