"""A site laid out in parts: each cut out and kept, and what the parts have in common."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from riskmap.deliver.html_map.many import Lookout
from riskmap.draw.in_box import Box
from riskmap.draw.reach import site_box
from riskmap.in_parts.cutter import Cutter, cut_trees, some_trees
from riskmap.in_parts.workshop import Workshop
from riskmap.measure import measure_rasters
from riskmap.model import Site, Watch
from riskmap.model.part import take_rows
from riskmap.score import LostNames

if TYPE_CHECKING:
    from riskmap.in_parts.heard import Heard

__all__ = ["PLAN", "Plan", "lay_out", "part_name", "silent"]

PLAN: Final = "plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is known of a site before any part is worked on.

    Attributes
    ----------
    parts : int
        How many there are.
    site : Site
        The whole site without its trees.
    look : Lookout
        How the map looks at all trees.
    box : tuple of float or None
        What the map shows, in the working CRS. [m]
    heard : Heard or None
        What was said of the site; None where all of it stands in `site`.
    """

    parts: int
    site: Site
    look: Lookout
    box: Box | None
    heard: Heard | None = None


def part_name(number: int, what: str) -> str:
    """Return the name of a thing of one part in the workshop.

    Examples
    --------
    >>> part_name(7, "site")
    '00007.site'
    """
    return f"{number:05}.{what}"


def lay_out(site: Site, shop: Workshop, *, most: int, watch: Watch) -> Plan:
    """Cut a site into parts and keep each, with its values of the rasters: workers elsewhere may not see those files.

    Parameters
    ----------
    site : Site
        In metres, checked.
    shop : Workshop
        Where parts are kept.
    most : int
        Trees of one part at most.
    watch : Watch
        Told how far the work has come.
    """
    lat = site.trees.lat[site.trees.placed]
    site = replace(site, southern=bool(len(lat) and np.median(lat) < 0))
    lost = LostNames.among(site.inputs.trees, site.inputs.settings)
    said = replace(site, notes=(*site.notes, *lost.notes(site.inputs.settings)))
    plan = Plan(
        parts=0, site=some_trees(said, np.empty(0, dtype=np.int64)),
        look=Lookout.of(site.trees.lon, site.trees.lat), box=site_box(site),
    )  # fmt: skip
    cutter, rasters = Cutter.of(silent(site)), measure_rasters(site, watch=watch)
    parts = cut_trees(site, most)
    for number, rows in enumerate(parts):
        watch.progress(number, len(parts))
        shop.save(part_name(number, "rasters"), tuple(take_rows(one, rows, n=site.trees.n) for one in rasters))
        shop.save(part_name(number, "site"), cutter.part(rows))
    plan = replace(plan, parts=len(parts))
    shop.save(PLAN, plan)
    return plan


def silent(site: Site) -> Site:
    """Return the same site without what was said of it as a whole: parts don't say it again."""
    inputs = replace(site.inputs, notes=(), assumptions=())
    return replace(site, inputs=inputs, notes=(), assumptions=())
