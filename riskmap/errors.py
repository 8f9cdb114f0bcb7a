"""What can go wrong, and how it is said.

RiskmapError
├── InputError    the inputs must be mended: holds every Problem       (status 1)
├── WordsError    the words typed make no sense                        (status 2)
└── MachineError  disk, memory or a worker failed us                   (status 3)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["InputError", "MachineError", "Problem", "RiskmapError", "WordsError", "shown"]

LONGEST_QUOTE = 60
_DIRECTION_MARKS = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u061c")
_LINE_ENDS = frozenset("\u2028\u2029")


def shown(text: object, *, longest: int = LONGEST_QUOTE) -> str:
    r"""Return user text fit for a message: control and direction marks escaped, at most 60 characters (of a cell).

    Examples
    --------
    >>> shown("Oak\nrow")
    'Oak\\nrow'
    >>> len(shown("x" * 100))
    60
    """
    written = "".join(
        mark.encode("unicode_escape").decode("ascii") if _must_escape(mark) else mark for mark in str(text)
    )
    return written if len(written) <= longest else written[: longest - 1] + "…"


def _must_escape(mark: str) -> bool:
    """Whether a character would act on a terminal or turn the reading direction."""
    code = ord(mark)
    return code < 0x20 or 0x7F <= code < 0xA0 or 0xD800 <= code <= 0xDFFF or mark in _DIRECTION_MARKS | _LINE_ENDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One fault: where it stands, what was found, what would do, and the key that answers.

    Attributes
    ----------
    file : str
        The user's file as site.toml names it (or site.toml itself).
    what : str
        What was found, as a sentence without a full stop; user text already passed through `shown`.
    remedy : str
        What would do.
    key : str
        The site.toml key that answers, such as ``trees.crs``; empty where none does.
    row : int or None
        Line in the file (header = 1) or feature number from 1.
    column, layer : str
        Column or layer at fault; empty where none is.
    """

    file: str
    what: str
    remedy: str
    key: str = ""
    row: int | None = None
    column: str = ""
    layer: str = ""

    def line(self) -> str:
        """Return the fault as one line.

        Examples
        --------
        >>> Problem(file="t.csv", row=14, column="Stem", what="'x' is no length", remedy="write inches",
        ...         key="trees.units").line()
        "t.csv, row 14, column Stem: 'x' is no length; write inches (trees.units)"
        """
        place = [shown(self.file, longest=4096)]
        if self.layer:
            place.append(f"layer {shown(self.layer)}")
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column:
            place.append(f"column {shown(self.column)}")
        remedy = f"; {self.remedy}" if self.remedy else ""
        key = f" ({self.key})" if self.key else ""
        return f"{', '.join(place)}: {self.what}{remedy}{key}"


class RiskmapError(Exception):
    """Anything riskmap says no to, in words for the user."""

    status = 1


class InputError(RiskmapError):
    """The inputs must be mended; holds every fault found."""

    status = 1

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.line() for problem in self.problems))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        """Say how it is made anew on the other side of a process's door."""
        return InputError, (self.problems,)


class WordsError(RiskmapError):
    """The words typed on the command line make no sense."""

    status = 2


class MachineError(RiskmapError):
    """Disk, memory or a worker failed us; the message names the file or the part."""

    status = 3
