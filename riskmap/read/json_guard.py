"""Look for a GeoJSON `crs` member that would send GDAL elsewhere, before GDAL sees the file."""

from __future__ import annotations

import json
import mmap
import re
from pathlib import Path
from typing import Final

from riskmap.errors import shown
from riskmap.read.kinds import Refusal

__all__ = ["check_geojson_crs"]

# GDAL takes member names whatever their letter case; JSON lets any letter be written as \u00XX.
_CRS_KEY: Final = re.compile(rb"""["'](?:[cC]|\\u00[46]3)(?:[rR]|\\u00[57]2)(?:[sS]|\\u00[57]3)["']""")
_AFTER: Final = re.compile(rb"[ \t\r\n]*(.)", re.DOTALL)
_LONGEST_CRS: Final = 65_536
_GOOD_NAME: Final = re.compile(
    r"^(?:urn:ogc:def:crs:\w+:[\w.]*:\w+|\w+:\w+|https?://www\.opengis\.net/(?:def/crs|gml)/.*)$"
)


def check_geojson_crs(path: Path) -> None:
    """Refuse a GeoJSON file whose `crs` is anything but a plain name.

    Raises
    ------
    Refusal
        A `crs` of type link, one whose name is not of an authority, or one that does not read.
    """
    if path.stat().st_size == 0:
        return
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as text:
        for found in _CRS_KEY.finditer(text):
            follows = _AFTER.match(text, found.end())
            if follows is None or follows[1] in b",]}":
                continue  # a text that reads "crs", not a member
            value = text[follows.end() : follows.end() + _LONGEST_CRS] if follows[1] == b":" else b""
            _check_value(value)


def _check_value(written: bytes) -> None:
    """Refuse a crs member that is not null, a plain text, or {"type": "name", "properties": {"name": …}}."""
    text = written.decode("utf-8", errors="replace").lstrip()
    try:
        value, _ = json.JSONDecoder().raw_decode(text)
    except ValueError:
        raise _refuse("is not readable") from None
    if value is None or isinstance(value, str | int | float):
        return  # nothing GDAL would follow: an attribute of that name
    members = {str(key).casefold(): part for key, part in value.items()} if isinstance(value, dict) else {}
    kind = str(members.get("type", "")).casefold()
    if kind == "epsg" and re.fullmatch(r"\{'code': '?\d{4,6}'?\}", str(members.get("properties"))):
        return  # the form of GeoJSON 2008's forerunner
    if kind != "name":
        raise _refuse(f"is of type {shown(kind)!r}" if kind else "has no type")
    properties = members.get("properties")
    name = properties.get("name") if isinstance(properties, dict) else None
    if not isinstance(name, str) or not _GOOD_NAME.match(name.strip()):
        raise _refuse(f"is named {shown(name)!r}")


def _refuse(what: str) -> Refusal:
    """The refusal, which names what would do."""
    return Refusal(
        f"its crs member {what}, which could lead to another file or address",
        'take the member out, or write {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26918"}}',
    )
