"""What the map is asked for and can't show: said before the work, not after it."""

from __future__ import annotations

from collections.abc import Iterator

from riskmap.draw.tiles import tiles_of
from riskmap.errors import Problem, shown
from riskmap.model import Coded, Inputs

__all__ = ["map_faults"]

MOST_LISTED = 20


def map_faults(inputs: Inputs) -> Iterator[Problem]:
    """Yield a fault for tiles that are no address, and for each filter that names no column of the trees."""
    wanted, file = inputs.settings.map, inputs.settings.file.name
    try:
        tiles_of(wanted.tiles, wanted.attribution)
    except ValueError as error:
        remedy = "write one such as https://tiles.example/{z}/{x}/{y}.png, or leave it out"
        yield Problem(file=file, what=str(error), remedy=remedy, key="map.tiles")
    own = inputs.trees.own.column_names
    if not own:  # none, or some trees that stand for all
        return
    taken = inputs.read_as[0].facts.get("columns", {}) if inputs.read_as else {}
    ours = [header for name, header in taken.items() if isinstance(getattr(inputs.trees, name, None), Coded)]
    known = list(dict.fromkeys([*own, *ours]))
    for name in wanted.filters:
        if name in known:
            continue
        what = f"there is no column '{shown(name)}' of the trees to filter by"
        if name in taken.values():
            what = f"column '{shown(name)}' holds places, ids or sizes, by which the map can't filter"
        more = f" and {len(known) - MOST_LISTED} more" if len(known) > MOST_LISTED else ""
        listed = ", ".join(shown(one) for one in known[:MOST_LISTED]) + more
        yield Problem(file=file, what=what, remedy=f"name some of these: {listed}", key="map.filters")
