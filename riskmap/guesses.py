"""What files tell of a site without saying it: roles by name, the region, units people read, rows that are no trees."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pyarrow as pa

from riskmap.errors import shown
from riskmap.read.headers import words_of
from riskmap.read.trees import TreesRead

__all__ = ["MOST_KINDS", "REGIONS", "NoTrees", "guess_raster", "guess_region", "guess_role", "no_trees", "read_in_feet"]

MOST_KINDS: Final = 12  # a column of more different words is no kind of tree or site
_ROLES: Final[tuple[tuple[str, str], ...]] = (
    ("water", r"water(?!ing)|river|stream|creek|brook|pond|lake|hydro|ditch|canal|flowline"),
    ("study_area", r"study|survey|boundary|extent|outline|limits|aoi"),
    ("planting_area", r"planting|plantable"),
    ("driveway", r"drive|walk|footpath|footway|path|trail|pavement|paving|patio"),
    ("rough_grass", r"rough|meadow|unmown|prairie|old field|tall grass|thatch"),
    ("lawn", r"lawn|turf|mown|grass|\bparks?\b|open space|sport|cemeter|golf|playing"),
    ("road", r"road|street|highway|carriageway|lane|cent(?:er|re) ?lines?"),
    ("rabbit_cover", r"rabbit|hedge|bramble|scrub|shrub|brush|thicket|cover"),
    ("deer_habitat", r"deer|wood|forest|vegetation|canopy|habitat"),
    ("spray_area", r"spray|crop|field|orchard|vineyard|farm|arable"),
    ("barrier", r"fence|wall|barrier"),
)
_RASTERS: Final[tuple[tuple[str, str], ...]] = (
    ("snow_depth", r"snow"),
    ("elevation", r"elev|dem\b|dtm|dsm|terrain|height|relief"),
    ("deer_habitat", r"deer|habitat"),
    ("land_cover", r"cover|lulc|land ?use|worldcover|nlcd|class"),
)
_KIND_HEADERS: Final = re.compile(
    r"(site|tree|feature|asset)?_?\s?(type|status|kind|state)|space_?status|active|vacant", re.I
)
_NO_TREE: Final = re.compile(  # a cell that is these words and no more; a note on a dead branch is none
    r"(dead|stump|vacant|removed?|retired|empty|gone|no tree|planting (site|space))"
    r"([\s/,:()-]+(tree|stump|vacant|removed?|site|space|well|pit|planting|small|medium|large)\b)*[\s)]*",
    re.I,
)
_TREE: Final = re.compile(r"((street|park|live|living|existing|standing) )?trees?|alive|living|live", re.I)
_FEET: Final = re.compile(r"\d\s*(\"|''?|in\b|inch|ft\b|feet|foot)", re.I)
_LOOKED_AT: Final = 200  # cells of a column
REGIONS: Final = {  # west, south, east, north; the first that holds the trees
    "north_america": (-170.0, 15.0, -50.0, 84.0),
    "britain": (-10.7, 49.8, 1.8, 61.0),
    "europe": (-25.0, 34.0, 45.0, 72.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NoTrees:
    """A column that tells trees from what is none, and what a filter by it would say."""

    key: str  # "drop" or "keep"
    column: str
    words: list[str]  # of that filter
    kinds: Counter[str]  # all words of the column ("" for empty cells) and how many rows say each


def guess_role(words: str) -> str:
    """Return the role whose words occur in a name, "" where none do.

    Examples
    --------
    >>> guess_role("Mill_River"), guess_role("zone7")
    ('water', '')
    """
    return _first(words, _ROLES)


def guess_raster(words: str) -> str:
    """Return what a raster holds by its name, "" where its name does not tell."""
    return _first(words, _RASTERS)


def _first(words: str, patterns: Sequence[tuple[str, str]]) -> str:
    """The first meaning whose pattern occurs in a name, "" where none does."""
    plain = words_of(words)
    return next((meaning for meaning, pattern in patterns if re.search(pattern, plain)), "")


def read_in_feet(read: TreesRead, table: pa.Table) -> str:
    """Return why people here may read feet and inches (as rows were read from `table`), "" where nothing says so."""
    facts = read.read_as.facts
    units = set(facts.get("units", {}).values())
    if units:
        return "the trees are in inches and feet" if units <= {"in", "ft"} else ""
    for column in ("caliper", "height", "lowest_branch", "room"):
        cells = table.column(facts["columns"][column]).slice(0, _LOOKED_AT) if column in facts["columns"] else ()
        if any(_FEET.search(str(cell)) for cell in cells):
            return f"{shown(facts['columns'][column])} has cells in inches or feet"
    return ""


def guess_region(read: TreesRead) -> str:
    """Return the region in which the trees lie, "" where their coordinates don't tell."""
    trees = read.table
    known = np.isfinite(trees.x) & np.isfinite(trees.y)
    if trees.crs is None or not known.any():
        return ""
    if trees.crs.is_geographic:
        lon, lat = float(np.median(trees.x[known])), float(np.median(trees.y[known]))
    elif (area := trees.crs.area_of_use) is not None:
        lon, lat = (area.west + area.east) / 2, (area.south + area.north) / 2
    else:
        return ""
    boxes = REGIONS.items()
    return next((name for name, (w, s, e, n) in boxes if w <= lon <= e and s <= lat <= n), "")


