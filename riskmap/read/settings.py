"""Loads site.toml: every fault at once, each with its key."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from riskmap import tables
from riskmap.errors import InputError, Problem, shown
from riskmap.model import (
    ChoiceSettings,
    Figure,
    GuardSettings,
    LayerSource,
    Local,
    MapSettings,
    MeasureSettings,
    RasterSource,
    Settings,
    TreeSource,
)
from riskmap.read.keytable import Faults, is_finite, keys_of, nearest, sections, take_section
from riskmap.read.slips import remedy_of

__all__ = ["figure_may_be", "read_settings", "settings_from"]

BUILT_IN_CURRENCY = "USD"  # of the prices and the wage that we bring
LARGEST_SITE_FILE = 5_000_000  # bytes
RASTERS = ("snow_depth", "elevation", "land_cover", "deer_habitat")
CLASSED = RASTERS[2:]  # their cells say what lies there
DIVISORS = frozenset(  # figures that something is divided by: never 0
    {"sigma", "d50", "b", "d0", "log_sd", "lambda", "lambda_snow", "age_scale", "density_half", "reach", "nearest"}
    | {"drift_at_1m", "splash", "spray", "growth", "slender_young"}
)
SHARES = frozenset(  # figures of which more than the whole makes no sense
    {"share_lost", "share_lost_resprouts", "splash_share", "snow_weight", "ring_floor", "sward_mown", "fade_from"}
    | {"crown_end", "age_end"}
)


def read_settings(site_file: Path) -> Settings:
    """Read and check a site file.

    Parameters
    ----------
    site_file : Path
        The site.toml. Files named in it are relative to its folder.

    Returns
    -------
    Settings
        What the user said, in our units, defaults filled in.

    Raises
    ------
    InputError
        With every fault of the file.
    """
    path = site_file.absolute()
    return settings_from(_load_toml(path, path.name), path)


def settings_from(given: Mapping[str, Any], path: Path) -> Settings:
    """Check tables as a site file holds them; the same rules, wherever they come from.

    Parameters
    ----------
    given : mapping
        Sections and keys as TOML gives them.
    path : Path
        The site file; names of files are relative to its folder.

    Raises
    ------
    InputError
        With every fault.
    """
    faults = Faults(path.name)
    included = [_load_included(path, name, faults) for name in _include_names(given)]
    return _settings_of(path, given, included, faults)


def _load_toml(path: Path, name: str) -> dict[str, Any]:
    """Read a TOML file into tables; raises where nothing can be read."""

    def refuse(what: str, remedy: str, row: int | None = None) -> InputError:
        return InputError([Problem(file=name, row=row, what=what, remedy=remedy)])

    if not path.exists():
        beside = [other.name for other in path.parent.glob("*.toml")] if path.parent.is_dir() else []
        raise refuse(
            "not found",
            nearest(path.name, beside) if beside else "name the site file; riskmap start writes a first one",
        )
    if not path.is_file():
        raise refuse("this is no file", "name the site file inside it, such as site.toml")
    try:
        if path.stat().st_size > LARGEST_SITE_FILE:
            raise refuse("this is too large for a site file", "name the site.toml, not a data file")
        data = path.read_bytes()
    except OSError as error:
        raise refuse(f"can't be read: {error.strerror}", "look at who may read the file") from error
    try:
        text = data.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        remedies = [_other(name), "save the file with the encoding UTF-8"]
        raise refuse("the text is not UTF-8", "; or ".join(filter(None, remedies)), row) from error
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except (ValueError, RecursionError) as error:  # a number of thousands of figures is a plain ValueError
        raise _no_toml(name, text, str(error)) from error


def _other(name: str) -> str:
    """What to say first of a file whose name does not speak of TOML: it may be a data file."""
    if ".toml" in name.lower():
        return ""
    return "name the site file, such as site.toml, not a data file (riskmap start writes a first one)"


def _no_toml(name: str, text: str, said: str) -> InputError:
    """The fault that a site file is no TOML, with its line."""
    found = re.search(r"\(at line (\d+), column \d+\)", said)
    row = int(found[1]) if found else None
    line = text.split("\n")[row - 1].strip() if row and row <= text.count("\n") + 1 else ""
    what = f"this can't be read as TOML: {said.split(' (at ', maxsplit=1)[0].lower()}"
    if line:
        what += f" in '{shown(line)}'"
    other, remedy = _other(name), remedy_of(line, said)
    if other:
        remedy = other if "riskmap start" in remedy else f"{other}; or {remedy}"
    return InputError([Problem(file=name, row=row, what=what, remedy=remedy)])


def _include_names(given: Mapping[str, Any]) -> list[str]:
    """Files to include; faults of the list itself are found with the other keys."""
    names = given.get("include", [])
    names = names if isinstance(names, list) else [names]
    return [name for name in names if isinstance(name, str) and name.strip()]


def _load_included(site_file: Path, name: str, faults: Faults) -> dict[str, Any]:
    """One included file: [agents] and [local] only."""
    try:
        tables_in_it = _load_toml((site_file.parent / name).absolute(), name)
    except InputError as error:
        faults.problems += error.problems
        return {}
    for key in tables_in_it:
        if key not in ("agents", "local"):
            remedy = "an included file holds [agents] and [local] only: move the rest to the site file"
            faults.problems.append(
                Problem(file=name, what=f"'{shown(key)}' may not be included", remedy=remedy, key="include")
            )
    found = {key: tables_in_it[key] for key in ("agents", "local") if isinstance(tables_in_it.get(key), dict)}
    for section, table in found.items():
        own = Faults(name)
        _take_agents(table, own) if section == "agents" else take_section("local", table, "local", own)
        faults.problems += own.problems
    return found if not any(problem.file == name for problem in faults.problems) else {}


def _settings_of(path: Path, given: Mapping[str, Any], included: list[dict[str, Any]], faults: Faults) -> Settings:
    """Put the checked sections together."""
    top = take_section("", {key: value for key, value in given.items() if key not in sections()}, "", faults)
    if "trees" not in given:
        faults.add("trees", "section [trees] is missing", 'write [trees] and below it file = "trees.csv"')
    simple = {
        section: take_section(section, given[section], section, faults) if section in given else {}
        for section in ("trees", "guards", "choice", "map", "measure")
    }
    local = _merged_local([*(part.get("local", {}) for part in included), given.get("local", {})], faults)
    agents = [*(part.get("agents", {}) for part in included), given.get("agents", {})]
    overrides, switched = _merged_agents(agents, faults)
    layers = _take_layers(given.get("layers", []), faults)
    rasters = _take_rasters(given.get("rasters", {}), faults)
    _check_roles(local, layers, faults)
    if simple["choice"].get("group_least") and simple["choice"].get("alive_per_ha") is not None:
        what = "money for every group is set aside in a budget, and alive_per_ha asks for trees, whatever they cost"
        faults.add("choice.group_least", what, "take out one of them")
    _check_money(simple["guards"], faults)
    if faults.problems:
        raise InputError(faults.problems)
    return Settings(
        file=path,
        **{"title": path.stem, **top},
        trees=TreeSource(**simple["trees"]),
        layers=layers,
        rasters=rasters,
        local=local,
        overrides=overrides,
        agents_on=switched.get("on", ()),
        agents_off=switched.get("off", ()),
        guards=GuardSettings(**simple["guards"]),
        choice=ChoiceSettings(**simple["choice"]),
        map=MapSettings(**simple["map"]),
        measure=MeasureSettings(**simple["measure"]),
    )


def _check_money(guards: Mapping[str, Any], faults: Faults) -> None:
    """Built-in prices and wages are in one currency: another one needs the user's own."""
    currency = guards.get("currency", "")
    if not currency or currency.upper() == BUILT_IN_CURRENCY:
        return
    if not guards.get("prices") and not guards.get("own"):
        what = f"this is '{shown(currency)}', and the built-in prices are in {BUILT_IN_CURRENCY}"
        remedy = f"give a price list in {shown(currency)} (guards.prices), or leave the currency out"
        faults.add("guards.currency", what, remedy)
    if guards.get("labour_per_hour") is None:
        what = f"there is no wage, and the built-in one is in {BUILT_IN_CURRENCY}"
        faults.add("guards.labour_per_hour", what, f"write what an hour of work costs in {shown(currency)}")


