"""What a guard costs at one tree: real cut lengths, stakes, ties and work; now, and over the years it is needed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from riskmap.choose.part import Part
from riskmap.model import FloatArray, Guard, PriceLine

__all__ = ["Bill", "Rates", "bill_of", "cut_length_m", "pieces_per_roll", "times_bought", "wrap_length_m"]

SAME_HEIGHT_MM: Final = 5.0  # 4 ft and 1.2 m are one height sold


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What an hour and small material cost, in one currency; figures of work.csv or of the user.

    Attributes
    ----------
    small : mapping
        Stakes, ties and gates by key; what is missing costs nothing.
    listed : mapping
        Prices of the user by guard; each in place of ours.
    spans : mapping
        Low and high of what nobody gave: `labour_hour`, `gate`.
    """

    currency: str
    hour: float
    small: Mapping[str, float]
    remove_share: float
    paint_m2: float
    listed: Mapping[str, tuple[PriceLine, ...]] = field(default_factory=dict)
    spans: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def price_of(self, part: Part) -> tuple[float, float | None, float | None]:
        """Return a price, the height and the length of roll that it is for; the user's nearest in height first."""
        guard = part.guard
        ours = math.nan if guard.price_central is None else guard.price_central
        lines = self.listed.get(guard.key, ())
        if not lines:
            return ours, guard.price_height_mm, guard.price_roll_m
        line = min(lines, key=lambda each: abs((each.height_mm or part.height_mm) - part.height_mm))
        return line.price, line.height_mm or guard.price_height_mm, line.roll_m or guard.price_roll_m

    def span_of(self, guard: Guard) -> tuple[float, float]:
        """Return the low and the high price of a guard as shares of its price; 1 where the user priced it."""
        if guard.key in self.listed or not guard.price_central:
            return 1.0, 1.0
        low, high = guard.price_low or guard.price_central, guard.price_high or guard.price_central
        return low / guard.price_central, high / guard.price_central


@dataclass(frozen=True, slots=True, kw_only=True)
class Bill:
    """What one part asks for at one tree.

    Attributes
    ----------
    material : float
        Money for one set of material; nan where no price is known.
    hours : float
        Work of fitting it.
    refit_hours, refit_material : float
        Work and money a year after the first fitting: on and off again, topping up.
    remove_hours : float
        Work of taking it off in the end.
    life_years : float
        Years until it is bought anew.
    """

    material: float
    hours: float
    refit_hours: float
    refit_material: float
    remove_hours: float
    life_years: float

    def first(self, hour: float) -> float:
        """Return the money up to and including the first fitting."""
        return self.material + self.hours * hour

    def over(self, years: float, hour: float) -> float:
        """Return the money over so many years: renewals, seasonal work and taking off included."""
        renewals = float(times_bought(years, self.life_years))
        fitted = renewals * (self.material + self.hours * hour)
        seasonal = max(years - renewals, 0.0) * (self.refit_material + self.refit_hours * hour)
        return fitted + seasonal + self.remove_hours * hour


def times_bought(years: FloatArray | float, life_years: FloatArray | float) -> FloatArray:
    """Return how often a guard is bought over so many years.

    None is bought anew for a last year alone: by then the stem is within a year's growth of safe, and the pressure
    has faded most of the way. What lasts a year or less is renewed as a seasonal guard is.

    Examples
    --------
    >>> times_bought(np.array([5.0, 6.0, 7.0, 10.0, 11.0, 12.0]), 5.0).tolist()
    [1.0, 1.0, 2.0, 2.0, 2.0, 3.0]
    >>> times_bought(3.0, 1.0).tolist()
    3.0
    """
    times = np.ceil(np.asarray(years) / life_years - 1e-9)
    over = years - (times - 1) * life_years  # years that the last one serves
    spared = (times > 1) & (np.asarray(life_years) > 1) & (over <= 1 + 1e-9)
    return np.where(np.asarray(life_years) >= 1, times - spared, 1.0)