def no_trees(table: pa.Table, skip: Collection[str] = ()) -> list[NoTrees]:
    """Return the columns that tell trees from stumps and empty sites, the columns of `skip` apart.

    Where cells say that there is no tree, rows are dropped by the column with the most such rows, one of very many
    words before others; the rest name what to keep, since several columns of ``drop`` must all hold. A column of status
    or kind with words for trees names those; a table without any such words is asked about by that column.
    """
    gone: list[NoTrees] = []
    trees: list[NoTrees] = []
    asked: list[NoTrees] = []
    for name in table.column_names:
        column = table.column(name)
        if name in skip or not pa.types.is_string(column.type):
            continue
        kinds: Counter[str] = Counter()
        said_by = column.value_counts()
        for word, rows in zip(*(said_by.field(part).to_pylist() for part in ("values", "counts")), strict=True):
            kinds[(word or "").strip()] += rows
        words = [kind for kind, _ in kinds.most_common() if _NO_TREE.fullmatch(kind)][:MOST_KINDS]
        said = len(kinds) - ("" in kinds)
        of_kinds = _KIND_HEADERS.fullmatch(name.strip()) is not None and 1 < said <= MOST_KINDS
        living = [kind for kind, _ in kinds.most_common() if _TREE.fullmatch(kind)]
        if of_kinds and living:
            trees.append(NoTrees(key="keep", column=name, words=_apart_from_case(living), kinds=kinds))
        elif words and len(words) < said:
            gone.append(NoTrees(key="drop", column=name, words=_apart_from_case(words), kinds=kinds))
        elif of_kinds:
            first = next(kind for kind, _ in kinds.most_common() if kind)
            asked.append(NoTrees(key="keep", column=name, words=[first], kinds=kinds))
    gone.sort(key=lambda found: (len(found.kinds) <= MOST_KINDS, -sum(found.kinds[word] for word in found.words)))
    others = [found for found in gone[1:] if len(found.kinds) <= MOST_KINDS]
    return [*gone[:1], *(_turned(found) for found in others), *trees] or asked[:1]


def _turned(found: NoTrees) -> NoTrees:
    """The same rows by what to keep, empty cells with them."""
    left = [kind for kind, _ in found.kinds.most_common() if not _NO_TREE.fullmatch(kind)]
    return replace(found, key="keep", words=_apart_from_case(sorted(left, key=lambda kind: not kind)))


def _apart_from_case(words: Sequence[str]) -> list[str]:
    """Words without those that differ in letter case only."""
    return list({word.casefold(): word for word in reversed(words)}.values())[::-1]
