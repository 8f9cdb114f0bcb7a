"""site.toml, read and checked: what the user said."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

__all__ = [
    "ChoiceSettings",
    "GuardSettings",
    "LayerSource",
    "Local",
    "MapSettings",
    "MeasureSettings",
    "RasterSource",
    "Settings",
    "TreeSource",
]

Filter = Mapping[str, tuple[str, ...]]  # column -> texts; several columns all must hold


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSource:
    """The [trees] section. Paths are as typed; `Settings.resolve` makes them absolute."""

    file: str
    crs: str = ""
    layer: str = ""
    sheet: str = ""
    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    date_order: str = ""  # day_first | month_first | ""
    columns: Mapping[str, str] = field(default_factory=dict)  # our name -> user's header
    units: Mapping[str, str] = field(default_factory=dict)  # our name -> mm cm m in ft
    caliper_at: str = ""  # nursery | breast | breast_1_3 | girth_1m | girth_breast | "" (not said)
    keep: Filter = field(default_factory=dict)
    drop: Filter = field(default_factory=dict)
    accuracy_m: float = 0.0
    missing_size: str = ""  # young | look | "" (as decisions.md 2)
    on_invalid: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSource:
    """One [[layers]] block; `number` is its place in site.toml from 1."""

    number: int
    role: str
    file: str
    layer: str = ""
    crs: str = ""
    keep: Filter = field(default_factory=dict)
    drop: Filter = field(default_factory=dict)
    on_invalid: str = "repair"  # repair | drop | error
    width_m: float | str | None = None  # number, column name, or not given
    minus: tuple[str, ...] = ()
    covers: str = ""
    cleared_by: str = ""  # none shovel single_stage two_stage three_stage tractor plough
    encoding: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterSource:
    """One [rasters.NAME] block: snow_depth, elevation, land_cover or deer_habitat."""

    name: str
    file: str
    crs: str = ""
    band: int = 1
    unit: str = ""
    habitat: tuple[float, ...] = ()  # class values that are habitat (deer_habitat, land_cover)


@dataclass(frozen=True, slots=True, kw_only=True)
class Local:
    """What the ground can't tell; `given` names the facts the user stated, the rest are defaults."""

    snow_depth_m: float = 0.3
    flood_m: float = 0.0
    beaver: Literal["absent", "possible", "active"] = "possible"
    deer_per_km2: float = 7.0
    deer: tuple[str, ...] = ()  # empty: the region's usual kinds
    rabbits_per_ha: float = 8.0
    voles: Literal["low", "rising", "peak"] = "rising"
    sprayer: Literal["none", "knapsack", "boom", "airblast"] = "knapsack"
    everywhere: tuple[str, ...] = ()
    nowhere: tuple[str, ...] = ()
    spot_spray: bool = False
    mulch_radius_m: float = 0.0
    wind_from_deg: float | None = None
    given: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardSettings:
    """The [guards] section: prices, labour, what not to use."""

    prices: str = ""
    stock: str = ""
    own: str = ""
    labour_per_hour: float | None = None
    currency: str = ""
    never: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceSettings:
    """The [choice] section."""

    policy: Literal["stop_all", "value"] = "stop_all"
    floor: str = "some"
    budget: float = float("inf")
    alive_per_ha: float | None = None
    year: int | None = None
    hours: float = float("inf")
    most_kinds: int | None = None
    group_least: float = 0.0  # money set aside for every group of trees; 0: none


@dataclass(frozen=True, slots=True, kw_only=True)
class MapSettings:
    """The [map] section."""

    filters: tuple[str, ...] = ()  # the user's own columns offered as filters
    background: str = ""
    tiles: str = ""
    attribution: str = ""
    paper: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """The [measure] section."""

    report_within_m: float = 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """One site.toml, whole.

    Attributes
    ----------
    file : Path
        Absolute path of the site file (or of the working folder, for library use).
    overrides : mapping
        ``overrides["beaver"]["sigma_m"]`` is the user's figure.
    """

    file: Path
    title: str
    date: dt.date
    trees: TreeSource
    units: Literal["metric", "us"] = "metric"
    region: str = "north_america"
    crs: str = ""
    include: tuple[str, ...] = ()
    log: str = ""
    layers: tuple[LayerSource, ...] = ()
    rasters: tuple[RasterSource, ...] = ()
    local: Local = field(default_factory=Local)
    overrides: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    agents_on: tuple[str, ...] = ()  # scored though off by default
    agents_off: tuple[str, ...] = ()  # not scored
    guards: GuardSettings = field(default_factory=GuardSettings)
    choice: ChoiceSettings = field(default_factory=ChoiceSettings)
    map: MapSettings = field(default_factory=MapSettings)
    measure: MeasureSettings = field(default_factory=MeasureSettings)

    def resolve(self, typed: str) -> Path:
        """Return the absolute path of a file named in site.toml (relative to the site file)."""
        return (self.file.parent / typed).absolute()

    def files(self) -> tuple[Path, ...]:
        """Return every file that site.toml names, itself first, absolute."""
        layers = [name for layer in self.layers for name in (layer.file, layer.covers)]
        rasters = [raster.file for raster in self.rasters]
        prices = [self.guards.prices, self.guards.stock, self.guards.own]
        typed = [self.trees.file, *layers, *rasters, *prices, self.log, self.map.background, *self.include]
        return (self.file, *(self.resolve(name) for name in typed if name))

    def with_budget(self, budget: float | None) -> Settings:
        """Return the same site with this much money; None leaves what the site file says."""
        return self if budget is None else replace(self, choice=replace(self.choice, budget=budget))
