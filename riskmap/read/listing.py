"""Which layers a file holds, for writing a first site file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from riskmap.errors import InputError
from riskmap.read.door import open_file
from riskmap.read.kinds import Kind
from riskmap.read.vectors import read_vector

__all__ = ["ListedLayer", "list_file"]

_TABLES = (Kind.CSV, Kind.XLSX)
_MANY_LAYERS = (Kind.GEOPACKAGE, Kind.FILE_GEODATABASE, Kind.KML, Kind.GPX, Kind.OSM_PBF, Kind.OSM_XML, Kind.GML)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedLayer:
    """One layer of a file."""

    kind: Kind
    layer: str = ""  # "" where the file holds one only
    features: int | None = None
    crs: str = ""  # "" where nobody knows
    crs_code: str = ""  # such as EPSG:26918, of a system of a plane only
    fault: str = ""  # why it can't be read as it stands


def list_file(path: Path, *, file_as_typed: str) -> list[ListedLayer]:
    """List the layers of one file.

    Parameters
    ----------
    path : Path
        Absolute path.
    file_as_typed : str
        For messages.

    Returns
    -------
    list of ListedLayer
        A table or a raster is one entry.

    Raises
    ------
    InputError
        The file is refused.
    """
    names = [""]
    with open_file(path, file_as_typed=file_as_typed, key="layers.file") as opened:
        kind = opened.parts[0].kind
        if len(opened.parts) > 1:
            names = [Path(part.name).stem for part in opened.parts]
        elif kind in _MANY_LAYERS:
            names = _layer_names(opened.parts[0].path)
    if kind in _TABLES or kind is Kind.GEOTIFF:
        return [ListedLayer(kind=kind)]
    return [_look_at(path, file_as_typed, kind, name, alone=len(names) == 1) for name in names]


def _layer_names(path: Path) -> list[str]:
    """Layers with shapes, by name; one without a name where the file does not open: reading it says why."""
    import pyogrio

    try:
        return [str(name) for name, shape in pyogrio.list_layers(path) if shape is not None]
    except (OSError, ValueError, RuntimeError, LookupError):
        return [""]


def _look_at(path: Path, typed: str, kind: Kind, name: str, *, alone: bool) -> ListedLayer:
    """One layer: how much it holds and in which system."""
    layer = "" if alone else name
    try:
        table = read_vector(path, layer=name, file_as_typed=typed)
    except InputError as error:
        return ListedLayer(kind=kind, layer=layer, fault=error.problems[0].what)
    crs = table.crs.name if table.crs is not None else ""
    authority = table.crs.to_authority() if table.crs is not None and table.crs.is_projected else None
    return ListedLayer(
        kind=kind,
        layer=layer,
        features=table.rows,
        crs=crs,
        crs_code=":".join(authority or ()),
        fault="" if crs else table.crs_words,
    )
