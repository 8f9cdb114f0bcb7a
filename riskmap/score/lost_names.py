"""Names of species that no row matches; what is lost among some trees adds up with what is lost among others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from riskmap.errors import shown
from riskmap.model import Note, Settings, TreeTable
from riskmap.score.sensitivity import Kinds, find_kinds
from riskmap.score.species import read_species

__all__ = ["LostNames"]

NAMES_LISTED = 20
TREES_NAMED = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class LostNames:
    """Names of species that no row matches: how many trees bear each, and the first trees that do."""

    counts: Mapping[str, int]
    first: tuple[tuple[int, str], ...]  # row and tree id

    @classmethod
    def among(cls, table: TreeTable, settings: Settings) -> LostNames:
        """Look through some trees."""
        species = read_species(table.species, settings.region)
        return cls.of(table, find_kinds(table.species, tuple(taxon for taxon, _ in species)))

    @classmethod
    def of(cls, table: TreeTable, kinds: Kinds) -> LostNames:
        """Look through trees whose kinds are found."""
        lost = (kinds.taxon.codes < 0) & (table.species.codes >= 0) & table.kept
        times = np.bincount(table.species.codes[lost], minlength=len(table.species.values))
        first = [
            (int(table.row[at]), table.tree_id[int(at)].as_py() or "") for at in np.flatnonzero(lost)[:TREES_NAMED]
        ]
        counts = {table.species.values[code]: int(times[code]) for code in np.flatnonzero(times)}
        return cls(counts=counts, first=tuple(first))

    def __add__(self, other: LostNames) -> LostNames:
        """Names lost among these trees and among others that stand behind them in the file."""
        counts = Counter(self.counts) + Counter(other.counts)
        return LostNames(counts=counts, first=(*self.first, *other.first)[:TREES_NAMED])

    def notes(self, settings: Settings) -> tuple[Note, ...]:
        """Return one note for all of them; their trees are scored as medium."""
        if not self.counts:
            return ()
        order = sorted(self.counts, key=lambda name: (-self.counts[name], name))
        names = [f"'{shown(name)}' ({self.counts[name]})" for name in order[:NAMES_LISTED]]
        more = f" and {len(order) - NAMES_LISTED} more" if len(order) > NAMES_LISTED else ""
        known_as = "1 name of a species is" if len(order) == 1 else f"{len(order)} names of species are"
        return (
            Note(
                code="species_unknown",
                file=settings.trees.file,
                column=settings.trees.columns.get("species", ""),
                what=f"{known_as} not known: {', '.join(names)}{more}; their trees count as medium",
                remedy="write a genus or a common name, such as Quercus or red oak",
                count=sum(self.counts.values()),
                rows=tuple(row for row, _ in self.first),
                tree_ids=tuple(tree_id for _, tree_id in self.first),
            ),
        )
