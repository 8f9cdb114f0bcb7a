"""Values of site.toml against the one table of keys (data/keys.csv): types, choices, units, nearest names."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

from riskmap import tables, units
from riskmap.errors import Problem, shown
from riskmap.model import Key
from riskmap.read.headers import TREE_COLUMNS
from riskmap.tables import keys as all_keys

__all__ = [
    "COLUMN_LENGTHS",
    "Faults",
    "address_in",
    "choices_of",
    "is_finite",
    "keys_of",
    "nearest",
    "sections",
    "take_section",
]

COLUMN_LENGTHS = ("caliper", "height", "lowest_branch", "bare_radius", "mulch_radius", "room", "accuracy")


class Faults:
    """Collects the faults of one site file."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def add(self, key: str, what: str, remedy: str, row: int | None = None) -> Any:
        """Add one fault of a key; return None, which stands for the value that could not be taken."""
        self.problems.append(Problem(file=self.file, row=row, what=what, remedy=remedy, key=key))


@cache
def sections() -> tuple[str, ...]:
    """Return the sections a site file may hold."""
    return tuple(dict.fromkeys(row.section for row in all_keys() if row.section))


@cache
def keys_of(section: str) -> Mapping[str, Key]:
    """Return the keys of one section."""
    return {row.key: row for row in all_keys() if row.section == section}


@cache
def choices_of(row: Key) -> tuple[str, ...]:
    """Return what a key may hold, or () where anything goes."""
    lists: dict[str, Callable[[], Iterable[str]]] = {
        "@roles": tables.roles,
        "@agents": tables.agents,
        "@guards": tables.guards,
        "@tree_columns": lambda: TREE_COLUMNS,
    }
    if row.choices.startswith("@"):
        return tuple(lists[row.choices]())
    return tuple("," if word == "comma" else word for word in row.choices.split(";") if word)


def nearest(word: str, words: Iterable[str]) -> str:
    """Say which known word comes nearest, or list them all.

    Examples
    --------
    >>> nearest("watr", ["water", "lawn"])
    "did you mean 'water'? Known: water, lawn"
    """
    known = {text.casefold(): text for text in words}
    close = difflib.get_close_matches(word.casefold().strip(), known, n=1, cutoff=0.6)
    guess = f"did you mean '{shown(known[close[0]])}'? " if close else ""
    return f"{guess}Known: {', '.join(shown(text) for text in known.values())}"


_ADDRESS = re.compile(r"\s*([a-z][a-z0-9+.-]+://|/vsi|(https?|ftp|s3|gs|file):)", re.IGNORECASE)


def address_in(name: str) -> bool:
    """Whether a file name is an address of something that is no local file.

    Examples
    --------
    >>> [address_in(name) for name in ("/vsicurl/http://h/a", "https://h/a.csv", "C:/trees.csv", "a b.csv")]
    [True, True, False, False]
    """
    return bool(_ADDRESS.match(name.replace("\\", "/")))


def take_section(section: str, given: Any, where: str, faults: Faults) -> dict[str, Any]:
    """Check one section against the key table; return its values by key, in our units."""
    if not isinstance(given, Mapping):
        faults.add(where, f"{shown(where or 'site.toml')} is no section", f"write it as [{where}] with keys below it")
        return {}
    known, values, set_by = keys_of(section), {}, dict[str, str]()
    for name, value in given.items():
        path = f"{where}.{name}" if where else name
        row = known.get(name)
        if row is None:
            faults.add(path, f"key '{shown(name)}' is unknown{_in_section(where)}", _where_it_belongs(name, section))
            continue
        before = len(faults.problems)
        checked = _checked(row, value, path, faults)
        if len(faults.problems) > before:
            continue
        target = row.sets or name
        if target in set_by:
            faults.add(path, f"{set_by[target]} and {name} say the same thing in two units", "give one of them")
            continue
        set_by[target] = name
        values[target] = checked
    for name, row in known.items():
        if row.required and name not in given:
            faults.add(f"{where}.{name}" if where else name, f"key '{name}' is missing", _example(row))
    return values


def _in_section(where: str) -> str:
    """Name the section, for a message."""
    return f" in [{where}]" if where else ""


def _where_it_belongs(name: str, section: str) -> str:
    """Where an unknown key may have been meant to stand."""
    homes = [row.section for row in all_keys() if row.key == name and row.section]
    if homes:
        return f"'{shown(name)}' belongs under [{homes[0]}]" if homes[0] != "layers" else "it belongs under [[layers]]"
    own = list(keys_of(section)) + (list(sections()) if not section else [])
    return nearest(str(name), own)


def _example(row: Key) -> str:
    """What to write where a required key is missing."""
    if row.type == "date":
        return "write the day the work is planned for, such as date = 2026-10-15"
    listed = choices_of(row)
    return f"write one of {', '.join(listed)}" if listed else f"write {row.key} = … ({row.meaning})"


