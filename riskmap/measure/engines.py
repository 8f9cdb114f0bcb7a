"""The engines, and which one runs: all give the same results."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

from riskmap.measure import pieces
from riskmap.measure.shapes import Look, Shapes
from riskmap.model import FloatArray

__all__ = ["ENGINES", "Engine", "engine_name", "find_engine"]

Engine: TypeAlias = Callable[[Shapes, FloatArray, FloatArray, FloatArray, float], Look]

ENGINES: dict[str, Engine] = {"shapely": pieces.lay}  # the fastest first
try:
    from riskmap.measure import grid
except ImportError:  # built without a compiler
    pass
else:
    ENGINES = {"grid": grid.lay, **ENGINES}


def engine_name() -> str:
    """Return the name of the engine that runs, the fastest there is."""
    return next(iter(ENGINES))


def find_engine(name: str = "") -> Engine:
    """Return an engine: ``grid`` or ``shapely``, the fastest there is when empty."""
    return ENGINES[name or engine_name()]
