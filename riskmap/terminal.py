"""What a person at a terminal sees: progress on stderr, faults and notes, and a short summary of the result."""

from __future__ import annotations

import shutil
import sys
import textwrap
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO

from riskmap.deliver import DELIVERABLES, MOST_TREES, ON_REQUEST
from riskmap.errors import InputError, shown

if TYPE_CHECKING:
    from riskmap.look_over import Findings
    from riskmap.model import Note, Repair, Result
    from riskmap.run import Delivered

__all__ = ["START", "TerminalWatch", "nearby", "print_error", "print_findings", "print_notes", "print_result"]

START: Final = "start"  # loading, before anything of the user's is read
_BAR: Final = 24
_REASONS: Final = 6  # reasons to look at trees that are named
_NARROWEST: Final = 40
_MENDED: Final = 20  # features of one layer whose mending is named
_NAMED: Final = 5  # rows named in a note's line; run.json holds the first 20
_QUIETLY: Final = 0.1  # seconds between two drawings of the bar
_LONG: Final = 15.0  # seconds after which a station says how long it may still take
_LINE_EVERY: Final = 60.0  # seconds between two lines where no bar is drawn
_ACTIONS: Final = {  # in the order in which people act
    "remove": "take off",
    "swap": "swap",
    "loosen": "loosen",
    "fit": "fit",
    "keep": "keep",
    "look": "look at first",
    "accept": "accept",
    "none needed": "none needed",
    "not a tree": "not a tree",
}


class TerminalWatch:
    """A bar where stderr is a terminal, one line a station otherwise; -q says nothing, -v says more."""

    def __init__(self, *, stream: TextIO | None = None, quiet: bool = False, verbose: bool = False) -> None:
        self.timings: dict[str, float] = {}
        self.stream = sys.stderr if stream is None else stream
        self.quiet, self.verbose = quiet, verbose
        self.draws = not quiet and self.stream.isatty()
        self._name, self._drawn, self._begun = "", 0.0, 0.0
        self._first: float | None = None  # share that was done when the station first told of it
        self._held = ""  # what waits for a second station: inputs refused before that are told of alone
        self._full, self._empty = "━╌" if "utf" in (self.stream.encoding or "utf").lower() else "#-"

    @contextmanager
    def station(self, name: str) -> Iterator[None]:
        """Time one station, and say so."""
        begun, self._name = time.perf_counter(), name
        self._begun, self._first = begun, None
        self._draw(0.0)
        try:
            yield
        finally:
            self._wipe()
        spent = time.perf_counter() - begun
        self.timings[name] = self.timings.get(name, 0.0) + spent
        if not self.quiet and (self.verbose or not self.draws):
            line = f"{name}: {spent:.2f} s"
            if name == START:
                self._held = f"{line}\n"
            else:
                self._say(line)

    def log(self, line: str) -> None:
        """Say one line with -v."""
        if self.verbose:
            self._wipe()
            self._say(f"  {line}")

    def progress(self, done: int, total: int) -> None:
        """Move the bar; where none is drawn, say a line now and then of a station that takes long."""
        share, now = done / total if total else 0.0, time.perf_counter()
        if self._first is None:
            self._first = share
        if self.draws and now - self._drawn > _QUIETLY:
            self._draw(share)
        elif not self.draws and not self.quiet and now - max(self._drawn, self._begun) > _LINE_EVERY:
            self._say(f"{self._name}: {done:,} of {total:,}{self._left(share)}")
            self._drawn = now

    def _left(self, share: float) -> str:
        """How long the station may still take, from how long what it did took; nothing while that can't be told."""
        spent, did = time.perf_counter() - self._begun, share - (self._first or 0.0)
        if spent < _LONG or did <= 0 or share >= 1:
            return ""
        left = spent * (1 - share) / did
        return f", about {left / 60:.0f} min left" if left >= 90 else f", about {max(10, round(left, -1)):.0f} s left"

    def _draw(self, share: float) -> None:
        """Draw the bar over itself."""
        if self.draws:
            full = round(share * _BAR)
            bar = f"{self._full * full}{self._empty * (_BAR - full)} {share:4.0%}{self._left(share)}"
            self.stream.write(f"\r\x1b[K{self._name:<22} {bar}")
            self.stream.flush()
            self._drawn = time.perf_counter()

    def _wipe(self) -> None:
        """Take the bar away."""
        if self.draws:
            self.stream.write("\r\x1b[K")
            self.stream.flush()

    def _say(self, line: str) -> None:
        """Write one line."""
        self.stream.write(f"{self._held}{line}\n")
        self._held = ""
        self.stream.flush()


