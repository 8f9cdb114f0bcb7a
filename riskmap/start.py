"""`riskmap start`: a first site file out of the files alone; what can't be told stands in it as a question."""

from __future__ import annotations

import json
import os
import re
import textwrap
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
WIDEST: Final = 80  # characters of a comment
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
    yield from _comment(
        "A first site file, written from the files alone. Each QUESTION wants an answer: take the # off the setting "
        "below it and put the right value in. Look over the rest, then ask `riskmap check` about it."
    )
    yield f"title = {_quoted(trees.name.split('.')[0])}"
    yield from _asked("date = 2026-10-15", "for which day is the work planned? No run goes without it")
    if us:
        yield from _line('units = "us"', f'what people read; {us}. Or "metric"')
    else:
        yield from _line('units = "metric"', 'what people read; or "us"')
    others = " or ".join(name for name in REGIONS if name != region)
    if region:
        yield from _line(f"region = {_quoted(region)}", f"the trees stand there; or {others}")
    else:
        yield from _line('region = "north_america"', "or britain, europe")


def _quoted(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text.encode("utf-8", "replace").decode("utf-8"), ensure_ascii=False).replace("\x7f", "\\u007F")


def _relative(file: Path, site_file: Path) -> str:
    """A file as the site file names it."""
    try:
        return Path(os.path.relpath(file.absolute(), site_file.parent)).as_posix()
    except ValueError:  # another drive
        return file.absolute().as_posix()


def _comment(text: str) -> Iterator[str]:
    """A comment, in lines that an editor need not wrap."""
    yield from (f"# {line}" for line in textwrap.wrap(text, WIDEST - 2, break_long_words=False, break_on_hyphens=False))


def _line(line: str, why: str) -> Iterator[str]:
    """A line and why it is so: behind it where both fit, else above it."""
    both = f"{line}  # {' '.join(why.split())}"
    if len(both) <= WIDEST:
        yield both
    else:
        yield from _comment(why)
        yield line


def _asked(line: str, question: str, *more: str) -> Iterator[str]:
    """A question above the lines that answer it, not read as long as they are not asked to be."""
    yield from _comment(f"QUESTION: {question}")
    yield from (f"# {each}" for each in (line, *more))


def _tree_lines(trees: Path, site_file: Path, layers_crs: tuple[str, str]) -> tuple[list[str], str, str]:
    """The section [trees], why people may read feet and inches ("" where nothing says so), and the region."""
    typed = _relative(trees, site_file)
    settings, rows, sha256 = _open_trees(typed, site_file)
    read = understand_rows(rows, settings, file=typed, path=settings.resolve(typed), sha256=sha256)
    kind = read.read_as.facts.get("kind", "")
    said = ["\n[trees]"]
    said += _line(f"file = {_quoted(typed)}", f"{several(read.read_as.rows, 'row')}{f', {kind}' if kind else ''}")
    if settings.trees.layer:
        said += _line(f"layer = {_quoted(settings.trees.layer)}", "by its name")
    said += [*_read_lines(read, rows.table, layers_crs), *_column_lines(read, rows.table)]
    said += [*_size_lines(read), *_kind_lines(read, rows.table)]
    for note in (note for note in read.notes if note.code != "unit_missing"):
        said += _comment(f"note: {note.column + ': ' if note.column else ''}{note.what}")
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
        too = f"; layers are in {shown(name)}: are the trees in it too?" if code else ""
        yield from _asked(f"crs = {_quoted(code or 'EPSG:…')}", asked[0].what + too)
    elif taken:
        yield from _line('crs = "EPSG:4326"', f"{taken}: {why}")
    else:
        yield from _comment(f"the file says its coordinate system: {read.read_as.facts['crs']}")
    taken, why = _assumed(read, "trees.encoding")
    if taken:
        yield from _line(f"encoding = {_quoted(taken.removeprefix('encoding '))}", why)
    if any(note.code == "date_two_readings" for note in read.notes):
        order, shown_by = _order_of_dates(read, table)
        question = f"are dates such as 03/04/2025 month first or day first?{shown_by}"
        yield from _asked(f'date_order = "{order}"', question)


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
            yield from _asked(f"columns.{column} = {_quoted(header)}", why)
        else:
            yield from _line(f"columns.{column} = {_quoted(header)}", why or "found by its header")
    for problem in read.problems:
        if problem.key in ("trees.columns", "trees.on_invalid"):
            yield from _asked('columns = { x = "…", y = "…" }', problem.what)
    if "tree_id" not in columns:
        yield from _line('# columns.tree_id = "…"', "no column of ids was found; rows are told apart by their number")
    if "species" not in columns and "common" not in columns and "genus" not in columns:
        asked_for = "which column holds the species? Without one all trees are medium."
        yield from _asked('columns.species = "…"', f"{asked_for}{among}")
    if "caliper" not in columns and "height" not in columns and "planted" not in columns:
        asked_for = "which column says how big a tree is, or when it was planted?"
        yield from _asked('columns.caliper = "…"', f"{asked_for}{among}")


