"""Planting dates out of cells: ISO 8601 as precise as known; two readings are said, never guessed."""

from __future__ import annotations

import calendar
import datetime as dt
import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.model import BoolArray, FloatArray
from riskmap.read.numbers import LONGEST, MISSING_WORDS, decimal_sign, distinct, parse_number

__all__ = ["Dates", "ages_at", "parse_date", "read_dates"]

_MONTHS: Final = {name[:3].casefold(): i for i, name in enumerate(calendar.month_name) if name}
_MONTHS_ABROAD: Final = {
    **dict.fromkeys(("ene", "gen"), 1),
    **dict.fromkeys(("fev", "feb"), 2),
    **dict.fromkeys(("maa", "mrz", "mrt"), 3),
    **dict.fromkeys(("avr", "abr"), 4),
    **dict.fromkeys(("mai", "maj", "mag", "mei"), 5),
    **dict.fromkeys(("juin", "giu"), 6),
    **dict.fromkeys(("juil", "lug"), 7),
    **dict.fromkeys(("aou", "ago"), 8),
    **dict.fromkeys(("set",), 9),
    **dict.fromkeys(("okt", "ott", "out"), 10),
    **dict.fromkeys(("dez", "dic", "des"), 12),
}
_SEASONS: Final = ("spring", "summer", "autumn", "fall", "winter", "q[1-4]")
_WEEKDAY = re.compile(r"(?:mon|tues?|wed(?:nes)?|thu(?:rs)?|fri|sat(?:ur)?|sun)(?:day)?\.?,? ")
_ABOUT = re.compile(r"^(?:~|ca?\.|circa|approx\.?|about) ?|[~?]$")
_EAST_ASIAN = str.maketrans({"年": "-", "月": "-", "日": " "})
_WEEK = re.compile(r"(\d{4})-?w(\d{2})(?:-?([1-7]))?")
_DAY_OF_YEAR = re.compile(r"(\d{4})-(\d{3})")
_DATABASE_BLANKS: Final = frozenset(
    {"1899-12-30", "1899-12-31", "1900-01-01", "1753-01-01", "0001-01-01", "1970-01-01"}
)
_EXCEL_DAY_0: Final = dt.date(1899, 12, 30)  # serial 1 is 1900-01-01 as spreadsheets of the 1900 system count
_FIRST_SERIAL, _LAST_SERIAL = 10_000, 73_051  # 1927-05-18 to 2099-12-31; a smaller number is no date
_EPOCH: Final = dt.date(1970, 1, 1)
_FIRST_MS, _LAST_MS = 1e11, 7.3e12  # 1973 to 2201
_FIRST_S, _LAST_S = 1e9, 7.3e9  # 2001 to 2201
_FIRST_YEAR, _LAST_YEAR = 1500, 2200
_TIME = r"(?:[t ]\d{1,2}:\d{2}.*)?"
_ISO = re.compile(rf"(\d{{4}})[-/.](\d{{1,2}})(?:[-/.](\d{{1,2}}))?{_TIME}")
_THREE = re.compile(rf"(\d{{1,2}})([-/.])(\d{{1,2}})\2(\d{{4}}|\d{{2}})\.?{_TIME}")
_MONTH_YEAR = re.compile(r"(\d{1,2})[-/](\d{4})")
_WORDS_DAY_FIRST = re.compile(rf"(\d{{1,2}})(?:st|nd|rd|th)?[ .-]+([^\W\d_]{{3,10}})\.?[ ,.-]+(\d{{4}}|\d{{2}}){_TIME}")
_WORDS_MONTH_FIRST = re.compile(rf"([^\W\d_]{{3,10}})\.?[ -]+(\d{{1,2}})(?:st|nd|rd|th)?,?[ -]+(\d{{4}}){_TIME}")
_WORDS_MONTH = re.compile(r"([^\W\d_]{3,10})\.?[ ,-]+(\d{4})")
_SEASON = re.compile(
    rf"(?:early |mid |late )?({'|'.join(_SEASONS)}),?[ -]*(\d{{4}})|(\d{{4}})[ -]*({'|'.join(_SEASONS)})"
)


@dataclass(frozen=True, slots=True)
class Dates:
    """A column of dates; all arrays have shape (cell,)."""

    text: pa.Array  # ISO 8601 as precise as known; null where missing
    odd: BoolArray
    word: BoolArray
    two_readings: BoolArray  # day first or month first: only the year is taken
    blank: BoolArray  # a date that databases write for "none"


