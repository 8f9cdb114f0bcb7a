"""`riskmap start`: a first site file out of the files alone; what can't be told stands in it as a question."""

from __future__ import annotations

import json
import os
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyarrow as pa

from riskmap import tables
from riskmap.check.words import several
from riskmap.errors import InputError, WordsError, shown
from riskmap.guesses import MOST_KINDS, REGIONS, NoTrees, guess_raster, guess_region, guess_role, no_trees, read_in_feet
from riskmap.model import Settings
from riskmap.read.headers import words_of
from riskmap.read.kinds import Kind
from riskmap.read.listing import ListedLayer, list_file
from riskmap.read.rows import TreeRows
from riskmap.read.settings import settings_from
from riskmap.read.sizes import usual_unit
from riskmap.read.trees import TreesRead, open_rows, understand_rows
from riskmap.tables import keys as all_keys

__all__ = ["Started", "start_site"]

ANY_DAY: Final = "2000-01-01"  # ages are not looked at here
MOST_LISTED: Final = 300  # characters of column names in one question
MONTHS: Final = 12
_DAY_AND_MONTH: Final = re.compile(r"\s*(\d{1,2})[/.-](\d{1,2})[/.-]\d{2,4}\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """A site file as written, how many questions it leaves, and the files that can't be used, with the reason."""

    path: Path
    text: str
    questions: int
    unused: tuple[str, ...] = ()


def start_site(trees: Path, layers: Sequence[Path] = (), *, out: Path | None = None) -> Started:
    """Write a first site file from files alone.

    Parameters
    ----------
    trees : Path
        The trees file.
    layers : sequence of Path
        Layers and rasters.
    out : Path, optional
        The site file to write; ``site.toml`` beside the trees when left out. An existing file is not touched.

    Raises
    ------
    InputError
        A file can't be read at all.
    WordsError
        The site file is there already.
    """
    path = (trees.parent / "site.toml" if out is None else out).absolute()
    if path.exists() and trees.exists():
        raise WordsError(f"{shown(path)} is there already; name another file with --out")
    if not path.parent.is_dir():
        raise WordsError(f"{shown(path.parent)} is no folder; name a site file in one that is there")
    listed = _list_layers(layers, path)
    tree_lines, us, region = _tree_lines(trees, path, _their_crs(listed))
    ground = list(_layer_lines(listed))
    given = {line.split('"')[1] for line in ground if line.startswith("role = ")}
    given |= {raster for raster in tables.roles() if f"\n[rasters.{raster}]" in ground}
    lines = [*_head(trees, us, region), *tree_lines, *ground, *_local_lines(given, us=bool(us))]
    text = "\n".join(lines) + "\n"
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    unused = tuple(f"{shown(typed)}: {fault}" for typed, _, fault in listed if fault)
    return Started(path=path, text=text, questions=text.count("QUESTION:"), unused=unused)


def _head(trees: Path, us: str, region: str) -> Iterator[str]:
    """What stands above the sections."""
    yield "# A first site file, written from the files alone. Answer each QUESTION (take the # off and put the right"
    yield "# value in), look over the rest, then ask `riskmap check` about it."
    yield f"title = {_quoted(trees.name.split('.')[0])}"
    yield "# date = 2026-10-15  # QUESTION: for which day is the work planned? No run goes without it"
    yield (
        f'units = "us"  # what people read; {us}. Or "metric"'
        if us
        else 'units = "metric"  # what people read; or "us"'
    )
    others = " or ".join(name for name in REGIONS if name != region)
    if region:
        yield f"region = {_quoted(region)}  # the trees stand there; or {others}"
    else:
        yield 'region = "north_america"  # or britain, europe'


def _quoted(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text.encode("utf-8", "replace").decode("utf-8"), ensure_ascii=False).replace("\x7f", "\\u007F")


def _relative(file: Path, site_file: Path) -> str:
    """A file as the site file names it."""
    try:
        return Path(os.path.relpath(file.absolute(), site_file.parent)).as_posix()
    except ValueError:  # another drive
        return file.absolute().as_posix()


def _remark(text: str) -> str:
    """A comment of one line."""
    return f"# {' '.join(text.split())}"


def _tree_lines(trees: Path, site_file: Path, layers_crs: tuple[str, str]) -> tuple[list[str], str, str]:
    """The section [trees], why people may read feet and inches ("" where nothing says so), and the region."""
    typed = _relative(trees, site_file)
    settings, rows, sha256 = _open_trees(typed, site_file)
    read = understand_rows(rows, settings, file=typed, path=settings.resolve(typed), sha256=sha256)
    kind = read.read_as.facts.get("kind", "")
    said = ["\n[trees]"]
    said += [f"file = {_quoted(typed)}  # {several(read.read_as.rows, 'row')}{f', {kind}' if kind else ''}"]
    if settings.trees.layer:
        said += [f"layer = {_quoted(settings.trees.layer)}  # by its name"]
    said += [*_read_lines(read, rows.table, layers_crs), *_column_lines(read, rows.table)]
    said += [*_size_lines(read), *_kind_lines(read, rows.table)]
    for note in (note for note in read.notes if note.code != "unit_missing"):
        said += [_remark(f"note: {note.column + ': ' if note.column else ''}{note.what}")]
    return said, read_in_feet(read, rows.table), guess_region(read)


def _open_trees(typed: str, site_file: Path) -> tuple[Settings, TreeRows, str]:
    """Open the trees file; of several layers, the only one whose name speaks of trees."""
    tree: dict[str, str] = {"file": typed}
    settings = settings_from({"date": ANY_DAY, "trees": tree}, site_file)
    try:
        return settings, *open_rows(settings)
    except InputError as error:
        if error.problems[0].key != "trees.layer":
            raise
        names = [layer.layer for layer in list_file(settings.resolve(typed), file_as_typed=typed)]
        named = [name for name in names if re.search(r"tree|plant", words_of(name))]
        if len(named) != 1:
            raise
    settings = settings_from({"date": ANY_DAY, "trees": {**tree, "layer": named[0]}}, site_file)
    return settings, *open_rows(settings)


def _assumed(read: TreesRead, topic: str) -> tuple[str, str]:
    """What was taken for a topic, and why; two empty texts where nothing was."""
    return next(((note.taken, note.why) for note in read.assumptions if note.topic == topic), ("", ""))


def _read_lines(read: TreesRead, table: pa.Table, layers_crs: tuple[str, str]) -> Iterator[str]:
    """The coordinate system, encoding and order of dates."""
    taken, why = _assumed(read, "crs.trees")
    asked = [problem for problem in read.problems if problem.key == "trees.crs"]
    if asked:
        code, name = layers_crs
        yield f"# crs = {_quoted(code or 'EPSG:…')}  # QUESTION: {asked[0].what}" + (
            f"; layers are in {shown(name)}: are the trees in it too?" if code else ""
        )
    elif taken:
        yield f'crs = "EPSG:4326"  # {taken}: {why}'
    else:
        yield f"# the file says its coordinate system: {read.read_as.facts['crs']}"
    taken, why = _assumed(read, "trees.encoding")
    if taken:
        yield f"encoding = {_quoted(taken.removeprefix('encoding '))}  # {why}"
    if any(note.code == "date_two_readings" for note in read.notes):
        order, shown_by = _order_of_dates(read, table)
        yield f'# date_order = "{order}"  # QUESTION: are dates such as 03/04/2025 month first or day first?{shown_by}'


def _order_of_dates(read: TreesRead, table: pa.Table) -> tuple[str, str]:
    """Which order the dates that can be read one way only have, and what to say of it."""
    columns = read.read_as.facts["columns"]
    cells = [table.column(columns[name]).to_pylist() for name in ("planted", "guard_since") if name in columns]
    pairs = [found for column in cells for cell in column if (found := _DAY_AND_MONTH.match(str(cell or "")))]
    month_first = sum(int(pair[2]) > MONTHS >= int(pair[1]) for pair in pairs)
    day_first = sum(int(pair[1]) > MONTHS >= int(pair[2]) for pair in pairs)
    order, sure = ("day_first", day_first) if day_first > month_first else ("month_first", month_first)
    if not sure:
        return order, ""
    said = f" {sure:,} {'date' if sure == 1 else 'dates'} can only be {order.replace('_', ' ')}"
    other = min(month_first, day_first)
    return order, said + (f", and {other:,} only the other way" if other else "")


def _column_lines(read: TreesRead, table: pa.Table) -> Iterator[str]:
    """Which column is what; where one is asked for, the columns it may be."""
    columns = read.read_as.facts["columns"]
    left = ", ".join(shown(name) for name in table.column_names if name not in columns.values())
    among = f" Left are: {shown(left, longest=MOST_LISTED)}" if left else ""
    whole = " + " not in _assumed(read, "columns.species")[0]
    for column, header in columns.items():
        if column in ("genus", "cultivar") and "species" in columns and whole:
            continue
        taken, why = _assumed(read, f"columns.{column}")
        if taken == "not read":
            yield f"# columns.{column} = {_quoted(header)}  # QUESTION: {why}"
        else:
            yield f"columns.{column} = {_quoted(header)}  # {why or 'found by its header'}"
    for problem in read.problems:
        if problem.key in ("trees.columns", "trees.on_invalid"):
            yield f'# columns = {{ x = "…", y = "…" }}  # QUESTION: {problem.what}'
    if "tree_id" not in columns:
        yield '# columns.tree_id = "…"  # no column of ids was found; rows are told apart by their number'
    if "species" not in columns and "common" not in columns and "genus" not in columns:
        asked_for = "which column holds the species? Without one all trees are medium."
        yield f'# columns.species = "…"  # QUESTION: {asked_for}{among}'
    if "caliper" not in columns and "height" not in columns and "planted" not in columns:
        asked_for = "which column says how big a tree is, or when it was planted?"
        yield f'# columns.caliper = "…"  # QUESTION: {asked_for}{among}'


def _size_lines(read: TreesRead) -> Iterator[str]:
    """Units, and where stems were measured."""
    columns = read.read_as.facts["columns"]
    for column, unit in read.read_as.facts.get("units", {}).items():
        yield f"units.{column} = {_quoted(unit)}  # {_assumed(read, f'units.{column}')[1] or 'the header says so'}"
    for problem in read.problems:
        if problem.key == "trees.units":
            column = next((ours for ours, header in columns.items() if header == problem.column), "caliper")
            yield f'# units.{column} = "{usual_unit(column)}"  # QUESTION: {problem.column}: {problem.what}'
    for note in read.notes:
        if note.code == "unit_missing":
            column = next((ours for ours, header in columns.items() if header == note.column), "caliper")
            asked = f"in which unit are bare numbers? {note.column}: {note.what}"
            yield f'# units.{column} = "{usual_unit(column)}"  # QUESTION: {asked}'
    if "caliper" in columns:
        place, why = _assumed(read, "caliper_at")
        if "does not say" in why:
            yield f'# caliper_at = "breast"  # QUESTION: {why}; nursery (150 mm) is taken. Also: breast, girth_1m …'
        else:
            yield f"caliper_at = {_quoted(place)}  # {why}"


def _kind_lines(read: TreesRead, table: pa.Table) -> Iterator[str]:
    """The question whether all rows are trees, where columns tell trees from stumps and empty sites."""
    names = ("tree_id", "species", "common", "genus")
    columns = read.read_as.facts["columns"]
    found = no_trees(table, skip=[header for ours, header in columns.items() if ours not in names])
    for key, asked in (("drop", "leave these rows out?"), ("keep", "keep these rows only?")):
        told = [column for column in found if column.key == key]
        if not told:
            continue
        choice = ", ".join(f"{_quoted(one.column)} = [{', '.join(map(_quoted, one.words))}]" for one in told)
        counts = "; ".join(f"{shown(one.column)}: {_kinds_in_words(one)}" for one in told)
        yield f"# {key} = {{ {choice} }}  # QUESTION: {asked} {counts}"


def _kinds_in_words(column: NoTrees) -> str:
    """The words of a column with their numbers; of very many, those of the filter."""
    few = len(column.kinds) <= MOST_KINDS
    kinds = [(kind, n) for kind, n in column.kinds.most_common() if few or kind in column.words]
    return ", ".join(f"{shown(kind) or 'empty'} {n:,}" for kind, n in kinds)


def _list_layers(layers: Sequence[Path], site_file: Path) -> list[tuple[str, list[ListedLayer], str]]:
    """What each file holds, by the name that the site file gives it, or why it can't be read."""
    found: list[tuple[str, list[ListedLayer], str]] = []
    for file in layers:
        typed = _relative(file, site_file)
        try:
            found.append((typed, list_file(file.absolute(), file_as_typed=typed), ""))
        except InputError as error:
            found.append((typed, [], error.problems[0].what))
    return found


def _their_crs(listed: Sequence[tuple[str, list[ListedLayer], str]]) -> tuple[str, str]:
    """Code and name of the plane system that most layers are in, two empty texts where none is."""
    systems = Counter((layer.crs_code, layer.crs) for _, layers, _ in listed for layer in layers if layer.crs_code)
    return systems.most_common(1)[0][0] if systems else ("", "")


def _layer_lines(listed: Sequence[tuple[str, list[ListedLayer], str]]) -> Iterator[str]:
    """A block for every layer and raster."""
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
    mark = "" if role else "# "
    yield f"\n{mark}[[layers]]"
    if role:
        yield f"role = {_quoted(role)}  # by its name: {tables.roles()[role].meaning}"
    else:
        yield f'# role = "…"  # QUESTION: what is this? One of {", ".join(tables.roles())}'
    count = (
        ""
        if layer.features is None
        else f"  # {several(layer.features, 'feature')}, {shown(layer.crs) or 'no coordinate system'}"
    )
    yield f"{mark}file = {_quoted(typed)}{count}"
    if layer.layer:
        yield f"{mark}layer = {_quoted(layer.layer)}"
    if layer.fault:
        yield f'# crs = "EPSG:…"  # QUESTION: {layer.fault}'


def _raster_block(typed: str) -> Iterator[str]:
    """One [rasters.NAME] block."""
    name = guess_raster(Path(typed).stem)
    mark = "" if name else "# "
    yield f"\n{mark}[rasters.{name or '…'}]" + (
        "" if name else "  # QUESTION: snow_depth, elevation, land_cover or deer_habitat?"
    )
    yield f"{mark}file = {_quoted(typed)}"
    if name == "snow_depth":
        yield '# unit = "cm"  # QUESTION: in which unit is the snow depth?'
    if name in ("deer_habitat", "land_cover"):
        yield "# habitat = [1]  # QUESTION: which values are deer habitat?"


def _local_lines(given: set[str], *, us: bool) -> Iterator[str]:
    """Local facts, as defaults to look at; before them the roles that no file stands for."""
    yield "\n[local]  # what the ground can't tell; each line shows the default"
    off = {agent.key for agent in tables.agents().values() if agent.off_by_default}
    roles = [role for role in tables.roles().values() if set(role.agents) - off and role.key not in given]
    if roles:
        wanted = ", ".join(role.key for role in roles)
        yield f"# No file is named for {wanted}:"
        yield "# what comes from them is not scored. Give each a [[layers]] block; name here only what was looked for"
        yield "# and is not there, since its pressure is then 0:"
        yield '# nowhere = ["…"]'
    rows = [row for row in all_keys() if row.section == "local"]
    for row in rows:
        if row.sets or not row.default or row.type == "texts":
            continue
        plain = row.default if row.type in ("number", "flag") else _quoted(row.default)
        choices = f" ({row.choices.replace(';', ', ')})" if row.choices and not row.choices.startswith("@") else ""
        twin = next((other.key for other in rows if other.sets == row.key), "") if us else ""
        yield f"# {row.key} = {plain}  # {row.meaning}{choices}{f'; or write {twin}' if twin else ''}"
