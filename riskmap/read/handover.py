"""Check a file as its kind demands, and give it a private name that a library may open."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Final

from riskmap.errors import shown
from riskmap.read.archives import check_workbook
from riskmap.read.json_guard import check_geojson_crs
from riskmap.read.kinds import Kind, Refusal
from riskmap.read.sqlite_guard import check_geopackage
from riskmap.read.xml_guard import as_utf8, check_xml_whole

__all__ = ["check_geodatabase", "hand_over", "is_live"]

_XML: Final = frozenset({Kind.GML, Kind.GPX, Kind.KML, Kind.OSM_XML})
_ENDINGS: Final = {
    Kind.CSV: ".csv",
    Kind.XLSX: ".xlsx",
    Kind.GEOPACKAGE: ".gpkg",
    Kind.SHAPEFILE: ".shp",
    Kind.GEOJSON: ".geojson",
    Kind.TOPOJSON: ".topojson",
    Kind.FLATGEOBUF: ".fgb",
    Kind.GML: ".gml",
    Kind.GPX: ".gpx",
    Kind.KML: ".kml",
    Kind.OSM_XML: ".osm",
    Kind.OSM_PBF: ".osm.pbf",
    Kind.PARQUET: ".parquet",
    Kind.GEOTIFF: ".tif",
    Kind.FILE_GEODATABASE: ".gdb",
}


def hand_over(path: Path, kind: Kind, private: Path, name: str) -> tuple[Path, dict[str, str]]:
    """Check one data file as its kind demands and give it a private, plain name."""
    stem = re.sub(r"[^\w\- ]", "_", name.split(".", maxsplit=1)[0]).strip() or "data"
    target = private / (stem[:80] + _ENDINGS[kind])
    facts: dict[str, str] = {}
    if kind in _XML:
        check_xml_whole(path, kind)
        if as_utf8(path, target):
            return target, facts
    elif kind in (Kind.GEOJSON, Kind.TOPOJSON):
        check_geojson_crs(path)
    elif kind is Kind.OSM_PBF:
        _check_pbf_whole(path)
    elif kind is Kind.XLSX:
        check_workbook(path)
    elif kind is Kind.SHAPEFILE:
        facts = _link_companions(path, private / stem[:80])
    elif kind is Kind.GEOPACKAGE:
        if _copy_if_live(path, target):
            check_geopackage(target)
            return target, {"copied": "write-ahead log"}
        check_geopackage(path)
    _link(path, target)
    return target, facts


def _link(path: Path, target: Path) -> None:
    """Link a file under a private name; copy it where links are not to be had."""
    try:
        target.symlink_to(path.resolve(), target_is_directory=path.is_dir())
    except (OSError, NotImplementedError):
        (shutil.copytree if path.is_dir() else shutil.copyfile)(path, target)


def _check_pbf_whole(path: Path) -> None:
    """Walk the blocks of an OSM PBF: each says how long it is, and the last must end with the file."""
    cut = Refusal("the OSM PBF file is cut off or damaged", "download it again")
    size, at = path.stat().st_size, 0
    with path.open("rb") as stream:
        while at < size:
            stream.seek(at)
            length = int.from_bytes(stream.read(4), "big")
            header = stream.read(length) if 0 < length <= 65_536 else b""
            follows = _pbf_data_size(header)
            if follows is None or len(header) < length:
                raise cut
            at += 4 + length + follows
    if at != size:
        raise cut


def _pbf_data_size(header: bytes) -> int | None:
    """Field 3 (datasize) of a BlobHeader message."""
    at, found = 0, None
    while at < len(header):
        tag, at = _varint(header, at)
        value, at = _varint(header, at)
        if tag & 7 == 2:
            at += value
        elif tag & 7:
            return None
        if tag >> 3 == 3:
            found = value
    return found


def _varint(written: bytes, at: int) -> tuple[int, int]:
    """One variable-length number and where it ends."""
    value = shift = 0
    while at < len(written) and shift < 64:
        byte = written[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            break
    return value, at


def _link_companions(path: Path, private_stem: Path) -> dict[str, str]:
    """Link a shapefile's own companions, and refuse where one is missing or cut off."""
    beside = {
        entry.suffix.casefold(): entry
        for entry in sorted(path.parent.iterdir(), reverse=True)
        if entry.stem.casefold() == path.stem.casefold() and entry.is_file()
    }
    beside.update(
        {
            entry.suffix.casefold(): entry
            for entry in path.parent.iterdir()
            if entry.stem == path.stem and entry.is_file()
        }
    )
    missing = [ending for ending in (".shx", ".dbf") if ending not in beside]
    if missing:
        raise Refusal(
            f"its companion file {' and '.join(path.stem + ending for ending in missing)} is missing",
            "a shapefile is .shp, .shx, .dbf and .prj together: send them all",
        )
    with path.open("rb") as stream:
        header = stream.read(28)
    if 2 * int.from_bytes(header[24:28], "big") > path.stat().st_size:
        raise Refusal("the .shp file is cut off (shorter than its header says)", "send it again")
    with beside[".dbf"].open("rb") as stream:
        head = stream.read(32)
    rows, start, width = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    if len(head) < 32 or start + rows * width > beside[".dbf"].stat().st_size + 1:
        raise Refusal("the .dbf file is cut off (shorter than its header says)", "send it again")
    shapes = max(0, beside[".shx"].stat().st_size - 100) // 8
    if rows != shapes:
        raise Refusal(f"its .shx has {shapes:,} shapes and its .dbf {rows:,} rows", "send all parts of one shapefile")
    for ending in (".shx", ".dbf", ".prj", ".cpg"):
        if ending in beside:
            _link(beside[ending], private_stem.with_name(private_stem.name + ending))
    return {"dbf": str(beside[".dbf"]), "cpg": str(beside.get(".cpg", ""))}


def is_live(path: Path) -> bool:
    """Return whether a GeoPackage is in write-ahead mode, or was left in the middle of a change."""
    with path.open("rb") as stream:
        header = stream.read(20)
    return header[18:20] == b"\x02\x02" or bool(_journals(path))


def _journals(path: Path) -> list[tuple[str, Path]]:
    """What SQLite left beside a file, with the ending of each."""
    journals = [(ending, path.with_name(path.name + ending)) for ending in ("-wal", "-journal")]
    return [(ending, journal) for ending, journal in journals if journal.is_file() and journal.stat().st_size]


def _copy_if_live(path: Path, target: Path) -> bool:
    """Copy a GeoPackage that is in write-ahead mode or was left in the middle of a change, journal included."""
    if not is_live(path):
        return False
    shutil.copyfile(path, target)
    for ending, journal in _journals(path):
        shutil.copyfile(journal, target.with_name(target.name + ending))
    return True


def check_geodatabase(path: Path) -> None:
    """Refuse a geodatabase folder with links in it."""
    for entry in path.rglob("*"):
        if entry.is_symlink() or not (entry.is_file() or entry.is_dir()):
            raise Refusal(f"the folder holds a link ({shown(entry.name)})", "send a folder with plain files only")
