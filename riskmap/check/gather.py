"""Joins what every station found into one result."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from riskmap import rules
from riskmap.check.words import counted
from riskmap.model import MOST_GIS_COLUMNS, Assumption, Choices, Exposure, Note, Pressure, RasterValues, Result, Site

__all__ = ["gather_result"]

MOST_OF_OURS: Final = 200  # columns of a result that are not the user's


def gather_result(
    site: Site,
    exposures: Mapping[str, Exposure],
    rasters: Sequence[RasterValues],
    pressure: Pressure,
    choices: Choices,
    *,
    engine: str = "shapely",
) -> Result:
    """Join what every station found into the one noun that deliverables get.

    Parameters
    ----------
    site : Site
        With the notes and assumptions of reading, checking and projecting.
    exposures, rasters, pressure, choices
        As measured, scored and chosen.
    engine : str
        What measured distances.
    """
    said = (
        *site.inputs.notes,
        *site.notes,
        *_edge_notes(site, exposures),
        *_raster_notes(site, rasters),
        *pressure.notes,
        *choices.notes,
    )
    taken = (
        *_wide_table(site),
        *_local_assumptions(site),
        *site.inputs.assumptions,
        *site.assumptions,
        *pressure.assumptions,
        *choices.assumptions,
    )
    return Result(
        site=site,
        exposures=exposures,
        rasters=tuple(rasters),
        pressure=pressure,
        choices=choices,
        bands=rules.band_of(pressure.value),
        notes=tuple(dict.fromkeys(said)),
        assumptions=tuple({note.topic: note for note in reversed(taken)}.values())[::-1],
        engine=engine,
    )


def _edge_notes(site: Site, exposures: Mapping[str, Exposure]) -> Iterator[Note]:
    """Trees near which a survey ends."""
    table = site.trees.table
    for role, exposure in exposures.items():
        where = exposure.edge_of_data & table.kept
        if not where.any():
            continue
        layer = next((layer.data.source for layer in site.layers if layer.role == role), None)
        yield Note.at(
            where,
            row=table.row,
            tree_id=table.tree_id,
            code="edge_of_data",
            file=layer.file if layer else site.inputs.settings.file.name,
            layer=role,
            what=f"{counted(where, 'tree')} nearer to the edge of the {role} data than to any {role} in it",
            remedy=f"what lies beyond is unknown: give {role} data that reach {exposure.reach_m:.0f} m past the trees",
        )


def _raster_notes(site: Site, rasters: Sequence[RasterValues]) -> Iterator[Note]:
    """Trees at which a raster has no value."""
    table = site.trees.table
    files = {points.data.source.name: points.data.source.file for points in site.rasters}
    looked_at = site.trees.placed & table.kept
    for raster in rasters:
        snow = raster.name == "snow_depth"
        instead = "the depth of local.snow_depth_m is taken there" if snow else "no value is taken there"
        for status, code, words in (
            (1, "raster_nodata", "has no data (nodata) at"),
            (2, "raster_outside", "does not reach"),
        ):
            where = looked_at & (raster.status == status)
            if where.any():
                yield Note.at(
                    where,
                    row=table.row,
                    tree_id=table.tree_id,
                    code=code,
                    file=files.get(raster.name, raster.name),
                    layer=raster.name,
                    what=f"raster {raster.name} {words} {counted(where, 'tree')}; {instead}",
                    remedy="give a raster that covers them, or go without",
                )


def _wide_table(site: Site) -> Iterator[Assumption]:
    """That a GeoPackage can't hold all of a very wide table."""
    columns = site.trees.table.own.num_columns
    if columns > MOST_GIS_COLUMNS - MOST_OF_OURS:
        taken = f"trees.gpkg holds the first {MOST_GIS_COLUMNS:,} columns"
        why = f"the trees file has {columns:,}, and SQLite stops at 2,000; trees.csv and trees.parquet hold them all"
        yield Assumption(topic="columns.gpkg", taken=taken, why=why, key="trees.columns")


def _local_assumptions(site: Site) -> Iterator[Assumption]:
    """Local facts nobody gave."""
    local = site.inputs.settings.local
    shown_values = {
        "snow_depth_m": f"{local.snow_depth_m:g} m",
        "beaver": local.beaver,
        "deer_per_km2": f"{local.deer_per_km2:g} per km2",
        "deer": ", ".join(rules.deer_kinds(local, site.inputs.settings.region)).replace("_", "-"),
        "rabbits_per_ha": f"{local.rabbits_per_ha:g} per ha",
        "voles": local.voles,
        "sprayer": local.sprayer,
        "spot_spray": "no spraying round the stem",
        "mulch_radius_m": f"{local.mulch_radius_m:g} m",
    }
    for name, value in shown_values.items():
        if name not in local.given:
            yield Assumption(
                topic=f"local.{name}", taken=value, why="default; nobody said otherwise", key=f"local.{name}"
            )
