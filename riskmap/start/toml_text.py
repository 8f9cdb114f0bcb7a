"""Texts as a site file holds them: in quotes, and as remarks that end where their line does."""

from __future__ import annotations

import json
import os
import re
import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

__all__ = ["asked", "comment", "in_lines", "quoted", "relative", "setting"]

WIDEST: Final = 80  # characters of a comment
_MARKS: Final = re.compile(r"[\x00-\x08\x0a-\x1f\x7f]+")


def quoted(text: str) -> str:
    """Return a text as TOML writes it."""
    return json.dumps(text.encode("utf-8", "replace").decode("utf-8"), ensure_ascii=False).replace("\x7f", "\\u007F")


def relative(file: Path, site_file: Path) -> str:
    """Return a file as the site file names it."""
    try:
        return Path(os.path.relpath(file.absolute(), site_file.parent)).as_posix()
    except ValueError:  # another drive
        return file.absolute().as_posix()


def in_lines(lines: Iterable[str]) -> str:
    r"""Return the text of lines, each ending where it should: a header or file name told of may hold ends of lines.

    A line may begin with one empty line.

    Examples
    --------
    >>> in_lines(["[trees]", "\n# Stem\ndiameter: no unit"])
    '[trees]\n\n# Stem diameter: no unit\n'
    """
    whole = (("\n" if line.startswith("\n") else "") + _MARKS.sub(" ", line.removeprefix("\n")) for line in lines)
    return "".join(line.encode("utf-8", "replace").decode("utf-8") + "\n" for line in whole)


def comment(text: str) -> Iterator[str]:
    """Yield a comment, in lines that an editor need not wrap."""
    yield from (f"# {line}" for line in textwrap.wrap(text, WIDEST - 2, break_long_words=False, break_on_hyphens=False))


def setting(line: str, why: str) -> Iterator[str]:
    """Yield a line and why it is so: behind it where both fit, else above it."""
    both = f"{line}  # {' '.join(why.split())}"
    if len(both) <= WIDEST:
        yield both
    else:
        yield from comment(why)
        yield line


def asked(line: str, question: str, *more: str) -> Iterator[str]:
    """Yield a question above the lines that answer it, not read as long as they are not asked to be."""
    yield from comment(f"QUESTION: {question}")
    yield from (f"# {each}" for each in (line, *more))
