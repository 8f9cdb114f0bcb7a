"""The guards that may be used here, with prices in one currency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from riskmap import tables
from riskmap.choose.cost import Rates
from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption, Guard, Settings

__all__ = ["Catalogue", "open_catalogue"]

BUILT_IN: Final = "USD"  # every built-in price


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """Guards in the order of the table, without those never to be used, and what work costs."""

    guards: tuple[Guard, ...]
    known: dict[str, Guard]  # also those never to be bought: they may be on already
    rates: Rates
    assumptions: tuple[Assumption, ...]


def open_catalogue(settings: Settings) -> Catalogue:
    """Return the guards, prices and wages that hold for one site.

    Parameters
    ----------
    settings : Settings
        Its section guards names the currency, the wage, and guards never to be used.

    Raises
    ------
    InputError
        The currency is one that we have no prices in.
    """
    ours = settings.guards
    currency = ours.currency or BUILT_IN
    if currency != BUILT_IN:
        raise InputError(
            [
                Problem(
                    file=settings.file.name,
                    what=f"guards.currency is {shown(currency)}, but the built-in prices are in {BUILT_IN}",
                    remedy=f"give a price list in {shown(currency)}, or leave the currency out",
                    key="guards.prices",
                )
            ]
        )
    work = tables.work_figures()
    hour = work["labour_hour"].central if ours.labour_per_hour is None else ours.labour_per_hour
    rates = Rates(
        currency=currency,
        hour=hour,
        small={key: row.central for key, row in work.items() if row.currency and row.unit == "each"},
        remove_share=work["remove_share"].central,
        paint_m2=work["paint_m2"].central,
    )
    known = dict(tables.guards())
    guards = tuple(guard for key, guard in known.items() if key not in ours.never)
    return Catalogue(guards=guards, known=known, rates=rates, assumptions=tuple(_assumed(settings, guards, hour)))


def _assumed(settings: Settings, guards: tuple[Guard, ...], hour: float) -> list[Assumption]:
    """What was taken for prices and wages."""
    years = sorted({guard.price_year for guard in guards if guard.price_year})
    span = f"{years[0]} to {years[-1]}" if len(years) > 1 else "".join(map(str, years))
    found = [
        Assumption(
            topic="guards.prices",
            taken=f"built-in central prices in {BUILT_IN} of {span}",
            why="no price list was given",
            key="guards.prices",
        )
    ]
    if settings.guards.labour_per_hour is None:
        row = tables.work_figures()["labour_hour"]
        found.append(
            Assumption(
                topic="guards.labour_per_hour",
                taken=f"{row.currency} {hour:.2f} an hour ({row.year}; {row.note})",
                why="no wage was given",
                key="guards.labour_per_hour",
            )
        )
    return found
