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
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from riskmap.look_over import Findings

__all__ = ["__version__", "check", "measure", "recommend", "run", "score"]

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


def measure(
    trees: str | Path,
    layers: Mapping[str, str | Path | Sequence[str | Path]],
    out: str | Path,
    *,
    within_m: float | Mapping[str, float] = 200.0,
    share_m: Mapping[str, float] | None = None,
    keep: Iterable[str] = (),
) -> Path:
    """Measure distances from very many trees, files in to file out, and nothing else.

    Parameters
    ----------
    trees : str or Path
        Points with a CRS; GeoParquet is quickest, any kind of layer file does.
    layers : mapping of str to paths
        One file, or several, by role; all their features count. Their CRS may be another one.
    out : str or Path
        The Parquet file to write; one that is there is replaced.
    within_m : float or mapping of str to float
        How far is looked, in all roles or by role (200 m where one is not named); at most 1,000. [m]
    share_m : mapping of str to float, optional
        Roles of which the share of the circle round each tree is wanted, with its radius; exact. [m]
    keep : iterable of str
        Columns of the trees to carry over.

    Returns
    -------
    Path
        `out`: one row per tree in the order of its file, with ``row`` (from 1) and for each role
        ``distance_<role>_m`` (0 inside), ``inside_<role>``, ``edge_<role>_m`` and ``nearest_<role>``
        (layer number:feature number), and ``share_<role>`` where asked for. Null: nothing within reach, or the tree
        has no place (then inside is null too).

    Raises
    ------
    riskmap.errors.RiskmapError
        A file can't be read or does not say its CRS, a role is not one of ours, the file can't be written.
    """
    from riskmap.distances import measure_files

    def paths(given: str | Path | Sequence[str | Path]) -> list[Path]:
        return [Path(given)] if isinstance(given, (str, Path)) else [Path(one) for one in given]

    by_role = {role: paths(given) for role, given in layers.items()}
    reaches = within_m if isinstance(within_m, Mapping) else dict.fromkeys(by_role, within_m)
    return measure_files(Path(trees), by_role, Path(out), within_m=reaches, share_m=share_m or {}, keep=keep)


class _Package(ModuleType):
    """Keeps `riskmap.score` and its like functions, though stations of the same name are imported below them."""

    def __setattr__(self, name: str, value: object) -> None:
        """Set an attribute, unless the import system would put a module over a public function."""
        if not (isinstance(value, ModuleType) and name in __all__):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
