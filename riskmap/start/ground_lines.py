"""Layers, rasters and local facts of a first site file: roles by the names of files and layers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from riskmap import tables
from riskmap.check.words import several
from riskmap.errors import InputError, shown
from riskmap.guesses import guess_raster, guess_role
from riskmap.read.kinds import Kind
from riskmap.read.listing import ListedLayer, list_file
from riskmap.start.toml_text import asked, comment, quoted, relative, setting
from riskmap.tables import keys as all_keys

__all__ = ["layer_lines", "list_layers", "local_lines", "their_crs"]


def list_layers(layers: Sequence[Path], site_file: Path) -> list[tuple[str, list[ListedLayer], str]]:
    """Return what each file holds, by the name that the site file gives it, or why it can't be read."""
    found: list[tuple[str, list[ListedLayer], str]] = []
    for file in layers:
        typed = relative(file, site_file)
        try:
            found.append((typed, list_file(file.absolute(), file_as_typed=typed), ""))
        except InputError as error:
            found.append((typed, [], error.problems[0].what))
    return found


def their_crs(listed: Sequence[tuple[str, list[ListedLayer], str]]) -> tuple[str, str]:
    """Return code and name of the plane system that most layers are in, two empty texts where none is."""
    systems = Counter((layer.crs_code, layer.crs) for _, layers, _ in listed for layer in layers if layer.crs_code)
    return systems.most_common(1)[0][0] if systems else ("", "")


def layer_lines(listed: Sequence[tuple[str, list[ListedLayer], str]]) -> Iterator[str]:
    """Yield a block for every layer and raster."""
    for typed, layers, fault in listed:
        if fault:
            yield f"\n# {typed}: {fault}"
        for layer in layers:
            yield from _raster_block(typed) if layer.kind is Kind.GEOTIFF else _layer_block(typed, layer)


def _layer_block(typed: str, layer: ListedLayer) -> Iterator[str]:
    """One [[layers]] block, its role from the name of the layer, else of the file."""
    role = (guess_role(layer.layer) if layer.layer else "") or guess_role(Path(typed).stem)
    if layer.kind in (Kind.CSV, Kind.XLSX):
        yield f"\n# {typed} is a table without shapes: no layer"
        return
    yield ""
    lines = [f"file = {quoted(typed)}", *([f"layer = {quoted(layer.layer)}"] if layer.layer else [])]
    holds = ""
    if layer.features is not None:
        holds = f"{several(layer.features, 'feature')}, {shown(layer.crs) or 'no coordinate system'}"
    if role:
        yield "[[layers]]"
        yield from setting(f"role = {quoted(role)}", f"by its name: {tables.roles()[role].meaning}")
        yield from setting(lines[0], holds) if holds else lines[:1]
        yield from lines[1:]
    else:
        question = f"what is this{f' ({holds})' if holds else ''}? One of {', '.join(tables.roles())}"
        yield from asked("[[layers]]", question, 'role = "…"', *lines)
    if layer.fault:
        yield from asked('crs = "EPSG:…"', layer.fault)


def _raster_block(typed: str) -> Iterator[str]:
    """One [rasters.NAME] block."""
    name = guess_raster(Path(typed).stem)
    if not name:
        yield ""
        question = "snow_depth, elevation, land_cover or deer_habitat?"
        yield from asked("[rasters.…]", question, f"file = {quoted(typed)}")
        return
    yield f"\n[rasters.{name}]"
    yield f"file = {quoted(typed)}"
    if name == "snow_depth":
        yield from asked('unit = "cm"', "in which unit is the snow depth?")
    if name in ("deer_habitat", "land_cover"):
        yield from asked("habitat = [1]", "which values are deer habitat?")


def local_lines(given: set[str], *, us: bool) -> Iterator[str]:
    """Yield local facts, as defaults to look at; before them the roles that no file stands for."""
    yield "\n[local]  # what the ground can't tell; each line shows the default"
    off = {agent.key for agent in tables.agents().values() if agent.off_by_default}
    roles = [role for role in tables.roles().values() if set(role.agents) - off and role.key not in given]
    if roles:
        yield from comment(
            f"No file is named for {', '.join(role.key for role in roles)}: what comes from them is not scored. Give "
            "each a [[layers]] block; name here only what was looked for and is not there, since its pressure "
            "is then 0:"
        )
        yield '# nowhere = ["…"]'
    rows = [row for row in all_keys() if row.section == "local"]
    for row in rows:
        if row.sets or not row.default or row.type == "texts":
            continue
        plain = row.default if row.type in ("number", "flag") else quoted(row.default)
        choices = f" ({row.choices.replace(';', ', ')})" if row.choices and not row.choices.startswith("@") else ""
        twin = next((other.key for other in rows if other.sets == row.key), "") if us else ""
        said = list(setting(f"# {row.key} = {plain}", f"{row.meaning}{choices}{f'; or write {twin}' if twin else ''}"))
        if len(said) > 1:
            yield ""
        yield from said