def print_error(error: Exception, stream: TextIO) -> None:
    """Print every fault an error holds, a line each."""
    lines = [problem.line() for problem in error.problems] if isinstance(error, InputError) else [str(error)]
    for line in lines:
        _put(f"error: {line}", stream)


def print_notes(notes: Iterable[Note], stream: TextIO) -> None:
    """Print notes, a line each."""
    for note in notes:
        _put(f"note: {_note_line(note)}", stream)


def print_findings(findings: Findings, stream: TextIO, *, quiet: bool = False) -> None:
    """Print what ``riskmap check`` found: faults, notes, and unless quiet what was read as what, mended and taken."""
    print_error(InputError(findings.problems), stream)
    print_notes(findings.notes, stream)
    if not quiet:
        _print_understood(findings, stream)
    print(f"{_count(len(findings.problems), 'fault')}, {_count(len(findings.notes), 'note')}", file=stream)


def _print_understood(findings: Findings, stream: TextIO) -> None:
    """Print what was read as what, what was mended, what was not scored, and what was taken for want of a word."""
    for read in findings.read_as:
        rows = "" if read.facts.get("kind") == "GeoTIFF" else f"{_count(read.rows, 'row')}; "
        _put(f"read: {shown(read.file)}: {rows}{_facts(read.facts)}", stream)
    _print_repairs(findings.repaired, stream)
    for why, trees in findings.not_scored.items():
        _put(f"not scored: {_count(trees, 'tree')}: {why}", stream)
    _print_not_surveyed(findings.not_surveyed, findings.nowhere, stream)
    for taken in findings.assumptions:
        key = f" ({taken.key})" if taken.key else ""
        _put(f"assumed: {taken.topic} = {taken.taken}: {taken.why}{key}", stream)


def _print_repairs(repaired: Sequence[Repair], stream: TextIO) -> None:
    """Print what was mended, left out or flattened, the first of each layer."""
    met: Counter[tuple[str, str, str]] = Counter()
    for repair in repaired:
        met[repair.file, repair.layer, repair.what] += 1
        if met[repair.file, repair.layer, repair.what] > _MENDED:
            continue
        place = f"{shown(repair.file)}{f', layer {shown(repair.layer)}' if repair.layer else ''}"
        areas = (
            f" (area {repair.area_before:.6g} -> {repair.area_after:.6g} m2)"
            if repair.area_before is not None and repair.area_after is not None
            else ""
        )
        _put(f"{repair.what}: {place}, feature {repair.feature}: {repair.why}{areas}", stream)
    for (file, layer, what), many in met.items():
        if many > _MENDED:
            place = f"{shown(file)}{f', layer {shown(layer)}' if layer else ''}"
            _put(f"{what}: {place}: {_count(many - _MENDED, 'feature')} more; run.json lists them all", stream)


def _print_not_surveyed(not_surveyed: Mapping[str, Sequence[str]], nowhere: Sequence[str], stream: TextIO) -> None:
    """Print the roles nobody surveyed, the agents not scored from them, and the key that answers, as it would read."""
    if not not_surveyed:
        return
    for role, agents in not_surveyed.items():
        _put(f"not surveyed: {role}: {', '.join(agents).replace('_', ' ')} not scored from it", stream)
    listed = ", ".join(f'"{role}"' for role in (*nowhere, *not_surveyed))
    _put(
        f"  give each a [[layers]] block, or say under [local] which of them are not there: nowhere = [{listed}] "
        "(local.nowhere)",
        stream,
    )


def print_result(delivered: Delivered, stream: TextIO) -> None:
    """Print where the result is, and its top lines."""
    result, here = delivered.result, nearby(delivered.folder)
    if "map.html" in delivered.files:
        print(f"young-tree damage map: {here / 'map.html'}", file=stream)
    print(f"all files in {here}: {', '.join(delivered.files)}\n", file=stream)
    left_out = [name for name in DELIVERABLES if name in ON_REQUEST and DELIVERABLES[name].file not in delivered.files]
    tally = result.tally
    if tally.rows > MOST_TREES and left_out:
        print(f"of so many trees only on request: --only {' '.join(left_out)}\n", file=stream)
    print(f"{_count(tally.rows, 'tree')}, {tally.scored:,} scored", file=stream)
    for row in _action_rows(result):
        print(f"  {row}", file=stream)
    from riskmap.draw.money import cost_words, prevented_words

    print(file=stream)
    for line in filter(None, [cost_words(result), *prevented_words(result)]):
        _put(line, stream)
    absent = [agent for agent in result.pressure.agents if tally.agents and agent not in tally.agents]
    if absent:
        agents = ", ".join(absent).replace("_", " ")
        _put(f"not scored, since no layer of theirs was given: {agents} (riskmap check says what would do)", stream)
    for why, trees in _why_look(result):
        _put(f"look: {_count(trees, 'tree')}: {why}", stream)