def _checked(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """One value of the type of its key; faults are added, and None returned."""
    return _TYPES[row.type](row, value, path, faults)


def _wrong(row: Key, value: Any, path: str, faults: Faults, wanted: str, *, instead: str = "") -> Any:
    """Add the fault that a value is not what its key holds; return None in place of the value."""
    kind = "a section" if isinstance(value, Mapping) else f"'{shown(value)}'"
    article = "" if wanted.startswith(("text", "true")) else "a "
    return faults.add(
        path,
        f"{kind} is no {wanted}",
        f"write {instead or article + wanted} ({row.meaning[:1].lower()}{row.meaning[1:]})",
    )


def _text(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """A text, of the choices where there are any."""
    if not isinstance(value, str):
        return _wrong(row, value, path, faults, 'text in quotes "…"')
    listed = choices_of(row)
    if listed and value not in listed:
        return faults.add(path, f"'{shown(value)}' is not known", nearest(value, listed))
    return value


def _file(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """A file name; addresses are refused."""
    if not isinstance(value, str) or not value.strip():
        return _wrong(row, value, path, faults, 'file name in quotes "…"')
    if address_in(value):
        return faults.add(
            path, f"'{shown(value)}' is an address, not a local file", "riskmap reads local files only: save it first"
        )
    if any(ord(mark) < 32 for mark in value):
        remedy = "write folders with / in place of \\, or the name between single quotes"
        return faults.add(path, f"'{shown(value)}' holds a control character", remedy)
    return value


def _many(one: Callable[[Key, Any, str, Faults], Any], wanted: str) -> Callable[[Key, Any, str, Faults], Any]:
    """A list of values of one type; a bare value is a list of one."""

    def check(row: Key, value: Any, path: str, faults: Faults) -> Any:
        if isinstance(value, Mapping):
            return _wrong(row, value, path, faults, wanted)
        parts = value if isinstance(value, list) else [value]
        return tuple(one(row, part, path, faults) for part in parts)

    return check


def is_finite(value: object) -> bool:
    """Return whether something of a site file is a number that can be reckoned with.

    Examples
    --------
    >>> is_finite(2), is_finite(True), is_finite("2"), is_finite(float("inf")), is_finite(10**400)
    (True, False, False, False, False)
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) if isinstance(value, float) else abs(value) <= sys.float_info.max


def _number(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """A finite number within its limits, in the unit of the key it sets."""
    if not is_finite(value):
        plain = "a plain number, without quotes, commas or unit"
        return _wrong(row, value, path, faults, f"number{f' ({row.unit})' if row.unit else ''}", instead=plain)
    if (row.least is not None and value < row.least) or (row.most is not None and value > row.most):
        unit = f" {row.unit}" if row.unit not in ("", "money") else ""
        limits = f"from {row.least:g} to {row.most:.16g}{unit}" if row.most is not None else f"{row.least:g} or more"
        return faults.add(path, f"{value:.15g} is out of range", f"write a number {limits}")
    if row.sets:
        to = keys_of(row.section)[row.sets].unit
        return float(value * units.unit_factor(row.unit, to))
    return float(value)


def _integer(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """A whole number within its limits."""
    if isinstance(value, bool) or not isinstance(value, int):
        return _wrong(row, value, path, faults, "whole number")
    return None if _number(row, value, path, faults) is None else value


def _flag(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """True or false."""
    return value if isinstance(value, bool) else _wrong(row, value, path, faults, "true or false (without quotes)")


def _date(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """A day, as a date or as ISO text."""
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(value)
    except (TypeError, ValueError):
        return _wrong(row, value, path, faults, "date such as 2026-10-15")


def _filter(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """Columns, each with the texts to look for; numbers are taken as text."""
    if not isinstance(value, Mapping):
        return _wrong(row, value, path, faults, 'filter such as { Kind = ["tree"] }')
    found = {}
    for column, texts in value.items():
        parts = texts if isinstance(texts, list) else [texts]
        if not parts or any(isinstance(part, Mapping | list) for part in parts):
            faults.add(f"{path}.{column}", "this is no list of texts", 'write the texts to look for, such as ["tree"]')
            continue
        found[str(column)] = tuple(_as_text(part) for part in parts)
    return found


def _as_text(part: Any) -> str:
    """Return a TOML value as the text that a cell would hold."""
    if isinstance(part, bool):
        return "true" if part else "false"
    return str(int(part)) if isinstance(part, float) and part.is_integer() else str(part)


def _names(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """Our column names, each with the user's header."""
    if not isinstance(value, Mapping):
        return _wrong(row, value, path, faults, 'table such as { species = "Latin name" }')
    listed = choices_of(row)
    for name, header in value.items():
        if name not in listed:
            faults.add(f"{path}.{name}", f"'{shown(name)}' is no column of ours", nearest(name, listed))
        elif not isinstance(header, str):
            _wrong(row, header, f"{path}.{name}", faults, 'header in quotes "…"')
    return {str(name): str(header) for name, header in value.items()}


def _units(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """Our length columns, each with its unit."""
    if not isinstance(value, Mapping):
        return _wrong(row, value, path, faults, 'table such as { caliper = "in" }')
    for name, unit in value.items():
        if name not in COLUMN_LENGTHS:
            faults.add(f"{path}.{name}", f"'{shown(name)}' is no column of lengths", nearest(name, COLUMN_LENGTHS))
        elif unit not in choices_of(row):
            faults.add(f"{path}.{name}", f"'{shown(unit)}' is no unit we know", nearest(str(unit), choices_of(row)))
    return {str(name): str(unit) for name, unit in value.items()}


def _number_or_text(row: Key, value: Any, path: str, faults: Faults) -> Any:
    """A number, or the name of a column."""
    return value if isinstance(value, str) and value.strip() else _number(row, value, path, faults)


_TYPES: dict[str, Callable[[Key, Any, str, Faults], Any]] = {
    "text": _text,
    "address": _text,
    "file": _file,
    "texts": _many(_text, 'list of texts such as ["a", "b"]'),
    "files": _many(_file, 'list of files such as ["learned.toml"]'),
    "numbers": _many(_number, "list of numbers such as [41, 42]"),
    "number": _number,
    "integer": _integer,
    "flag": _flag,
    "date": _date,
    "filter": _filter,
    "names": _names,
    "units": _units,
    "number_or_text": _number_or_text,
}
