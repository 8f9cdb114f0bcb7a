"""What kind a file is, told by its first bytes and, for XML and JSON, its root; never by its name."""

from __future__ import annotations

import json
import re
from enum import Enum
from typing import BinaryIO, Final
from xml.parsers import expat

from riskmap.read.letters import wide_encoding

__all__ = ["KINDS_WORDS", "Kind", "Refusal", "kind_of", "root_of_xml"]

HEAD_BYTES: Final = 65_536
LONGEST_PROLOG: Final = 1_048_576  # bytes of XML before the root element
KINDS_WORDS: Final = (
    "CSV, XLSX, GeoPackage, Shapefile, GeoJSON, TopoJSON, FlatGeobuf, GML, GPX, KML or KMZ, OSM, Parquet, GeoTIFF, "
    "a File Geodatabase folder, or a zip of one"
)


class Kind(Enum):
    """The fixed list of what the door opens; the last two only wrap one of the others."""

    CSV = "CSV"
    XLSX = "XLSX"
    GEOPACKAGE = "GeoPackage"
    SHAPEFILE = "Shapefile"
    GEOJSON = "GeoJSON"
    TOPOJSON = "TopoJSON"
    FLATGEOBUF = "FlatGeobuf"
    GML = "GML"
    GPX = "GPX"
    KML = "KML"
    OSM_XML = "OSM XML"
    OSM_PBF = "OSM PBF"
    PARQUET = "Parquet"
    GEOTIFF = "GeoTIFF"
    FILE_GEODATABASE = "File Geodatabase"
    ZIP = "zip"
    GZIP = "gzip"


