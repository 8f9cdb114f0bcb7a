"""What was read, each thing still in its own CRS."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from riskmap.errors import Problem
from riskmap.model.arrays import BoolArray, Coded, FloatArray, IntArray
from riskmap.model.guard_lists import GuardLists
from riskmap.model.notes import Assumption, Note
from riskmap.model.settings import LayerSource, RasterSource, Settings

if TYPE_CHECKING:
    import pyproj

__all__ = ["Inputs", "LayerData", "RasterData", "ReadAs", "Repair", "TreeTable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadAs:
    """How one file was read; becomes an entry of run.json ``inputs``.

    `facts` holds what applies: kind, encoding, delimiter, decimal, sheet, layer, columns, units, crs, rows_kept …
    """

    file: str
    path: Path
    sha256: str
    rows: int
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One geometry mended or left out; becomes an entry of run.json ``repaired``."""

    file: str
    layer: str
    feature: int
    what: str  # "repaired" | "dropped" | "flattened"
    why: str
    area_before: float | None = None  # square metres as the layer's own CRS has them; in degrees to about 1 %
    area_after: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeTable:
    """Every row of the trees file, in file order, coordinates as given.

    All arrays have shape (tree,). Numbers are in the unit of their name; nan where empty or not understood.
    """

    row: IntArray  # line in the file (header = 1), or the feature's number from 1
    tree_id: pa.Array  # string, as it went in; null where the file has none
    x: FloatArray  # in `crs`, easting or longitude; nan: no place
    y: FloatArray
    crs: pyproj.CRS | None  # None only where nobody knows (then a Problem stands in Inputs.problems)
    kept: BoolArray  # passes keep/drop
    species: Coded
    stem_kind: str  # caliper_mm | dbh_mm | girth_mm: what `stem_mm` is
    stem_at: str  # nursery | breast | breast_1_3 | girth_1m | girth_breast
    stem_mm: FloatArray  # as measured, converted to mm
    height_m: FloatArray
    planted: pa.Array  # string, ISO 8601 as precise as known; null where unknown
    age_years: FloatArray  # from the age column, else from planted and date; nan where neither
    group: Coded
    form: Coded  # whip feathered standard multi_stem shrub conifer
    stock: Coded  # whip | bare_root | container | ball_and_burlap | standard ... as typed, lower case
    stems: FloatArray
    lowest_branch_m: FloatArray
    surface: Coded  # turf rough_grass mulch bed pit planter
    bare_radius_m: FloatArray
    mulch_radius_m: FloatArray
    room_m: FloatArray
    guard_now: Coded
    guard_since: pa.Array  # ISO text or null
    accuracy_m: FloatArray
    cost_to_replace: FloatArray
    own: pa.Table  # the user's columns that are not taken above, untouched, own names and order
    remarks: tuple[tuple[str, ...], ...] | None = None  # per tree, codes found while reading; None: none at all
    lonlat_as_given: bool = False  # the input was WGS 84: lon, lat are reported as given


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerData:
    """One ground layer after keep/drop and repair, in its own CRS.

    geometry : ndarray of shapely geometries, shape (feature,), 2D, no curves, none null or empty.
    feature : number of each in the file before keep, from 1.
    width_m : width of lines, nan where not given.
    """

    source: LayerSource
    geometry: npt.NDArray[np.object_]
    feature: IntArray
    width_m: FloatArray
    crs: pyproj.CRS
    features_in_file: int
    covers: npt.NDArray[np.object_] | None = None  # polygons where the layer was surveyed
    covers_crs: pyproj.CRS | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterData:
    """One raster: its grid, and a function that reads a window (rows, columns) as a masked float array.

    `read_window((row_from, row_to), (col_from, col_to))` returns scaled values in the unit asked for
    (snow: metres), masked where nodata. The file is opened by the door only.
    """

    source: RasterSource
    crs: pyproj.CRS
    transform: tuple[float, float, float, float, float, float]  # affine a b c d e f, corner based, any rotation
    width: int
    height: int
    read_window: Callable[[tuple[int, int], tuple[int, int]], np.ma.MaskedArray[Any, Any]]
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Everything read, with every fault and note so far. `problems` empty means the run may go on."""

    settings: Settings
    trees: TreeTable
    layers: tuple[LayerData, ...]
    rasters: tuple[RasterData, ...]
    read_as: tuple[ReadAs, ...]
    repaired: tuple[Repair, ...] = ()
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    guard_lists: GuardLists = field(default_factory=GuardLists)
