"""Guards of the user's own, read as rows of our catalogue."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from collections.abc import Mapping
from typing import Final

from riskmap import tables
from riskmap.errors import shown
from riskmap.model import Guard, Settings
from riskmap.read.sheets import Sheet, check_currency, has_columns

__all__ = ["own_guards"]

KINDS: Final = ("wrap", "cylinder", "tube", "spiral", "halfwrap", "collar", "paint", "ground", "line", "frame")
OWN_NEEDED: Final = ("key", "label", "kind")
OWN_DEFAULTS: Final[Mapping[str, str]] = {  # of columns that a user's file leaves out
    "group": "false",
    "solid": "false",
    "see_through": "true",
    "stiff": "false",
    "split": "true",
    "life_years": "5",
    "minutes": "10",
    "stakes": "0",
    "ties": "0",
    "unit": "each",
    "price_per": "each",
}
OWN_FIXED: Final[Mapping[str, str]] = {"source": "PRACTICE", "grade": "practice"}  # how sure its user is, nobody asks
FLAGS: Final = frozenset(each.name for each in dataclasses.fields(Guard) if each.type == "bool")
MONTHS: Final = ("on_month", "off_month")


def own_guards(sheet: Sheet, settings: Settings) -> tuple[Guard, ...]:
    """Guards of the user's own, in the columns of our catalogue; columns left out take plain values."""
    columns = tuple(each.name for each in dataclasses.fields(Guard))
    if not has_columns(sheet, OWN_NEEDED, columns):
        return ()
    found: dict[str, Guard] = {}
    for line, cells in sheet.rows:
        if cells["kind"] not in KINDS:
            what = f"'{shown(cells['kind'])}' is no kind of guard"
            sheet.fault(line, "kind", what, f"write one of {', '.join(KINDS)}")
            continue
        check_currency(sheet, line, cells, settings)
        try:
            guard = _own_guard(cells, columns)
        except ValueError as error:
            what = f"this row is no guard: {shown(error.__cause__ or error, longest=200)}"
            sheet.fault(line, "", what, "write numbers, true or false as in riskmap show guards")
            continue
        odd = _odd_measures(guard)
        for column, what in odd:
            sheet.fault(line, column, what, "write what riskmap show guards would show of it")
        if not guard.key or ";" in guard.key or guard.key in found:  # lists of keys are joined by ;
            what = "stands twice" if guard.key in found else "is no name for a guard"
            sheet.fault(line, "key", f"'{shown(guard.key)}' {what}", "write one that no other row has, without ;")
        elif not odd:
            found[guard.key] = guard
    return tuple(found.values())


def _own_guard(cells: Mapping[str, str], columns: tuple[str, ...]) -> Guard:
    """One row as a guard; raises ValueError where a cell is not of its type."""
    given = {name: text.casefold() if name in FLAGS else text for name, text in cells.items() if text}
    group = "true" if cells["kind"] == "line" else "false"
    row = {**dict.fromkeys(columns, ""), **OWN_DEFAULTS, **given, **OWN_FIXED, "group": group}
    text = io.StringIO()
    writer = csv.DictWriter(text, columns)
    writer.writeheader()
    writer.writerow({name: row[name] for name in columns})
    (guard,) = tables.load_rows("own", Guard, text=text.getvalue())
    return guard


def _odd_measures(guard: Guard) -> list[tuple[str, str]]:
    """Columns whose number can't be, and what is wrong with it."""
    found = []
    for each in dataclasses.fields(guard):
        value = getattr(guard, each.name)
        for number in value if isinstance(value, tuple) else (value,):
            if isinstance(number, bool) or not isinstance(number, int | float):
                continue
            if not math.isfinite(number) or number < 0 or (number == 0 and each.name == "life_years"):
                found.append((each.name, f"'{number:g}' is no number {'above 0' if number == 0 else 'from 0 up'}"))
            elif each.name in MONTHS and not 1 <= number <= 12:
                found.append((each.name, f"'{number:g}' is no month from 1 to 12"))
    if not guard.heights_mm and guard.kind != "ground":
        found.append(("heights_mm", "there is no height, so nothing can be said of what it stops"))
    return found
