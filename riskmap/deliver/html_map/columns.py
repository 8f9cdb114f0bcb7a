"""What the page knows of each tree, as coded columns in the page's own order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from riskmap import tables
from riskmap.deliver.html_map.coded import add_texts, coded_column
from riskmap.deliver.html_map.encode import Grid, Payload, unique_rows, zigzag
from riskmap.deliver.html_map.plans import add_beside, add_costs, add_plans
from riskmap.draw.classes import TreeClasses
from riskmap.model import BoolArray, Coded, Exposure, IntArray, Result
from riskmap.rules import BAND_LIMITS

__all__ = [
    "BAND_LEVELS",
    "MANY_TREES",
    "add_trees",
    "distance_codes",
    "distance_steps",
    "filter_columns",
    "pressure_codes",
]

MANY_TREES: Final = 200_000  # past this a tree carries one distance, and no size of its own
MANY_DISTANCES: Final = 20_000  # past this far distances are told in coarser steps
BAND_LEVELS: Final = (5, 45, 50, 50, 65)  # steps within each band: 0.1 % at the bottom, 1 % at the top
NOT_SCORED: Final = 255
Steps = tuple[tuple[float, float], ...]  # from so many metres on, in steps of so many
FINE: Final[Steps] = ((0.0, 0.1), (20.0, 1.0))
COARSE: Final[Steps] = ((0.0, 0.1), (5.0, 1.0), (50.0, 25.0))
WHOLE: Final[Steps] = ((0.0, 1.0),)


def add_trees(
    payload: Payload, result: Result, grid: Grid, order: IntArray, guards: TreeClasses, actions: TreeClasses
) -> None:
    """Append every column of the trees in the page's order: placed ones first, as the grid has them."""
    payload.add_numbers("count", grid.count)
    payload.add_numbers("inner_x", grid.inner_x)
    payload.add_numbers("inner_y", grid.inner_y)
    payload.add_numbers("far_x", zigzag(grid.far_x))
    payload.add_numbers("far_y", zigzag(grid.far_y))
    payload.add_numbers("guard", guards.code[order])
    payload.add_numbers("action", actions.code[order])
    for number in range(len(result.pressure.agents)):
        codes = pressure_codes(result.pressure.value[:, number], result.bands[:, number])
        payload.add_numbers(f"p{number}", codes[order])
    payload.add_numbers("decisive", np.where(result.pressure.decisive < 0, NOT_SCORED, result.pressure.decisive)[order])
    add_plans(payload, result, order)
    add_texts(payload, "why", result.choices.reason, order)
    add_texts(payload, "species", result.site.trees.table.species, order)
    add_texts(payload, "unscored", coded_column(result.pressure.not_scored), order)
    add_texts(payload, "remark", _remarks(result), order)
    for number, (_, column) in enumerate(filter_columns(result)):
        add_texts(payload, f"f{number}", column, order)
    add_costs(payload, result, order)
    add_beside(payload, result, order)
    _add_ids(payload, result, order)
    if len(order) <= MANY_TREES:
        _add_sizes(payload, result, order)
        for number, exposure in enumerate(result.exposures.values()):
            payload.add_numbers(f"d{number}", distance_codes(exposure, distance_steps(len(order)))[order])
    else:
        _add_decisive_distance(payload, result, order)


def pressure_codes(pressure: npt.NDArray[np.float32], band: npt.NDArray[np.int8]) -> npt.NDArray[np.uint8]:
    """Return pressure as one byte: the band exactly, and a step within it; 255 where not scored.

    Examples
    --------
    >>> pressure_codes(np.array([0.0, 0.05, 1.0, np.nan], np.float32), np.array([0, 2, 4, -1], np.int8)).tolist()
    [0, 50, 214, 255]
    """
    lows = np.array((0.0, *BAND_LIMITS))
    highs = np.array((*BAND_LIMITS, 1.0))
    levels = np.array(BAND_LEVELS)
    first = np.cumsum((0, *BAND_LEVELS[:-1]))
    inside = np.clip((pressure.astype(float) - lows[band]) / (highs - lows)[band], 0.0, 1.0)
    step = np.minimum(np.nan_to_num(inside) * levels[band] + 1e-6, levels[band] - 1).astype(np.int64)
    return np.where(band < 0, NOT_SCORED, first[band] + step).astype(np.uint8)


def distance_steps(n: int) -> Steps:
    """Return in which steps distances are told on a page of n trees."""
    return FINE if n <= MANY_DISTANCES else COARSE if n <= MANY_TREES else WHOLE


def distance_codes(exposure: Exposure, steps: Steps) -> IntArray:
    """Return 0 where unknown, 1 past the reach, 2 inside, else 3 + the number of steps.

    Parameters
    ----------
    exposure : Exposure
        One role seen from every tree.
    steps : tuple of (float, float)
        From how many metres on, in steps of how many.
    """
    near = np.isfinite(exposure.distance_m)
    distance_m = np.where(near, exposure.distance_m, 0.0)
    code = np.zeros(len(distance_m), dtype=np.int64)
    for (from_m, step_m), (to_m, _) in zip(steps, (*steps[1:], (np.inf, 0.0)), strict=True):
        code += np.rint(np.clip(distance_m - from_m, 0.0, to_m - from_m) / step_m).astype(np.int64)
    return np.where(~exposure.known, 0, np.where(exposure.inside, 2, np.where(near, 3 + code, 1)))


