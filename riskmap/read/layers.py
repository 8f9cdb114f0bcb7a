"""Read one ground layer: choose its features, make its shapes sound, and say everything that was done."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyproj
import shapely

from riskmap import tables
from riskmap.errors import InputError, Problem, shown
from riskmap.model import (
    Assumption,
    BoolArray,
    FloatArray,
    LayerData,
    LayerSource,
    Note,
    ReadAs,
    Repair,
    Settings,
)
from riskmap.read.boxed import Boxes, Near
from riskmap.read.crs import crs_in_words, crs_typed, same_crs
from riskmap.read.features import Sound, sound_features
from riskmap.read.filters import filter_rows, is_any_of
from riskmap.read.kinds import Kind
from riskmap.read.sayings import MOST_LISTED, LayerSayings
from riskmap.read.seen import Seen, tell_kinds, tell_shapes
from riskmap.read.streams import kinds_of
from riskmap.read.vectors import VectorTable, read_vector

__all__ = ["LayerReading", "NearTrees", "OfPart", "judged_whole", "metres", "read_layer", "understand_layer"]

NearTrees = Callable[[pyproj.CRS, bool], Boxes]  # the boxes outside which nothing matters; wide: in sight, to be told

_AREAL: Final = (3, 6)
_LINEAR: Final = (1, 5)
_MUST_BE_AREAS: Final = frozenset({"study_area", "planting_area"})
_WIDTH: Final = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*(?:m|metres?|meters?)?\s*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerReading:
    """One layer, or why there is none; `layer` is None where it has no features or a fault stands against it."""

    layer: LayerData | None
    read_as: tuple[ReadAs, ...] = ()
    repaired: tuple[Repair, ...] = ()
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    seen: Seen | None = None  # what the notes and repairs were told from


def read_layer(source: LayerSource, settings: Settings, *, near: NearTrees | None = None) -> LayerReading:
    """Read one ``[[layers]]`` block.

    Of a big file only what may lie near the trees is read; where nothing is left of that, what lies in sight of them,
    and then the whole, to say how far off the layer is.

    Parameters
    ----------
    source : LayerSource
        The block.
    settings : Settings
        Resolves the paths it names.
    near : callable, optional
        Where the trees are, in the CRS of a layer; without it every file is read whole.

    Returns
    -------
    LayerReading
        Every fault, note and repair; nothing is raised for what is wrong with the file.
    """
    if near is None or judged_whole(source):
        return _read_within(source, settings, None)[0]
    for wide in (False, True):
        reading, whole = _read_within(source, settings, _near_in(near, wide))
        if whole or reading.problems or (reading.layer is not None and _comes_near(reading.layer, near, wide)):
            return reading
    return _read_within(source, settings, None)[0]


def judged_whole(source: LayerSource) -> bool:
    """Return whether a layer is judged by all its features, near or not."""
    return source.on_invalid == "error" or source.role in _MUST_BE_AREAS


def _near_in(near: NearTrees, wide: bool) -> Near:
    """The boxes near the trees, or in sight of them."""
    return lambda crs: near(crs, wide)


def _comes_near(layer: LayerData, near: NearTrees, wide: bool) -> bool:
    """Whether something meets the boxes indeed, not by its bounds alone; in sight, so that nothing unread is nearer."""
    for west, south, east, north in near(layer.crs, wide):
        off = (1 - 0.5**0.5) / 2 if wide else 0.0  # what lies in this much of a square is no farther than its sides
        off_x, off_y = off * (east - west), off * (north - south)
        if shapely.intersects(
            layer.geometry, shapely.box(west + off_x, south + off_y, east - off_x, north - off_y)
        ).any():
            return True
    return False


def _read_within(source: LayerSource, settings: Settings, near: Near | None) -> tuple[LayerReading, bool]:
    """A layer as far as it lies near, and whether that is the whole of it."""
    path, typed = settings.resolve(source.file), source.file
    try:
        table = read_vector(path, layer=source.layer, encoding=source.encoding, file_as_typed=typed, near=near)
        return understand_layer(source, table, settings), table.whole  # may look into the file once more
    except InputError as error:
        return LayerReading(layer=None, problems=error.problems), True


@dataclass(frozen=True, slots=True, kw_only=True)
class OfPart:
    """That a layer is read for some of the trees: whoever joins the parts tells of it."""

    crs: pyproj.CRS | None = None  # of the layer, as it was settled for all trees


def understand_layer(
    source: LayerSource, table: VectorTable, settings: Settings, *, part: OfPart | None = None
) -> LayerReading:
    """Choose, mend and tell of the features of a table of shapes that stands open already.

    Parameters
    ----------
    source : LayerSource
        The block of site.toml.
    table : VectorTable
        The shapes.
    settings : Settings
        Resolves the paths it names.
    part : OfPart, optional
        Given, nothing is said but faults, and nothing is looked up in the rest of the file.
    """
    return _Layer(source, table, part).read(settings)


class _Layer:
    """One layer on its way through."""

    def __init__(self, source: LayerSource, table: VectorTable, part: OfPart | None = None) -> None:
        self.source, self.table, self.part = source, table, part
        self.seen: Seen | None = None
        self.say = LayerSayings(source, source.layer or table.layer)
        self.say.assumptions += table.assumptions

    def read(self, settings: Settings) -> LayerReading:
        """Go through choosing, mending and measuring of width."""
        table = self.table
        if table.geometry is None:
            self.say.fault("it holds no shapes, only a table", "name a layer with shapes", "layer")
            return self.reading(None)
        kept = self.kept()
        width_m, odd = self.widths(kept)
        crs = self.crs() if kept.any() else table.crs
        sound = sound_features(table, kept, crs, self.say)
        geometry, feature = sound.geometry, sound.feature
        self.seen = self.seen_of(kept, odd, sound)
        if self.part is None:
            tell_shapes(self.seen, self.say)
        self.say_read(crs, kept, len(feature), role=self.source.role)
        if not len(feature) and not self.say.problems:
            if self.part is None:
                self.say_empty(kept)
            return self.reading(None)
        if len(feature) and not self.say.problems and self.part is None:
            self.check_areas(geometry)
        if len(feature) and not self.say.problems and self.part is None:
            tell_kinds(self.seen, self.say, None if table.whole else self.kinds_in_file)
        covers, covers_crs = self.covers(settings)
        if self.say.problems or crs is None:
            return self.reading(None)
        lines = np.isin(shapely.get_type_id(geometry), (*_LINEAR, 7))
        return self.reading(
            LayerData(
                source=self.source,
                geometry=geometry,
                feature=feature,
                width_m=np.where(lines, width_m[table.at(feature)], np.nan),
                crs=crs,
                features_in_file=table.rows if table.features_in_file is None else table.features_in_file,
                covers=covers,
                covers_crs=covers_crs,
            )
        )

    def reading(self, layer: LayerData | None) -> LayerReading:
        """All that was found."""
        return LayerReading(
            layer=layer,
            read_as=tuple(self.say.read_as),
            repaired=tuple(self.say.repaired),
            problems=tuple(self.say.problems),
            notes=tuple(self.say.notes),
            assumptions=tuple(self.say.assumptions),
            seen=self.seen,
        )

    def seen_of(self, kept: BoolArray, odd: tuple[BoolArray, Any], sound: Sound) -> Seen:
        """What was come upon, feature by feature."""
        at, role = self.table.at(sound.feature), tables.roles().get(self.source.role)
        used, unfit = np.zeros(self.table.rows, dtype=bool), np.zeros(self.table.rows, dtype=bool)
        used[at] = True
        if role is not None and role.shapes == "area":
            unfit[at] = ~np.isin(shapely.get_type_id(sound.geometry), (*_AREAL, 7))
        chosen = bool(self.source.keep or self.source.drop)  # by the user, who knows the kinds
        return Seen(
            name=self.say.name,
            feature=self.table.feature,
            kept=kept,
            used=used,
            bare=sound.bare,
            odd=odd[0],
            unfit=unfit,
            odd_cell=odd[1],
            kinds={} if self.source.role != "water" or chosen else kinds_of(self.table, used),
            repairs=sound.repairs,
        )

    def kinds_in_file(self, name: str) -> set[str]:
        """What a column says anywhere in a layer of which only a part was read."""
        cells = self.table.column_in_file(name)
        kinds = [] if cells is None else pc.unique(cells).to_pylist()
        return {"" if kind is None else str(kind).strip() for kind in kinds}

    def kept(self) -> BoolArray:
        """Which features pass keep and drop."""
        source, table = self.source, self.table
        chosen = filter_rows(table.column, table.rows, source.keep, source.drop)
        if not table.rows:
            return chosen.kept
        for column in chosen.missing:
            self.say.fault(
                f"there is no column {shown(column)!r}; it has {_listed(table.table.column_names)}",
                "name one of these",
                "keep" if column in source.keep else "drop",
                column=column,
            )
        for column, text in chosen.unseen if self.part is None else ():
            everywhere = None if table.whole else table.column_in_file(column)
            if everywhere is not None and is_any_of(everywhere, [text])[1][0]:
                continue
            self.say.note(
                "keep_unseen",
                f"keep asks for {shown(text)!r}, which stands in no feature",
                "look at the spelling, or take it out of layers.keep",
                column=column,
            )
        return chosen.kept

    def crs(self) -> pyproj.CRS | None:
        """The CRS the file states, or else the one the user names."""
        table, said = self.table, self.source.crs
        if self.part is not None and self.part.crs is not None:
            return self.part.crs
        if not said:
            if table.crs is None:
                self.say.fault(
                    f"its coordinate system (CRS) is not known: {table.crs_words}",
                    'name it, such as crs = "EPSG:26918"',
                    "crs",
                )
            elif table.crs_from == "format" and table.kind is Kind.GEOJSON:
                self.say.assume("crs", "WGS 84 degrees", "GeoJSON without another crs member means WGS 84")
            return table.crs
        try:
            told = crs_typed(said)
        except ValueError as error:
            self.say.fault(str(error), 'write a code such as "EPSG:26918"', "crs")
            return None
        loose = table.crs_from == "format" and table.kind is Kind.GEOJSON and told.is_geographic
        if table.crs is None or table.crs_from == "range" or loose:
            return told
        if not same_crs(table.crs, told):
            self.say.fault(
                f"the file says its CRS is {crs_in_words(table.crs)}, site.toml says {crs_in_words(told)}",
                "take the key out, or mend the file where the file is wrong",
                "crs",
            )
        return table.crs

    def say_empty(self, kept: BoolArray) -> None:
        """Note that nothing is left, so that the role is not surveyed by this layer."""
        rows = self.table.rows
        if rows == 0:
            what = f"the layer is empty (no features): {self.source.role} is not surveyed by it"
        elif not kept.any():
            what = f"keep and drop leave none of its {rows} features: {self.source.role} is not surveyed by it"
        else:
            what = f"no feature with a usable shape is left, as if empty: {self.source.role} is not surveyed by it"
        remedy = (
            f"name another file; if there is none, take the layer out and add {self.source.role!r} to local.nowhere"
        )
        self.say.note("layer_empty", what, remedy)

    def check_areas(self, geometry: npt.NDArray[np.object_]) -> None:
        """Refuse a study area without areas."""
        if self.source.role in _MUST_BE_AREAS and not np.isin(shapely.get_type_id(geometry), (*_AREAL, 7)).any():
            self.say.fault(
                f"role {self.source.role} needs polygons; these are lines or points", "name a layer of areas", "file"
            )

    def widths(self, kept: BoolArray) -> tuple[FloatArray, tuple[BoolArray, Any]]:
        """Width of every feature in metres, nan where not given; which are no length, and the first of these."""
        given, rows = self.source.width_m, self.table.rows
        sound = np.zeros(rows, dtype=bool), None
        if given is None:
            return np.full(rows, np.nan), sound
        if not isinstance(given, str):
            return np.full(rows, float(given)), sound
        cells = self.table.column(given)
        if cells is None:
            if rows:
                names = _listed(self.table.table.column_names)
                self.say.fault(f"there is no column {shown(given)!r}; it has {names}", "name one of these", "width_m")
            return np.full(rows, np.nan), sound
        width, odd = metres(cells)
        odd &= kept
        return width, (odd, cells[int(np.argmax(odd))].as_py() if odd.any() else None)

    def covers(self, settings: Settings) -> tuple[npt.NDArray[np.object_] | None, pyproj.CRS | None]:
        """The polygons within which this layer was surveyed."""
        typed = self.source.covers
        if not typed:
            return None, None
        try:
            area = read_vector(settings.resolve(typed), file_as_typed=typed, file_key="covers")
        except InputError as error:
            self.say.problems += error.problems
            return None, None
        inner = _Layer(replace(self.source, file=typed, layer="", crs="", covers="", role="study_area"), area)
        everything = np.ones(area.rows, dtype=bool)
        sound = sound_features(area, everything, area.crs, inner.say)
        shapes, none = sound.geometry, np.zeros(area.rows, dtype=bool)
        tell_shapes(inner.seen_of(everything, (none, None), sound), inner.say)
        inner.say_read(area.crs, everything, len(sound.feature), surveyed_area_of=self.source.role)
        shapes = shapes[np.isin(shapely.get_type_id(shapes), _AREAL)]
        if not len(shapes):
            inner.say.fault(
                "it holds no polygons, so it can't say where the layer was surveyed", "name areas", "covers"
            )
        elif area.crs is None:
            what = f"its coordinate system (CRS) is not known: {area.crs_words}"
            inner.say.fault(what, "write it into the file", "covers")
        self.say.take(inner.say)
        return shapes, area.crs

    def say_read(self, crs: pyproj.CRS | None, kept: BoolArray, used: int, **what: str) -> None:
        """Say how the file was read, and what it is."""
        table = self.table
        facts: dict[str, Any] = {**table.facts, **what, "crs": crs_in_words(crs)}
        if table.layer:
            facts["layer"] = table.layer
        rows = table.rows
        if table.features_in_file is not None:
            facts["features_near_trees"], rows = rows, table.features_in_file
        if self.source.keep or self.source.drop:
            facts["rows_kept"] = int(kept.sum())
        facts["features_used"] = used
        self.say.read_as.append(ReadAs(file=table.file, path=table.path, sha256=table.sha256, rows=rows, facts=facts))


def _listed(names: list[str]) -> str:
    """Column names for a message, the first 20."""
    more = f" and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else ""
    return ", ".join(shown(name) for name in names[:MOST_LISTED]) + more if names else "no columns"


def metres(cells: pa.ChunkedArray) -> tuple[FloatArray, BoolArray]:
    """Return widths in metres, and which filled cells are none."""
    if pa.types.is_integer(cells.type) or pa.types.is_floating(cells.type):
        width = cells.cast(pa.float64(), safe=False).to_numpy().astype(np.float64)
        bad = np.isfinite(width) & (width < 0)
        return np.where(bad, np.nan, width), bad
    texts = [None if cell is None else str(cell).strip() for cell in cells.to_pylist()]
    found = [_WIDTH.match(text) if text else None for text in texts]
    width = np.asarray([float(match[1].replace(",", ".")) if match else np.nan for match in found], dtype=np.float64)
    return width, np.asarray(
        [bool(text) and match is None for text, match in zip(texts, found, strict=True)], dtype=bool
    )
