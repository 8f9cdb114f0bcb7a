"""Coordinates out of cells: degrees in every spelling, WKT, pairs; how fine they are; zeros and exchanges."""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.model import BoolArray, FloatArray
from riskmap.read.numbers import LONGEST, Numbers, distinct, read_numbers

__all__ = [
    "Pairs",
    "coarse_step",
    "fit_degrees",
    "near_zero",
    "parse_degrees",
    "read_axis",
    "read_pairs",
    "typed_decimals",
]

NEAR_ZERO_DEGREES: Final = 0.001  # about 100 m
NEAR_ZERO_UNITS: Final = 100.0  # of a projected system
METRES_A_DEGREE: Final = 111_320.0
LONGEST_PLACE: Final = 1000  # characters of a cell that holds a point
COARSEST_M: Final = 10.0
_WKT = re.compile(r"\s*(?:SRID=(\d+);)?\s*(POINT|MULTIPOINT)\s*(?:Z|M|ZM)?\s*\(([\d\s.,()eE+-]+)\)\s*", re.IGNORECASE)
_NO_BRACKETS = str.maketrans("()", "  ")
_OTHER_WKT = re.compile(
    r"\s*(?:SRID=\d+;)?\s*(MULTI)?(POLYGON|LINESTRING|GEOMETRYCOLLECTION|CURVE|SURFACE)", re.IGNORECASE
)
_MARKS = str.maketrans(
    {"º": "°", "˚": "°", "′": "'", "’": "'", "‘": "'", "´": "'", "`": "'", "″": '"', "”": '"', "“": '"'}
)
_DEGREES = re.compile(  # a capital S is south, a small one seconds
    r"""([NSEWOnewo])?\s*([+-]?\d{1,3}(?:[.,]\d+)?)\s*(?:°|[dD](?:eg)?\b|[dD](?=\s?\d)|:|\s)\s*
    (?:(\d{1,2}(?:[.,]\d+)?)\s*(?:'(?!')|[mM](?:in)?\b|[mM](?=\s?\d)|:|\s|$)\s*)?
    (?:(\d{1,2}(?:[.,]\d+)?)\s*(?:"|''|s(?:ec)?\b)?\s*)?([NSEWOnewos])?""",
    re.VERBOSE,
)
_LETTER_LAST = re.compile(
    r"([+-]?\d{1,9}(?:[.,]\d+)?)\s*°?\s*([NSEW])|([NSEW])\s*(\d{1,9}(?:[.,]\d+)?)\s*°?", re.IGNORECASE
)
_WORDS_FOR_SIGNS = (
    (re.compile(r"\s*deg(?:ree)?s?\b\.?\s*", re.IGNORECASE), "°"),
    (re.compile(r"\s*min(?:ute)?s?\b\.?\s*", re.IGNORECASE), "'"),
    (re.compile(r"\s*sec(?:ond)?s?\b\.?\s*", re.IGNORECASE), '"'),
    (re.compile(r"\b([NSEW])(?:orth|outh|ast|est)\b", re.IGNORECASE), r"\1"),
    (re.compile(r"(?<=\d)\s?[*od]\s?(?=\d)", re.IGNORECASE), "°"),
    (re.compile(r"(°\s?\d+)\s?m\s?(?=\d)", re.IGNORECASE), r"\1'"),
    (re.compile(r"('\s?\d+(?:[.,]\d+)?)\s?s(?=\s?[NSEWnsew]?$)"), r'\1"'),
    (re.compile(r"(?<=[NSEWnsew])\.$"), ""),
)
_DASHED = re.compile(r"\d+-\d+-\d+(?:[.,]\d+)?\s*[NSEWnsew]|[NSEWnsew]\s*\d+-\d+-\d+(?:[.,]\d+)?")
_METRES_AFTER = re.compile(r"(\d)\s*m(?:\s?[ENen])?$")  # 500000 m, 500000 mE
_NUMBER = r"([+-]?\d{1,9}(?:\.\d+)?)"
_HEX_POINT = re.compile(r"(?:\\x)?(0[01](?:[0-9A-Fa-f]{2}){20,40})")
_GEOJSON_POINT = re.compile(rf"\{{.*\"Point\".*\[\s*{_NUMBER}\s*,\s*{_NUMBER}\s*[,\]].*", re.DOTALL)
_NAMED_PAIR = re.compile(
    rf"\{{.*lat(?:itude)?[^\w+-]+{_NUMBER}.*(?:lon|lng|long|longitude)[^\w+-]+{_NUMBER}.*", re.DOTALL
)
_AFTER_ADDRESS = re.compile(rf".*\(\s*{_NUMBER}\s*[,;]\s*{_NUMBER}\s*\)\s*", re.DOTALL)
_PAIR = re.compile(
    r"[^(\d+-]*\(?\s*([+-]?\d{1,3}(?:\.\d+)?)°?\s*[,;\s]\s*([+-]?\d{1,3}(?:\.\d+)?)°?\s*\)?\s*", re.DOTALL
)


