"""Conversions between the units people type and the ones we compute in; exact by definition."""

from __future__ import annotations

from typing import Final

__all__ = ["LENGTH_M", "length_factor", "unit_factor"]

INCH_M: Final = 0.0254  # exact, international yard and pound agreement 1959
FOOT_M: Final = 0.3048  # exact, the same
MILE_M: Final = 1609.344  # exact, the same
ACRE_M2: Final = 4046.8564224  # exact, from the international foot

LENGTH_M: Final[dict[str, float]] = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": INCH_M, "ft": FOOT_M}


def length_factor(unit: str, to: str) -> float:
    """Return the number that turns a length in `unit` into one in `to`.

    Examples
    --------
    >>> length_factor("in", "mm")
    25.4
    >>> length_factor("ft", "m")
    0.3048
    """
    return round(LENGTH_M[unit] / LENGTH_M[to], 12)


_PER_HA: Final[dict[str, float]] = {
    "per ha": 1.0,
    "per km2": 0.01,
    "per acre": 1e4 / ACRE_M2,
    "per mi2": 1e4 / MILE_M**2,
}


def unit_factor(unit: str, to: str) -> float:
    """Return the number that turns a value in `unit` into one in `to`; lengths and counts per area.

    Examples
    --------
    >>> round(unit_factor("per mi2", "per km2"), 6)
    0.386102
    >>> unit_factor("in", "m")
    0.0254
    """
    return _PER_HA[unit] / _PER_HA[to] if unit in _PER_HA else length_factor(unit, to)
