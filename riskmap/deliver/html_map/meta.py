"""What the page's script must know before it unfolds a column."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from riskmap import tables
from riskmap.deliver.html_map import columns, ground, sheet, words
from riskmap.deliver.html_map.encode import STEP_M, Grid, mercator
from riskmap.deliver.html_map.many import Lookout
from riskmap.draw.classes import TreeClass, TreeClasses
from riskmap.draw.in_box import Box
from riskmap.draw.palette import PRESSURE_RAMP, SHARE_RAMP
from riskmap.model import FloatArray, IntArray, Result
from riskmap.model.logbook import LOG_COLUMNS
from riskmap.project.degrees import to_degrees
from riskmap.rules import BAND_LIMITS, BAND_WORDS

__all__ = ["frame", "tree_meta", "view"]


def tree_meta(result: Result, n: int, guards: TreeClasses, actions: TreeClasses) -> dict[str, Any]:
    """Return what the page must know of agents, bands, classes and columns; `n` trees are on it."""
    settings = result.site.inputs.settings
    first = np.cumsum((0, *columns.BAND_LEVELS[:-1])).tolist()
    roles = tables.roles()
    return {
        "n": n,
        "n_all": result.tally.rows,
        "units": settings.units,
        "site_key": hashlib.sha256(f"{settings.title}\n{settings.trees.file}".encode("utf-8", "replace")).hexdigest()[
            :16
        ],
        "currency": result.choices.currency,
        "stem_word": {"caliper_mm": "caliper", "dbh_mm": "breast-height diameter", "girth_mm": "girth"}.get(
            result.site.trees.table.stem_kind, "stem"
        ),
        "paper": sheet.first_paper(settings),
        "agents": [_agent(result, agent) for agent in result.pressure.agents],
        "bands": {
            "words": BAND_WORDS,
            "limits": BAND_LIMITS,
            "first": first,
            "levels": columns.BAND_LEVELS,
            "ranges": words.band_ranges(),
        },
        "ramp": PRESSURE_RAMP,
        "share_ramp": SHARE_RAMP,
        "guards": [_class(entry) for entry in guards.classes],
        "actions": [_class(entry) for entry in actions.classes],
        "roles": [
            {"label": roles[role].label if role in roles else role, "reach_m": exposure.reach_m}
            for role, exposure in result.exposures.items()
        ],
        "steps": columns.distance_steps(n),
        "filters": [{"label": label} for label, _ in columns.filter_columns(result)],
        "log_columns": list(LOG_COLUMNS),
    }


def _agent(result: Result, agent: str) -> dict[str, Any]:
    """What the page must know of one agent."""
    row = tables.agents()[agent]
    surveyed = not row.roles or any(role in result.site.surveyed for role in row.roles)
    return {
        "key": agent,
        "label": row.label,
        "grade": words.agent_grade(agent),
        "meaning": words.agent_meaning(agent),
        "surveyed": surveyed,
    }


def _class(entry: TreeClass) -> dict[str, Any]:
    """One entry of the key."""
    return {
        "key": entry.key,
        "label": entry.label,
        "symbol": {"shape": entry.symbol.shape, "fill": entry.symbol.fill},
        "count": entry.count,
    }


def frame(result: Result, grid: Grid, box: Box | None, *, turned: bool) -> ground.Frame:
    """Return where ground steps are counted from: the trees' corner, or the ground's own where no tree has a place."""
    origin_x, origin_y, step = grid.origin_x, grid.origin_y, grid.step * ground.STEP_M / STEP_M
    if not grid.count.sum() and box is not None:
        lon, lat = to_degrees(result.site, np.array([box[0]]), np.array([box[3]]))
        (origin_x,), (origin_y,) = (axis.tolist() for axis in mercator(lon, lat))
        step = ground.STEP_M / float(np.cos(np.radians(np.clip(lat[0], -85, 85))))
    return ground.Frame(site=result.site, origin_x=origin_x, origin_y=origin_y, step=step, turn=turned)


def view(result: Result, near: IntArray, lon: FloatArray, box: Box | None, look: Lookout | None) -> dict[str, Any]:
    """Return what the page shows first: the body of the trees, else the ground, else the world."""
    if look is not None:
        bounds = look.bounds
    elif len(near):
        lat = result.site.trees.lat
        bounds = [[float(lat[near].min()), float(lon[near].min())], [float(lat[near].max()), float(lon[near].max())]]
    elif box is not None:
        east, north = to_degrees(result.site, np.array([box[0], box[2]]), np.array([box[1], box[3]]))
        bounds = [[float(north[0]), float(east[0])], [float(north[1]), float(east[1])]]
    else:
        bounds = [[-60.0, -180.0], [75.0, 180.0]]
    centre = [(bounds[0][0] + bounds[1][0]) / 2, (bounds[0][1] + bounds[1][1]) / 2]
    return {"bounds": bounds, "centre": centre}