def _merged_local(parts: list[Any], faults: Faults) -> Local:
    """Local facts; the later file wins, whatever unit it speaks in."""
    values: dict[str, Any] = {}
    for part in parts:
        values |= take_section("local", part, "local", faults)
    return Local(**values, given=frozenset(values))


def _merged_agents(parts: list[Any], faults: Faults) -> tuple[dict[str, dict[str, float]], dict[str, Any]]:
    """Figures of agents and agents switched on or off; the later file wins."""
    overrides: dict[str, dict[str, float]] = {}
    switched: dict[str, Any] = {}
    for part in parts:
        figures, switches = _take_agents(part, faults)
        switched |= switches
        for agent, given in figures.items():
            overrides[agent] = {**overrides.get(agent, {}), **given}
    both = set(switched.get("on", ())) & set(switched.get("off", ()))
    if both:
        faults.add("agents.off", f"{', '.join(sorted(both))} stands under on and off", "take it out of one of them")
    return overrides, switched


def _take_agents(given: Any, faults: Faults) -> tuple[dict[str, dict[str, float]], dict[str, Any]]:
    """[agents.NAME] figures checked against figures.csv, and the keys of [agents] itself."""
    if not isinstance(given, Mapping):
        faults.add("agents", "this is no section", "write [agents.beaver] with figures below it")
        return {}, {}
    switches = {key: value for key, value in given.items() if key in keys_of("agents")}
    figures: dict[str, dict[str, float]] = {}
    for agent, table in given.items():
        if agent in switches:
            continue
        where = f"agents.{agent}"
        if agent not in tables.figure_rows():  # agents, and the stem that they all ask about
            faults.add(where, f"'{shown(agent)}' is no agent", nearest(agent, tables.agents()))
        elif not isinstance(table, Mapping):
            faults.add(where, "this is no section", f"write [{where}] with figures below it")
        else:
            figures[agent] = _take_figures(agent, table, faults)
    return figures, take_section("agents", switches, "agents", faults)


