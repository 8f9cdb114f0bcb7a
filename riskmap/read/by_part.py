"""A big layer that is read anew for every part of the trees, and what is said of it when all parts are together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import pyproj

from riskmap.errors import InputError, MachineError, shown
from riskmap.model import LayerSource, Settings
from riskmap.read.boxed import Known, Near, is_large
from riskmap.read.door import sniff
from riskmap.read.handover import is_live
from riskmap.read.kinds import Kind
from riskmap.read.layers import LayerReading, OfPart, judged_whole, metres, understand_layer
from riskmap.read.sayings import LayerSayings
from riskmap.read.seen import Seen, join_seen, tell_kinds, tell_shapes
from riskmap.read.streams import only_closed
from riskmap.read.vectors import know_parquet, read_vector

__all__ = ["LayerFile", "fits_parts", "open_layer", "read_part", "tell_parts"]

_BY_BOX: Final = frozenset({Kind.FLATGEOBUF, Kind.GEOPACKAGE, Kind.PARQUET})  # a shapefile needs a pass for each


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFile:
    """A layer file as it was found; whoever reads of it later must find it so.

    Attributes
    ----------
    crs : pyproj.CRS
        Of the layer.
    widest_m : float
        Width of its widest line, near the trees or not. [m]
    """

    source: LayerSource
    path: Path
    size: int
    changed_ns: int
    known: Known
    crs: pyproj.CRS
    widest_m: float

    def expect(self) -> None:
        """Look whether it is there as it was.

        Raises
        ------
        MachineError
            It is not.
        """
        name = shown(self.path, longest=4096)
        try:
            about = self.path.stat()
        except OSError as error:
            raise MachineError(
                f"{name} is not to be found where a part is worked on: each part reads this layer itself, so leave the "
                "file where it is, and let workers reach it under the same path as this machine"
            ) from error
        if (about.st_size, about.st_mtime_ns) != (self.size, self.changed_ns):
            raise MachineError(
                f"{name} is not the file that this run began with: it was changed since, or another one stands there "
                "where a part is worked on; start the run again, and leave the file alone until it ends"
            )


def fits_parts(source: LayerSource, settings: Settings) -> Known | None:
    """Return what is known of a layer that can be read by box again and again; None where it must be read at once.

    Parameters
    ----------
    source : LayerSource
        The block of site.toml.
    settings : Settings
        Resolves the path it names.
    """
    if judged_whole(source) or source.covers:
        return None
    path = settings.resolve(source.file)
    try:
        kind = sniff(path, file_as_typed=source.file, key="layers.file")
        if kind not in _BY_BOX or not is_large(path) or (kind is Kind.GEOPACKAGE and is_live(path)):
            return None
        return know_parquet(path, file_as_typed=source.file) if kind is Kind.PARQUET else Known()
    except (InputError, OSError):  # said by whoever reads it
        return None


def read_part(
    source: LayerSource, settings: Settings, near: Near, known: Known, *, crs: pyproj.CRS | None = None
) -> tuple[LayerReading, bool]:
    """Read of a layer what lies near some of the trees; nothing is said of it but faults.

    Parameters
    ----------
    source : LayerSource
        The block of site.toml.
    settings : Settings
        Resolves the path it names.
    near : callable
        Returns the boxes to read in a CRS.
    known : Known
        What is known of the file.
    crs : pyproj.CRS, optional
        Of the layer, where that is settled.

    Returns
    -------
    LayerReading
        With all that was come upon in `seen`.
    bool
        Whether the whole file was read: it could not be done by box, or the boxes hold all of it.
    """
    try:
        table = read_vector(
            settings.resolve(source.file), layer=source.layer, encoding=source.encoding, file_as_typed=source.file,
            near=near, known=known,
        )  # fmt: skip
        return understand_layer(source, table, settings, part=OfPart(crs=crs)), table.whole
    except InputError as error:
        return LayerReading(layer=None, problems=error.problems), True


def open_layer(
    source: LayerSource, settings: Settings, near: Near, known: Known
) -> tuple[LayerReading, LayerFile] | None:
    """Return what holds for the whole of a layer from where it comes near some trees; None where that can't be told.

    Parameters
    ----------
    source : LayerSource
        The block of site.toml.
    settings : Settings
        Resolves the path it names.
    near : callable
        Returns boxes in a CRS that hold some of its features.
    known : Known
        What is known of the file.
    """
    path = settings.resolve(source.file)
    about = path.stat()
    try:
        table = read_vector(
            path, layer=source.layer, encoding=source.encoding, file_as_typed=source.file, near=near, known=known
        )
        reading = understand_layer(source, table, settings)
        widest_m = 0.0 if source.width_m is None else source.width_m
        if isinstance(widest_m, str):
            cells = table.column_in_file(widest_m)
            widest_m = 0.0 if cells is None else float(np.nanmax(metres(cells)[0], initial=0.0))
    except InputError:
        return None
    if table.whole or reading.layer is None or reading.problems or reading.seen is None:
        return None
    if only_closed(reading.seen.kinds, reading.seen.used):
        return None
    whole = replace(reading, notes=tuple(note for note in reading.notes if note.code == "keep_unseen"), repaired=())
    return whole, LayerFile(
        source=source, path=path, size=about.st_size, changed_ns=about.st_mtime_ns,
        known=replace(known, sha256=table.sha256), crs=reading.layer.crs, widest_m=widest_m,
    )  # fmt: skip


def tell_parts(reading: LayerReading, source: LayerSource, several: Sequence[Seen]) -> LayerReading:
    """Return the reading of a layer that parts have read: what they came upon is told as one reading would tell it.

    Parameters
    ----------
    reading : LayerReading
        As `open_layer` returned it.
    source : LayerSource
        The block of site.toml.
    several : sequence of Seen
        What each part came upon.
    """
    (entry,) = reading.read_as
    seen = join_seen(several, entry.rows)
    if seen is None:
        return reading
    say = LayerSayings(source, seen.name)
    tell_shapes(seen, say)
    tell_kinds(seen, say, None)
    facts = {
        "features_near_trees": len(seen.feature),
        "rows_kept": int(seen.kept.sum()),
        "features_used": int(seen.used.sum()),
    }
    told = {name: facts.get(name, fact) for name, fact in entry.facts.items()}
    return replace(
        reading,
        notes=(*reading.notes, *say.notes),
        repaired=tuple(say.repaired),
        read_as=(replace(entry, facts=told),),
    )
