"""Numbers and lengths out of cells: decimal signs, thousands, units, fractions, classes."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap import units
from riskmap.model import BoolArray, FloatArray

__all__ = [
    "LONGEST",
    "MISSING_WORDS",
    "Lengths",
    "Numbers",
    "decimal_sign",
    "distinct",
    "parse_length",
    "parse_number",
    "read_lengths",
    "read_numbers",
]

MISSING_WORDS: Final = frozenset(
    (
        *("na", "n/a", "n.a.", "n/d", "nd", "nan", "null", "none", "nil", "<null>", "(null)", "unknown", "unk", "unkn"),
        *("-", "--", "---", "–", "—", "?", "??", ".", "..", "x", "missing", "blank", "tbd", "not given", "not known"),
        *("no data", "#n/a", "#null!", "#value!", "#div/0!", "#ref!", "#name?", "#num!"),
    )
)
LONGEST: Final = 100  # characters of a number, a length, an angle or a date: a longer text is none
BLANK_NUMBERS: Final = (-9999.0, -999.0, -99999.0, -1e38)  # what databases write for "no value"
_SPACES = re.compile(r"(?<=\d)[\s\u00a0\u2009\u202f'’](?=\d{3}(?!\d))")
_MINUS = str.maketrans({"−": "-", "–": "-", "‐": "-", "‑": "-", "٫": ".", "．": "."})


@dataclass(frozen=True, slots=True)
class Numbers:
    """A column of numbers; all arrays have shape (cell,)."""

    value: FloatArray  # nan where empty or not understood
    odd: BoolArray  # something stands there and it is no number
    word: BoolArray  # a word for missing stands there (N/A, ?, -)
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class Lengths:
    """A column of lengths in one unit; all arrays have shape (cell,)."""

    value: FloatArray
    odd: BoolArray
    word: BoolArray
    bare: BoolArray  # a number without a unit of its own
    banded: BoolArray  # a class such as 3-6, its middle taken
    open_ended: BoolArray  # "over 30", its limit taken
    decimal: str = ""  # "" where no cell shows one


def decimal_sign(texts: Iterable[str], *, hint: str = "") -> str:
    """Tell the decimal sign of a column from its cells.

    Parameters
    ----------
    texts : iterable of str
        The different cells.
    hint : str
        What to take where no cell decides ("" for not known).

    Returns
    -------
    str
        "." or ",", or "?" where cells such as 1,234 leave it open and there is no hint.

    Examples
    --------
    >>> decimal_sign(["42,3", "-75,01"]), decimal_sign(["4,683,085.80"]), decimal_sign(["1,234"])
    (',', '.', '?')
    """
    open_to_both = False
    for token in (part for text in texts for part in re.findall(r"[\d.,]*\d", text[:LONGEST])):
        marks = re.sub(r"\d", "", token)
        if "," in marks and "." in marks:
            return "," if token.rfind(",") > token.rfind(".") else "."
        if len(marks) > 1:
            return "." if marks[0] == "," else ","
        if marks and not re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", token):
            return marks
        open_to_both |= marks == ","
    return hint or ("?" if open_to_both else ".")


def parse_number(text: str, decimal: str = ".") -> float:
    """Return one number, nan where the text is none.

    Examples
    --------
    >>> parse_number("4,683,085.80"), parse_number("42,3", ","), parse_number("4 683 085"), parse_number("12 x")
    (4683085.8, 42.3, 4683085.0, nan)
    """
    text = text.strip()
    if len(text) > LONGEST:
        return math.nan
    if not text.isascii():
        text = "".join(str(unicodedata.decimal(mark, mark)) for mark in text.translate(_MINUS))
    if text[:1] == "'" == text[-1:]:
        text = text[1:-1]
    text = _SPACES.sub("", text)
    other = "," if decimal == "." else "."
    if other in text:
        whole = text.split(decimal)[0]
        if not re.fullmatch(rf"[+-]?\d{{1,3}}(\{other}\d{{3}})+", whole) or other in text[len(whole) :]:
            return math.nan
        text = text.replace(other, "")
    text = text.replace(decimal, ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d{1,3})?", text, re.IGNORECASE | re.ASCII):
        return math.nan
    number = float(text)
    return number if math.isfinite(number) else math.nan


def read_numbers(cells: pa.Array, *, decimal: str = "", hint: str = "") -> Numbers:
    """Read a column of plain numbers.

    Parameters
    ----------
    cells : pa.Array
        Texts, or numbers already.
    decimal : str
        Decimal sign, or "" to find it from the cells; "?" leaves cells such as 1,234 unread.
    hint : str
        Decimal sign to take where no cell decides.
    """
    n = len(cells)
    if not _is_text(cells):
        return Numbers(_typed(cells), _other(cells), np.zeros(n, bool))
    quick = _quick(cells)
    if quick is not None and "," not in (decimal, hint):
        return Numbers(_no_blanks(quick), np.zeros(n, bool), np.zeros(n, bool))
    codes, texts = distinct(cells)
    found = [text.strip() for text in texts]
    sign = decimal or decimal_sign(found, hint=hint)
    values, odd, word = np.full(len(found) + 1, np.nan), np.zeros(len(found) + 1, bool), np.zeros(len(found) + 1, bool)
    for i, text in enumerate(found):
        if not text:
            continue
        word[i] = text.casefold() in MISSING_WORDS
        open_to_both = sign == "?" and "," in text
        values[i] = math.nan if word[i] or open_to_both else parse_number(text, "." if sign == "?" else sign)
        odd[i] = not word[i] and math.isnan(values[i])
    return Numbers(_no_blanks(values[codes]), odd[codes], word[codes], "." if sign == "?" else sign)


def _is_text(cells: pa.Array) -> bool:
    """Whether a column holds texts."""
    return bool(pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type))


def _typed(cells: pa.Array) -> FloatArray:
    """A column that holds numbers already."""
    if pa.types.is_null(cells.type) or not (
        pa.types.is_integer(cells.type) or pa.types.is_floating(cells.type) or pa.types.is_decimal(cells.type)
    ):
        return np.full(len(cells), np.nan)
    found = np.asarray(pc.fill_null(pc.cast(cells, pa.float64(), safe=False), math.nan), dtype=np.float64)
    return _no_blanks(np.where(np.isfinite(found), found, np.nan))


def _other(cells: pa.Array) -> BoolArray:
    """Which cells of a column that is not text hold something that is no number: a date, a flag, a list."""
    number = pa.types.is_integer(cells.type) or pa.types.is_floating(cells.type) or pa.types.is_decimal(cells.type)
    return np.zeros(len(cells), bool) if number else np.asarray(cells.is_valid(), dtype=bool)


def _quick(cells: pa.Array) -> FloatArray | None:
    """All cells plain numbers or empty: read at once; None where one is not."""
    trimmed = pc.utf8_trim_whitespace(cells)
    trimmed = pc.if_else(pc.equal(trimmed, ""), None, trimmed)
    try:
        found = np.asarray(pc.fill_null(pc.cast(trimmed, pa.float64()), math.nan), dtype=np.float64)
    except pa.ArrowInvalid:
        return None
    named = len(cells) - trimmed.null_count
    return found if int(np.isfinite(found).sum()) == named else None


def _no_blanks(values: FloatArray) -> FloatArray:
    """What databases write for "no value" is no value."""
    return np.where(np.isin(values, BLANK_NUMBERS), np.nan, values)


def distinct(cells: pa.Array) -> tuple[np.ndarray, list[str]]:
    """Return codes into the distinct texts, and those; an empty cell points past the last."""
    coded = pc.dictionary_encode(cells.combine_chunks() if isinstance(cells, pa.ChunkedArray) else cells)
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    texts = coded.dictionary.to_pylist()
    return np.asarray(pc.fill_null(coded.indices, len(texts)), dtype=np.int64), texts


_UNIT_WORDS: Final = {
    **dict.fromkeys(("mm", "millimeter", "millimeters", "millimetre", "millimetres"), "mm"),
    **dict.fromkeys(("cm", "centimeter", "centimeters", "centimetre", "centimetres"), "cm"),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres", "mtr"), "m"),
    **dict.fromkeys(("in", "ins", "inch", "inches", '"'), "in"),
    **dict.fromkeys(("ft", "foot", "feet", "'"), "ft"),
}
_QUOTES = str.maketrans(
    {"“": '"', "”": '"', "″": '"', "′": "'", "’": "'", "‘": "'", "⁄": "/", "−": "-", "–": "-", "—": "-"}
)
_PARTS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}
_NUMBER = r"(\d+[ -]+\d+/\d+|\d+/\d+|\d[\d.,]*|[.,]\d+)"
_UNIT = r"""\s*(''|"|'|[a-z]+\.?)?"""
_ONE = re.compile(rf"{_NUMBER}{_UNIT}")
_TWO = re.compile(rf"{_NUMBER}{_UNIT}\s*(?:-|to|thru|through|/|\.\.)\s*{_NUMBER}{_UNIT}")
_SEVERAL = re.compile(r"\d/\d+/\d")  # stems one after the other
_FEET_INCHES = re.compile(rf"(\d+)\s*(?:'|ft\.?|feet|foot)\s*-?\s*{_NUMBER}\s*(?:\"|''|in\.?|inch|inches)?")
_UNDER = re.compile(r"(?:<=?|≤|under|less than|below|up to)\s*(.+)")
_OVER = re.compile(r"(?:>=?|≥|over|more than|above)\s*(.+)|(.+?)\s*(?:\+|and (?:up|over|above|greater)|or more)(.*)")
_ABOUT = re.compile(r"^(?:~|≈|ca\.?|c\.|approx\.?|about|est\.?)\s*|\s*\?$")


def parse_length(text: str, decimal: str = ".") -> tuple[float, str, str]:
    r"""Return one length as number, unit ("" where bare) and kind: exact, banded, open or odd.

    Examples
    --------
    >>> parse_length("2 1/2 in"), parse_length("3-6 in"), parse_length("5'6\"")
    ((2.5, 'in', 'exact'), (4.5, 'in', 'banded'), (5.5, 'ft', 'exact'))
    >>> parse_length("1,5 cm", ","), parse_length("> 30"), parse_length("oak")[2]
    ((1.5, 'cm', 'exact'), (30.0, '', 'open'), 'odd')
    """
    if len(text) > LONGEST:
        return math.nan, "", "odd"
    text = text.translate(_QUOTES)
    for sign, plain in _PARTS.items():
        text = text.replace(sign, f" {plain}")
    text = _ABOUT.sub("", " ".join(text.casefold().split()))
    if found := _UNDER.fullmatch(text):
        value, unit, kind = _one_length(found[1], decimal)
        return value / 2, unit, "banded" if kind == "exact" else "odd"
    if found := _OVER.fullmatch(text):
        value, unit, kind = _one_length(found[1] or f"{found[2]} {found[3]}".strip(), decimal)
        return value, unit, "open" if kind == "exact" else "odd"
    if found := _FEET_INCHES.fullmatch(text):
        return int(found[1]) + _amount(found[2], decimal) / 12, "ft", "exact"
    one = _one_length(text, decimal)
    if one[2] == "odd" and not _SEVERAL.search(text) and (found := _TWO.fullmatch(text)):
        return _band(found, decimal)
    return one


def _one_length(text: str, decimal: str) -> tuple[float, str, str]:
    """A number and a unit, or nothing."""
    found = _ONE.fullmatch(text)
    unit = _unit(found[2]) if found else None
    value = _amount(found[1], decimal) if found else math.nan
    return (math.nan, "", "odd") if unit is None or math.isnan(value) else (value, unit, "exact")


def _band(found: re.Match[str], decimal: str) -> tuple[float, str, str]:
    """A class such as 3-6 in: its middle."""
    low, high = _amount(found[1], decimal), _amount(found[3], decimal)
    first, last = _unit(found[2]), _unit(found[4])
    if first is None or last is None or not low < high or (first and last and first != last):
        return math.nan, "", "odd"
    return (low + high) / 2, last or first, "banded"


def _unit(word: str | None) -> str | None:
    """A unit word as our unit; "" where there is none, None where it is no unit."""
    return _UNIT_WORDS.get(word.rstrip(".").replace("''", '"')) if word else ""


def _amount(text: str, decimal: str) -> float:
    """A number, which may be a fraction."""
    if "/" not in text:
        return parse_number(text, decimal)
    whole, _, part = text.replace("-", " ").rpartition(" ")
    try:
        share = Fraction(part)
    except (ValueError, ZeroDivisionError):
        return math.nan
    return float(share) + float(whole.strip() or 0) if share < 1 else math.nan


def read_lengths(cells: pa.Array, *, unit: str, to: str, decimal: str = "", hint: str = "") -> Lengths:
    """Read a column of lengths, a unit in a cell before the unit of the column.

    Parameters
    ----------
    cells : pa.Array
        Texts, or numbers already.
    unit : str
        Unit of cells that carry none, or "" where nobody knows: those stay nan and `bare`.
    to : str
        Unit of the values returned.
    decimal : str
        Decimal sign, or "" to find it.
    hint : str
        Decimal sign to take where no cell decides.
    """
    n = len(cells)
    if not _is_text(cells):
        value = _typed(cells)
        odd = _other(cells) | (value < 0)
        value = np.where(odd, np.nan, value)
        scaled = value * units.length_factor(unit, to) if unit else np.where(value == 0, 0.0, np.nan)
        none = np.zeros(n, bool)
        return Lengths(scaled, odd, none, ~np.isnan(value) & (value != 0), none, none)
    codes, texts = distinct(cells)
    found = [text.strip() for text in texts]
    sign = decimal or decimal_sign(found, hint=hint)
    table: dict[str, list[float]] = {name: [] for name in ("value", "odd", "word", "bare", "banded", "open")}
    for text in (*found, ""):
        for name, share in zip(table, _length_facts(text, unit, to, "." if sign == "?" else sign), strict=True):
            table[name].append(share)
    flag: Callable[[str], BoolArray] = lambda name: np.asarray(table[name], bool)[codes]  # noqa: E731
    value = np.asarray(table["value"], float)[codes]
    shown_by = any(mark in text for text in found for mark in ".,")
    signed = ("." if sign == "?" else sign) if shown_by else ""
    return Lengths(value, flag("odd"), flag("word"), flag("bare"), flag("banded"), flag("open"), signed)


def _length_facts(text: str, unit: str, to: str, decimal: str) -> tuple[float, bool, bool, bool, bool, bool]:
    """One distinct cell: value, odd, word, bare, banded, open."""
    if not text:
        return math.nan, False, False, False, False, False
    if text.casefold() in MISSING_WORDS:
        return math.nan, False, True, False, False, False
    number = parse_number(text, decimal)
    value, own_unit, kind = (number, "", "exact") if not math.isnan(number) else parse_length(text, decimal)
    if value in BLANK_NUMBERS:
        return math.nan, False, False, False, False, False
    if kind == "odd" or value < 0:
        return math.nan, True, False, False, False, False
    used = own_unit or unit or ("" if value else to)  # nothing is nothing in every unit
    scaled = value * units.length_factor(used, to) if used else math.nan
    return scaled, False, False, not own_unit and value != 0, kind == "banded", kind == "open"