def parse_date(text: str, order: str = "") -> tuple[str, str]:
    """Return one date as ISO text, as precise as known, and how it was read.

    Parameters
    ----------
    text : str
        The cell.
    order : str
        day_first, month_first, or "" where nobody said.

    Returns
    -------
    tuple of str
        The date ("" where none) and one of exact, two, odd, blank.

    Examples
    --------
    >>> parse_date("13/04/2025"), parse_date("03/04/2025"), parse_date("03/04/2025", "day_first")
    (('2025-04-13', 'exact'), ('2025', 'two'), ('2025-04-03', 'exact'))
    >>> parse_date("45000"), parse_date("Fall 2022"), parse_date("April 2021"), parse_date("soon")
    (('2023-03-15', 'exact'), ('2022', 'exact'), ('2021-04', 'exact'), ('', 'odd'))
    """
    if len(text) > LONGEST:
        return "", "odd"
    words = " ".join(text.casefold().translate(_EAST_ASIAN).split())
    found, how = _read_one(_ABOUT.sub("", _WEEKDAY.sub("", words, count=1)), order)
    if found in _DATABASE_BLANKS:
        return "", "blank"
    return found, how


def _read_one(text: str, order: str) -> tuple[str, str]:
    """Try every way of writing a date."""
    if re.fullmatch(r"[\d.,]+", text) and not _THREE.fullmatch(text) and not _ISO.fullmatch(text):
        return _from_number(text)
    if found := _ISO.fullmatch(text):
        return _day(int(found[1]), int(found[2]), int(found[3]) if found[3] else None)
    if found := _THREE.fullmatch(text):
        year_first = found[2] == "-" and len(found[4]) == 2 and not order
        if year_first and _day(_year(found[1].zfill(2)), int(found[3]), int(found[4]))[0]:
            return "", "two"  # 03-04-05 may begin with the year as well
        return _two_ways(int(found[1]), int(found[3]), _year(found[4]), "day_first" if found[2] == "." else order)
    return _coarse(text) or _counted(text) or _with_words(text)


def _coarse(text: str) -> tuple[str, str] | None:
    """A season, a quarter or a month of a year."""
    if found := _SEASON.fullmatch(text):
        return _day(int(found[2] or found[3]), None, None)
    found = _MONTH_YEAR.fullmatch(text)
    return _day(int(found[2]), int(found[1]), None) if found else None


def _counted(text: str) -> tuple[str, str] | None:
    """Dates by the week or the day of the year, as ISO 8601 has them too."""
    week, day = _WEEK.fullmatch(text), _DAY_OF_YEAR.fullmatch(text)
    try:
        if week:
            found = dt.date.fromisocalendar(int(week[1]), int(week[2]), int(week[3] or 4))
            return _day(found.year, found.month, found.day if week[3] else None)
        if day and 1 <= int(day[2]) <= 365 + calendar.isleap(int(day[1])):
            found = dt.date(int(day[1]), 1, 1) + dt.timedelta(days=int(day[2]) - 1)
            return _day(found.year, found.month, found.day)
    except (ValueError, OverflowError):
        return "", "odd"
    return None


def _month(word: str) -> int | None:
    """A month by the first letters of its name in English or a neighbour's tongue."""
    plain = "".join(mark for mark in unicodedata.normalize("NFKD", word) if not unicodedata.combining(mark))
    named = (_MONTHS_ABROAD.get(plain[:4]), _MONTHS.get(plain[:3]), _MONTHS_ABROAD.get(plain[:3]))
    return next((month for month in named if month), None)


def _with_words(text: str) -> tuple[str, str]:
    """Dates with the month as a word."""
    if (found := _WORDS_DAY_FIRST.fullmatch(text)) and (month := _month(found[2])):
        return _day(_year(found[3]), month, int(found[1]))
    if (found := _WORDS_MONTH_FIRST.fullmatch(text)) and (month := _month(found[1])):
        return _day(int(found[3]), month, int(found[2]))
    if (found := _WORDS_MONTH.fullmatch(text)) and (month := _month(found[1])):
        return _day(int(found[2]), month, None)
    return "", "odd"


