"""Planting dates out of cells: ISO 8601 as precise as known; two readings are said, never guessed."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.model import BoolArray, FloatArray
from riskmap.read.numbers import MISSING_WORDS, distinct

__all__ = ["Dates", "ages_at", "parse_date", "read_dates"]

_MONTHS: Final = {name[:3].casefold(): i for i, name in enumerate(calendar.month_name) if name}
_SEASONS: Final = ("spring", "summer", "autumn", "fall", "winter")
_DATABASE_BLANKS: Final = frozenset(
    {"1899-12-30", "1899-12-31", "1900-01-01", "1753-01-01", "0001-01-01", "1970-01-01"}
)
_EXCEL_DAY_0: Final = dt.date(1899, 12, 30)  # serial 1 is 1900-01-01 as spreadsheets of the 1900 system count
_EPOCH: Final = dt.date(1970, 1, 1)
_FIRST_YEAR, _LAST_YEAR = 1500, 2200
_TIME = r"(?:[T ]\d{1,2}:\d{2}.*)?"
_ISO = re.compile(rf"(\d{{4}})[-/.](\d{{1,2}})(?:[-/.](\d{{1,2}}))?{_TIME}")
_THREE = re.compile(rf"(\d{{1,2}})([-/.])(\d{{1,2}})\2(\d{{4}}|\d{{2}})\.?{_TIME}")
_MONTH_YEAR = re.compile(r"(\d{1,2})[-/](\d{4})")
_WORDS_DAY_FIRST = re.compile(rf"(\d{{1,2}})(?:st|nd|rd|th)?[ .-]+([a-z]{{3,9}})\.?[ ,.-]+(\d{{4}}|\d{{2}}){_TIME}")
_WORDS_MONTH_FIRST = re.compile(rf"([a-z]{{3,9}})\.?[ -]+(\d{{1,2}})(?:st|nd|rd|th)?,?[ -]+(\d{{4}}){_TIME}")
_WORDS_MONTH = re.compile(r"([a-z]{3,9})\.?[ ,-]+(\d{4})")
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
    found, how = _read_one(" ".join(text.casefold().split()), order)
    if found in _DATABASE_BLANKS:
        return "", "blank"
    return found, how


def _read_one(text: str, order: str) -> tuple[str, str]:
    """Try every way of writing a date."""
    if re.fullmatch(r"[\d.,]+", text) and not _THREE.fullmatch(text) and not _ISO.fullmatch(text):
        return _from_number(text)
    if found := _ISO.fullmatch(text.replace("z", "")):
        return _day(int(found[1]), int(found[2]), int(found[3]) if found[3] else None)
    if found := _THREE.fullmatch(text):
        return _two_ways(int(found[1]), int(found[3]), _year(found[4]), "day_first" if found[2] == "." else order)
    if found := _MONTH_YEAR.fullmatch(text):
        return _day(int(found[2]), int(found[1]), None)
    if found := _SEASON.fullmatch(text):
        return _day(int(found[2] or found[3]), None, None)
    return _with_words(text)


def _with_words(text: str) -> tuple[str, str]:
    """Dates with the month as a word."""
    if (found := _WORDS_DAY_FIRST.fullmatch(text)) and (month := _MONTHS.get(found[2][:3])):
        return _day(_year(found[3]), month, int(found[1]))
    if (found := _WORDS_MONTH_FIRST.fullmatch(text)) and (month := _MONTHS.get(found[1][:3])):
        return _day(int(found[3]), month, int(found[2]))
    if (found := _WORDS_MONTH.fullmatch(text)) and (month := _MONTHS.get(found[1][:3])):
        return _day(int(found[2]), month, None)
    return "", "odd"


def _from_number(text: str) -> tuple[str, str]:
    """A year, yyyymmdd, a spreadsheet's serial day, or milliseconds since 1970."""
    try:
        number = float(text.replace(",", "") if re.fullmatch(r"\d{1,3}(,\d{3})+", text) else text)
    except ValueError:
        return "", "odd"
    whole = int(number)
    if whole == 0:
        return "", "blank"
    if _FIRST_YEAR <= number <= _LAST_YEAR and whole == number:
        return f"{whole:04d}", "exact"
    if re.fullmatch(r"(1[5-9]|20|21)\d{6}", text):
        return _day(whole // 10000, whole // 100 % 100, whole % 100)
    if 1 <= number < 73051:  # 2099-12-31
        day = _EXCEL_DAY_0 + dt.timedelta(days=whole)
        return (day.isoformat(), "exact") if number >= 10000 or whole <= 2 else ("", "odd")
    if 1e11 < number < 7.3e12:
        return (_EPOCH + dt.timedelta(milliseconds=number)).isoformat(), "exact"
    return "", "odd"


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
        cells = pa.array([None if v is None or v != v else f"{v:.10g}" for v in cells.to_pylist()], pa.string())
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
    return np.asarray(years, float)[codes]


def _middle(text: str) -> dt.date:
    """The day in the middle of what an ISO text leaves open."""
    parts = [int(part) for part in text.split("-")]
    year, month, day = [*parts, 7, 1] if len(parts) == 1 else [*parts, 15][:3]
    return dt.date(year, month, day)