def _why_look(result: Result) -> list[tuple[str, int]]:
    """The reasons why most trees are to be looked at; none where the result holds but some of the trees."""
    import numpy as np

    choices = result.choices
    if len(choices.action.codes) != result.tally.rows or "look" not in choices.action.values:
        return []
    look = np.equal(choices.action.codes, choices.action.values.index("look")) & (choices.reason.codes >= 0)
    many = np.bincount(choices.reason.codes[look], minlength=len(choices.reason.values))
    first = np.argsort(-many, kind="stable")[:_REASONS]
    return [(choices.reason.values[at], int(many[at])) for at in first if many[at]]


def _action_rows(result: Result) -> Iterator[str]:
    """One line an action: how many trees, how much money and work, and the guard used most; then the sums."""
    tally = result.tally
    if tally.hours > 0:
        yield f"{'':<14}{'trees':>9}{result.choices.currency:>12}{'hours':>9}"
    for action, words in _ACTIONS.items():
        lines = [line for line in tally.lines if line.action == action]
        if not lines:
            continue
        sums = _sums(sum(line.cents for line in lines) / 100, sum(line.hours for line in lines))
        guards: dict[str, int] = {}
        for line in lines:
            guards[line.guard] = guards.get(line.guard, 0) + line.trees * bool(line.guard)
        most = max(guards, key=lambda guard: guards[guard])
        mostly = f"  mostly {most}" if most and action != "remove" else ""
        yield f"{words:<14}{sum(line.trees for line in lines):>9,}{sums}{mostly}".rstrip()
    if tally.hours > 0:
        yield f"{'in all':<14}{tally.rows:>9,}{_sums(tally.cost, tally.hours)}"


def _sums(cost: float, hours: float) -> str:
    """Money and hours in their columns, nothing where there is none."""
    return f" {f'{cost:,.0f}' if cost else '':>11} {f'{hours:,.0f}' if hours >= 0.5 else '<1' if hours else '':>8}"


def _put(line: str, stream: TextIO) -> None:
    """Print one line, folded at the words where a terminal would cut it anywhere."""
    if stream.isatty():
        width = max(shutil.get_terminal_size().columns, _NARROWEST)
        line = textwrap.fill(line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    print(line, file=stream)


def _note_line(note: Note) -> str:
    """A note as one line: where, what, what would do."""
    place = [shown(note.file)] if note.file else []
    place += [f"layer {shown(note.layer)}"] if note.layer else []
    place += [f"column {shown(note.column)}"] if note.column else []
    where = f"{', '.join(place)}: " if place else ""
    return f"{where}{note.what}{_rows_of(note)}{f'; {note.remedy}' if note.remedy else ''}"


def _rows_of(note: Note) -> str:
    """The first rows (or features) a note holds for, and their tree ids."""
    if not note.rows:
        return ""
    noun = "feature" if note.layer and not note.tree_ids else "row"
    rows = ", ".join(str(row) for row in note.rows[:_NAMED])
    ids = ", ".join(shown(one) for one in note.tree_ids[:_NAMED])
    more = ", …" if note.count > _NAMED else ""
    return f" [{noun}{'s' if note.count > 1 else ''} {rows}{more}{f': {ids}{more}' if ids else ''}]"


def _facts(facts: Mapping[str, Any]) -> str:
    """What a file was read as."""
    return "; ".join(
        f"{name.replace('_', ' ')} {_fact(value)}" for name, value in facts.items() if value not in ("", None)
    )


def _fact(value: Any) -> str:
    """One fact in words."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key} = {shown(held)}" for key, held in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(shown(held) for held in value)
    return shown(value)


def _count(n: int, word: str) -> str:
    """A number with its noun."""
    return f"{n:,} {word}{'' if n == 1 else 's'}"


def nearby(path: Path) -> Path:
    """Return a path as seen from here, where that is shorter."""
    return path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path
