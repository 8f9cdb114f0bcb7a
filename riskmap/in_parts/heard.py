"""What was said of a site before its parts were worked on, kept apart until the parts tell of the ground they read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from riskmap.in_parts.ground import Came, came_upon
from riskmap.in_parts.plan import Plan
from riskmap.in_parts.words import join_notes
from riskmap.in_parts.workshop import Workshop
from riskmap.model import Note, Settings, Site
from riskmap.project import already_said, notes_of_moving
from riskmap.read import Ground, TreesRead, tell_parts

__all__ = ["Heard", "told_site"]

Notes = tuple[Note, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What reading, checking and projecting said.

    Attributes
    ----------
    ground : Ground
        How layers, rasters and lists were read; without what they hold.
    trees : TreesRead
        How the trees were read; without them.
    checked : tuple
        What checking said of the ids of all trees, and of each part.
    brought : tuple of Note
        What was said of the ground on its way into the working CRS.
    placed : tuple
        What was said of each part's trees on theirs.
    last : tuple of Note
        What was said of all trees at the end.
    """

    ground: Ground
    trees: TreesRead
    checked: tuple[Notes, ...]
    brought: Notes
    placed: tuple[Notes, ...]
    last: Notes

    @classmethod
    def of(
        cls, ground: Ground, trees: TreesRead, *, checked: Sequence[Sequence[Note]], brought: Sequence[Note],
        placed: Sequence[Sequence[Note]], last: Sequence[Note],
    ) -> Heard:  # fmt: skip
        """Keep what was said, and no shapes."""
        bare = replace(
            ground,
            layers=tuple(replace(reading, layer=None, seen=None) for reading in ground.layers),
            rasters=tuple(replace(reading, raster=None) for reading in ground.rasters),
            pictures=tuple(replace(reading, raster=None) for reading in ground.pictures),
        )
        return cls(
            ground=bare, trees=trees, checked=tuple(map(tuple, checked)), brought=tuple(brought),
            placed=tuple(map(tuple, placed)), last=tuple(last),
        )  # fmt: skip


def told_site(plan: Plan, shop: Workshop) -> Site:
    """Return the whole site with all that was said of it, in the order of a run at once.

    Parameters
    ----------
    plan : Plan
        Of a run whose parts are all done.
    shop : Workshop
        Holds what each part came upon in the layers that it read itself.
    """
    site, heard = plan.site, plan.heard
    if heard is None:
        return site
    came = came_upon(shop, plan.parts)
    readings = [
        tell_parts(reading, source, [one.seen for one in came[source.number]]) if source.number in came else reading
        for reading, source in zip(heard.ground.layers, site.inputs.settings.layers, strict=True)
    ]
    read = replace(heard.ground, layers=tuple(readings)).with_trees(heard.trees)
    moved = [note for note in _moved(came, site.inputs.settings) if not already_said(note, read.notes)]
    notes = join_notes([_by_layer([*heard.brought, *moved], site.inputs.settings), *heard.placed])
    inputs = replace(
        site.inputs,
        notes=tuple(join_notes([read.notes, *heard.checked])),
        repaired=read.repaired,
        read_as=read.read_as,
    )
    return replace(site, inputs=inputs, notes=(*notes, *heard.last))


def _moved(came: dict[int, list[Came]], settings: Settings) -> list[Note]:
    """What is to be said of features that did not come into the working CRS as they were."""
    notes = []
    for source in settings.layers:
        parts = came.get(source.number, [])
        lost, mended = ({n for part in parts for n in getattr(part, what)} for what in ("lost", "mended"))
        notes += notes_of_moving(source, sorted(lost), sorted(mended))
    return notes


def _by_layer(notes: list[Note], settings: Settings) -> list[Note]:
    """Notes of datum steps first, then those of each layer in the order of site.toml."""
    number = {(source.file, source.layer or source.role): source.number for source in reversed(settings.layers)}
    return sorted(
        notes, key=lambda note: -1 if note.code == "datum_step" else number.get((note.file, note.layer), len(number))
    )
