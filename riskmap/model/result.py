"""What score and choose hand on, and the whole run as deliverables see it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from riskmap.model.arrays import BoolArray, Coded, Float32Array, FloatArray, IntArray
from riskmap.model.exposure import Exposure, RasterValues
from riskmap.model.notes import Assumption, Note
from riskmap.model.site import GroundLayer, Site
from riskmap.model.tally import Tally, tally_of

__all__ = ["MOST_GIS_COLUMNS", "Choices", "Pressure", "Result", "Stems"]

MOST_GIS_COLUMNS: Final = 1990  # SQLite stops at 2,000 with the number and the shape of a row

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stems:
    """What each tree is, as scoring and choosing see it; arrays of shape (tree,) or (tree, agent)."""

    caliper_mm: FloatArray  # nursery caliper used for scoring; nan where unknown
    height_m: FloatArray  # height used; nan where unknown
    age_years: FloatArray  # age used; nan where unknown
    size_known: BoolArray  # caliper, height or year is known
    young: BoolArray  # no size at all, taken as young (missing_size)
    taxon: Coded  # the species row matched; -1 unmatched
    leaf: Coded  # broadleaf | conifer
    bark: Coded  # thin smooth rough corky
    form: Coded
    sensitivity: Float32Array  # S, (tree, agent)
    size_factor: Float32Array  # Z, (tree, agent); 0 where the agent has ended
    ended: BoolArray  # (tree, agent): size, age or height ends the agent
    snow_m: FloatArray  # lasting snow depth used at each tree, drift and pile included
    pile_m: FloatArray | None = None  # of it, what plough or blower piled up; None: nothing anywhere
    sources: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressure:
    """Chance of damage within a year, unguarded.

    `value` and `loss` have shape (tree, agent), float32, nan where not scored; agents stand beside them.
    """

    agents: tuple[str, ...]
    value: Float32Array
    loss: Float32Array  # pressure x share lost
    pressure_any: FloatArray  # over the scored agents; nan where none is
    loss_any: FloatArray
    decisive: IntArray  # index into agents of the largest loss; -1 where none
    not_scored: pa.Array  # string: why no agent could be scored; null where some was
    stems: Stems
    remarks: Mapping[str, BoolArray] = field(default_factory=dict)  # code -> trees it holds for
    notes: tuple[Note, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What to do at each tree; text columns are coded (many trees share one)."""

    action: Coded  # none needed | keep | fit | swap | loosen | remove | look | accept | not a tree
    guard: Coded  # guard label with size, parts joined by " + "; -1 where none
    guard_keys: Coded  # keys joined by "; " in the same order
    guard_height_mm: FloatArray
    reason: Coded  # the sentence(s) with both numbers
    agents_stopped: Coded  # agent keys joined by "; "
    agents_open: Coded
    cost: FloatArray  # money this run asks for; nan where no action buys anything is 0
    cost_per_year: FloatArray
    hours: FloatArray
    on_month: IntArray  # 0 where none
    off_month: IntArray
    off_when: Coded
    currency: str = "USD"
    notes: tuple[Note, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One whole run, as every deliverable sees it."""

    site: Site
    exposures: Mapping[str, Exposure]  # role -> exposure, in the order of roles.csv
    rasters: tuple[RasterValues, ...]
    pressure: Pressure
    choices: Choices
    bands: npt.NDArray[np.int8]  # (tree, agent): index into BANDS, -1 not scored
    notes: tuple[Note, ...]
    assumptions: tuple[Assumption, ...]
    engine: str
    _once: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def tally(self) -> Tally:
        """What adds up over the trees: of all of them, also where the result holds but some."""
        return self.once("tally", lambda: tally_of(self))

    def knowing(self, **found: Any) -> Result:
        """Return the same result with what `once` is to find worked out already."""
        same = replace(self)
        same._once.update(self._once | found)
        return same

    def on_ground(self, layers: tuple[GroundLayer, ...]) -> Result:
        """Return the same result with other ground under it, what was worked out already with it."""
        same = replace(self, site=replace(self.site, layers=layers))
        same._once.update(self._once)
        return same

    def once(self, name: str, work: Callable[[], T]) -> T:
        """Return what several deliverables need, worked out by the first that asks."""
        if name not in self._once:
            self._once[name] = work()
        found: T = self._once[name]
        return found
