"""The nouns that pass between stations. Degrees never reach `measure`: the type says how far data has come."""

from __future__ import annotations

from riskmap.model.arrays import BoolArray, Coded, Float32Array, FloatArray, IntArray, no_numbers
from riskmap.model.exposure import Exposure, RasterValues
from riskmap.model.guard_lists import GuardLists, PriceLine, StockLine
from riskmap.model.inputs import Inputs, LayerData, RasterData, ReadAs, Repair, TreeTable
from riskmap.model.notes import Assumption, Note
from riskmap.model.result import MOST_GIS_COLUMNS, Choices, Pressure, Result, Stems
from riskmap.model.rows import (
    Agent,
    Column,
    Demand,
    Figure,
    Guard,
    Key,
    NoteCode,
    Role,
    Season,
    Source,
    Species,
    SpeciesName,
    WorkFigure,
)
from riskmap.model.settings import (
    ChoiceSettings,
    GuardSettings,
    LayerSource,
    Local,
    MapSettings,
    MeasureSettings,
    RasterSource,
    Settings,
    TreeSource,
)
from riskmap.model.site import GroundLayer, RasterPoints, Site, Trees
from riskmap.model.tally import Tally, TallyLine, add_lines, add_tallies, tally_of
from riskmap.model.watch import SilentWatch, Watch

__all__ = [
    "MOST_GIS_COLUMNS",
    "Agent",
    "Assumption",
    "BoolArray",
    "ChoiceSettings",
    "Choices",
    "Coded",
    "Column",
    "Demand",
    "Exposure",
    "Figure",
    "Float32Array",
    "FloatArray",
    "GroundLayer",
    "Guard",
    "GuardLists",
    "GuardSettings",
    "Inputs",
    "IntArray",
    "Key",
    "LayerData",
    "LayerSource",
    "Local",
    "MapSettings",
    "MeasureSettings",
    "Note",
    "NoteCode",
    "Pressure",
    "PriceLine",
    "RasterData",
    "RasterPoints",
    "RasterSource",
    "RasterValues",
    "ReadAs",
    "Repair",
    "Result",
    "Role",
    "Season",
    "Settings",
    "SilentWatch",
    "Site",
    "Source",
    "Species",
    "SpeciesName",
    "Stems",
    "StockLine",
    "Tally",
    "TallyLine",
    "TreeSource",
    "TreeTable",
    "Trees",
    "Watch",
    "WorkFigure",
    "add_lines",
    "add_tallies",
    "no_numbers",
    "tally_of",
]
