"""Look into a GeoPackage before GDAL does: virtual tables that open other things, views that never end."""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final
from urllib.parse import quote

from riskmap.errors import shown
from riskmap.read.archives import MOST_BYTES
from riskmap.read.kinds import Refusal

__all__ = ["check_geopackage"]

_COMMENT: Final = re.compile(
    r"""("(?:[^"]|"")*"|'(?:[^']|'')*'|`[^`]*`|\[[^\]]*\])|/\*.*?(?:\*/|$)|--[^\n]*""", re.DOTALL
)
_VIRTUAL: Final = re.compile(r"\s*CREATE\s+VIRTUAL\b(?:.*?\bUSING\s+[\"'`\[]?(\w+))?", re.IGNORECASE | re.DOTALL)
_HARMLESS: Final = ("rtree", "fts3", "fts4", "fts5")
_LONGEST_CELL: Final = 1 << 28  # bytes that a view may make of one cell
_STEPS, _MOST_STEPS = 100_000, 2_000  # of SQLite's machine, at a time and in all: some seconds


def check_geopackage(path: Path) -> None:
    """Refuse a GeoPackage without contents, with virtual tables that could open other things, or with endless views.

    Raises
    ------
    Refusal
        It is one of these, or does not read.
    """
    where = f"file:{quote(os.fsencode(path.resolve()))}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(where, uri=True)) as connection:
            connection.text_factory = lambda written: written.decode("utf-8", errors="replace")
            rows = connection.execute("SELECT type, name, rootpage, sql FROM sqlite_master").fetchall()
            if "gpkg_contents" not in {name for _, name, _, _ in rows}:
                raise Refusal("this is a database, but no GeoPackage", "export the layer as GeoPackage")
            for kind, name, page, sql in rows:
                if kind == "table":
                    _check_table(name, page, str(sql or ""))
            for kind, name, _, _ in rows:
                if kind == "view":
                    _check_view(connection, name)
    except (sqlite3.Error, ValueError) as error:  # its own message may not decode
        raise Refusal(
            f"the GeoPackage does not read ({error})", "the file is cut off or damaged: send it again"
        ) from None


def _check_table(name: str, page: int | None, sql: str) -> None:
    """Refuse a virtual table, which has no page of its own, unless it is an index."""
    made = _VIRTUAL.match(_COMMENT.sub(r"\1 ", sql))
    if (made or not page) and not (made and made[1] and made[1].casefold() in _HARMLESS):
        raise Refusal(f"its table {shown(name)!r} is virtual and could open other files", "export the layer anew")


def _check_view(connection: sqlite3.Connection, name: str) -> None:
    """Refuse a view that makes more than any table holds, or does not end; one that SQLite can't run, GDAL can't."""
    left = _MOST_STEPS

    def step() -> int:
        nonlocal left
        left -= 1
        return left < 0

    quoted = '"' + name.replace('"', '""') + '"'
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_CELL)
    connection.set_progress_handler(step, _STEPS)
    try:
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({quoted})")]
        sizes = " + ".join('coalesce(length("' + column.replace('"', '""') + '"), 0)' for column in columns) or "0"
        total = connection.execute(f"SELECT total({sizes}) FROM {quoted}").fetchone()[0]
    except sqlite3.Error as error:
        if left >= 0 and "too big" not in str(error):
            return
        total = float("inf")
    finally:
        connection.set_progress_handler(None, 0)
    if total > MOST_BYTES:
        raise Refusal(f"its view {shown(name)!r} makes too much, or does not end", "export it as a table")