def _size_lines(read: TreesRead) -> Iterator[str]:
    """Units, and where stems were measured."""
    columns = read.read_as.facts["columns"]
    for column, unit in read.read_as.facts.get("units", {}).items():
        why = _assumed(read, f"units.{column}")[1] or "the header says so"
        yield from _line(f"units.{column} = {_quoted(unit)}", why)
    for problem in read.problems:
        if problem.key == "trees.units":
            column = next((ours for ours, header in columns.items() if header == problem.column), "caliper")
            yield from _asked(f'units.{column} = "{usual_unit(column)}"', f"{problem.column}: {problem.what}")
    for note in read.notes:
        if note.code == "unit_missing":
            column = next((ours for ours, header in columns.items() if header == note.column), "caliper")
            asked = f"in which unit are bare numbers? {note.column}: {note.what}"
            yield from _asked(f'units.{column} = "{usual_unit(column)}"', asked)
    if "caliper" in columns:
        place, why = _assumed(read, "caliper_at")
        if "does not say" in why:
            yield from _asked('caliper_at = "breast"', f"{why}; nursery (150 mm) is taken. Also: breast, girth_1m …")
        else:
            yield from _line(f"caliper_at = {_quoted(place)}", why)


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
        yield from _asked(f"{key} = {{ {choice} }}", f"{asked} {counts}")


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
    yield ""
    lines = [f"file = {_quoted(typed)}", *([f"layer = {_quoted(layer.layer)}"] if layer.layer else [])]
    holds = ""
    if layer.features is not None:
        holds = f"{several(layer.features, 'feature')}, {shown(layer.crs) or 'no coordinate system'}"
    if role:
        yield "[[layers]]"
        yield from _line(f"role = {_quoted(role)}", f"by its name: {tables.roles()[role].meaning}")
        yield from _line(lines[0], holds) if holds else lines[:1]
        yield from lines[1:]
    else:
        question = f"what is this{f' ({holds})' if holds else ''}? One of {', '.join(tables.roles())}"
        yield from _asked("[[layers]]", question, 'role = "…"', *lines)
    if layer.fault:
        yield from _asked('crs = "EPSG:…"', layer.fault)


def _raster_block(typed: str) -> Iterator[str]:
    """One [rasters.NAME] block."""
    name = guess_raster(Path(typed).stem)
    if not name:
        yield ""
        question = "snow_depth, elevation, land_cover or deer_habitat?"
        yield from _asked("[rasters.…]", question, f"file = {_quoted(typed)}")
        return
    yield f"\n[rasters.{name}]"
    yield f"file = {_quoted(typed)}"
    if name == "snow_depth":
        yield from _asked('unit = "cm"', "in which unit is the snow depth?")
    if name in ("deer_habitat", "land_cover"):
        yield from _asked("habitat = [1]", "which values are deer habitat?")


def _local_lines(given: set[str], *, us: bool) -> Iterator[str]:
    """Local facts, as defaults to look at; before them the roles that no file stands for."""
    yield "\n[local]  # what the ground can't tell; each line shows the default"
    off = {agent.key for agent in tables.agents().values() if agent.off_by_default}
    roles = [role for role in tables.roles().values() if set(role.agents) - off and role.key not in given]
    if roles:
        yield from _comment(
            f"No file is named for {', '.join(role.key for role in roles)}: what comes from them is not scored. Give "
            "each a [[layers]] block; name here only what was looked for and is not there, since its pressure "
            "is then 0:"
        )
        yield '# nowhere = ["…"]'
    rows = [row for row in all_keys() if row.section == "local"]
    for row in rows:
        if row.sets or not row.default or row.type == "texts":
            continue
        plain = row.default if row.type in ("number", "flag") else _quoted(row.default)
        choices = f" ({row.choices.replace(';', ', ')})" if row.choices and not row.choices.startswith("@") else ""
        twin = next((other.key for other in rows if other.sets == row.key), "") if us else ""
        said = list(_line(f"# {row.key} = {plain}", f"{row.meaning}{choices}{f'; or write {twin}' if twin else ''}"))
        if len(said) > 1:
            yield ""
        yield from said
