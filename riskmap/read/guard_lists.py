"""The user's price list, stock and own guards: small tables that name guards of the catalogue."""

from __future__ import annotations

import csv
import dataclasses
import difflib
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from riskmap import tables
from riskmap.errors import InputError, Problem, shown
from riskmap.model import Guard, GuardLists, PriceLine, ReadAs, Settings, StockLine
from riskmap.read.delimited import read_delimited
from riskmap.read.door import open_table_bytes
from riskmap.read.keytable import nearest
from riskmap.read.kinds import Kind
from riskmap.read.numbers import parse_number
from riskmap.read.rows import find_column
from riskmap.read.workbook import read_workbook
from riskmap.units import LENGTH_M

__all__ = ["GuardListsRead", "read_guard_lists"]

PRICE_COLUMNS: Final = ("guard", "price", "height_mm", "height_in", "roll_m", "roll_ft", "currency")
STOCK_COLUMNS: Final = ("guard", "pieces", "height_mm", "height_in")
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
    "source": "PRACTICE",
    "grade": "practice",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardListsRead:
    """The lists, with how each file was read and every fault."""

    lists: GuardLists
    read_as: tuple[ReadAs, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """One table: rows of texts by header, with their lines; faults are gathered as they are found."""

    file: str
    key: str
    names: tuple[str, ...]
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    read_as: ReadAs
    problems: list[Problem] = field(default_factory=list)

    def fault(self, line: int | None, column: str, what: str, remedy: str) -> None:
        """Keep one fault."""
        self.problems.append(Problem(file=self.file, row=line, column=column, what=what, remedy=remedy, key=self.key))

    def number(self, line: int, cells: Mapping[str, str], column: str, least: float) -> float | None:
        """A number of one cell; None where it is empty or at fault."""
        text = cells.get(column, "")
        if not text:
            return None
        decimal = "," if "," in text and "." not in text else "."
        value = parse_number(text, decimal)
        if not math.isfinite(value) or value < least:
            self.fault(line, column, f"'{shown(text)}' is no number from {least:g} up", "write a plain number")
            return None
        return value

    def length(self, line: int, cells: Mapping[str, str], name: str, units: tuple[str, str], to: str) -> float | None:
        """A length from whichever of two columns, each in its own unit, has one."""
        for unit in units:
            value = self.number(line, cells, f"{name}_{unit}", 0.001)
            if value is not None:
                return round(value * LENGTH_M[unit] / LENGTH_M[to], 6)
        return None


def read_guard_lists(settings: Settings) -> GuardListsRead:
    """Read the files that the section guards names: prices, stock and own guards.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    """
    sheets: dict[str, _Sheet] = {}
    problems: list[Problem] = []
    for name in ("own", "prices", "stock"):
        typed = getattr(settings.guards, name)
        if not typed:
            continue
        try:
            sheets[name] = _open(settings, typed, f"guards.{name}")
        except InputError as error:
            problems += error.problems
    own = _own_guards(sheets["own"]) if "own" in sheets else ()
    known = _names_known(own)
    lists = GuardLists(
        prices=_prices(sheets["prices"], known, settings) if "prices" in sheets else (),
        stock=_stock(sheets["stock"], known) if "stock" in sheets else (),
        own=own,
    )
    problems += [fault for sheet in sheets.values() for fault in sheet.problems]
    return GuardListsRead(
        lists=lists, read_as=tuple(sheet.read_as for sheet in sheets.values()), problems=tuple(problems)
    )


def _open(settings: Settings, typed: str, key: str) -> _Sheet:
    """Open one table through the door."""
    path = settings.resolve(typed)
    table = open_table_bytes(path, file_as_typed=typed, key=key)
    if table is None:
        what = "this is no table"
        raise InputError([Problem(file=typed, what=what, remedy="give a CSV or XLSX with a header", key=key)])
    read = read_workbook if table.kind is Kind.XLSX else read_delimited
    rows = read(table.data, file=typed)
    names = tuple(name.strip().lower() for name in rows.table.column_names)
    columns = [[str(cell or "").strip() for cell in column.to_pylist()] for column in rows.table.columns]
    cells = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    lines = tuple((int(line), row) for line, row in zip(rows.row, cells, strict=True) if any(row.values()))
    read_as = ReadAs(file=typed, path=path, sha256=table.sha256, rows=len(lines), facts=dict(rows.facts))
    return _Sheet(file=typed, key=key, names=names, rows=lines, read_as=read_as)


def _names_known(own: tuple[Guard, ...]) -> dict[str, str]:
    """Every name by which a list may call a guard, a stake, a tie or a gate, and its key."""
    found: dict[str, str] = {}
    for guard in (*own, *tables.guards().values()):
        for name in (guard.key, guard.label, *guard.also_called):
            found.setdefault(name.casefold(), guard.key)
    for key, row in tables.work_figures().items():
        if row.unit == "each" and row.currency:
            found.setdefault(key.casefold(), key)
            found.setdefault(row.label.casefold(), key)
    return found


def _has_columns(sheet: _Sheet, needed: tuple[str, ...], known: tuple[str, ...]) -> bool:
    """Whether the columns that must be there are; columns nobody knows are faults."""
    for name in needed:
        if name not in sheet.names:
            sheet.fault(1, "", f"there is no column '{name}'", f"write the columns {', '.join(known)}")
    for name in sheet.names:
        if find_column(known, name) is None:
            sheet.fault(1, name, "no column of this list is called so", nearest(name, known))
    return all(name in sheet.names for name in needed)


def _key(sheet: _Sheet, line: int, cells: Mapping[str, str], known: Mapping[str, str]) -> str | None:
    """The guard that a row names."""
    text = cells["guard"]
    if text.casefold() in known:
        return known[text.casefold()]
    near = difflib.get_close_matches(text.casefold(), known, n=1)
    remedy = f"did you mean '{near[0]}'? " if near else ""
    sheet.fault(line, "guard", f"'{shown(text)}' is no guard", f"{remedy}riskmap show guards lists them")
    return None


def _prices(sheet: _Sheet, known: Mapping[str, str], settings: Settings) -> tuple[PriceLine, ...]:
    """Prices, all in the currency of the site."""
    if not _has_columns(sheet, ("guard", "price"), PRICE_COLUMNS):
        return ()
    currency = settings.guards.currency or "USD"
    found = []
    for line, cells in sheet.rows:
        key = _key(sheet, line, cells, known)
        price = sheet.number(line, cells, "price", 0.0)
        if not cells["price"]:
            sheet.fault(line, "price", "there is no price", "write one, or leave the row out")
        theirs = cells.get("currency", "")
        if theirs and theirs.upper() != currency.upper():
            what = f"'{shown(theirs)}' is not {shown(currency)}, the currency of this site"
            sheet.fault(line, "currency", what, "write every price in one currency (guards.currency)")
        height_mm = sheet.length(line, cells, "height", ("mm", "in"), "mm")
        roll_m = sheet.length(line, cells, "roll", ("m", "ft"), "m")
        if key is not None and price is not None:
            found.append(PriceLine(key=key, price=price, height_mm=height_mm, roll_m=roll_m))
    return tuple(found)


def _stock(sheet: _Sheet, known: Mapping[str, str]) -> tuple[StockLine, ...]:
    """Guards on hand."""
    if not _has_columns(sheet, ("guard", "pieces"), STOCK_COLUMNS):
        return ()
    found = []
    for line, cells in sheet.rows:
        key = _key(sheet, line, cells, known)
        pieces = sheet.number(line, cells, "pieces", 0.0)
        if not cells["pieces"]:
            sheet.fault(line, "pieces", "there is no number of pieces", "write one, or leave the row out")
        height_mm = sheet.length(line, cells, "height", ("mm", "in"), "mm")
        if key is not None and pieces is not None:
            found.append(StockLine(key=key, pieces=int(pieces), height_mm=height_mm))
    return tuple(found)


def _own_guards(sheet: _Sheet) -> tuple[Guard, ...]:
    """Guards of the user's own, in the columns of our catalogue; columns left out take plain values."""
    columns = tuple(each.name for each in dataclasses.fields(Guard))
    if not _has_columns(sheet, OWN_NEEDED, columns):
        return ()
    found = []
    for line, cells in sheet.rows:
        given = {**dict.fromkeys(columns, ""), **OWN_DEFAULTS, **{name: text for name, text in cells.items() if text}}
        if given["kind"] not in KINDS:
            sheet.fault(
                line, "kind", f"'{shown(given['kind'])}' is no kind of guard", f"write one of {', '.join(KINDS)}"
            )
            continue
        given["group"] = "true" if given["kind"] == "line" else "false"
        text = io.StringIO()
        writer = csv.DictWriter(text, columns)
        writer.writeheader()
        writer.writerow({name: given[name] for name in columns})
        try:
            (guard,) = tables.load_rows("own", Guard, text=text.getvalue())
        except ValueError as error:
            sheet.fault(
                line,
                "",
                f"this row is no guard: {shown(error)}",
                "write numbers, true or false as in riskmap show guards",
            )
            continue
        found.append(guard)
    return tuple(found)
