"""Rows of data/*.csv: what the program knows, each figure with its source."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Agent",
    "Column",
    "Demand",
    "Figure",
    "Guard",
    "Key",
    "NoteCode",
    "Role",
    "Season",
    "Source",
    "Species",
    "SpeciesName",
    "WorkFigure",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A published source, or one of the fixed words of section Grades."""

    key: str
    citation: str
    kind: str  # paper | agency | standard | handbook | data | practice | project
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agent:
    """A cause of damage."""

    key: str
    label: str  # as people read it, sentence case: "Deer browse"
    kind: str  # browse, rub, gnaw, girdle, fell, strike, drift
    roles: tuple[str, ...]
    rule: str  # key of rules.RULES
    off_by_default: bool
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of one agent; `name` is what site.toml overrides: figure + unit."""

    agent: str
    figure: str
    low: float | None
    central: float
    high: float | None
    unit: str
    grade: str  # fitted published practice recalled judgement
    source: str
    where: str = ""
    note: str = ""

    @property
    def name(self) -> str:
        """Figure and unit as one word: sigma_m."""
        return f"{self.figure}_{self.unit}" if self.unit else self.figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Share of the yearly hazard by month; sums to 1."""

    agent: str
    kind: str  # deer kind or "" for all
    months: tuple[float, ...]  # 12, January first, northern hemisphere
    grade: str
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """A part a layer can play."""

    key: str
    label: str
    shapes: str  # area | line | both
    agents: tuple[str, ...]
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Species:
    """How one taxon answers to each agent: low, medium, high, with sources; "" = no basis, medium is used."""

    taxon: str  # genus, or genus species, accepted spelling
    common: str
    leaf: str  # broadleaf | conifer
    bark: str  # thin smooth rough corky
    resprouts: bool
    beaver: str
    deer_browse: str
    antler_rub: str
    rabbit: str
    vole: str
    grade: str
    source: str
    note: str = ""
    deer_browse_europe: str = ""  # where it differs in Britain and Europe, and for elk and moose


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeciesName:
    """One way to write a taxon."""

    name: str  # lower case, no marks; codes in capitals
    taxon: str  # a taxon of species.csv
    kind: str  # common | french | synonym | misspelling | code
    region: str = ""  # only there, where one name means two trees


@dataclass(frozen=True, slots=True, kw_only=True)
class Guard:
    """A generic guard: physical measures from which `choose` works out what it stops."""

    key: str
    label: str
    kind: str  # wrap cylinder tube spiral halfwrap collar paint spray ground line frame
    group: bool  # a shared fence round a block (not fitted to one tree)
    opening_mm: float | None
    opening_top_mm: float | None
    tight_height_mm: float | None
    mesh: str  # welded | hexagon | rigid_plastic | woven | "" (solid or no mesh)
    wire_mm: float | None
    heights_mm: tuple[float, ...]
    standoff_min_mm: float | None
    standoff_max_mm: float | None
    burial_mm: float | None
    solid: bool
    see_through: bool
    chewed_by: tuple[str, ...]
    stiff: bool
    split: bool  # can be closed round a standing tree
    needs_clear_stem_m: float | None
    suits: tuple[str, ...]  # forms; empty: any
    min_stem_mm: float | None
    max_stem_mm: float | None
    room_mm: float | None
    ring_radius_mm: float | None
    diameter_mm: float | None  # of a tube sold ready-made
    overlap_mm: float | None  # of a piece cut from a roll; width share of a wrap is in wrap_width_mm
    pitch_mm: float | None  # welded wire is cut at a wire: pieces round up to it
    wrap_width_mm: float | None
    depth_mm: float | None  # of mulch
    stake: str  # key of work.csv
    stakes: float
    ties: float
    repels: tuple[str, ...]  # agents a repellent partly keeps off
    on_month: int | None
    off_month: int | None
    off_when: str
    life_years: float
    renew_days: float | None
    minutes: float
    unit: str  # roll each litre m3 tree m
    roll_m: tuple[float, ...]
    price_low: float | None
    price_central: float | None
    price_high: float | None
    price_per: str
    price_height_mm: float | None  # the height the price is for; other heights in proportion
    price_roll_m: float | None
    price_year: int | None
    currency: str
    harms: str
    also_called: tuple[str, ...]  # words by which a guard_now cell may name it
    grade: str
    source: str
    note: str = ""

    @property
    def seasonal(self) -> bool:
        """Whether it goes on and comes off every year."""
        return self.on_month is not None and self.off_month is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """One way a guard can stop an agent; a blank never holds."""

    agent: str
    way: str  # short word for this row: quarter_inch, solid_wall ...
    answer: str  # stops | minimum | partly
    leaves: float  # share of the pressure left when it holds
    figures: str  # "opening_mm<=6.4; burial_mm>=50; top_mm>=snow+150"
    grade: str
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkFigure:
    """A figure of the work of guarding: stakes, ties, an hour's wage, growth of a stem."""

    key: str
    label: str
    low: float
    central: float
    high: float
    unit: str
    currency: str  # "" where it is no money
    year: int | None
    grade: str
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteCode:
    """A code a note may carry, and its plain meaning."""

    code: str
    label: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A key of site.toml; the loader, `riskmap show keys`, the JSON Schema and the messages all come from it."""

    section: str  # "" top, trees, layers ([[layers]]), rasters ([rasters.NAME]), local ...
    key: str
    type: str  # text file files texts number numbers integer flag date filter names units number_or_text address
    unit: str
    least: float | None
    most: float | None
    default: str  # the value, or where it comes from in words
    choices: str  # a;b;c or @roles @agents @guards @tree_columns
    sets: str  # the key of the same section that this one gives in another unit
    required: bool
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of the tree table, in the order in which files hold them; <role>, <raster>, <agent> stand for each."""

    key: str
    unit: str
    decimals: int | None  # rounded so far; None: no number, or a whole one
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeColumn:
    """A column that a trees file may hold, by the name that [trees.columns] gives it; a length may have any unit."""

    key: str
    unit: str
    meaning: str
