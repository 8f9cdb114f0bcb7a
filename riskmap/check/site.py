"""What is suspicious once the site lies in metres: trees far off, systems used outside their area."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pyproj

from riskmap.check.words import counted, remarked
from riskmap.errors import shown
from riskmap.model import BoolArray, FloatArray, Note, Site

__all__ = ["Cloud", "check_site"]

AREA_MARGIN_DEG: Final = 0.5  # a zone is used a little beyond its edge without harm
FAR_AT_LEAST_M: Final = 20_000.0
FAR_TIMES: Final = 20.0  # times the distance within which nine trees in ten lie


@dataclass(frozen=True, slots=True, kw_only=True)
class Cloud:
    """Where the trees of a site lie: its middle, and how far from it a tree lies far from the rest. [m]"""

    x_m: float
    y_m: float
    limit_m: float

    @classmethod
    def of(cls, site: Site) -> Cloud | None:
        """Look at the trees that count; None where they are too few."""
        used = site.trees.placed & site.trees.table.kept
        if used.sum() < 3:
            return None
        x_m, y_m = site.trees.x_m[used], site.trees.y_m[used]
        middle_x, middle_y = float(np.median(x_m)), float(np.median(y_m))
        off_m = np.hypot(x_m - middle_x, y_m - middle_y)
        nine_in_ten_m = float(np.quantile(off_m, 0.9, method="lower"))  # of few trees too, never the farthest one's own
        return cls(x_m=middle_x, y_m=middle_y, limit_m=max(FAR_AT_LEAST_M, FAR_TIMES * nine_in_ten_m))

    def far(self, site: Site) -> BoolArray:
        """Trees far out of it."""
        with np.errstate(invalid="ignore"):
            far = np.hypot(site.trees.x_m - self.x_m, site.trees.y_m - self.y_m) > self.limit_m
        return np.asarray(far & site.trees.placed & site.trees.table.kept, dtype=bool)


def check_site(site: Site, *, cloud: Cloud | None = None) -> Site:
    """Add notes that need the site in metres: trees far from the rest, systems used outside their area.

    Parameters
    ----------
    site : Site
        As projected.
    cloud : Cloud, optional
        Of the whole, where this is a part.
    """
    trees, table = site.trees, site.trees.table
    cloud = cloud or Cloud.of(site)
    far = cloud.far(site) if cloud else np.zeros(trees.n, dtype=bool)
    notes = []
    if far.any():
        notes.append(
            Note.at(
                far,
                row=table.row,
                tree_id=table.tree_id,
                code="tree_far",
                file=site.inputs.settings.trees.file,
                what=f"{counted(far, 'tree')} more than {FAR_AT_LEAST_M / 1000:.0f} km from the middle of the others",
                remedy="look at the coordinates",
            )
        )
    notes += _outside_areas(site)
    marked = replace(trees, table=remarked(table, {"tree_far": far}))
    said = {(note.code, note.file, note.layer) for note in site.notes}
    fresh = [note for note in notes if (note.code, note.file, note.layer) not in said]
    return replace(site, trees=marked, notes=(*site.notes, *fresh))


def _outside_areas(site: Site) -> Iterator[Note]:
    """Coordinate systems used outside the area they are made for."""
    trees, table = site.trees, site.trees.table
    used = trees.placed & table.kept
    sources: list[tuple[str, str, pyproj.CRS | None, str]] = [
        (site.inputs.settings.trees.file, "", table.crs, "trees.crs"),
        *((layer.data.source.file, layer.role, layer.data.crs, "layers.crs") for layer in site.layers),
        ("", "", site.crs, "crs"),
    ]
    for file, layer, crs, key in sources:
        outside = used & _outside(crs, trees.lon, trees.lat)
        area = crs.area_of_use if crs is not None else None
        if crs is None or area is None or not outside.any():
            continue
        yield Note.at(
            outside,
            row=table.row,
            tree_id=table.tree_id,
            code="outside_area_of_use",
            file=file or site.inputs.settings.file.name,
            layer=layer,
            what=f"{counted(outside, 'tree')} outside the area of {shown(crs.name)}: {shown(area.name)}",
            remedy=f"look whether that is the right coordinate system ({key})",
        )


def _outside(crs: pyproj.CRS | None, lon: FloatArray, lat: FloatArray) -> BoolArray:
    """Places outside the area of use of a system, a margin allowed."""
    area = crs.area_of_use if crs is not None else None
    if area is None:
        return np.zeros(len(lon), dtype=bool)
    m = AREA_MARGIN_DEG
    width = (area.east - area.west) % 360.0 or 360.0 * (area.east > area.west)
    past_west = (lon - area.west + m) % 360.0  # counted eastward, so that 180 and -180 are one line
    between = past_west <= width + 2 * m
    found: BoolArray = ~(between & (lat >= area.south - m) & (lat <= area.north + m)) & np.isfinite(lon)
    return found
