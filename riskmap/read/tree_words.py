"""What inventories call the form of a tree and the ground that it stands in."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from riskmap.errors import shown
from riskmap.model import Coded

__all__ = ["WORDS", "plain_word", "strange_words"]

MOST_NAMED: Final = 8  # words in a note
# Common practice, no source. What a word leaves open (a median, verge or parkway is mown here and paved there) is not
# among them: it stays missing, and is named.
_MEANINGS: Final[Mapping[str, Mapping[str, str]]] = {
    "form": {
        "whip": "whip, maiden, seedling, liner, bare root whip",
        "feathered": "feathered",
        "standard": "standard, half standard, tree form, single stem",
        "multi_stem": "multi stem, multistem, multi stemmed, clump",
        "shrub": "shrub, bush, shrubby",
        "conifer": "conifer",
    },
    "surface": {
        "turf": "turf, lawn, grass, sod, turf grass, turfgrass, lawn turf, turf lawn, mown, mowed, mown grass, "
        "mowed grass, mown turf, mowed turf, mown lawn, short grass, tree lawn, treelawn, grass strip, grass verge, "
        "grassed verge",
        "rough_grass": "rough grass, meadow, long grass, tall grass, unmown, unmowed, unmown grass, unmowed grass, "
        "uncut grass, prairie, old field",
        "mulch": "mulch, mulched, mulch ring, mulched ring, mulch circle, wood chip, woodchip, wood chips, woodchips, "
        "wood chip mulch, bark, bark mulch",
        "bed": "bed, planting bed, planted bed, shrub bed, shrub border, flower bed, flowerbed, garden, garden bed, "
        "landscape bed, landscaped bed",
        "pit": "pit, tree pit, open pit, paved pit, street pit, sidewalk pit, pavement pit, pit with grate, "
        "grated pit, grate, tree grate, grille, tree grille, well, tree well, sidewalk well, tree square, "
        "tree opening, sidewalk opening, pavement opening, cutout, cut out, tree cutout, tree cut out, "
        "sidewalk cutout, sidewalk cut out, pavement cutout, pavement cut out, concrete cutout, concrete cut out, "
        "paved, paving, pavers, hard surface, hardscape, concrete, asphalt",
        "planter": "planter, container, pot, tub, raised planter, planter box, concrete planter",
    },
}
WORDS: Final[Mapping[str, Mapping[str, str]]] = {
    column: {word: meaning for meaning, words in meanings.items() for word in words.split(", ")}
    for column, meanings in _MEANINGS.items()
}


def plain_word(word: str) -> str:
    """Return a cell in small letters as `WORDS` holds it: without hyphens, slashes and double spaces.

    Examples
    --------
    >>> plain_word(" sidewalk  cut-out"), plain_word("multi_stem"), plain_word("turf/lawn")
    ('sidewalk cut out', 'multi stem', 'turf lawn')
    """
    return re.sub(r"[\s_/,–-]+", " ", word).strip()


def strange_words(words: Coded, meant: Sequence[str | None], *, before: str = "") -> str:
    """Return the words that mean nothing to us, the most frequent first, each with how many cells say it.

    Examples
    --------
    >>> strange_words(Coded.of(["median", "turf", "verge", "verge"]), [None, "turf", None])
    "'verge' (2), 'median' (1)"
    """
    counts = np.bincount(words.codes[words.codes >= 0], minlength=len(words.values))
    strange = [at for at in np.argsort(-counts, kind="stable").tolist() if counts[at] and meant[at] is None]
    named = [f"'{shown(words.values[at])}' ({counts[at]:,})" for at in strange[:MOST_NAMED]]
    return before + ", ".join([*named, *(["…"] if len(strange) > MOST_NAMED else [])]) if named else ""
