"""What a run leaves behind: map, tables and the record, each written from a `Result` and independent of the others."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from riskmap.errors import MachineError, shown

if TYPE_CHECKING:
    from riskmap.model import GroundLayer, Result, Watch

__all__ = ["DELIVERABLES", "MOST_TREES", "ON_REQUEST", "Deliverable", "write_result"]


class Deliverable(NamedTuple):
    """One thing a run can write: its file, where the function stands that writes it, and how much ground it draws."""

    file: str
    module: str
    function: str
    ground: str = "none"  # none | box (of the map) | all


DELIVERABLES: Final[dict[str, Deliverable]] = {  # the word after --only; modules are imported when wanted
    "map": Deliverable("map.html", "riskmap.deliver.html_map", "write_map", "box"),
    "csv": Deliverable("trees.csv", "riskmap.deliver.tables", "write_csv"),
    "parquet": Deliverable("trees.parquet", "riskmap.deliver.tables", "write_parquet"),
    "gpkg": Deliverable("trees.gpkg", "riskmap.deliver.geopackage", "write_geopackage", "all"),
    "summary": Deliverable("summary.csv", "riskmap.deliver.summary", "write_summary"),
}
RECORD: Final = Deliverable("run.json", "riskmap.deliver.record", "write_record")  # always, and last

SLOWEST: Final = "gpkg"  # takes longest, and holds the interpreter,
MANY_ROWS: Final = 100_000  # so from so many trees and features of the ground on it is written beside the others
IN_THREADS: Final = "csv"  # takes every core, so it comes last, when the slowest may be done
ON_REQUEST: Final = frozenset({"csv", "gpkg"})  # of so many trees nobody opens them, and they take most of the time:
MOST_TREES: Final = 2_000_000

_DISK_ERRORS: Final = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS, errno.EACCES, errno.EPERM}
)
_DISK_WORDS: Final = (
    "disk",
    "no space",
    "enough space",
    "too large",
    "i/o",
    "failed to write",
    "cannot write",
    "could not write",
)


def write_result(result: Result, folder: Path, *, only: Iterable[str] = (), watch: Watch) -> list[str]:
    """Write the deliverables asked for (all, when none is named) and, last, run.json.

    Of more than `MOST_TREES` trees those of `ON_REQUEST` are written only where they are named.

    Returns
    -------
    list of str
        Names of the files written, run.json last.
    """
    usual = DELIVERABLES.keys() - (ON_REQUEST if result.tally.rows > MOST_TREES else ())
    wanted = frozenset(only) or usual
    names = [name for name in DELIVERABLES if name in wanted]
    result = _with_ground(result, {DELIVERABLES[name].ground for name in names}, watch)

    def write(name: str) -> list[str]:
        with watch.station(f"write {DELIVERABLES[name].file}"), _naming(DELIVERABLES[name].file):
            return _function(DELIVERABLES[name])(result, folder)

    rows = result.tally.rows + sum(len(layer.geometry) for layer in result.site.layers)
    if SLOWEST in names and rows >= MANY_ROWS:
        files = _side_by_side(names, write, result, watch)
    else:
        files = {name: write(name) for name in names}
    written = [file for name in names for file in files[name]]
    with _naming(RECORD.file):
        return [*written, *_function(RECORD)(result, folder, written=written, timings=watch.timings)]


def _with_ground(result: Result, asked: set[str], watch: Watch) -> Result:
    """The result with the ground that is to be drawn, where parts have read it for themselves."""
    read: Callable[[bool], tuple[GroundLayer, ...]] | None = result.once("ground", lambda: None)
    if read is None or not asked - {"none"}:
        return result
    with watch.station("read ground"):
        return result.on_ground(read("all" in asked))


def _side_by_side(
    names: list[str], write: Callable[[str], list[str]], result: Result, watch: Watch
) -> dict[str, list[str]]:
    """Write the slowest in a process of its own beside the others; what both need is worked out first."""
    from concurrent.futures import ThreadPoolExecutor

    from riskmap.deliver.beside import beside
    from riskmap.deliver.columns import result_table
    from riskmap.draw.reach import site_reach

    station = f"write {DELIVERABLES[SLOWEST].file}"
    with watch.station("prepare"), ThreadPoolExecutor(1) as pool:
        drawn = pool.submit(site_reach, result)
        result_table(result)
        drawn.result()
    with beside(lambda: (write(SLOWEST), watch.timings.get(station, 0.0))) as slowest:
        others = [name for name in names if name != SLOWEST]
        files = {name: write(name) for name in sorted(others, key=lambda name: name == IN_THREADS)}
        files[SLOWEST], watch.timings[station] = slowest()
    return files


def _function(deliverable: Deliverable) -> Callable[..., list[str]]:
    """Import the function that writes one deliverable."""
    function: Callable[..., list[str]] = getattr(import_module(deliverable.module), deliverable.function)
    return function


@contextlib.contextmanager
def _naming(file: str) -> Iterator[None]:
    """Turn what the disk says into a `MachineError` that names the file; let every other error pass.

    GDAL, SQLite and Arrow each say it in a class of their own, so where no error number decides, the words do.
    """
    try:
        yield
    except Exception as error:
        number, words = (error.errno, error.strerror) if isinstance(error, OSError) else (None, None)
        words = words or str(error)
        if number not in _DISK_ERRORS and not any(word in words.lower() for word in _DISK_WORDS):
            raise
        raise MachineError(
            f"{file} could not be written ({shown(words)}): the disk is full or a limit on file size or rights was "
            "met; what stood there before is unchanged"
        ) from error