def _take_figures(agent: str, table: Mapping[str, Any], faults: Faults) -> dict[str, float]:
    """The user's figures of one agent."""
    known = tables.figure_rows().get(agent, {})
    taken = {}
    for name, value in table.items():
        where = f"agents.{agent}.{name}"
        if name not in known:
            faults.add(where, f"'{shown(name)}' is no figure of {agent}", nearest(name, known))
        elif not is_finite(value) or not figure_may_be(known[name], value):
            row = known[name]
            wanted = "more than 0" if row.figure in DIVISORS else f"0 {'to 1' if row.figure in SHARES else 'or more'}"
            unit = f" [{row.unit}]" if row.unit else ""
            faults.add(where, f"'{shown(value)}' is no number of {wanted}", f"ours is {row.central:g}{unit}")
        else:
            taken[name] = float(value)
    return taken


def figure_may_be(row: Figure, value: float) -> bool:
    """Return whether a user's figure may have this value; those of ours that lie below 0 may lie anywhere.

    Examples
    --------
    >>> share, scale = (tables.figure_rows()["vole"][name] for name in ("share_lost", "lambda_m"))
    >>> figure_may_be(share, 0.0), figure_may_be(share, 1.1), figure_may_be(scale, 0.0), figure_may_be(scale, 9.0)
    (True, False, False, True)
    """
    if row.central < 0:
        return math.isfinite(value)
    most = 1.0 if row.figure in SHARES else math.inf
    return math.isfinite(value) and 0 <= value <= most and not (value == 0 and row.figure in DIVISORS)


def _take_layers(given: Any, faults: Faults) -> tuple[LayerSource, ...]:
    """Every [[layers]] block."""
    if not isinstance(given, list):
        faults.add("layers", "this is no list of layers", "write [[layers]] with two brackets above each layer")
        return ()
    found = []
    for number, block in enumerate(given, start=1):
        before = len(faults.problems)
        values = take_section("layers", block, f"layers[{number}]", faults)
        if "cleared_by" in values and values.get("role") not in ("driveway", "road", None):
            remedy = "leave it out, or give the layer the role driveway or road"
            faults.add(f"layers[{number}].cleared_by", f"no snow is cleared on {values['role']}", remedy)
        if len(faults.problems) == before:
            found.append(LayerSource(number=number, **values))
    return tuple(found)


def _take_rasters(given: Any, faults: Faults) -> tuple[RasterSource, ...]:
    """Every [rasters.NAME] block."""
    if not isinstance(given, Mapping):
        faults.add("rasters", "this is no section", "write [rasters.snow_depth] with file below it")
        return ()
    found = []
    for name, block in given.items():
        before = len(faults.problems)
        if name not in RASTERS:
            faults.add(f"rasters.{name}", f"'{shown(name)}' is no raster we know", nearest(name, RASTERS))
            continue
        values = take_section("rasters", block, f"rasters.{name}", faults)
        idle = "unit" if name in CLASSED else "habitat"
        if idle in values:
            what = f"{name} has no {idle}: its cells are {'classes' if name in CLASSED else 'numbers'}"
            faults.add(f"rasters.{name}.{idle}", what, "take the line out")
        if len(faults.problems) == before:
            found.append(RasterSource(name=name, **values))
    return tuple(found)


def _check_roles(local: Local, layers: tuple[LayerSource, ...], faults: Faults) -> None:
    """A role can't be everywhere, nowhere and drawn at once."""
    drawn = {layer.role for layer in layers}
    for role in sorted(set(local.nowhere) & (drawn | set(local.everywhere))):
        other = f"layer {next(layer.file for layer in layers if layer.role == role)}" if role in drawn else "everywhere"
        faults.add(
            "local.nowhere", f"{role} is said to be nowhere, and {shown(other)} gives it", "take out one of them"
        )
