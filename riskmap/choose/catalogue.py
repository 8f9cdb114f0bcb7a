"""The guards that may be used here, with prices in one currency."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from riskmap import tables
from riskmap.choose.cost import Rates
from riskmap.choose.words import count_words
from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption, Guard, GuardLists, PriceLine, Settings

__all__ = ["Catalogue", "open_catalogue"]

BUILT_IN: Final = "USD"  # every built-in price
NO_LISTS: Final = GuardLists()


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """Guards in the order of the table, without those never to be used, and what work costs."""

    guards: tuple[Guard, ...]
    known: dict[str, Guard]  # also those never to be bought: they may be on already
    rates: Rates
    assumptions: tuple[Assumption, ...]
    own: tuple[Guard, ...] = ()  # as the user describes them


def open_catalogue(settings: Settings, lists: GuardLists = NO_LISTS) -> Catalogue:
    """Return the guards, prices and wages that hold for one site.

    Parameters
    ----------
    settings : Settings
        Its section guards names the currency, the wage, and guards never to be used.
    lists : GuardLists
        The user's prices and own guards.

    Raises
    ------
    InputError
        The currency is one that we have no prices or no wage in.
    """
    ours = settings.guards
    currency = (ours.currency or BUILT_IN).upper()
    foreign = currency != BUILT_IN
    _refuse_mixed_money(settings, lists, currency)
    work = tables.work_figures()
    hour = work["labour_hour"].central if ours.labour_per_hour is None else ours.labour_per_hour
    listed: dict[str, tuple[PriceLine, ...]] = {}
    for line in lists.prices:
        listed[line.key] = (*listed.get(line.key, ()), line)
    built_in = {} if foreign else {key: row.central for key, row in work.items() if row.currency and row.unit == "each"}
    rates = Rates(
        currency=currency,
        hour=hour,
        small={**built_in, **{key: lines[0].price for key, lines in listed.items() if key in work}},
        remove_share=work["remove_share"].central,
        paint_m2=work["paint_m2"].central,
        listed=listed,
        spans=_spans(ours.labour_per_hour is None, foreign or "gate" in listed),
    )
    own = {guard.key: guard for guard in lists.own}
    known = {
        key: _sold(own.get(key, guard), listed, foreign and key not in own)
        for key, guard in {**tables.guards(), **own}.items()
    }
    guards = tuple(guard for key, guard in known.items() if key not in ours.never)
    return Catalogue(
        guards=guards,
        known=known,
        rates=rates,
        assumptions=tuple(_assumed(settings, guards, rates, own, listed)),
        own=lists.own,
    )


def _spans(wage: bool, gate_known: bool) -> dict[str, tuple[float, float]]:
    """Low and high of the built-in wage and gate, where they are what is reckoned with."""
    rows = tables.work_figures()
    taken = [key for key, ours in (("labour_hour", wage), ("gate", not gate_known)) if ours]
    return {key: (rows[key].low, rows[key].high) for key in taken}


def _refuse_mixed_money(settings: Settings, lists: GuardLists, currency: str) -> None:
    """Refuse a currency in which nobody gave prices, or no wage."""
    if currency == BUILT_IN:
        return
    faults = []
    if not lists.prices and not lists.own:
        what = f"guards.currency is {shown(currency)}, but the built-in prices are in {BUILT_IN}"
        remedy = f"give a price list in {shown(currency)}, or leave the currency out"
        faults.append(Problem(file=settings.file.name, what=what, remedy=remedy, key="guards.prices"))
    elif settings.guards.labour_per_hour is None:
        what = f"guards.currency is {shown(currency)}, but the built-in wage is in {BUILT_IN}"
        remedy = f"write what an hour of work costs in {shown(currency)}"
        faults.append(Problem(file=settings.file.name, what=what, remedy=remedy, key="guards.labour_per_hour"))
    if faults:
        raise InputError(faults)


def _is_small(key: str) -> bool:
    """Whether a figure of the work is a price of what goes with guards: a stake, a tie, a gate."""
    return key in {"tie", "gate"} or any(guard.stake == key for guard in tables.guards().values())


def _sold(guard: Guard, listed: dict[str, tuple[PriceLine, ...]], foreign: bool) -> Guard:
    """A guard as it can be bought here: at the heights that a price list names, at no price in another currency."""
    lines = listed.get(guard.key, ())
    heights = tuple(sorted({line.height_mm for line in lines if line.height_mm}))
    if heights:
        guard = replace(guard, heights_mm=heights)
    if foreign and not lines:
        guard = replace(guard, price_low=None, price_central=None, price_high=None)
    return guard


def _assumed(
    settings: Settings,
    guards: tuple[Guard, ...],
    rates: Rates,
    own: dict[str, Guard],
    listed: dict[str, tuple[PriceLine, ...]],
) -> list[Assumption]:
    """What was taken for prices and wages."""
    ours = [guard for guard in guards if guard.key not in own and guard.key not in listed]
    found = []
    if rates.currency == BUILT_IN and ours:
        years = sorted({guard.price_year for guard in ours if guard.price_year})
        span = f"{years[0]} to {years[-1]}" if len(years) > 1 else "".join(map(str, years))
        few = f" for the {count_words(len(ours), 'guard')} that the price list leaves out" if listed else ""
        taken = f"built-in central prices in {BUILT_IN} of {span}{few}"
        why = "not in the price list" if listed else "no price list was given"
        found.append(Assumption(topic="guards.prices", taken=taken, why=why, key="guards.prices"))
    elif ours:
        taken = f"{count_words(len(ours), 'guard')} without a price in {rates.currency} left out"
        found.append(Assumption(topic="guards.prices", taken=taken, why="not in the price list", key="guards.prices"))
        if free := [
            row.label for key, row in tables.work_figures().items() if _is_small(key) and key not in rates.small
        ]:
            taken = f"no cost for: {', '.join(free)}"
            why = f"not in the price list, and ours are in {BUILT_IN}"
            found.append(Assumption(topic="guards.small", taken=taken, why=why, key="guards.prices"))
    if settings.guards.labour_per_hour is None:
        row = tables.work_figures()["labour_hour"]
        taken = f"{row.currency} {rates.hour:.2f} an hour ({row.year}; {row.note})"
        topic = "guards.labour_per_hour"
        found.append(Assumption(topic=topic, taken=taken, why="no wage was given", key=topic))
    return found
