"""Measuring, in as many parts as a crew has use for: whole where one process does it all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from functools import partial
from typing import Any, Final

import numpy as np

from riskmap.in_parts.cutter import Cutter, cut_trees
from riskmap.measure import engine_name, measure_exposures, measure_rasters
from riskmap.model import Exposure, IntArray, RasterValues, SilentWatch, Site, Watch
from riskmap.model.part import take_rows
from riskmap.scale import HERE, Crew

__all__ = ["measure_in_parts", "measured_by"]

MOST_TREES: Final = 250_000  # of one part: with its ground some 300 MB
PARTS_A_HAND: Final = 2  # so that hands with an easy part do not wait long for the others

Measured = dict[str, Exposure]


def measure_in_parts(site: Site, crew: Crew, watch: Watch) -> tuple[Measured, tuple[RasterValues, ...]]:
    """Measure how every surveyed role lies from every tree, and look up the rasters.

    Parameters
    ----------
    site : Site
        Trees and ground in one metric CRS.
    crew : Crew
        Does the measuring; with the crew of this process alone the site is measured whole. Rasters are always read
        here, since workers elsewhere may not see the files.
    watch : Watch
        Told how far the work has come.

    Returns
    -------
    tuple
        As `measure_exposures` and `measure_rasters` give them.
    """
    rasters = measure_rasters(site, watch=watch)
    if crew is HERE:
        return measure_exposures(site, watch=watch), rasters
    whole: Measured = {}
    n = site.trees.n
    parts = cut_trees(site, max(1, min(MOST_TREES, -(-n // (crew.hands * PARTS_A_HAND)))))
    for done, (place, measured) in enumerate(crew.map(_measure, map(partial(_part, Cutter.of(site)), parts)), start=1):
        whole = whole or {role: _empty(exposure, n) for role, exposure in measured.items()}
        for role, exposure in measured.items():
            _put(exposure, whole[role], parts[place])
        watch.progress(done, len(parts))
    return whole, rasters


def measured_by(crew: Crew) -> str:
    """Name the engine that measures; all of them where workers elsewhere have several, which all give the same."""
    return ", ".join(crew.about) or engine_name()


def _part(cutter: Cutter, rows: IntArray) -> Site:
    """What measuring some trees needs, and no more: places and ground."""
    part = cutter.part(rows)
    nobody = take_rows(part.trees.table, rows[:0], n=part.trees.n)
    inputs = replace(part.inputs, trees=nobody, rasters=(), read_as=(), repaired=(), notes=(), assumptions=())
    return replace(part, inputs=inputs, trees=replace(part.trees, table=nobody), rasters=(), notes=(), assumptions=())


def _measure(part: Site) -> Measured:
    """Measure one part, wherever this runs."""
    return measure_exposures(part, watch=SilentWatch())


def _columns(exposure: Exposure) -> Iterator[tuple[str, np.ndarray[Any, Any]]]:
    """Those with a row for every tree."""
    for field in fields(exposure):
        if isinstance(column := getattr(exposure, field.name), np.ndarray):
            yield field.name, column


def _empty(exposure: Exposure, n: int) -> Exposure:
    """Room for all trees."""
    room: dict[str, Any] = {name: np.empty(n, dtype=column.dtype) for name, column in _columns(exposure)}
    return replace(exposure, **room)


def _put(exposure: Exposure, whole: Exposure, rows: IntArray) -> None:
    """Put the rows of a part where they belong."""
    for name, column in _columns(whole):
        column[rows] = getattr(exposure, name)