@dataclass(frozen=True, slots=True)
class Pairs:
    """Places out of one column."""

    x: FloatArray
    y: FloatArray
    odd: BoolArray  # something stands there and it is no point
    shapes: BoolArray  # WKT of a line or an area
    srids: tuple[int, ...]  # every one that stands in a cell, 0 for none
    how: str  # wkt | lat, lon | lon, lat


def parse_degrees(text: str) -> tuple[float, str]:
    """Return an angle in degrees and its hemisphere letter ("" where none); nan where the text is no angle.

    Examples
    --------
    >>> parse_degrees("42°18'00.1620\\"N"), parse_degrees("75º00’33.3806’’W"), parse_degrees("-75 30 00")
    ((42.300045, 'N'), (-75.0092723889, 'W'), (-75.5, ''))
    >>> parse_degrees("42.3 N"), parse_degrees("oak")
    ((42.3, 'N'), (nan, ''))
    """
    text = text.strip()
    if len(text) > LONGEST:
        return math.nan, ""
    text = _in_signs(text)
    if found := _LETTER_LAST.fullmatch(text):
        value, letter = float((found[1] or found[4]).replace(",", ".")), (found[2] or found[3]).upper()
        return (-abs(value) if letter in "SW" else value), letter
    found = _DEGREES.fullmatch(text)
    if not found or (found[1] and found[5]):
        return math.nan, ""
    degrees, minutes, seconds = (float((part or "0").replace(",", ".")) for part in found.group(2, 3, 4))
    letter = (found[1] or found[5] or "").upper().replace("O", "W")
    if minutes >= 60 or seconds > 60 or (found[4] and not found[3]):
        return math.nan, ""
    value = abs(degrees) + minutes / 60 + seconds / 3600
    negative = found[2].startswith("-") or letter in ("S", "W")
    return round(-value if negative else value, 10), letter


def _in_signs(text: str) -> str:
    """An angle with signs in place of words: degrees, min., West."""
    text = text.translate(_MARKS).replace("−", "-").replace("''", '"').strip("'")
    for word, sign in _WORDS_FOR_SIGNS:
        text = word.sub(sign, text)
    return text.replace("-", " ") if _DASHED.fullmatch(text) else text


def read_axis(cells: pa.Array, *, decimal: str = "") -> tuple[Numbers, set[str]]:
    """Read one coordinate a cell: numbers, or degrees, minutes and seconds; also the hemisphere letters seen."""
    plain = read_numbers(cells, decimal=decimal)
    if not (pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type)):
        return plain, set()
    if plain.odd.any() and bool(_METRES_AFTER.search(str(cells[int(np.argmax(plain.odd))]).strip())):
        cells = pc.replace_substring_regex(cells, _METRES_AFTER.pattern, r"\1")
        plain = read_numbers(cells, decimal=decimal)
    if not plain.odd.any():
        return plain, set()
    codes, texts = distinct(cells)
    odd = set(codes[plain.odd].tolist())
    angles = {code: parse_degrees(texts[code]) for code in odd}
    table = np.full(len(texts) + 1, np.nan)
    for code, (angle, _) in angles.items():
        table[code] = angle
    values = np.where(plain.odd, table[codes], plain.value)
    letters = {letter for _, letter in angles.values() if letter}
    return Numbers(values, plain.odd & np.isnan(values), plain.word, plain.decimal), letters


def read_pairs(cells: pa.Array) -> Pairs:
    """Read points out of one column: WKT, or latitude and longitude in one cell."""
    codes, texts = distinct(cells)
    x, y = np.full(len(texts) + 1, np.nan), np.full(len(texts) + 1, np.nan)
    shapes = np.zeros(len(texts) + 1, dtype=bool)
    srids, hows = set(), set()
    for i, text in enumerate(part.strip() for part in texts):
        if len(text) > LONGEST_PLACE:
            shapes[i] = _OTHER_WKT.match(text) is not None
        elif found := _WKT.fullmatch(text):
            points = [part.split() for part in found[3].translate(_NO_BRACKETS).split(",")]
            shapes[i] = len(points) > 1
            if len(points) == 1 and len(points[0]) >= 2:
                x[i], y[i] = (_float(part) for part in points[0][:2])
            srids.add(int(found[1]) if found[1] else None)
            hows.add("wkt")
        elif _OTHER_WKT.match(text):
            shapes[i] = True
        elif spelt := _spelt_point(text):
            x[i], y[i], srid = spelt
            srids.add(srid)
            hows.add("wkt")
        elif found := _PAIR.fullmatch(text) or _AFTER_ADDRESS.fullmatch(text):
            y[i], x[i] = float(found[1]), float(found[2])
            hows.add("lat, lon")
    if hows == {"lat, lon"} and np.nanmax(np.abs(y), initial=0) > 90 >= np.nanmax(np.abs(x), initial=0):
        x, y, hows = y, x, {"lon, lat"}
    filled = np.asarray([bool(text.strip()) for text in texts] + [False])
    odd = filled & (np.isnan(x) | np.isnan(y)) & ~shapes
    return Pairs(
        x=x[codes],
        y=y[codes],
        odd=odd[codes],
        shapes=shapes[codes],
        srids=tuple(sorted({srid or 0 for srid in srids})),
        how=hows.pop() if len(hows) == 1 else "",
    )


