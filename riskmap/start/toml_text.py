"""Texts as a site file holds them: in quotes, and as remarks that end where their line does."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

__all__ = ["in_lines", "quoted", "relative"]

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
