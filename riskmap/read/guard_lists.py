"""The user's price list, stock and own guards: small tables that name guards of the catalogue."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from riskmap import tables
from riskmap.errors import InputError, Problem, shown
from riskmap.model import Guard, GuardLists, PriceLine, ReadAs, Settings, StockLine
from riskmap.read.own_guards import own_guards
from riskmap.read.sheets import Sheet, check_currency, has_columns, open_sheet

__all__ = ["GuardListsRead", "read_guard_lists"]

PRICE_COLUMNS: Final = ("guard", "price", "height_mm", "height_in", "roll_m", "roll_ft", "currency")
STOCK_COLUMNS: Final = ("guard", "pieces", "height_mm", "height_in")


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardListsRead:
    """The lists, with how each file was read and every fault."""

    lists: GuardLists
    read_as: tuple[ReadAs, ...]
    problems: tuple[Problem, ...]


def read_guard_lists(settings: Settings) -> GuardListsRead:
    """Read the files that the section guards names: prices, stock and own guards.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    """
    sheets: dict[str, Sheet] = {}
    problems: list[Problem] = []
    for name in ("own", "prices", "stock"):
        typed = getattr(settings.guards, name)
        if not typed:
            continue
        try:
            sheets[name] = open_sheet(settings, typed, f"guards.{name}")
        except InputError as error:
            problems += error.problems
    own = own_guards(sheets["own"], settings) if "own" in sheets else ()
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


def _key(sheet: Sheet, line: int, cells: Mapping[str, str], known: Mapping[str, str]) -> str | None:
    """The guard that a row names."""
    text = cells["guard"]
    if text.casefold() in known:
        return known[text.casefold()]
    near = difflib.get_close_matches(text.casefold(), known, n=1)
    remedy = f"did you mean '{near[0]}'? " if near else ""
    sheet.fault(line, "guard", f"'{shown(text)}' is no guard", f"{remedy}riskmap show guards lists them")
    return None


def _prices(sheet: Sheet, known: Mapping[str, str], settings: Settings) -> tuple[PriceLine, ...]:
    """Prices, all in the currency of the site."""
    if not has_columns(sheet, ("guard", "price"), PRICE_COLUMNS):
        return ()
    found = []
    for line, cells in sheet.rows:
        key = _key(sheet, line, cells, known)
        price = sheet.number(line, cells, "price", 0.0)
        if not cells["price"]:
            sheet.fault(line, "price", "there is no price", "write one, or leave the row out")
        check_currency(sheet, line, cells, settings)
        height_mm = sheet.length(line, cells, "height", ("mm", "in"), "mm")
        roll_m = sheet.length(line, cells, "roll", ("m", "ft"), "m")
        if key is not None and price is not None:
            found.append(PriceLine(key=key, price=price, height_mm=height_mm, roll_m=roll_m))
    return tuple(found)


def _stock(sheet: Sheet, known: Mapping[str, str]) -> tuple[StockLine, ...]:
    """Guards on hand."""
    if not has_columns(sheet, ("guard", "pieces"), STOCK_COLUMNS):
        return ()
    found = []
    for line, cells in sheet.rows:
        key = _key(sheet, line, cells, known)
        pieces = sheet.number(line, cells, "pieces", 0.0)
        if not cells["pieces"]:
            sheet.fault(line, "pieces", "there is no number of pieces", "write one, or leave the row out")
        elif pieces is not None and not pieces.is_integer():
            sheet.fault(line, "pieces", f"'{shown(cells['pieces'])}' is no whole number", "write how many there are")
        height_mm = sheet.length(line, cells, "height", ("mm", "in"), "mm")
        if key is not None and pieces is not None:
            found.append(StockLine(key=key, pieces=int(pieces), height_mm=height_mm))
    return tuple(found)