def filter_columns(result: Result) -> list[tuple[str, Coded]]:
    """Return the columns the user named as filters, the group column first: header and cells."""
    table, settings, read = result.site.trees.table, result.site.inputs.settings, result.site.inputs.read_as
    headers: Mapping[str, str] = {**settings.trees.columns, **(read[0].facts.get("columns", {}) if read else {})}
    found: dict[str, Coded] = {}
    if table.group.values:
        found[headers.get("group", "Group")] = table.group
    for name in settings.map.filters:
        if name in found:
            continue
        if name in table.own.column_names:
            found[name] = coded_column(table.own.column(name))
        else:
            ours = next((key for key, header in headers.items() if header == name), name)
            column = getattr(table, ours, None)
            if isinstance(column, Coded) and ours != "group":
                found[name] = column
    return list(found.items())


def _add_ids(payload: Payload, result: Result, order: IntArray) -> None:
    """Append ids, one a line; and rows, where ids alone do not tell the trees apart."""
    table = result.site.trees.table
    ids = pc.fill_null(table.tree_id.cast(pa.string()), "").take(pa.array(order))
    if isinstance(ids, pa.ChunkedArray):
        ids = ids.combine_chunks()
    # A line break in an id would shift every id after it.
    lines = pc.binary_join_element_wise(pc.replace_substring_regex(ids, r"[\n\r\x00]", " "), "", "\n")
    payload.add_bytes("ids", "text", _joined(lines))
    if table.tree_id.null_count or pc.count_distinct(ids).as_py() < len(order):
        payload.add_numbers("row", np.clip(table.row[order], 0, None))


def _joined(lines: pa.Array) -> bytes:
    """All texts of an Arrow column, end to end."""
    if not len(lines):
        return b""
    whole = pa.concat_arrays([lines.cast(pa.large_string())])  # drops any offset into a longer buffer
    _, offsets, data = whole.buffers()
    ends = np.frombuffer(offsets, dtype=np.int64)
    return bytes(memoryview(data)[int(ends[whole.offset]) : int(ends[whole.offset + len(whole)])])


def _add_sizes(payload: Payload, result: Result, order: IntArray) -> None:
    """Append stem, height and planting date as they went in; 0 where missing."""
    table = result.site.trees.table
    for name, values, per in (("stem", table.stem_mm, 1), ("height", table.height_m, 20)):
        known = np.isfinite(values) & (values >= 0) & (values < 1e6)
        payload.add_numbers(
            name, np.where(known, 1 + np.rint(np.where(known, values, 0) * per), 0).astype(np.int64)[order]
        )
    add_texts(payload, "planted", coded_column(table.planted), order)


def _add_decisive_distance(payload: Payload, result: Result, order: IntArray) -> None:
    """Append the distance, in whole metres, from the ground of the agent that decides."""
    roles = list(result.exposures)
    near_role = np.full(result.site.trees.n, NOT_SCORED, dtype=np.int64)
    near_m = np.zeros(result.site.trees.n, dtype=np.int64)
    for number, agent in enumerate(result.pressure.agents):
        here = np.flatnonzero(result.pressure.decisive == number)
        best = np.full(len(here), np.inf)
        for role in (role for role in tables.agents()[agent].roles if role in result.exposures):
            exposure = result.exposures[role]
            distance_m = exposure.distance_m[here]
            far = np.where(np.isfinite(distance_m), distance_m, 1e9)
            nearer = exposure.known[here] & (far < best)
            near_role[here[nearer]] = roles.index(role)
            near_m[here[nearer]] = distance_codes(exposure, WHOLE)[here[nearer]]
            best[nearer] = far[nearer]
    payload.add_numbers("near_role", near_role[order])
    payload.add_numbers("near_m", near_m[order])


def _remarks(result: Result) -> Coded:
    """Every tree's remarks in words."""
    flags: dict[str, BoolArray] = {}
    n = result.site.trees.n
    for tree, codes in enumerate(result.site.trees.table.remarks or ()):
        for code in codes:
            flags.setdefault(_remark_words(code), np.zeros(n, dtype=bool))[tree] = True
    for code, trees in result.pressure.remarks.items():
        flags[_remark_words(code)] = trees
    for role, exposure in result.exposures.items():
        if exposure.edge_of_data.any():
            label = tables.roles()[role].label.lower()
            flags[f"the survey of {label} ends nearer than the nearest found"] = exposure.edge_of_data
    return _joined_flags(flags, n)


def _joined_flags(flags: Mapping[str, BoolArray], n: int) -> Coded:
    """Texts of all flags that hold, joined, as one coded column."""
    if not flags:
        return Coded.missing(n)
    words = list(flags)
    first, code = unique_rows([flags[word].astype(np.int64) for word in words])
    texts = ["; ".join(word for word in words if flags[word][tree]) for tree in first.tolist()]
    return Coded(codes=code, values=tuple(texts))


def _remark_words(code: str) -> str:
    """A remark's label, or its code with spaces."""
    row = tables.note_codes().get(code) or tables.remark_codes().get(code)
    words = row.label if row else code.replace("_", " ")
    return words[:1].lower() + words[1:]
