"""Species as people write them -> rows of species.csv."""

from __future__ import annotations

import difflib
import html
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

from riskmap import tables
from riskmap.model import Coded

__all__ = ["match_species", "read_species"]

# words that say how a name is built, or nothing of the kind of tree
NOT_NAMES: Final = frozenset(
    {"x", "sp", "spp", "ssp", "subsp", "subspecies", "species", "var", "variety", "f", "fa", "forma", "cv"}
    | {"cultivar", "hybrid", "hybrids", "tree", "trees"}
)
QUOTED: Final = re.compile(r"""(?<![^\W\d_])['"`´‘’“”]([^'"`´‘’“”]*)['"`´‘’“”]?""")
BRACKETED: Final = re.compile(r"[(\[{]([^)\]}]*)[)\]}]?")
TAG: Final = re.compile(r"<[^<>]{0,40}>")
CODE: Final = re.compile(r"([A-Za-z]{4,9}[0-9]?)(_[A-Za-z]+)?")  # what follows _ is a cultivar
LONGEST_TEXT: Final = 200
LONGEST_NAME: Final = 4  # words of a common name that are looked up together
LEAST_LIKE: Final = 0.86  # how like a genus a misspelt one must be
LEAST_LETTERS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Everything by which a taxon is found; names are lower case, without accents and spaces."""

    taxa: dict[tuple[str, ...], str]  # words of a scientific name
    common: dict[str, str]
    codes: dict[str, str]
    genera: tuple[str, ...]


@cache
def names_of(region: str) -> Names:
    """Gather the names that hold in a region."""
    taxa: dict[tuple[str, ...], str] = {}
    common: dict[str, str] = {}
    codes: dict[str, str] = {}
    for taxon, row in tables.species().items():
        taxa[tuple(_words(taxon))] = taxon
        for name in row.common.split(","):
            common.setdefault("".join(_words(name)), taxon)
    for spelling in sorted(tables.species_names(), key=lambda row: row.region != ""):  # a region's own meaning last
        if spelling.region not in ("", region):
            continue
        if spelling.kind == "code":
            codes[spelling.name] = spelling.taxon
        elif spelling.kind in ("synonym", "misspelling"):
            taxa[tuple(_words(spelling.name))] = spelling.taxon
        else:
            common["".join(_words(spelling.name))] = spelling.taxon
    genera = tuple(sorted({words[0] for words in taxa if len(words) == 1}))
    return Names(taxa=taxa, common=common, codes=codes, genera=genera)


def match_species(species: Coded, region: str = "north_america") -> tuple[str, ...]:
    """Return the taxon of each distinct name: genus and species where that is a row, else the genus; "" unmatched.

    Read are scientific names with cultivars, ranks and authors, common names in either order, names with a second
    name attached, and codes that species_names.csv lists.

    Parameters
    ----------
    species : Coded
        The species column.
    region : str
        Where one common name means two trees.

    Examples
    --------
    >>> names = ["Betula Populifolia", "Acer x freemanii 'Jeffersred'", "Maple, Red", "mountain ash", "ACPL", "Stump"]
    >>> match_species(Coded.of(names))
    ('Betula populifolia', 'Acer x freemanii', 'Acer rubrum', 'Sorbus', 'Acer platanoides', '')
    >>> match_species(Coded.of(["sycamore"])), match_species(Coded.of(["sycamore"]), "britain")
    (('Platanus occidentalis',), ('Acer pseudoplatanus',))
    """
    return tuple(taxon for taxon, _ in read_species(species, region))


def read_species(species: Coded, region: str) -> list[tuple[str, str]]:
    """Return the taxon of each distinct name, and how it was found: name, code, misspelt or ""."""
    names = names_of(region)
    return [_match(text, names) for text in species.values]


def _match(text: str, names: Names) -> tuple[str, str]:
    """Find the taxon of one text, and how."""
    text = TAG.sub(" ", html.unescape(text[:LONGEST_TEXT])).strip()
    code = CODE.fullmatch(text)
    if code:
        taxon = names.codes.get(text.upper()) or names.codes.get(code[1].upper())
        if taxon:
            return taxon, "code"
    bare = QUOTED.sub(" ", text)
    outside = BRACKETED.sub(" ", bare)
    readings = list(_readings(outside))
    for aside in (*BRACKETED.findall(bare), *QUOTED.findall(text)):
        readings += _readings(aside)
    if not readings:
        return "", ""
    first_word = names.taxa.get(tuple(readings[0][:1]), "")
    taxon = next((found for words in readings if (found := _scientific(words, names))), first_word)
    for find in (_common, _genus_or_noun):
        for words in readings:
            taxon = taxon or find(words, names)
    if taxon:
        return taxon, "name"
    taxon = _misspelt(readings[0], names)
    return taxon, "misspelt" if taxon else ""


def _readings(text: str) -> Iterator[list[str]]:
    """The words of a text in the order written, and turned round at its commas, dashes and slashes."""
    words = _words(text)
    if words:
        yield words
    parts = [_words(part) for part in re.split(r"[,;:/]|\s[-–—]+\s|_", text)]
    turned = [word for part in reversed(parts) for word in part]
    if turned and turned != words:
        yield turned
    if len(words) == 2:
        yield words[::-1]


def _words(text: str) -> list[str]:
    """Words in lower case, without accents, ranks and signs."""
    plain = unicodedata.normalize("NFKD", text.replace("'", "").replace("’", ""))
    plain = "".join(mark for mark in plain if not unicodedata.combining(mark)).lower()
    return [word for word in re.findall(r"[a-z]+", plain) if word not in NOT_NAMES]


def _scientific(words: Sequence[str], names: Names) -> str:
    """Genus and species anywhere."""
    for start in range(len(words)):
        for length in (3, 2):
            taxon = names.taxa.get(tuple(words[start : start + length]))
            if taxon and len(words) >= start + length:
                return taxon
    return ""


def _common(words: Sequence[str], names: Names) -> str:
    """The longest common name of two words or more."""
    for length in range(min(LONGEST_NAME, len(words)), 1, -1):
        for start in range(len(words) - length, -1, -1):
            taxon = _by_common_name("".join(words[start : start + length]), names)
            if taxon:
                return taxon
    return ""


def _genus_or_noun(words: Sequence[str], names: Names) -> str:
    """The last word that is a common name (English puts the noun last), else any word that is a genus."""
    for word in reversed(words):
        taxon = _by_common_name(word, names)
        if taxon:
            return taxon
    return next((names.taxa[(word,)] for word in words if (word,) in names.taxa), "")


def _by_common_name(joined: str, names: Names) -> str:
    """Look up a common name, singular or plural."""
    for ending, singular in (("", ""), ("s", ""), ("es", ""), ("ies", "y")):
        if joined.endswith(ending):
            taxon = names.common.get(joined.removesuffix(ending) + singular)
            if taxon:
                return taxon
    return ""


def _misspelt(words: Sequence[str], names: Names) -> str:
    """The taxon whose genus the first word is nearly written like."""
    if len(words[0]) < LEAST_LETTERS:
        return ""
    likely = difflib.get_close_matches(words[0], names.genera, n=1, cutoff=LEAST_LIKE)
    if not likely:
        return ""
    return _scientific([likely[0], *words[1:]], names) or names.taxa[(likely[0],)]
