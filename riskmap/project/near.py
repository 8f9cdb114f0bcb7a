"""Where the ground can matter to the trees, in the CRS of any layer: asked before big layers are read."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pyproj

from riskmap.errors import InputError
from riskmap.model import Inputs, Settings, TreeTable
from riskmap.project.gate import Whereabouts, whereabouts
from riskmap.project.outlook import Boxes, boxes_in
from riskmap.project.working import LARGEST_SCALE

__all__ = ["Nearness", "near_trees"]

IN_SIGHT_M = 50_000.0  # a layer with nothing nearer is read whole, to say how far off it is


@dataclass(slots=True, eq=False)
class Nearness:
    """Tells in any CRS where a feature can matter to the trees; they are placed once, when first asked for."""

    settings: Settings
    table: TreeTable
    _found: list[Whereabouts | None] = field(default_factory=list)

    def __call__(self, crs: pyproj.CRS, wide: bool) -> Boxes:
        """Return boxes that every feature meets by its bounds which `project_inputs` would bring over.

        Parameters
        ----------
        crs : pyproj.CRS
            Of a layer.
        wide : bool
            Boxes in sight of the trees instead.

        Returns
        -------
        tuple of tuple of float
            West, south, east, north; none where that can't be told, so that all must be read.
        """
        site = self.site()
        if site is None:
            return ()
        margin_m = max(site.window.margin_m, LARGEST_SCALE * IN_SIGHT_M) if wide else site.window.margin_m
        return boxes_in(crs, replace(site, window=replace(site.window, margin_m=margin_m)))

    def site(self) -> Whereabouts | None:
        """Return where the trees stand; None where nobody can tell, or none has a place."""
        if not self._found:
            try:
                inputs = Inputs(settings=self.settings, trees=self.table, layers=(), rasters=(), read_as=())
                self._found.append(whereabouts(inputs))
            except InputError:  # said when they are projected
                self._found.append(None)
        return self._found[0]


def near_trees(settings: Settings, table: TreeTable) -> Nearness:
    """Return what tells in any CRS where a feature can matter to the trees.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    table : TreeTable
        The trees as read.
    """
    return Nearness(settings, table)
