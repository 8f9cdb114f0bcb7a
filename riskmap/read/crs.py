"""A CRS as a user or a file names it, refused where it would lead to other files."""

from __future__ import annotations

import json
import math
import re
import warnings
from functools import lru_cache
from typing import Any, Final

import pyproj
from pyproj.exceptions import CRSError, ProjError

from riskmap.errors import shown

__all__ = ["crs_from_file", "crs_in_words", "crs_typed", "same_crs", "usable"]

_GRID: Final = re.compile(r"\+?nadgrids=([^\s\"]*)|\+?geoidgrids=([^\s\"]*)|PARAMETERFILE\s*\[[^\[\]]*", re.IGNORECASE)
_OGC_NAME: Final = re.compile(r"^https?://www\.opengis\.net/def/crs/\w+/[\w.]+/\w+$")  # a name: PROJ looks it up here
_EARTH_M: Final = (6_300_000.0, 6_450_000.0)  # half the width of every figure of the earth in use
_BARE: Final = re.compile(r"^@?[\w.\-]*(?:,@?[\w.\-]*)*$")


def crs_typed(text: str) -> pyproj.CRS:
    """Read a CRS from site.toml, such as ``EPSG:26918``.

    Raises
    ------
    ValueError
        It is none, or none that a map can be drawn in; the words say what would do.

    Examples
    --------
    >>> crs_typed("epsg:26918").name
    'NAD83 / UTM zone 18N'
    """
    text = text.strip()
    if re.fullmatch(r"\d{4,6}", text):
        text = f"EPSG:{text}"
    if follows_paths(text) or (re.match(r"^\w+://|^/", text) and not _OGC_NAME.match(text)):
        raise ValueError(f"{shown(text)!r} names a file or an address, not a coordinate system")
    try:
        crs = pyproj.CRS.from_user_input(text)
    except (CRSError, ValueError, TypeError) as error:
        raise ValueError(f"{shown(text)!r} is no coordinate system (CRS) that PROJ knows") from error
    found = usable(crs)
    if found is None:
        raise ValueError(f"{shown(text)!r} is no coordinate system of places on the ground")
    return found


def crs_from_file(written: Any) -> pyproj.CRS | None:
    """Read what a file says of its CRS; None where it says nothing of use (undefined, engineering, not readable)."""
    if isinstance(written, pyproj.CRS):
        return usable(written)
    return _crs_read(written if isinstance(written, str | int | None) else json.dumps(written))


@lru_cache(maxsize=64)
def _crs_read(written: Any) -> pyproj.CRS | None:
    """The same for what can be remembered: PROJ takes 50 ms to read a CRS, and ten layers have one."""
    if written is None or written == "" or follows_paths(str(written)):
        return None
    try:
        crs = pyproj.CRS.from_user_input(written)
    except (CRSError, ValueError, TypeError):
        return None
    return usable(crs)


def same_crs(one: pyproj.CRS, other: pyproj.CRS) -> bool:
    """Whether two CRSs place coordinates alike, whatever they are called and in whichever order the axes stand.

    Examples
    --------
    >>> same_crs(pyproj.CRS("EPSG:4326"), pyproj.CRS("OGC:CRS84")), same_crs(pyproj.CRS(26918), pyproj.CRS(32618))
    (True, False)
    """
    if one.equals(other, ignore_axis_order=True):
        return True
    first, second = _proj_words(one), _proj_words(other)
    return bool(first) and first.keys() == second.keys() and all(_alike(first[key], second[key]) for key in first)


def _proj_words(crs: pyproj.CRS) -> dict[str, str]:
    """The figures of a CRS without its names and its ways to other datums."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # PROJ strings lose names, and names are what we want to lose
        words = (word.partition("=") for word in crs.to_proj4().split())
    return {key: value for key, _, value in words if key not in ("+towgs84", "+nadgrids", "+no_defs", "+type")}


def _alike(one: str, other: str) -> bool:
    """The same word, or the same number to the last printed digit (1 mm in a thousand kilometres)."""
    try:
        return one == other or math.isclose(float(one), float(other), rel_tol=1e-9)
    except ValueError:
        return False


def usable(crs: pyproj.CRS) -> pyproj.CRS | None:
    """The CRS, its horizontal part where it is compound, or None where it places nothing on the ground."""
    if crs.name.casefold().startswith("undefined"):
        return None
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    horizontal = crs.source_crs if crs.is_bound and crs.source_crs is not None else crs
    placed = horizontal.is_geographic or horizontal.is_projected
    return crs if placed and _is_of_earth(horizontal) else None


def _is_of_earth(crs: pyproj.CRS) -> bool:
    """Whether a CRS is one of the earth that PROJ can work with (a file may give an ellipsoid of no size)."""
    try:
        half = pyproj.Proj(crs).crs.ellipsoid
    except (CRSError, ProjError):
        return False
    return half is None or _EARTH_M[0] < half.semi_major_metre < _EARTH_M[1]


def follows_paths(written: str) -> bool:
    """Whether a CRS text names a grid by a path or an address instead of a bare file name."""
    for found in _GRID.finditer(written):
        names = found[1] if found[1] is not None else found[2]
        if names is None:
            quoted = re.findall(r'"([^"]*)"', found[0])
            names = quoted[-1] if quoted else ""
        if not _BARE.match(names.strip("'")):
            return True
    return False


def crs_in_words(crs: pyproj.CRS | None) -> str:
    """Return the code and name of a CRS, as reports show it."""
    if crs is None:
        return "not known"
    code = crs.to_json_dict().get("id")  # to_authority searches the whole database where there is none
    return f"{code['authority']}:{code['code']} ({shown(crs.name)})" if code else shown(crs.name)
