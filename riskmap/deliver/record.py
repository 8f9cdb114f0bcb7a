"""``run.json``, written last: what was read as what, what was assumed, what came out, and with which versions."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import platform
import sys
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import numpy as np

import riskmap
from riskmap import rules, tables
from riskmap.model import Inputs, Result, Settings

__all__ = ["record_of", "write_record"]

_LIBRARIES: Final = (
    "folium",
    "geopandas",
    "numpy",
    "pandas",
    "pyarrow",
    "pyogrio",
    "pyproj",
    "rasterio",
    "scipy",
    "shapely",
)
_NOT_MEASURED: Final = frozenset({"barrier", "planting_area", "study_area"})


def write_record(
    result: Result, folder: Path, *, written: Sequence[str] = (), timings: Mapping[str, float] | None = None
) -> list[str]:
    """Write ``timings.json`` and, last, ``run.json``.

    Parameters
    ----------
    result : Result
        The run.
    folder : Path
        Where the files named in `written` stand.
    written : sequence of str
        Names of the deliverables.
    timings : mapping of str to float, optional
        Seconds by station; kept apart, since all else is the same for the same input.
    """
    _write_json(folder / "timings.json", {name: round(spent, 3) for name, spent in (timings or {}).items()})
    with ThreadPoolExecutor() as pool:
        outputs = list(pool.map(_output, [folder / name for name in written]))
    _write_json(folder / "run.json", {**record_of(result), "outputs": outputs})
    return ["timings.json", "run.json"]


def record_of(result: Result) -> dict[str, Any]:
    """Return the record of a run, all but the files it wrote."""
    inputs, site = result.site.inputs, result.site
    return {
        "version": riskmap.__version__,
        "engine": result.engine,
        "libraries": libraries(),
        "inputs": _inputs(inputs, site.datum_steps),
        "local": _local(inputs.settings),
        "assumptions": [dataclasses.asdict(taken) for taken in result.assumptions],
        "not_surveyed": [role for role in tables.roles() if role not in site.surveyed | _NOT_MEASURED],
        "any_of": list(result.tally.agents),
        "counts": _counts(result),
        "repaired": [dataclasses.asdict(repair) for repair in inputs.repaired],
        "notes": [dataclasses.asdict(note) for note in result.notes],
    }


def libraries() -> dict[str, str]:
    """Return the versions of what did the work."""
    found = {"python": platform.python_version(), **{name: metadata.version(name) for name in _LIBRARIES}}
    inside = {  # library -> what it brings along, where it was used
        "pyogrio": ("gdal_of_pyogrio", "__gdal_version_string__"),
        "rasterio": ("gdal_of_rasterio", "__gdal_version__"),
        "shapely": ("geos", "geos_version_string"),
        "pyproj": ("proj", "proj_version_str"),
    }
    for library, (name, attribute) in inside.items():
        if library in sys.modules:
            found[name] = str(getattr(sys.modules[library], attribute))
    return dict(sorted(found.items()))


def _inputs(inputs: Inputs, datum_steps: Sequence[Mapping[str, object]]) -> list[dict[str, Any]]:
    """Every file read, what it was read as, and the datum step it took."""
    entries = []
    for read in inputs.read_as:
        steps = [{key: step[key] for key in step if key != "file"} for step in datum_steps if step["file"] == read.file]
        read_as = {**read.facts, **({"datum_step": steps[0] if len(steps) == 1 else steps} if steps else {})}
        entries.append({"file": read.file, "sha256": read.sha256, "rows": read.rows, "read_as": read_as})
    return entries


def _local(settings: Settings) -> dict[str, dict[str, Any]]:
    """Each local fact, and whether the user gave it; the kinds of deer by name, also where they are the usual ones."""
    local = settings.local
    facts = {field.name: getattr(local, field.name) for field in dataclasses.fields(local) if field.name != "given"}
    facts["deer"] = rules.deer_kinds(local, settings.region)
    return {
        name: {"value": fact, "from": "given" if name in local.given else "default"} for name, fact in facts.items()
    }


def _counts(result: Result) -> dict[str, Any]:
    """How many, how much, and the loss that the choices prevent."""
    tally = result.tally
    span = tally.cost_span
    by_action: dict[str, int] = {}
    for line in tally.lines:
        if line.action:
            by_action[line.action] = by_action.get(line.action, 0) + line.trees
    return {
        "rows": tally.rows,
        "scored": tally.scored,
        "by_action": dict(sorted(by_action.items())),
        "cost": round(tally.cost, 2),
        "cost_low": span and span[0],  # by low and high prices and wage, in `currency`
        "cost_high": span and span[1],
        "currency": result.choices.currency,
        "loss_prevented": None if tally.prevented is None else round(tally.prevented, 2),  # money a year, in `currency`
        **{name: told for name, told in _told_of_choosing(result).items() if told},
    }


def _told_of_choosing(result: Result) -> dict[str, Any]:
    """What was proven of the money, of shared fences and of stock, and what more money would prevent."""
    extra = result.choices.extra
    return {"money": extra.get("money"), "fencing": extra.get("fencing"), "stock": extra.get("stock_proof")}


def _output(file: Path) -> dict[str, Any]:
    """Name, size and digest of one file written."""
    with file.open("rb") as held:
        digest = hashlib.file_digest(held, "sha256").hexdigest()
    return {"file": file.name, "bytes": file.stat().st_size, "sha256": digest}


def _write_json(file: Path, content: Any) -> None:
    """Write JSON that people can read too; nan is an error, never text."""
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False, default=_plain)
    file.write_text(text + "\n", encoding="utf-8")


def _plain(value: Any) -> Any:
    """What JSON does not know, as something it does."""
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray | set | frozenset):
        return sorted(value) if isinstance(value, set | frozenset) else value.tolist()
    if isinstance(value, dt.date | Path):
        return str(value)
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"no JSON for {type(value).__name__}")