class Refusal(Exception):  # noqa: N818 - it is an answer, turned into a Problem by the door
    """Why a file is not opened, and what would do."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(what)


_MAGIC: Final[tuple[tuple[bytes, Kind], ...]] = (
    (b"fgb\x03fgb", Kind.FLATGEOBUF),
    (b"PAR1", Kind.PARQUET),
    (b"II*\x00", Kind.GEOTIFF),
    (b"MM\x00*", Kind.GEOTIFF),
    (b"II+\x00", Kind.GEOTIFF),
    (b"MM\x00+", Kind.GEOTIFF),
    (b"PK\x03\x04", Kind.ZIP),
    (b"PK\x05\x06", Kind.ZIP),
    (b"\x1f\x8b", Kind.GZIP),
)
_FOREIGN: Final[tuple[tuple[bytes, str], ...]] = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"\xd0\xcf\x11\xe0", "an old Excel file (.xls), or one locked with a password"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"BZh", "a bzip2 archive"),
    (b"AC10", "a CAD drawing"),
    (b"\x89HDF", "an HDF5 or NetCDF file"),
    (b"CDF\x01", "a NetCDF file"),
    (b"GRIB", "a GRIB file"),
)
# GDAL opens these by content wherever the words stand in the head, and follows the paths inside.
_POINTERS: Final = (
    *(b"<OGRVRTDATASOURCE", b"<VRTDATASET", b"<VRTTILEDDATASET", b"<GDALTILEINDEXDATASET", b"<GDAL_WMS"),
    b"GDAL_STREAMED_ALG",
)
_XML_ROOTS: Final = {"gpx": Kind.GPX, "kml": Kind.KML, "osm": Kind.OSM_XML}
_GEOJSON_TYPES: Final = frozenset(
    {"FeatureCollection", "Feature", "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon"}
    | {"GeometryCollection"}
)
_NEXT_OBJECT: Final = re.compile(r"\}\s*[\n\x1e]\s*\{")  # inside one object a comma would stand between
_JSON_TOKEN: Final = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\]:,]')


def kind_of(stream: BinaryIO) -> Kind:
    """Tell the kind of an open file by its bytes.

    Parameters
    ----------
    stream : binary file
        Seekable; left where the reading ended.

    Returns
    -------
    Kind
        CSV for any text that is neither XML nor JSON.

    Raises
    ------
    Refusal
        The file is empty, of no kind on the list, or text that points GDAL at other files.
    """
    stream.seek(0)
    head = stream.read(HEAD_BYTES)
    if not head:
        raise Refusal("the file is empty (0 bytes)", "send it again or export it anew")
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if head.startswith(b"SQLite format 3\x00"):
        if b"gpkg_contents" not in head and head[68:72] not in (b"GPKG", b"GP10", b"GP11", b"GP12"):
            raise Refusal("this is a database, but no GeoPackage", "export the layer as GeoPackage")
        return Kind.GEOPACKAGE
    if head.startswith(b"\x00\x00\x27\x0a"):
        return Kind.SHAPEFILE
    if head[4:15] == b"\n\tOSMHeader":
        return Kind.OSM_PBF
    for magic, words in _FOREIGN:
        if head.startswith(magic):
            raise _unknown(f"this is {words}")
    return _kind_of_text(stream, head)


def _unknown(what: str) -> Refusal:
    """The refusal of a kind that is not on the list."""
    return Refusal(f"{what}, which riskmap does not read", f"export it as {KINDS_WORDS}")


def _kind_of_text(stream: BinaryIO, head: bytes) -> Kind:
    """The kind of a file that should be text."""
    flat = head.upper().replace(b"\x00", b"")
    wide = head.startswith((b"\xff\xfe", b"\xfe\xff")) or wide_encoding(head[:4096]) != ""
    if b"\x00" in head and not wide and not head.lstrip().startswith(b"<"):
        text = head.translate(None, bytes(range(1, 9)) + bytes(range(14, 32)))
        if len(text) > 0.9 * len(head) and head.count(b"\x00") < 0.1 * len(head):
            line = head[: head.index(b"\x00")].count(b"\n") + 1
            raise Refusal(f"this looks like text, but line {line} holds a zero byte (NUL)", "save or export it again")
        raise _unknown("this is no text and of no kind on the list")
    start = flat.lstrip(b"\xef\xbb\xbf\xff\xfe\x1e \t\r\n")
    if start.startswith((b"<", b"{", b"[")) and any(words in flat for words in _POINTERS):
        raise Refusal(
            "this is a virtual dataset (VRT) that points at other files", "name the files it points at instead"
        )
    if start.startswith(b"<"):
        return _kind_of_xml(stream)
    if start.startswith((b"{", b"[")):
        return _kind_of_json(stream, head)
    return Kind.CSV


class _RootFound(Exception):  # noqa: N818 - a signal, not an error
    """The root element has been met."""


def _kind_of_xml(stream: BinaryIO) -> Kind:
    """The kind by the root element; a DOCTYPE stands before it, so it is met on the way."""
    root = root_of_xml(stream)
    space, _, name = root.rpartition(" ")
    if name.casefold() in _XML_ROOTS:
        return _XML_ROOTS[name.casefold()]
    if "opengis.net" in space or name in ("FeatureCollection", "featureMember", "featureMembers"):
        return Kind.GML
    if name.casefold() in ("html", "head", "body"):
        raise Refusal("this is a web page, not data", "download the file itself and send it again")
    if _declares_gml(stream):
        return Kind.GML
    raise _unknown(f"this is XML whose root is <{name[:40]}>")


def root_of_xml(stream: BinaryIO) -> str:
    """Return namespace and name of the root element, parted by a space; refuse a DOCTYPE."""
    found: list[str] = []

    def see_root(name: str, _attributes: object) -> None:
        found.append(name)
        raise _RootFound

    def see_doctype(*_details: object) -> None:
        raise Refusal("its XML has a DOCTYPE, which can pull in other files", "take out the <!DOCTYPE …> part")

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = see_root
    parser.StartDoctypeDeclHandler = see_doctype
    stream.seek(0)
    try:
        for _ in range(LONGEST_PROLOG // HEAD_BYTES):
            piece = stream.read(HEAD_BYTES)
            parser.Parse(piece, not piece)
            if not piece:
                break
    except _RootFound:
        return found[0]
    except (expat.ExpatError, LookupError, ValueError) as error:
        raise Refusal(f"its XML does not read ({error})", "export the file anew") from error
    raise Refusal("its XML has no root element", "export the file anew")


def _declares_gml(stream: BinaryIO) -> bool:
    """Whether the head binds a prefix to the GML namespace (application schemas have roots of their own)."""
    stream.seek(0)
    return b"http://www.opengis.net/gml" in stream.read(HEAD_BYTES)


def _kind_of_json(stream: BinaryIO, head: bytes) -> Kind:
    """The kind by the members of the root object."""
    text = head.decode("utf-8-sig", errors="replace")
    keys, kind_word = _root_members(text)
    if kind_word is None:
        stream.seek(0, 2)
        stream.seek(max(0, stream.tell() - HEAD_BYTES))
        tail = stream.read().decode("utf-8", errors="replace")
        last = re.search(r'"type"\s*:\s*"(\w+)"\s*[,}][^\[\]{}]*\}?\s*$', tail)
        kind_word = last[1] if last else None
    if kind_word == "Feature" and _NEXT_OBJECT.search(text):
        raise Refusal("this is one GeoJSON object a line (GeoJSON sequence)", "export it as one FeatureCollection")
    if kind_word in _GEOJSON_TYPES or (kind_word is None and "features" in keys):
        return Kind.GEOJSON
    if kind_word == "Topology":
        return Kind.TOPOJSON
    raise _unknown("this is JSON, but neither GeoJSON nor TopoJSON")


def _root_members(text: str) -> tuple[set[str], str | None]:
    """Names of the root object's members seen in the head, and its "type"."""
    keys: set[str] = set()
    depth, key, after_colon = 0, "", False
    for token in _JSON_TOKEN.finditer(text):
        mark = token[0]
        if mark in "{[":
            depth += 1
            after_colon = False
        elif mark in "}]":
            depth -= 1
        elif mark == ":":
            after_colon = depth == 1
        elif mark == ",":
            after_colon = False
        elif depth == 1:
            word = _unquoted(mark)
            if not after_colon:
                key = word
                keys.add(word)
            elif key == "type":
                return keys, word
    return keys, None


def _unquoted(token: str) -> str:
    """A JSON string token as text."""
    try:
        return str(json.loads(token, strict=False))
    except ValueError:
        return token[1:-1]
