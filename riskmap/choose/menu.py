"""Every guard and every pair of guards as arrays: what each stops at one kind of place, and what each costs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from riskmap.choose.catalogue import Catalogue
from riskmap.choose.cost import Rates, bill_of, times_bought
from riskmap.choose.demand import Ground
from riskmap.choose.fit import quick_level
from riskmap.choose.part import ENCLOSING, Part
from riskmap.choose.suit import Stand, unsuited
from riskmap.model import BoolArray, FloatArray, Guard, IntArray

__all__ = ["Menu", "Prices", "Shelf", "make_menu", "parts_of", "stock_shelf"]

AIR_MM: Final = 25.0  # between an inner guard and the outer one
STANDOFFS_MM: Final = (25.0, 150.0, 250.0)  # what demands ask for
SUMMER_KINDS: Final = frozenset({"collar", "halfwrap"})  # change places with a winter guard
NESTING: Final = {"cylinder": 1, "frame": 2, "line": 3}  # a guard goes inside one of its rank or above


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What each part costs at stems of one caliper; shape (part,)."""

    material: FloatArray
    hours: FloatArray
    refit_material: FloatArray
    refit_hours: FloatArray
    remove_hours: FloatArray
    life_years: FloatArray

    def first(self, hour: float) -> FloatArray:
        """Money up to and including the first fitting."""
        return self.material + self.hours * hour

    def over(self, years: FloatArray | float, hour: float) -> FloatArray:
        """Money over so many years: renewals, seasonal work and taking off included."""
        renewals = times_bought(years, self.life_years)
        seasonal = np.maximum(years - renewals, 0.0) * (self.refit_material + self.refit_hours * hour)
        return renewals * self.first(hour) + seasonal + self.remove_hours * hour


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """All parts that may be used on one kind of ground, and the options made of one or two of them.

    An option is (inner, outer); outer is -1 for a single guard. `follows` marks pairs that take turns through the
    year on one stem.
    """

    parts: tuple[Part, ...]
    rates: Rates
    guarding: BoolArray  # (part,): stands at the stem; ground measures and repellents do not
    inner: IntArray  # (option,)
    outer: IntArray
    single: BoolArray
    follows: BoolArray
    prices: dict[float, Prices] = field(default_factory=dict)
    suited: dict[Stand, BoolArray] = field(default_factory=dict)

    def prices_at(self, stem_mm: float) -> Prices:
        """Return what parts cost at stems of one caliper."""
        if stem_mm not in self.prices:
            bills = [bill_of(part, stem_mm, self.rates) for part in self.parts]
            columns = {
                name: np.array([getattr(bill, name) for bill in bills], dtype=np.float64)
                for name in Prices.__dataclass_fields__
            }
            self.prices[stem_mm] = Prices(**columns)
        return self.prices[stem_mm]

    def suits(self, stand: Stand) -> BoolArray:
        """Return which parts go on such trees."""
        if stand not in self.suited:
            self.suited[stand] = np.array([not unsuited(part, stand) for part in self.parts], dtype=bool)
        return self.suited[stand]


@dataclass(frozen=True, slots=True, kw_only=True)
class Menu:
    """What parts and options of a shelf do at one kind of place."""

    shelf: Shelf
    ground: Ground
    agents: tuple[str, ...]
    level: npt.NDArray[np.int8]  # (part, agent)
    leaves: FloatArray  # (part, agent)
    option_level: npt.NDArray[np.int8]  # (option, agent)
    option_leaves: FloatArray

    @property
    def parts(self) -> tuple[Part, ...]:
        """All parts of the shelf."""
        return self.shelf.parts


def parts_of(guards: tuple[Guard, ...], *, buried: bool) -> tuple[Part, ...]:
    """Return every guard for single trees at every height and at the stand-offs that demands ask for."""
    return tuple(
        Part(guard=guard, height_mm=height_mm, standoff_mm=standoff_mm, buried=buried)
        for guard in guards
        if not guard.group
        for height_mm in guard.heights_mm or (0.0,)
        for standoff_mm in _standoffs(guard)
    )


def _standoffs(guard: Guard) -> list[float]:
    """Stand-offs worth trying: the least it stands at, and what demands ask for within its range."""
    least = guard.standoff_min_mm or 0.0
    if guard.kind != "cylinder":
        return [least]
    most = guard.standoff_max_mm or least
    return [least, *(asked for asked in STANDOFFS_MM if least < asked <= most)]


def stock_shelf(catalogue: Catalogue, *, buried: bool, extra: tuple[Part, ...] = ()) -> Shelf:
    """List parts and options for one kind of ground.

    Parameters
    ----------
    catalogue : Catalogue
        Guards and rates.
    buried : bool
        Whether the ground lets guards be buried.
    extra : tuple of Part
        Guards already on, that the catalogue may no longer sell.
    """
    parts = parts_of(catalogue.guards, buried=buried)
    parts += tuple(part for part in extra if part not in parts)
    guarding = np.array([part.guard.kind not in {"ground", "spray"} for part in parts], dtype=bool)
    rank = np.array([NESTING.get(part.guard.kind, 0) for part in parts])
    encloses = np.array([part.guard.kind in ENCLOSING for part in parts], dtype=bool)
    gap_mm = np.array([part.standoff_mm for part in parts])
    needs_mm = np.array([part.outer_mm + AIR_MM for part in parts])
    nests = guarding[:, None] & encloses & (gap_mm >= needs_mm[:, None]) & (rank[:, None] <= rank)
    winter = np.array([part.guard.seasonal for part in parts], dtype=bool) & guarding
    turns = winter[:, None] & np.array([part.guard.kind in SUMMER_KINDS for part in parts], dtype=bool)
    singles = np.flatnonzero(guarding)
    (nest_in, nest_out), (turn_in, turn_out) = np.nonzero(nests), np.nonzero(turns)
    outer = np.concatenate([np.full(len(singles), -1), nest_out, turn_out])
    return Shelf(
        parts=parts,
        rates=catalogue.rates,
        guarding=guarding,
        inner=np.concatenate([singles, nest_in, turn_in]),
        outer=outer,
        single=outer < 0,
        follows=np.arange(len(outer)) >= len(outer) - len(turn_in),
    )


def make_menu(shelf: Shelf, agents: tuple[str, ...], ground: Ground) -> Menu:
    """Work out what every part and option of a shelf does at one kind of place.

    Parameters
    ----------
    shelf : Shelf
        Parts and options.
    agents : tuple of str
        Agents, in the order of the columns of `level`.
    ground : Ground
        Snow, flood and deer; stems are left to what suits them.
    """
    answers = [[quick_level(part, agent, ground) for agent in agents] for part in shelf.parts]
    shape = (len(shelf.parts), len(agents))
    level = np.array([[answer[0] for answer in row] for row in answers], dtype=np.int8).reshape(shape)
    leaves = np.array([[answer[1] for answer in row] for row in answers], dtype=np.float64).reshape(shape)
    inner, outer, paired = shelf.inner, shelf.outer, ~shelf.single[:, None]
    return Menu(
        shelf=shelf,
        ground=ground,
        agents=agents,
        level=level,
        leaves=leaves,
        option_level=np.where(paired, np.maximum(level[inner], level[outer]), level[inner]),
        option_leaves=np.where(paired, np.minimum(leaves[inner], leaves[outer]), leaves[inner]),
    )
