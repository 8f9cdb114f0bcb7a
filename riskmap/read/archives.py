"""Unpack zip, KMZ and gz ourselves, counting what comes out; check the parts of an XLSX the same way."""

from __future__ import annotations

import gzip
import io
import stat
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Final

from riskmap.read.kinds import Kind, Refusal, root_of_xml

__all__ = [
    "MOST_BYTES",
    "MOST_ENTRIES",
    "MOST_TIMES",
    "check_workbook",
    "members_of",
    "unpack_gzip",
    "unpack_zip",
    "zip_kind",
]

MOST_BYTES: Final = 4 * 1024**3
MOST_TIMES: Final = 200  # unpacked bytes to packed bytes, in all
MOST_ENTRIES: Final = 1000
ALWAYS_ALLOWED: Final = 8 * 1024**2  # bytes; a small table of like rows may shrink a thousandfold
_PIECE: Final = 1 << 20
_MAIN_ENDINGS: Final = frozenset(
    {".csv", ".tsv", ".txt", ".gpkg", ".shp", ".geojson", ".json", ".topojson", ".fgb", ".gml", ".gpx", ".kml", ".osm"}
    | {".pbf", ".parquet", ".geoparquet", ".tif", ".tiff"}
)
_COMPANION_ENDINGS: Final = frozenset({".dbf", ".shx", ".prj", ".cpg", ".tfw"})
_NESTED_ENDINGS: Final = frozenset({".zip", ".kmz", ".xlsx", ".gz", ".7z", ".rar", ".tar", ".tgz", ".bz2", ".xz"})


class _Counter:
    """Counts unpacked bytes against the limits."""

    def __init__(self, packed: int) -> None:
        self.limit = min(MOST_BYTES, max(MOST_TIMES * packed, ALWAYS_ALLOWED))
        self.out = 0

    def count(self, piece: bytes) -> bytes:
        """Return the piece, or refuse when the sum has passed the limit."""
        self.out += len(piece)
        if self.out > self.limit:
            raise Refusal(
                f"it unpacks to more than {self.limit / 1e6:,.0f} MB, past the limit of {MOST_TIMES} times its size "
                f"and {MOST_BYTES / 1024**3:.0f} GB",
                "unpack it yourself, look at what is in it, and name the file",
            )
        return piece


def unpack_gzip(path: Path, into: BinaryIO) -> None:
    """Unpack a gz file into an open file, counting."""
    counter = _Counter(path.stat().st_size)
    try:
        with gzip.open(path) as packed:
            while piece := packed.read(_PIECE):
                into.write(counter.count(piece))
    except (OSError, EOFError, zlib.error) as error:
        if isinstance(error, OSError) and error.errno:
            raise
        raise Refusal(f"its gz packing does not read ({error})", "pack or send it again") from error


def members_of(path: Path) -> list[zipfile.ZipInfo]:
    """Return the files of a zip after checking every entry's name and kind, or refuse the whole."""
    try:
        with zipfile.ZipFile(path) as packed:
            entries = packed.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise Refusal(f"its zip packing does not read ({error})", "pack or send it again") from error
    if len(entries) > MOST_ENTRIES:
        raise Refusal(
            f"the archive has {len(entries):,} entries, more than {MOST_ENTRIES:,}", "pack only the file needed"
        )
    seen: set[str] = set()
    for entry in entries:
        _check_entry(entry, seen)
    return [entry for entry in entries if not entry.is_dir()]


def _check_entry(entry: zipfile.ZipInfo, seen: set[str]) -> None:
    """Refuse names that climb out, links, doubled names and encryption."""
    name = entry.filename.replace("\\", "/")
    short = ascii(entry.filename[:60])
    parts = PurePosixPath(name).parts
    if name.startswith("/") or ".." in parts or ":" in name or any(ord(mark) < 32 for mark in name):
        raise Refusal(f"the archive's entry {short} would land outside its folder", "pack it anew with plain names")
    mode = entry.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG, stat.S_IFDIR):
        raise Refusal(f"the archive's entry {short} is a link, not a file", "pack it anew without links")
    if entry.flag_bits & 0x1:
        raise Refusal(f"the archive's entry {short} is locked with a password", "pack it anew without a password")
    key = name.rstrip("/").casefold()
    if key in seen:
        raise Refusal(f"the archive holds {short} twice", "pack it anew")
    seen.add(key)


