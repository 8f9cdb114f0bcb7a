"""One layer of shapes as it stands in a file."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyproj

from riskmap.model import Assumption, IntArray
from riskmap.read.kinds import Kind
from riskmap.read.shapes import ShapeFault

__all__ = ["VectorTable", "named"]


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorTable:
    """One layer as it stands in the file, in file order, or what of it may lie near the trees.

    All columns have shape (feature,).

    Attributes
    ----------
    layers : tuple of str
        Names of the layers with shapes that the file holds.
    geometry : ndarray or None
        2D shapely shapes, None where null or past reading; the whole is None for a table without shapes.
    feature : ndarray
        Number of each in the file, rising: 1, 2, … n where the layer was read whole.
    crs : pyproj.CRS or None
        None where the file does not say, or says what its coordinates deny; `crs_words` tells which.
    crs_from : str
        file | format (the kind is always WGS 84) | range (taken as WGS 84 because the coordinates fit) | "".
    faults : tuple of ShapeFault
        Shapes with broken rings.
    curved : ndarray of int
        Numbers of features whose arcs were straightened.
    features_in_file : int or None
        How many the file holds, where only those near the trees were read; None: it was read whole.
    read_column : callable or None
        Reads a column of the whole layer, where not the whole layer was read.
    """

    file: str
    path: Path
    sha256: str
    kind: Kind
    packed: str
    layer: str
    layers: tuple[str, ...]
    table: pa.Table
    geometry: npt.NDArray[np.object_] | None
    feature: IntArray
    crs: pyproj.CRS | None
    crs_from: str
    crs_words: str = ""
    faults: tuple[ShapeFault, ...] = ()
    curved: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    facts: Mapping[str, Any] = field(default_factory=dict)
    assumptions: tuple[Assumption, ...] = ()
    features_in_file: int | None = None
    read_column: Callable[[str], pa.ChunkedArray] | None = None

    @property
    def rows(self) -> int:
        """Number of features read, shapeless ones included."""
        return int(self.table.num_rows)

    @property
    def whole(self) -> bool:
        """Whether every feature of the layer was read."""
        return self.features_in_file is None

    def at(self, number: npt.ArrayLike) -> IntArray:
        """Return where features stand among those read, by their numbers in the file."""
        return np.asarray(np.searchsorted(self.feature, number), dtype=np.int64)

    def column_in_file(self, name: str) -> pa.ChunkedArray | None:
        """Return a column of all features of the layer, also of those that were not read."""
        found = named(self.table.column_names, name)
        return self.read_column(found) if found and self.read_column else self.column(name)

    def column(self, name: str) -> pa.ChunkedArray | None:
        """Return a column by its name, letter case apart, also out of OSM's `other_tags`; None where there is none."""
        found = named(self.table.column_names, name)
        if found:
            return self.table.column(found)
        tags = self.tags()
        key = named(list(tags), name) if tags else None
        return pa.chunked_array([pa.array(tags[key], pa.string())]) if key else None

    def tags(self) -> dict[str, list[str | None]]:
        """Return the tags of OSM's `other_tags` column as columns."""
        if "other_tags" not in self.table.column_names or self.kind not in (Kind.OSM_PBF, Kind.OSM_XML):
            return {}
        columns: dict[str, list[str | None]] = {}
        for row, cell in enumerate(self.table.column("other_tags").to_pylist()):
            for key, value in (json.loads(cell) if cell else {}).items():
                columns.setdefault(key, [None] * self.rows)[row] = str(value)
        return columns


def named(names: list[str], wanted: str) -> str | None:
    """The name that equals the wanted one, else the only one that does letter case apart."""
    if wanted in names:
        return wanted
    near = [name for name in names if name.strip().casefold() == wanted.strip().casefold()]
    return near[0] if len(near) == 1 else None
