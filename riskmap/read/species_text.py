"""The species text of each tree: one column, or genus, species and cultivar put together, else the common name."""

from __future__ import annotations

from collections.abc import Mapping

import pyarrow as pa
import pyarrow.compute as pc

from riskmap.model import Coded
from riskmap.read.headers import Header
from riskmap.read.rows import coded, texts_of

__all__ = ["species_texts"]


def species_texts(table: pa.Table, found: Mapping[str, Header]) -> tuple[Coded, tuple[str, ...]]:
    """Return species as given, and our names of the columns it was put together from.

    Parameters
    ----------
    table : pa.Table
        All columns of the file.
    found : mapping
        Our column -> header; one that the user named, or that says scientific name, holds whole names.

    Examples
    --------
    >>> header = {"genus": Header("genus", 0, "Genus", 0), "species": Header("species", 1, "Species", 1)}
    >>> table = pa.table({"Genus": ["Acer", "Acer"], "Species": ["rubrum", "Acer rubrum"]})
    >>> species, merged = species_texts(table, header)
    >>> species.texts(), merged
    (['Acer rubrum', 'Acer rubrum'], ('genus', 'species'))
    """
    whole = "species" in found and found["species"].rank <= 0 and not ("genus" in found and found["genus"].rank < 0)
    merged = ("species",) if whole else tuple(name for name in ("genus", "species", "cultivar") if name in found)
    if merged in (("cultivar",), ()):
        merged = ("common",) if "common" in found else ()
    if not merged:
        return Coded.missing(table.num_rows), ()
    parts = {name: _cells(table, found[name]) for name in {*merged, *(("common",) if "common" in found else ())}}
    text = parts.get("species", parts.get("genus", parts.get("common")))
    if "genus" in merged and "species" in merged:
        text = _after(parts["genus"], parts["species"])
    if "cultivar" in merged:
        text = _with_cultivar(text, parts["cultivar"])
    if "common" in parts:
        text = pc.if_else(pc.equal(text, ""), parts["common"], text)
    return coded(text), merged


def _cells(table: pa.Table, header: Header) -> pa.Array:
    """A column as trimmed text, "" where empty."""
    return pc.fill_null(pc.utf8_trim_whitespace(texts_of(table.column(header.index))), "")


def _after(genus: pa.Array, species: pa.Array) -> pa.Array:
    """Genus before the species, unless the species names it already."""
    pairs = pc.binary_join_element_wise(genus, species, "\x1f")
    coded_pairs = pc.dictionary_encode(pairs)
    joined = []
    for pair in coded_pairs.dictionary.to_pylist():
        first, _, second = pair.partition("\x1f")
        said = (
            not first or second.casefold().split(" ")[0] == first.casefold() or (" " in second and second[:1].isupper())
        )
        joined.append(second if said else f"{first} {second}".strip())
    return pa.array(joined, pa.string()).take(coded_pairs.indices)


def _with_cultivar(text: pa.Array, cultivar: pa.Array) -> pa.Array:
    """The cultivar in quotes behind the species, unless the species names it already."""
    pairs = pc.dictionary_encode(pc.binary_join_element_wise(text, cultivar, "\x1f"))
    joined = []
    for pair in pairs.dictionary.to_pylist():
        first, _, second = pair.partition("\x1f")
        said = not first or not second or second.strip("'\"").casefold() in first.casefold()
        joined.append(first if said else f"{first} '{second.strip(chr(39))}'")
    return pa.array(joined, pa.string()).take(pairs.indices)