def unpack_zip(path: Path, folder: Path) -> list[Path]:
    """Unpack what riskmap reads from a zip into a private folder and return the main files, sorted.

    Other entries (read-me files, pictures) are left packed; archives inside the archive are never opened.
    """
    entries = members_of(path)
    wanted = [entry for entry in entries if _is_wanted(entry.filename)]
    if not any(_is_main(entry.filename) for entry in wanted):
        nested = [
            entry.filename for entry in entries if PurePosixPath(entry.filename).suffix.casefold() in _NESTED_ENDINGS
        ]
        if nested:
            raise Refusal(f"it holds an archive inside the archive ({nested[0][:60]!a})", "unpack the inner one first")
        raise Refusal("the archive holds no file that riskmap reads", "pack the data file itself")
    counter = _Counter(path.stat().st_size)
    with zipfile.ZipFile(path) as packed:
        for entry in wanted:
            target = folder.joinpath(*PurePosixPath(entry.filename.replace("\\", "/")).parts)
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as out:
                for piece in _pieces(packed, entry):
                    out.write(counter.count(piece))
    return _main_files(folder, wanted)


def _pieces(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """The entry's bytes, piece by piece."""
    try:
        with packed.open(entry) as member:
            while piece := member.read(_PIECE):
                yield piece
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise Refusal(f"its entry {entry.filename[:60]!a} does not unpack ({error})", "pack it again") from error


def _in_geodatabase(name: str) -> str:
    """The .gdb folder a zip entry stands in, or ''."""
    parts = PurePosixPath(name.replace("\\", "/")).parts[:-1]
    for depth, part in enumerate(parts, start=1):
        if part.casefold().endswith(".gdb"):
            return "/".join(parts[:depth])
    return ""


def _is_main(name: str) -> bool:
    """Whether an entry is a data file, judged by its ending (its bytes are judged when it is opened)."""
    pure = PurePosixPath(name.replace("\\", "/"))
    if pure.name.startswith("._") or "__MACOSX" in pure.parts:
        return False
    return pure.suffix.casefold() in _MAIN_ENDINGS or bool(_in_geodatabase(name))


def _is_wanted(name: str) -> bool:
    """Whether an entry is unpacked: data files and a shapefile's companions."""
    return _is_main(name) or PurePosixPath(name.replace("\\", "/")).suffix.casefold() in _COMPANION_ENDINGS


def _main_files(folder: Path, wanted: list[zipfile.ZipInfo]) -> list[Path]:
    """Data files and geodatabase folders that came out, sorted; plain text only where nothing else is there."""
    found: set[Path] = set()
    for entry in wanted:
        if not _is_main(entry.filename):
            continue
        geodatabase = _in_geodatabase(entry.filename)
        found.add(folder.joinpath(*PurePosixPath(geodatabase or entry.filename.replace("\\", "/")).parts))
    data = {path for path in found if path.suffix.casefold() != ".txt"}
    return _without_index(folder, sorted(data or found))


def _without_index(folder: Path, found: list[Path]) -> list[Path]:
    """KML files of a KMZ: doc.kml where it holds places, else those that it only lists."""
    index = folder / "doc.kml"
    if index not in found or len(found) == 1:
        return found
    holds_places = b"Placemark" in index.read_bytes()
    return [path for path in found if (path == index) == holds_places or path.suffix.casefold() != ".kml"]


def check_workbook(path: Path) -> None:
    """Refuse an XLSX that unpacks past the limits or whose XML has a DOCTYPE."""
    counter = _Counter(path.stat().st_size)
    entries = members_of(path)
    with zipfile.ZipFile(path) as packed:
        for entry in entries:
            first = b""
            for piece in _pieces(packed, entry):
                counter.count(piece)
                first = first or piece
            if first.lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n").startswith(b"<"):
                root_of_xml(io.BytesIO(first))


def zip_kind(path: Path) -> Kind:
    """XLSX, or a plain zip (KMZ included)."""
    names = {entry.filename for entry in members_of(path)}
    if "[Content_Types].xml" not in names:
        return Kind.ZIP
    if any(name.startswith("xl/") for name in names):
        return Kind.XLSX
    raise Refusal("this is an office document, not a table", "save the table as XLSX or CSV")