def _spelt_point(text: str) -> tuple[float, float, int | None] | None:
    """A point in hexadecimal WKB, as GeoJSON, as named numbers, or as two angles with their letters; its SRID."""
    if found := _HEX_POINT.fullmatch(text.strip()):
        return _hex_point(bytes.fromhex(found[1]))
    if found := _GEOJSON_POINT.fullmatch(text.strip()):
        return float(found[1]), float(found[2]), None
    if found := _NAMED_PAIR.fullmatch(text.strip()):
        return float(found[2]), float(found[1]), None
    parts = re.split(r"[,;]\s*|(?<=[NSEWnsew])\s+(?=[\d+-])", text.strip())
    if len(parts) != 2 or not re.search(r"[NSEWnsewo]", text):
        return None
    angles = [parse_degrees(part) for part in parts]
    lat = next((angle for angle, letter in angles if letter in ("N", "S")), math.nan)
    lon = next((angle for angle, letter in angles if letter in ("E", "W")), math.nan)
    return None if math.isnan(lat) or math.isnan(lon) else (lon, lat, None)


def _hex_point(written: bytes) -> tuple[float, float, int | None] | None:
    """A point out of well-known binary, extended or not; None where it is another shape."""
    order = "<" if written[0] == 1 else ">"
    (code,) = struct.unpack_from(f"{order}I", written, 1)
    extended = bool(code & 0x20000000)
    if (code & 0x0FFFFFFF) % 1000 != 1 or len(written) < 21 + 4 * extended:
        return None
    x, y = struct.unpack_from(f"{order}2d", written, 5 + 4 * extended)
    srid = struct.unpack_from(f"{order}I", written, 5)[0] if extended else None
    return (x, y, srid) if math.isfinite(x) and math.isfinite(y) else None


def _float(text: str) -> float:
    """A number of WKT, nan where it is none."""
    try:
        number = float(text)
    except ValueError:
        return math.nan
    return number if math.isfinite(number) else math.nan


def fit_degrees(x: FloatArray, y: FloatArray) -> BoolArray:
    """Return which places could be longitude and latitude."""
    return (np.abs(x) <= 180) & (np.abs(y) <= 90)


def near_zero(x: FloatArray, y: FloatArray, *, degrees: bool) -> BoolArray:
    """Return which places lie within about 100 m of 0,0."""
    limit = NEAR_ZERO_DEGREES if degrees else NEAR_ZERO_UNITS
    return (np.abs(x) < limit) & (np.abs(y) < limit)


def coarse_step(
    x: FloatArray, y: FloatArray, *, degrees: bool, unit_m: float = 1.0, typed: npt.NDArray[np.int64] | None = None
) -> tuple[BoolArray, float]:
    """Tell which places are rounded to 10 m or more where most of the file is, and the step in metres.

    Parameters
    ----------
    x, y : ndarray
        Degrees, or units of a projected system.
    degrees : bool
        Which of the two.
    unit_m : float
        Metres a unit, where projected.
    typed : ndarray of int, optional
        Decimals written: in a file of fewer than ten rows 42.30000000 is believed. Round metres are, in any such file.

    Examples
    --------
    >>> coarse, step = coarse_step(np.array([-75.01, -75.02]), np.array([42.3, 42.31]), degrees=True)
    >>> coarse.tolist(), round(step)
    ([True, True], 1113)
    """
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() < 10:
        known &= degrees & (True if typed is None else typed < 5)
    found, step = np.zeros(len(x), dtype=bool), 0.0
    for places in range(4, -1, -1) if degrees else range(-1, -5, -1):
        step_m = 10.0**-places * (METRES_A_DEGREE if degrees else unit_m)
        if step_m < COARSEST_M:
            continue
        coarse = known & _stops_at(x, places) & _stops_at(y, places)
        if coarse.sum() * 2 <= len(x):
            break
        found, step = (found if step else coarse), step_m
    return found, step


def typed_decimals(cells: pa.Array) -> npt.NDArray[np.int64]:
    """Return how many decimals each text is written with."""
    text = pc.utf8_trim_whitespace(cells)
    point = np.asarray(pc.fill_null(pc.find_substring(text, "."), -1), dtype=np.int64)
    length = np.asarray(pc.fill_null(pc.utf8_length(text), 0), dtype=np.int64)
    return np.where(point >= 0, length - point - 1, 0)


def _stops_at(values: FloatArray, places: int) -> BoolArray:
    """Whether each number has no more than so many decimals (below zero: is a multiple of ten, a hundred ...)."""
    scaled = values * 10.0**places
    return np.abs(scaled - np.round(scaled)) < 1e-6 * np.maximum(1, np.abs(scaled) * 1e-3)
