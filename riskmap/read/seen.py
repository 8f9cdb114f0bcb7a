"""What reading a layer came upon, feature by feature: told at once, or joined with other readings and told then."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from riskmap.errors import shown
from riskmap.model import BoolArray, Coded, IntArray, Repair
from riskmap.model.part import join_rows, take_rows
from riskmap.read.sayings import MOST_LISTED, LayerSayings
from riskmap.read.streams import mixed_streams

__all__ = ["Seen", "join_seen", "tell_kinds", "tell_shapes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The features that were read of one layer; arrays have shape (feature,), in the order of the file.

    Attributes
    ----------
    name : str
        The layer's name in its file, "" where it has none.
    feature : ndarray of int
        Number of each in the file.
    kept, used : ndarray of bool
        Pass keep and drop; are in the layer now.
    bare, odd, unfit : ndarray of bool
        Have no shape; a width that is no length; a shape that can't hold a tree though the role is an area.
    odd_cell : object
        The first such width.
    kinds : mapping of str to Coded
        Columns that may tell kinds of water apart.
    repairs : tuple of Repair
        What was mended and left out.
    """

    name: str
    feature: IntArray
    kept: BoolArray
    used: BoolArray
    bare: BoolArray
    odd: BoolArray
    unfit: BoolArray
    odd_cell: Any = None
    kinds: Mapping[str, Coded]
    repairs: tuple[Repair, ...]


def join_seen(several: Iterable[Seen], in_file: int) -> Seen | None:
    """Return what several readings of one layer came upon, each feature once; None where there was no reading.

    Parameters
    ----------
    several : iterable of Seen
        A feature that stands in more than one of them says the same in each.
    in_file : int
        Features of the file.
    """
    known = np.zeros(in_file + 1, dtype=bool)
    fresh: list[Seen] = []
    for seen in several:
        new = ~known[seen.feature]
        repairs = tuple(repair for repair in seen.repairs if not known[repair.feature])
        known[seen.feature] = True
        some = take_rows(seen, np.flatnonzero(new), n=len(seen.feature))
        fresh.append(replace(some, repairs=repairs, odd_cell=seen.odd_cell))
    if not fresh:
        return None
    columns = [name for name in fresh[0].kinds if all(name in seen.kinds for seen in fresh)]
    alike = [replace(seen, kinds={name: seen.kinds[name] for name in columns}) for seen in fresh]
    joined = join_rows(alike, sizes=[len(seen.feature) for seen in alike])
    odd = [(int(seen.feature[seen.odd][0]), seen.odd_cell) for seen in fresh if seen.odd.any()]
    return replace(
        take_rows(joined, np.argsort(joined.feature), n=len(joined.feature)),
        repairs=tuple(repair for seen in fresh for repair in seen.repairs),
        odd_cell=min(odd, key=lambda pair: pair[0])[1] if odd else None,
    )


def tell_shapes(seen: Seen, say: LayerSayings) -> None:
    """Say which widths were not understood, which shapes are missing, and which were mended or left out."""
    if seen.odd.any():
        say.note(
            "cell_not_understood",
            f"{int(seen.odd.sum())} widths are no length in metres, such as {shown(seen.odd_cell)!r}; "
            "taken as not given",
            "write plain numbers of metres",
            features=seen.feature[seen.odd],
            column=str(say.source.width_m),
        )
    if seen.bare.any():
        count = int(seen.bare.sum())
        say.note(
            "geometry_empty",
            f"{count} {_features(count)} of role {say.source.role} without geometry (null or empty); left out",
            "draw them or take them out of the file",
            features=seen.feature[seen.bare],
        )
    say.repaired += sorted(seen.repairs, key=lambda repair: repair.feature)
    for what, code in (("repaired", "geometry_repaired"), ("dropped", "geometry_dropped")):
        these = [repair for repair in say.repaired if repair.what == what]
        if these:
            _say_repairs(these, what, code, say)


def _say_repairs(these: list[Repair], what: str, code: str, say: LayerSayings) -> None:
    """Note what was mended or left out, or refuse where the user wants no mending."""
    features = sorted({repair.feature for repair in these})
    count = len(features)
    causes = Counter(repair.why for repair in these).most_common(3)
    why = ", ".join(f"{n} x {cause}" if n > 1 else cause for cause, n in causes)
    if say.source.on_invalid == "error":
        first = ", ".join(str(number) for number in features[:MOST_LISTED])
        say.fault(
            f"{count} {_features(count)} with invalid geometry ({why}): feature {first}",
            'mend them, or set on_invalid = "repair"',
            "on_invalid",
        )
        return
    said = "repaired" if what == "repaired" else "left out"
    say.note(
        code,
        f"{count} {_features(count)} of role {say.source.role} with invalid geometry {said} ({why})",
        "look at them on the map, and mend them in the file",
        features=features,
    )


def tell_kinds(seen: Seen, say: LayerSayings, kinds_in_file: Callable[[str], set[str]] | None) -> None:
    """Note lines and points where the role is an area, and water that beavers don't come out of among the rest.

    Parameters
    ----------
    seen : Seen
        With features in use.
    say : LayerSayings
        Told of it.
    kinds_in_file : callable or None
        Returns what a column says anywhere in the file, where not all of it was read.
    """
    source = say.source
    if seen.unfit.any():
        say.note(
            "shapes_unfit",
            f"{int(seen.unfit.sum())} of {int(seen.used.sum())} features of role {source.role} are lines or points, "
            "so no tree can stand inside them",
            "name a layer of areas (polygons)",
            features=seen.feature[seen.unfit],
        )
    found = mixed_streams(seen.kinds, seen.feature, seen.used, kinds_in_file)
    if found is not None:
        say.note(
            "streams_mixed",
            f"water of several kinds is taken together: {found.counts}",
            f"choose with layers.keep, such as keep = {found.example}",
            features=found.features,
            column=found.column,
        )


def _features(count: int) -> str:
    """`feature` or `features`."""
    return "feature" if count == 1 else "features"
