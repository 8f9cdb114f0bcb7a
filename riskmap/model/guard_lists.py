"""The user's own price list, stock and guards."""

from __future__ import annotations

from dataclasses import dataclass

from riskmap.model.rows import Guard

__all__ = ["GuardLists", "PriceLine", "StockLine"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceLine:
    """One price: of a guard, or of a stake, tie or gate."""

    key: str
    price: float
    height_mm: float | None = None  # the height that it buys; None: any
    roll_m: float | None = None  # length of the roll that it buys


@dataclass(frozen=True, slots=True, kw_only=True)
class StockLine:
    """Guards on hand."""

    key: str
    pieces: int
    height_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardLists:
    """What the user's files say of guards; empty where none was given."""

    prices: tuple[PriceLine, ...] = ()
    stock: tuple[StockLine, ...] = ()
    own: tuple[Guard, ...] = ()
