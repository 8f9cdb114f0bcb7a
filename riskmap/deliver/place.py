"""Where a result may go: what is refused before anything is read, and what is known to be riskmap's own."""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from riskmap.errors import MachineError, WordsError, shown

__all__ = ["MARKER", "Place", "is_rubbish", "naming", "record_in", "refuse_contents", "refuse_place"]

MARKER: Final = "UNFINISHED.txt"  # stands in a folder of ours that may be deleted
_OURS_ALWAYS: Final = frozenset({"run.json", "timings.json"})
_OF_THE_DESKTOP: Final = (".ds_store", "thumbs.db", "desktop.ini")  # what file managers leave
_OF_A_VIEWER: Final = ("-wal", "-shm", "-journal", ".aux.xml", ".qmd")  # what a GIS leaves beside a file it opened


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a result goes, its two neighbours while it is swapped in, and where it is worked on part by part."""

    name: Path
    part: Path
    old: Path
    parts: Path  # where a run in parts works
    said: str  # as the user would say it

    @classmethod
    def of(cls, site_file: Path, out: Path | None) -> Place:
        """Work out the result folder: what was asked for, or ``site-out`` beside ``site.toml``."""
        wanted = out if out is not None else site_file.parent / f"{site_file.stem}-out"
        path = Path(os.path.abspath(wanted))  # noqa: PTH100 - resolve() would follow a symlink that must be refused
        return cls(
            name=path,
            part=path.with_name(f"{path.name}.part") if path.name else path,
            old=path.with_name(f"{path.name}.old") if path.name else path,
            parts=path.with_name(f"{path.name}.parts") if path.name else path,
            said=shown(wanted, longest=4096),
        )


def refuse_place(place: Place, inputs: Iterable[Path]) -> None:
    """Refuse what can be refused by looking at paths alone."""
    real = Path(os.path.realpath(place.name.parent)) / place.name.name
    if not place.name.name or Path.cwd().is_relative_to(real):
        raise WordsError(
            f"--out {place.said}: the output folder would be the folder you work in, or one above it; "
            "name a new folder, such as --out result"
        )
    if any(ord(mark) < 0x20 or 0xD800 <= ord(mark) <= 0xDFFF for mark in real.name):
        raise WordsError(
            f"the output folder {place.said} is refused: its name holds control characters or bytes that are no "
            "letters; name another folder with --out"
        )
    ours = (real, *(real.with_name(beside.name) for beside in (place.part, place.old, place.parts)))
    for given in inputs:
        file = Path(os.path.realpath(given))
        for folder in ours:
            if file == folder or file.is_relative_to(folder) or _same(file, folder):
                raise WordsError(
                    f"the output folder {place.said} is or holds the input {shown(given.name)}, and riskmap never "
                    "overwrites an input; name another folder with --out"
                )
        if file.is_dir() and real.is_relative_to(file):
            raise WordsError(
                f"the output folder {place.said} lies inside the input {shown(given.name)}; "
                "name another folder with --out"
            )
    for path in (place.name, place.part, place.old, place.parts):
        if path.is_symlink():
            raise WordsError(
                f"the output folder {place.said} is refused: {shown(path.name)} is a symbolic link; "
                "name the real folder with --out"
            )
        if path.exists() and not path.is_dir():
            raise WordsError(
                f"the output folder {place.said} is refused: {shown(path.name)} is a file, not a folder; "
                "name a folder with --out"
            )


def _same(one: Path, other: Path) -> bool:
    """Whether two paths are one file, also where letter case does not count."""
    try:
        return one.samefile(other)
    except OSError:
        return False


def refuse_contents(place: Place, *, overwrite: bool) -> None:
    """Refuse a folder that is not riskmap's, and an earlier result unless it may be replaced."""
    if not is_rubbish(place.part) and record_in(place.part) is None:
        raise WordsError(
            f"{shown(place.part.name)} stands beside the output folder and is not riskmap's; move it, "
            "or name another folder with --out"
        )
    if not place.name.exists() or not any(place.name.iterdir()):
        return
    record = record_in(place.name)
    if record is None:
        raise WordsError(
            f"the output folder {place.said} holds files that are not riskmap's (there is no run.json of riskmap in "
            "it); name an empty or a new folder with --out"
        )
    strange = sorted(set(_foreign(place.name, record)))
    if strange:
        raise WordsError(
            f"the output folder {place.said} holds {shown(strange[0])}"
            f"{f' and {len(strange) - 1} more' if len(strange) > 1 else ''}, which riskmap did not write and "
            "--overwrite would delete; move it, or name another folder with --out"
        )
    if not overwrite:
        raise WordsError(
            f"the output folder {place.said} holds an earlier result; add --overwrite to replace it, "
            "or name another folder with --out"
        )


def record_in(folder: Path) -> dict[str, Any] | None:
    """Return the run.json of riskmap in a folder, None where there is none."""
    try:
        record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    keys = {"version", "engine", "inputs", "counts", "outputs"}
    return record if isinstance(record, dict) and keys <= record.keys() else None


def _foreign(folder: Path, record: dict[str, Any]) -> Iterator[str]:
    """Name what stands in an earlier result and was not written by riskmap."""
    outputs = record["outputs"] if isinstance(record["outputs"], list) else []
    written = _OURS_ALWAYS | {str(entry.get("file")) for entry in outputs if isinstance(entry, dict)}
    for path in folder.iterdir():
        beside = any(path.name == name + ending for name in written for ending in _OF_A_VIEWER)
        if path.name not in written and not beside and path.name.lower() not in _OF_THE_DESKTOP:
            yield path.name


def is_rubbish(folder: Path) -> bool:
    """Whether a folder is one of ours that may go: marked so, or still empty."""
    return (folder / MARKER).is_file() or not any(folder.iterdir())


@contextlib.contextmanager
def naming(place: Place, path: Path) -> Iterator[None]:
    """Say an error of the disk in words that name the folder."""
    try:
        yield
    except OSError as error:
        kind = WordsError if error.errno in (errno.ENAMETOOLONG, errno.EINVAL, errno.ENOTDIR) else MachineError
        raise kind(
            f"the output folder {place.said}: {shown(path.name)} cannot be written "
            f"({error.strerror or error}); name another folder with --out"
        ) from error