def cut_length_m(stem_mm: float, standoff_mm: float, overlap_mm: float, pitch_mm: float | None = None) -> float:
    """Return the length of roll that goes round a stem: 2π(r + s) + overlap, up to the next wire.

    Parameters
    ----------
    stem_mm, standoff_mm, overlap_mm : float
        Stem diameter, gap to the bark, overlap. [mm]
    pitch_mm : float, optional
        Welded wire is cut at a wire: the piece is rounded up to this pitch. [mm]

    Returns
    -------
    float
        Length of the piece. [m]

    Examples
    --------
    A 2 in stem, 3 in of gap and 2 in of overlap take 27.13 in:

    >>> round(cut_length_m(50.8, 76.2, 50.8) / 0.0254, 2)
    27.13
    """
    length_mm = 2 * math.pi * (stem_mm / 2 + standoff_mm) + overlap_mm
    if pitch_mm:
        length_mm = math.ceil(length_mm / pitch_mm - 1e-9) * pitch_mm
    return length_mm / 1000


def pieces_per_roll(roll_m: float, piece_m: float) -> int:
    """Return how many whole pieces a roll gives; an offcut shorter than a piece is waste.

    Examples
    --------
    >>> pieces_per_roll(30.48, 27.13 * 0.0254)
    44
    """
    return math.floor(roll_m / piece_m + 1e-9)


def wrap_length_m(stem_mm: float, height_mm: float, width_mm: float, overlap_share: float) -> float:
    """Return the length of wrap wound up a stem.

    Examples
    --------
    A 4 in wrap with a third overlapped, on 48 in of a 1.5 in stem, takes about 97 in:

    >>> round(wrap_length_m(38.1, 1219.2, 101.6, 0.33) / 0.0254, 1)
    97.1
    """
    pitch_mm = width_mm * (1 - overlap_share)
    return height_mm / pitch_mm * math.hypot(math.pi * stem_mm, pitch_mm) / 1000


def bill_of(part: Part, stem_mm: float, rates: Rates) -> Bill:
    """Work out what one part costs at a stem of this caliper.

    Parameters
    ----------
    part : Part
        Guard, height and stand-off.
    stem_mm : float
        Caliper. [mm]
    rates : Rates
        Wage and small material.
    """
    guard = part.guard
    hours = guard.minutes / 60
    small = guard.stakes * rates.small.get(guard.stake, 0.0) + guard.ties * rates.small.get("tie", 0.0)
    price, height_mm, roll_m = rates.price_of(part)
    material = _quantity(part, stem_mm, rates, roll_m or math.nan) * price + small
    if height_mm and abs(height_mm - part.height_mm) > SAME_HEIGHT_MM:  # prices go with the height
        material = small + (material - small) * part.height_mm / height_mm
    refit_hours, refit_material = (hours * (1 + rates.remove_share), 0.0) if guard.seasonal else (0.0, 0.0)
    if guard.renew_days:
        times = max(len(part.months()) * 30.4 / guard.renew_days, 1.0)
        refit_hours, refit_material = hours * times, material * times
    return Bill(
        material=material,
        hours=hours,
        refit_hours=refit_hours,
        refit_material=refit_material,
        remove_hours=0.0 if guard.kind in {"paint", "spray", "ground"} else hours * rates.remove_share,
        life_years=guard.life_years,
    )


def _quantity(part: Part, stem_mm: float, rates: Rates, roll_m: float) -> float:
    """How many priced units one tree takes; of a roll, the share that a whole piece takes."""
    guard = part.guard
    if guard.kind == "wrap":
        length_m = wrap_length_m(stem_mm, part.height_mm, guard.wrap_width_mm or 100.0, (guard.overlap_mm or 0.0) / 100)
        return _share_of_roll(roll_m, length_m)
    if guard.unit == "roll":
        length_m = cut_length_m(stem_mm, part.standoff_mm, guard.overlap_mm or 0.0, guard.pitch_mm)
        return _share_of_roll(roll_m, length_m)
    if guard.kind == "paint":
        return math.pi * stem_mm * part.height_mm / 1e6 / rates.paint_m2
    if guard.unit == "m3":
        return math.pi * ((guard.ring_radius_mm or 0.0) / 1000) ** 2 * (guard.depth_mm or 0.0) / 1000
    return 1.0


def _share_of_roll(roll_m: float, piece_m: float) -> float:
    """Share of a roll for one piece, offcut included; a piece longer than the roll takes whole rolls joined."""
    pieces = pieces_per_roll(roll_m, piece_m)
    return 1 / pieces if pieces else math.ceil(piece_m / roll_m)
