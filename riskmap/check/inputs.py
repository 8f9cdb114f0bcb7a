"""What is suspicious in the inputs as read, and what contradicts itself."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from riskmap.check.page import map_faults
from riskmap.check.words import counted, remarked, several
from riskmap.errors import InputError, Problem, shown
from riskmap.model import BoolArray, Inputs, LayerData, Note, TreeTable

__all__ = ["IDS_REMEDY", "check_inputs", "ids_repeated", "list_inputs"]

IDS_REMEDY: Final = "make the ids different; each row is kept as a tree of its own"
THICKEST_MM: Final = 2000.0
BOX_MARGIN_DEG: Final = 1.0  # trees and layers of one site lie nearer than that
NEAR_POLE_DEG: Final = 85.0
Box = tuple[float, float, float, float]  # west, south, east, north


Repeated = Callable[[pa.Array], BoolArray]  # which of some tree ids stand in more than one row of the whole file


def check_inputs(inputs: Inputs, *, repeated: Repeated | None = None) -> Inputs:
    """Add every fault and note that the inputs give rise to; raise where there is any fault.

    Parameters
    ----------
    inputs : Inputs
        As read.
    repeated : callable, optional
        Where the trees are a part of a file: which ids that file repeats. They are marked, and noted once by whoever
        knows them all.

    Raises
    ------
    InputError
        With every fault of reading and checking.
    """
    checked = list_inputs(inputs, repeated=repeated)
    if checked.problems:
        raise InputError(checked.problems)
    return checked


def list_inputs(inputs: Inputs, *, repeated: Repeated | None = None) -> Inputs:
    """Add every fault and note that the inputs give rise to, raising nothing."""
    problems = (*_exchanged(inputs), *map_faults(inputs))
    notes, remarks = _tree_notes(inputs, repeated)
    return replace(
        inputs,
        trees=remarked(inputs.trees, remarks),
        problems=(*inputs.problems, *problems),
        notes=(*inputs.notes, *notes),
    )


def _tree_notes(inputs: Inputs, repeated: Repeated | None) -> tuple[list[Note], dict[str, BoolArray]]:
    """Notes on the trees, and the rows each holds for."""
    trees, file = inputs.trees, inputs.settings.trees.file
    columns: Mapping[str, str] = inputs.read_as[0].facts.get("columns", {}) if inputs.read_as else {}
    twice, ids = _repeated_ids(trees) if repeated is None else (repeated(trees.tree_id), 0)
    same = _repeated_points(trees)
    stem_mm = trees.stem_mm / math.pi if trees.stem_kind == "girth_mm" else trees.stem_mm
    thick = stem_mm > THICKEST_MM
    later = _after(trees.planted, inputs.settings.date.isoformat())
    found = {
        "tree_id_repeated": (
            twice,
            ids_repeated(ids, int(twice.sum()), [str(trees.tree_id[int(i)]) for i in np.flatnonzero(twice)[:100]]),
            IDS_REMEDY,
            columns.get("tree_id", ""),
        ),
        "point_repeated": (
            same,
            f"{counted(same, 'tree')} on a point where another tree stands",
            "look whether a tree was listed twice",
            columns.get("x", ""),
        ),
        "caliper_over_2_m": (
            thick,
            f"{counted(thick, 'stem')} thicker than 2 m",
            "look at the unit (trees.units) and the decimal sign",
            columns.get("caliper", ""),
        ),
        "planted_after_date": (
            later,
            f"{counted(later, 'tree')} planted after {inputs.settings.date.isoformat()}, the date of the site file",
            "look at the date of planting, or at the key date",
            columns.get("planted", ""),
        ),
    }
    notes = [
        Note.at(
            where, row=trees.row, tree_id=trees.tree_id, code=code, file=file, what=what, remedy=remedy, column=column
        )
        for code, (where, what, remedy, column) in found.items()
        if where.any() and not (code == "tree_id_repeated" and repeated is not None)
    ]
    return notes, {code: where for code, (where, *_) in found.items()}


def ids_repeated(ids: int, rows: int, first: Sequence[str]) -> str:
    """Say how many ids are repeated in how many rows, and quote three.

    Examples
    --------
    >>> ids_repeated(1, 2, ["A7", "A7"])
    "1 tree id repeated in 2 rows: 'A7'"
    """
    texts = list(dict.fromkeys(first))
    quoted = ", ".join(f"'{shown(text)}'" for text in texts[:3]) + (", …" if len(texts) > 3 else "")
    return f"{several(ids, 'tree id')} repeated in {several(rows, 'row')}: {quoted}"


def _repeated_ids(trees: TreeTable) -> tuple[BoolArray, int]:
    """Rows whose id stands more than once, and how many ids do."""
    ids = pc.dictionary_encode(trees.tree_id)
    codes = np.asarray(pc.fill_null(ids.indices, -1), dtype=np.int64)
    times = np.bincount(codes[codes >= 0], minlength=max(1, len(ids.dictionary)))
    return (codes >= 0) & (times[codes] > 1), int((times > 1).sum())


def _repeated_points(trees: TreeTable) -> BoolArray:
    """Kept trees that stand exactly where another kept tree stands."""
    index = np.flatnonzero(trees.kept & np.isfinite(trees.x) & np.isfinite(trees.y))
    order = index[np.lexsort((trees.y[index], trees.x[index]))]
    equal = (np.diff(trees.x[order]) == 0) & (np.diff(trees.y[order]) == 0)
    found = np.zeros(len(trees.row), dtype=bool)
    found[order[1:][equal]] = True
    found[order[:-1][equal]] = True
    return found


def _after(planted: pa.Array, date: str) -> BoolArray:
    """ISO texts that are later than a day, as far as they tell."""
    coded = pc.dictionary_encode(planted)
    later = [text > date[: len(text)] for text in coded.dictionary.to_pylist()]
    codes = np.asarray(pc.fill_null(coded.indices, len(later)), dtype=np.int64)
    return np.asarray([*later, False], dtype=bool)[codes]


def _exchanged(inputs: Inputs) -> Iterator[Problem]:
    """Longitude and latitude exchanged, or a minus missing: far from every layer as read, among them otherwise."""
    trees = inputs.trees
    boxes = [box for layer in inputs.layers if (box := _box_of(layer)) is not None]
    known = np.isfinite(trees.x) & np.isfinite(trees.y) & trees.kept
    if trees.crs is None or not trees.crs.is_geographic or not boxes or not known.any():
        return
    x, y = float(np.median(trees.x[known])), float(np.median(trees.y[known]))
    if abs(y) > NEAR_POLE_DEG or any(_inside(x, y, box) for box in boxes):  # there every longitude is near
        return
    first = int(np.flatnonzero(known)[0])
    readings = {
        "latitude and longitude look exchanged (swapped)": (y, x),
        "longitudes look as if their minus were missing": (-x, y),
    }
    remedies = ('exchange them: columns = { x = "…", y = "…" }', "write longitudes west of Greenwich with a minus")
    for (what, (other_x, other_y)), remedy in zip(readings.items(), remedies, strict=True):
        if any(_inside(other_x, other_y, box) for box in boxes):
            yield Problem(
                file=inputs.settings.trees.file,
                row=int(trees.row[first]),
                what=f"{what} in all {counted(known, 'row')}: as read, {x:.6g}, {y:.6g} lies far from every layer, "
                f"and {other_x:.6g}, {other_y:.6g} lies among them",
                remedy=remedy,
                key="trees.columns",
            )
            return


def _box_of(layer: LayerData) -> Box | None:
    """A layer's box in degrees: its own bounds, or the area its projected system is made for."""
    if not len(layer.geometry):
        return None
    if layer.crs.is_geographic:
        west, south, east, north = (float(edge) for edge in shapely.total_bounds(layer.geometry))
        return west, south, east, north
    area = layer.crs.area_of_use
    return (area.west, area.south, area.east, area.north) if area is not None else None


def _inside(x: float, y: float, box: Box) -> bool:
    """Whether a place lies in a box or a little beyond it."""
    west, south, east, north = box
    m = BOX_MARGIN_DEG
    past_west = (x - west + m) % 360.0  # counted eastward, so that 180 and -180 are one line
    return past_west <= (east - west) % 360.0 + 2 * m and south - m <= y <= north + m
