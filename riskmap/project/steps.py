"""The way from one coordinate system to another, and how well its datum step is known."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field

import numpy as np
import pyproj
from pyproj.transformer import AreaOfInterest, TransformerGroup

from riskmap.errors import shown
from riskmap.model import Assumption, FloatArray, Note

__all__ = ["LONLAT", "Steps", "Way", "crs_name", "flat_crs"]

LONLAT = pyproj.CRS.from_epsg(4326)
WORST_UNSAID_M = 5.0  # a datum step known to better than this is an assumption, not a note


def flat_crs(crs: pyproj.CRS) -> pyproj.CRS:
    """Return the horizontal part of a CRS: heights play no part here."""
    for part in crs.sub_crs_list if crs.is_compound else ():
        if not part.is_vertical:
            return flat_crs(part)
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


@dataclass(frozen=True, slots=True)
class Way:
    """One operation, the best that needs no network, the same for every point."""

    transformer: pyproj.Transformer | None  # None: nothing to do, source and target are one system

    @property
    def same(self) -> bool:
        """Whether coordinates stay as they are."""
        return self.transformer is None

    def there(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Carry coordinates over; nan where they have no place in the target."""
        return (x, y) if self.transformer is None else _carried(self.transformer, x, y, inverse=False)

    def back(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Carry coordinates back from the target."""
        return (x, y) if self.transformer is None else _carried(self.transformer, x, y, inverse=True)

    def move(self, xy: FloatArray) -> FloatArray:
        """Carry an array of shape (vertex, 2) over, as `shapely.transform` asks."""
        return np.column_stack(self.there(xy[:, 0], xy[:, 1]))


def _carried(
    transformer: pyproj.Transformer, x: FloatArray, y: FloatArray, *, inverse: bool
) -> tuple[FloatArray, FloatArray]:
    """Run PROJ over arrays; its inf (no place) becomes nan in both coordinates."""
    x, y = np.ascontiguousarray(x, dtype=np.float64), np.ascontiguousarray(y, dtype=np.float64)
    direction = "INVERSE" if inverse else "FORWARD"
    east, north = transformer.transform(x, y, direction=direction)
    lost = ~(np.isfinite(east) & np.isfinite(north))
    if lost.any():
        east, north = np.where(lost, np.nan, east), np.where(lost, np.nan, north)
    return east, north


@dataclass(slots=True)
class Steps:
    """Every way taken in one run; `area` (west, south, east, north in degrees) says where the trees are."""

    area: tuple[float, float, float, float] | None = None
    records: list[dict[str, object]] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    _ways: dict[tuple[str, str], tuple[Way, str, float | None]] = field(default_factory=dict)

    def way(self, source: pyproj.CRS, target: pyproj.CRS, *, file: str, layer: str = "") -> Way:
        """Find the way for one file, and record how well its datum step is known."""
        source, target = flat_crs(source), flat_crs(target)
        key = (source.to_wkt(), target.to_wkt())
        if key not in self._ways:
            self._ways[key] = _best_way(source, target, self.area)
        way, operation, accuracy_m = self._ways[key]
        if way.same:
            return way
        record: dict[str, object] = {
            "file": file,
            "from": crs_name(source),
            "to": crs_name(target),
            "operation": operation,
            "accuracy_m": accuracy_m,
        }
        if record not in self.records:
            self.records.append(record)
            self._say(record, accuracy_m, layer)
        return way

    def _say(self, record: dict[str, object], accuracy_m: float | None, layer: str) -> None:
        """Note a datum step that is known badly or not at all; a better one is an assumption; once a file."""
        file = str(record["file"])
        if accuracy_m is None or accuracy_m >= WORST_UNSAID_M:
            if all(note.file != file for note in self.notes):
                self.notes.append(_datum_note(record, accuracy_m, layer))
        elif accuracy_m > 0.0:
            taken = f"{record['from']} to {record['to']}, known to {accuracy_m:g} m"
            topic = f"datum_step.{file}"
            if all(said.topic != topic for said in self.assumptions):
                why = f"best step that needs no other file: {record['operation']}"
                self.assumptions.append(Assumption(topic=topic, taken=taken, why=why))


def _best_way(
    source: pyproj.CRS, target: pyproj.CRS, area: tuple[float, float, float, float] | None
) -> tuple[Way, str, float | None]:
    """Best operation that needs no file we lack, with its name and accuracy in metres (None: unknown)."""
    if source == target or source.equals(target, ignore_axis_order=True):
        return Way(None), "", 0.0
    group = _group(source, target, area)
    if not group.transformers:  # the trees lie outside the area of use of every operation
        group = _group(source, target, None)
    transformer = group.transformers[0]
    operation = transformer.description or ""
    rough = transformer.accuracy < 0 or "ballpark" in operation.lower()
    return Way(transformer), operation, None if rough else float(transformer.accuracy)


def _group(source: pyproj.CRS, target: pyproj.CRS, area: tuple[float, float, float, float] | None) -> TransformerGroup:
    """All operations PROJ knows, best first; missing grids are said by us, not by a warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(
            source, target, always_xy=True, area_of_interest=AreaOfInterest(*area) if area else None
        )


def crs_name(crs: pyproj.CRS) -> str:
    """Return the name of a CRS, its authority code first where it has one."""
    authority = crs.to_authority()
    return f"{':'.join(authority)} {shown(crs.name)}" if authority else shown(crs.name)


def _datum_note(record: dict[str, object], accuracy_m: float | None, layer: str) -> Note:
    """Say that a datum step is known badly or not at all."""
    known = "of unknown accuracy" if accuracy_m is None else f"known to within {accuracy_m:g} m only"
    return Note(
        code="datum_step",
        file=str(record["file"]),
        layer=layer,
        what=f"the datum shift from {record['from']} to {record['to']} is {known} ({record['operation']})",
        remedy="give the file in a newer datum, such as WGS 84 or NAD83; distances may be off by that much",
    )
