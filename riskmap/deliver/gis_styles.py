"""Symbols for a desktop GIS: the same shapes and colours as the map, stored in the GeoPackage's ``layer_styles``."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

from riskmap import tables
from riskmap.draw.classes import guard_classes
from riskmap.draw.palette import FALLBACK_GROUND, GROUND_STYLES, INK, PAPER, PRESSURE_RAMP
from riskmap.model import Result
from riskmap.rules import BAND_WORDS

__all__ = ["add_styles", "ground_style", "reach_style", "tree_style"]

_RAMP: Final = dict(zip(BAND_WORDS, PRESSURE_RAMP, strict=True))

_MARKERS: Final = {  # our shape -> marker of the style format, turned by degrees
    "circle": ("circle", 0),
    "square": ("square", 0),
    "up": ("triangle", 0),
    "down": ("triangle", 180),
    "diamond": ("diamond", 0),
    "hexagon": ("hexagon", 0),
    "plus": ("cross_fill", 0),
    "star": ("star", 0),
    "cross": ("cross_fill", 45),
    "pentagon": ("pentagon", 0),
    "bowtie": ("trapezoid", 0),
    "drop": ("heart", 180),
    "house": ("shield", 180),
    "half": ("semi_circle", 0),
    "bar": ("parallelogram_left", 0),
    "lens": ("octagon", 0),
    "arrow_up": ("arrow", 0),
    "arrow_down": ("arrow", 180),
    "arrow_both": ("arrow", 45),
    "arrow_wide": ("arrow", 90),
    "query": ("circle", 0),
    "dotted": ("circle", 0),
    "ring": ("circle", 0),
    "speck": ("circle", 0),
}
_SMALL: Final = frozenset({"ring", "speck"})
_TABLE: Final = """CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT, f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
    f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN,
    description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME)"""


def tree_style(result: Result) -> str:
    """Return the style of layer ``trees``: one rule for each recommended guard or, where none is, each action."""
    found = guard_classes(result)
    words: list[dict[str, None]] = [{} for _ in found.classes]
    for line in result.tally.lines:
        words[found.of(line)][line.guard or line.action] = None
    rules = []
    for entry, own in zip(found.classes, words, strict=True):
        listed = ", ".join("'" + word.replace("'", "''") + "'" for word in sorted(own))
        marker, angle = _MARKERS.get(entry.symbol.shape, ("circle", 0))
        symbol = _symbol(
            "marker",
            "SimpleMarker",
            name=marker,
            angle=str(angle),
            color=_rgba(entry.symbol.fill),
            outline_color=_rgba(INK),
            outline_width="0.2",
            size="1.4" if entry.symbol.shape in _SMALL else "2.6",
            size_unit="MM",
        )
        rules.append((entry.label, f'coalesce("guard", "action") IN ({listed})', symbol))
    return _style(rules)


def ground_style(roles: Iterable[str], dimension: int) -> str:
    """Return the style of a ground layer: one rule a role."""
    rules = []
    known = tables.roles()
    for role in sorted(roles, key=list(known).index):
        look = GROUND_STYLES.get(role, FALLBACK_GROUND)
        edge, width = _rgba(look.edge), f"{0.2 * look.weight:.2f}"
        if dimension == 2:
            fill = {"style": "no"} if look.fill == "none" else {"style": "solid", "color": _rgba(look.fill)}
            symbol = _symbol("fill", "SimpleFill", **fill, outline_color=edge, outline_width=width)
        elif dimension == 1:
            symbol = _symbol("line", "SimpleLine", line_color=edge, line_width=f"{0.4 * look.weight:.2f}")
        else:
            symbol = _symbol("marker", "SimpleMarker", name="circle", color=edge, outline_color=_rgba(PAPER), size="2")
        rules.append((known[role].label, f"\"role\" = '{role}'", symbol))
    return _style(rules)


def reach_style(found: Iterable[tuple[str, str]]) -> str:
    """Return the style of layer ``reach``: one see-through rule for each agent and band found."""
    rules = []
    for agent, band in dict.fromkeys(found):
        symbol = _symbol("fill", "SimpleFill", style="solid", color=_rgba(_RAMP[band]), outline_style="no")
        symbol.set("alpha", "0.4")
        label = f"{tables.agents()[agent].label}: {band} pressure"
        rules.append((label, f"\"agent\" = '{agent}' AND \"band\" = '{band}'", symbol))
    return _style(rules)


def add_styles(file: Path, styles: Sequence[tuple[str, str]], *, date: str) -> None:
    """Add the table of default styles to a GeoPackage."""
    stamp = f"{date}T00:00:00.000Z"
    with closing(sqlite3.connect(file)) as base, base:
        base.execute(_TABLE)
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, last_change) VALUES (?, ?, ?, ?)",
            ("layer_styles", "attributes", "layer_styles", stamp),
        )
        base.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
            "styleQML, useAsDefault, description, owner, update_time) VALUES ('', '', ?, 'geom', ?, ?, 1, '', '', ?)",
            [(layer, f"riskmap {layer}", style, stamp) for layer, style in styles],
        )


def _rgba(colour: str) -> str:
    """#rrggbb as the style format writes it."""
    return ",".join(str(int(colour[start : start + 2], 16)) for start in (1, 3, 5)) + ",255"


def _symbol(kind: str, layer_class: str, **options: str) -> ET.Element:
    """One symbol of one layer."""
    symbol = ET.Element("symbol", type=kind, alpha="1", force_rhr="0", clip_to_extent="1")
    layer = ET.SubElement(symbol, "layer", {"class": layer_class, "enabled": "1", "locked": "0", "pass": "0"})
    held = ET.SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        ET.SubElement(held, "Option", type="QString", name=name, value=value)
    return symbol


def _style(rules: Sequence[tuple[str, str, ET.Element]]) -> str:
    """A whole style of label, filter and symbol each."""
    root = ET.Element("qgis", version="3.28", styleCategories="Symbology")
    renderer = ET.SubElement(
        root, "renderer-v2", type="RuleRenderer", symbollevels="0", enableorderby="0", forceraster="0"
    )
    listed = ET.SubElement(renderer, "rules", key="root")
    symbols = ET.SubElement(renderer, "symbols")
    for number, (label, keep, symbol) in enumerate(rules):
        ET.SubElement(listed, "rule", key=f"rule{number}", filter=keep, symbol=str(number), label=label)
        symbol.set("name", str(number))
        symbols.append(symbol)
    return "<!DOCTYPE qgis>" + ET.tostring(root, encoding="unicode")
