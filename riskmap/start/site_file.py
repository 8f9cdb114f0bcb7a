"""The walk of `riskmap start`: files looked at, a site file written, its questions counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from riskmap import tables
from riskmap.errors import WordsError, shown
from riskmap.guesses import REGIONS
from riskmap.start.ground_lines import layer_lines, list_layers, local_lines, their_crs
from riskmap.start.toml_text import asked, comment, in_lines, quoted, setting
from riskmap.start.tree_lines import tree_lines

__all__ = ["Started", "start_site"]


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
    listed = list_layers(layers, path)
    of_trees, us, region = tree_lines(trees, path, their_crs(listed))
    ground = list(layer_lines(listed))
    given = {line.split('"')[1] for line in ground if line.startswith("role = ")}
    given |= {raster for raster in tables.roles() if f"\n[rasters.{raster}]" in ground}
    lines = [*_head(trees, us, region), *of_trees, *ground, *local_lines(given, us=bool(us))]
    text = in_lines(lines)
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    unused = tuple(f"{shown(typed)}: {fault}" for typed, _, fault in listed if fault)
    return Started(path=path, text=text, questions=text.count("QUESTION:"), unused=unused)


def _head(trees: Path, us: str, region: str) -> Iterator[str]:
    """What stands above the sections."""
    yield from comment(
        "A first site file, written from the files alone. Each QUESTION wants an answer: take the # off the setting "
        "below it and put the right value in. Look over the rest, then ask `riskmap check` about it."
    )
    yield f"title = {quoted(trees.name.split('.')[0])}"
    yield from asked("date = 2026-10-15", "for which day is the work planned? No run goes without it")
    if us:
        yield from setting('units = "us"', f'what people read; {us}. Or "metric"')
    else:
        yield from setting('units = "metric"', 'what people read; or "us"')
    others = " or ".join(name for name in REGIONS if name != region)
    if region:
        yield from setting(f"region = {quoted(region)}", f"the trees stand there; or {others}")
    else:
        yield from setting('region = "north_america"', "or britain, europe")
