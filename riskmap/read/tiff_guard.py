"""Walk a TIFF's directories: a file that is cut off says so before a single cell is read."""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from riskmap.read.kinds import Refusal

__all__ = ["check_tiff_whole"]

_SIZES: Final = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_WHERE: Final = {273: 279, 324: 325}  # strip and tile offsets -> their byte counts
_UNSIGNED: Final = {1: "u1", 3: "u2", 4: "u4", 13: "u4", 16: "u8", 18: "u8"}
_MOST_DIRECTORIES: Final = 200


def check_tiff_whole(path: Path) -> None:
    """Refuse a TIFF whose directories or cells reach past the end of the file.

    Raises
    ------
    Refusal
        The file is cut off or damaged.
    """
    cut = Refusal("the GeoTIFF is cut off or damaged: its cells reach past its end", "download or send it again")
    size = path.stat().st_size
    with path.open("rb") as stream:
        order = "<" if stream.read(2) == b"II" else ">"
        big = _number(stream, order, 2) == 43
        if big:
            stream.seek(8)
        at = _number(stream, order, 8 if big else 4)
        for _ in range(_MOST_DIRECTORIES):
            if at == 0:
                return
            if at >= size:
                raise cut
            entries, at = _directory(stream, order, big, at, size)
            for where, count in _WHERE.items():
                if where not in entries:
                    continue
                if count not in entries:
                    raise cut
                offsets = _values(stream, order, entries[where], size)
                lengths = _values(stream, order, entries[count], size)
                if offsets is None or lengths is None or len(offsets) != len(lengths):
                    raise cut
                if len(offsets) and int((offsets + lengths).max()) > size:
                    raise cut


def _number(stream: BinaryIO, order: str, size: int) -> int:
    """One unsigned number."""
    return int.from_bytes(stream.read(size), "little" if order == "<" else "big")


_Entry = tuple[int, int, int]  # type, count, where its values stand


def _directory(stream: BinaryIO, order: str, big: bool, at: int, size: int) -> tuple[dict[int, _Entry], int]:
    """The entries of one directory, and where the next one stands (0: none)."""
    stream.seek(at)
    number = _number(stream, order, 8 if big else 2)
    step, wide = (20, 8) if big else (12, 4)
    if at + number * step > size:
        raise Refusal("the GeoTIFF is cut off or damaged in its directory", "download or send it again")
    entries: dict[int, _Entry] = {}
    start = stream.tell()
    for index in range(number):
        stream.seek(start + index * step)
        tag, kind, count = _number(stream, order, 2), _number(stream, order, 2), _number(stream, order, wide)
        inside = _SIZES.get(kind, 1) * count <= wide
        entries[tag] = (kind, count, stream.tell() if inside else _number(stream, order, wide))
    stream.seek(start + number * step)
    return entries, _number(stream, order, wide)


def _values(
    stream: BinaryIO, order: str, entry: _Entry, size: int
) -> np.ndarray[tuple[int], np.dtype[np.int64]] | None:
    """The numbers of one entry; None where they reach past the file's end or are none."""
    kind, count, where = entry
    if kind not in _UNSIGNED or where + count * _SIZES[kind] > size:
        return None
    stream.seek(where, os.SEEK_SET)
    return np.frombuffer(stream.read(count * _SIZES[kind]), dtype=order + _UNSIGNED[kind]).astype(np.int64)
