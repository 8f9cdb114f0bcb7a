"""Young-tree damage map: scores what can harm each young tree and recommends guards.

>>> import geopandas, shapely, riskmap
>>> trees = geopandas.GeoDataFrame(
...     {"species": ["willow", "red oak"], "caliper_mm": [12, 40]},
...     geometry=geopandas.points_from_xy([500012.4, 500290.3], [4683007.9, 4683011.2]),
...     crs="EPSG:26918",
... )
>>> pond = geopandas.GeoDataFrame(geometry=[shapely.box(499950, 4682950, 500050, 4682999.9)], crs="EPSG:26918")
>>> advised = riskmap.recommend(trees, {"water": pond}, date="2026-10-15", local={"beaver": "active"})
>>> advised[["distance_water_m", "band_beaver", "action"]].values.tolist()
[[8.003, 'strong', 'fit'], [nan, 'none', 'none needed']]
>>> advised["guard"][0]
'Low beaver cage of 2 x 4 in mesh, 0.91 m'
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from geopandas import GeoDataFrame

    from riskmap.look_over import Findings

__all__ = ["__version__", "check", "recommend", "run", "score"]

__version__ = "0.1.0"


def score(trees: GeoDataFrame, layers: Mapping[str, GeoDataFrame], *, date: str, **site: Any) -> GeoDataFrame:
    """Score the pressure of every agent on every tree.

    Parameters
    ----------
    trees : GeoDataFrame
        Planting points with a CRS. Columns are found by name as in a file, or named in `columns`.
    layers : mapping of str to GeoDataFrame
        Ground by role (``water``, ``lawn``, ``deer_habitat`` ...; ``riskmap show roles`` lists them).
    date : str
        The day the work is planned for, ISO 8601; results never depend on the clock.
    **site
        What a site.toml would say besides: ``local``, ``columns``, ``units``, ``region`` ...

    Returns
    -------
    GeoDataFrame
        The trees as given, with our columns added: distances, pressure and band of each agent. One row per tree.

    Raises
    ------
    riskmap.errors.InputError
        Something in the trees or layers must be mended; the error lists all of it.
    """
    from riskmap.library import score_frame

    return score_frame(trees, layers, date=date, **site)


def recommend(trees: GeoDataFrame, layers: Mapping[str, GeoDataFrame], *, date: str, **site: Any) -> GeoDataFrame:
    """Score every tree and recommend what to do at it: action, guard, why, cost.

    Parameters
    ----------
    trees, layers, date, **site
        As for `score`; besides, ``guards`` and ``choice``.

    Returns
    -------
    GeoDataFrame
        The trees as given, with the columns of `score` and those of the recommendation added.
    """
    from riskmap.library import recommend_frame

    return recommend_frame(trees, layers, date=date, **site)


def run(
    site_file: str | Path,
    *,
    out: str | Path | None = None,
    only: Iterable[str] = (),
    overwrite: bool = False,
) -> Path:
    """Do the main job on a site.toml, as ``riskmap run`` does, and return the result folder.

    Parameters
    ----------
    site_file : str or Path
        The site file.
    out : str or Path, optional
        The result folder; ``site-out`` beside ``site.toml`` when left out.
    only : iterable of str
        Deliverables to write; all when empty.
    overwrite : bool
        Whether an earlier result may be replaced.
    """
    from riskmap.library import run_file

    return run_file(site_file, out=out, only=only, overwrite=overwrite)


def check(site_file: str | Path) -> Findings:
    """List every fault and note of a site.toml and its inputs, as ``riskmap check`` does; raise nothing."""
    from riskmap.library import check_file

    return check_file(site_file)


class _Package(ModuleType):
    """Keeps `riskmap.score` and its like functions, though stations of the same name are imported below them."""

    def __setattr__(self, name: str, value: object) -> None:
        """Set an attribute, unless the import system would put a module over a public function."""
        if not (isinstance(value, ModuleType) and name in __all__):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