def _from_number(text: str) -> tuple[str, str]:
    """A year, yyyymm, yyyymmdd, a spreadsheet's serial day, or seconds or milliseconds since 1970."""
    number = parse_number(text, decimal_sign([text]).replace("?", "."))
    found = None
    if number == 0:
        return "", "blank"
    if number.is_integer() and _FIRST_YEAR <= number <= _LAST_YEAR:
        found = f"{int(number):04d}"
    elif re.fullmatch(r"(1[5-9]|20|21)\d{6}", text):
        return _day(int(text[:4]), int(text[4:6]), int(text[6:]))
    elif re.fullmatch(r"(1[5-9]|20|21)\d{4}", text):
        return _day(int(text[:4]), int(text[4:]), None)
    elif number in (1.0, 2.0) or _FIRST_SERIAL <= number < _LAST_SERIAL:
        found = (_EXCEL_DAY_0 + dt.timedelta(days=int(number))).isoformat()
    elif _FIRST_S < number < _LAST_S:
        found = (_EPOCH + dt.timedelta(seconds=number)).isoformat()
    elif _FIRST_MS < number < _LAST_MS:
        found = (_EPOCH + dt.timedelta(milliseconds=number)).isoformat()
    return (found, "exact") if found else ("", "odd")


def _day(year: int, month: int | None, day: int | None) -> tuple[str, str]:
    """A date that has one reading, checked."""
    try:
        dt.date(year, month or 1, day or 1)
    except ValueError:
        return "", "odd"
    if year != 1 and not _FIRST_YEAR <= year <= _LAST_YEAR:
        return "", "odd"
    parts = [f"{year:04d}"] + [f"{part:02d}" for part in (month, day) if part]
    return "-".join(parts), "exact"


def _two_ways(first: int, second: int, year: int, order: str) -> tuple[str, str]:
    """A date such as 03/04/2025."""
    day_first, month_first = _day(year, second, first), _day(year, first, second)
    if order and (found := day_first if order == "day_first" else month_first)[0]:
        return found
    if day_first[0] and month_first[0] and day_first != month_first:
        return f"{year:04d}", "two"
    return day_first if day_first[0] else month_first


def _year(text: str) -> int:
    """A year of four figures, or of two: 70 and over are 19xx."""
    number = int(text)
    return number if len(text) == 4 else number + (1900 if number >= 70 else 2000)


def read_dates(cells: pa.Array, *, order: str = "") -> Dates:
    """Read a column of dates.

    Parameters
    ----------
    cells : pa.Array
        Texts, numbers (years or serial days), or dates and times already.
    order : str
        day_first, month_first, or "".
    """
    if pa.types.is_timestamp(cells.type) or pa.types.is_date(cells.type):
        cells = pc.strftime(cells, format="%Y-%m-%d")
    elif pa.types.is_floating(cells.type):
        cells = pa.array(
            [f"{v:.10g}" if v is not None and math.isfinite(v) else None for v in cells.to_pylist()], pa.string()
        )
    elif pa.types.is_nested(cells.type):
        n = len(cells)
        none = np.zeros(n, dtype=bool)
        return Dates(pa.nulls(n, pa.string()), np.asarray(cells.is_valid(), dtype=bool), none, none, none)
    elif not (pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type)):
        cells = pc.cast(cells, pa.string())
    codes, texts = distinct(cells)
    found, how = [], []
    for text in (*texts, ""):
        word = not text.strip() or text.strip().casefold() in MISSING_WORDS
        date, kind = ("", "word" if text.strip() else "") if word else parse_date(text, order)
        found.append(date or None)
        how.append(kind)
    kinds = np.asarray(how)[codes]
    return Dates(
        pa.array(found, pa.string()).take(pa.array(codes)),
        kinds == "odd",
        kinds == "word",
        kinds == "two",
        kinds == "blank",
    )


def ages_at(planted: pa.Array, date: dt.date) -> FloatArray:
    """Return years from planting to a day; the middle of the month or year where no more is known, never below 0.

    Examples
    --------
    >>> ages_at(pa.array(["2024-10-15", "2024", None]), dt.date(2026, 10, 15)).round(2)
    array([2.  , 2.29,  nan])
    """
    codes, texts = distinct(planted)
    years = [max(0.0, (date - _middle(text)).days / 365.25) if text else np.nan for text in (*texts, "")]
    found: FloatArray = np.asarray(years, float)[codes]
    return found


def _middle(text: str) -> dt.date:
    """The day in the middle of what an ISO text leaves open."""
    parts = [int(part) for part in text.split("-")]
    year, month, day = [*parts, 7, 1] if len(parts) == 1 else [*parts, 15][:3]
    return dt.date(year, month, day)
