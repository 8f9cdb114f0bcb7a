"""Read an XML file to its end before GDAL does, and refuse what GDAL would pass over in silence."""

from __future__ import annotations

import mmap
import re
from pathlib import Path
from typing import Any, Final
from xml.parsers import expat

from riskmap.read.kinds import Kind, Refusal

__all__ = ["as_utf8", "check_xml_whole"]

_LONGEST_TAG: Final = 1 << 20  # bytes; a parser reads a tag anew with every piece of it
_NEW_NODE: Final = re.compile(rb"<node\s[^<>]*\bid\s*=\s*[\"']\s*-")
_WIDE_MARKS: Final = (b"\xff\xfe", b"\xfe\xff")
_DECLARATION: Final = re.compile(r"^\s*<\?xml[^>]*\?>")


def check_xml_whole(path: Path, kind: Kind) -> None:
    """Read an XML file to its end: GDAL may hand over what stands before a cut without a word.

    Raises
    ------
    Refusal
        It does not read, a tag has no end, a waypoint has no place, or nodes have numbers that GDAL leaves out.
    """
    _check_tags(path)
    if kind is Kind.OSM_XML:
        with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as text:
            if _NEW_NODE.search(text):
                what = "its nodes have numbers below 0 (edits that were never uploaded)"
                raise Refusal(what, "export the layer as GeoJSON")
    parser = expat.ParserCreate(namespace_separator=" ")
    if kind is Kind.GPX:
        parser.StartElementHandler = _Waypoints().see
    with path.open("rb") as stream:
        try:
            parser.ParseFile(stream)
        except (expat.ExpatError, LookupError, ValueError) as error:
            raise Refusal(
                f"its XML does not read to the end ({error})", "the file is cut off or damaged: send it again"
            ) from None


class _Waypoints:
    """Counts waypoints, and refuses one without a place: GDAL would leave it out."""

    def __init__(self) -> None:
        self.met = 0

    def see(self, name: str, attributes: dict[str, Any]) -> None:
        """Look at one element."""
        if name.rpartition(" ")[2] == "wpt":
            self.met += 1
            if not {"lat", "lon"} <= attributes.keys():
                raise Refusal(f"its waypoint {self.met} has no lat and lon", "give it a place, or take it out")


def _check_tags(path: Path) -> None:
    """Refuse a tag, comment or section of more than a megabyte: reading it takes time by the square of its length."""
    with path.open("rb") as stream:
        open_tag = False
        while piece := stream.read(_LONGEST_TAG):
            if open_tag and b">" not in piece and len(piece) == _LONGEST_TAG:
                raise Refusal("its XML has a tag of more than a megabyte", "export the file anew")
            first, last = piece.rfind(b"<"), piece.rfind(b">")
            open_tag = first > last or (open_tag and first == last == -1)


def as_utf8(path: Path, target: Path) -> bool:
    """Write a file in UTF-16 anew in UTF-8, which is all that GDAL knows by its first words; tell whether it was."""
    with path.open("rb") as stream:
        if stream.read(2) not in _WIDE_MARKS:
            return False
    text = path.read_bytes().decode("utf-16", "replace")
    target.write_text('<?xml version="1.0" encoding="UTF-8"?>' + _DECLARATION.sub("", text, count=1), encoding="utf-8")
    return True
