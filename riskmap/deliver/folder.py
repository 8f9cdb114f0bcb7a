"""The result folder: the earlier or the new result stands whole, never a mixture, and no input is touched.

A run writes into ``<name>.part``, held by a lock, and swaps it in at the end. What a killed run left is known by two
files: `MARKER` stands in whatever of ours may be deleted, until last; run.json is written last and deleted first, so a
folder that has it is whole.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from riskmap.deliver.place import MARKER, Place, is_rubbish, naming, record_in, refuse_contents, refuse_place
from riskmap.errors import MachineError, WordsError, shown

try:
    import fcntl
except ImportError:  # Windows: the folder is still made exclusively, only a killed run's rubbish is not cleared
    fcntl = None  # type: ignore[assignment]

__all__ = ["result_folder"]

_MARKER_TEXT: Final = "riskmap is writing here, or was stopped while it did. If no riskmap runs, delete this folder.\n"
_TRIES: Final = 5


@contextlib.contextmanager
def result_folder(
    site_file: Path, inputs: Iterable[Path], *, out: Path | None = None, overwrite: bool = False
) -> Iterator[Place]:
    """Hold the place of a result while it is made; swap it in when the block ends well, leave no trace when not.

    Parameters
    ----------
    site_file : Path
        The site file; ``site.toml`` puts its result into ``site-out`` beside it.
    inputs : iterable of Path
        Every file the run reads, absolute.
    out : Path, optional
        The folder asked for.
    overwrite : bool
        Whether an earlier result may be replaced.

    Yields
    ------
    Place
        Write into ``part``; the result stands under ``name`` afterwards.

    Raises
    ------
    WordsError
        The folder is no place for a result (an input lies there, it is not riskmap's, it holds a result already).
    MachineError
        Another run holds it, or the disk says no.
    """
    place = Place.of(site_file, out)
    with naming(place, place.name):
        refuse_place(place, inputs)
    made = _make_parents(place)
    try:
        handle = _hold(place)
        try:
            _restore(place)
            refuse_contents(place, overwrite=overwrite)
            with naming(place, place.part):
                _clear(place.part)
            yield place
            _swap_in(place)
        except BaseException:
            _discard(place, handle)
            raise
        finally:
            if handle is not None:
                os.close(handle)
    except BaseException:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _make_parents(place: Place) -> list[Path]:
    """Make the folders above the result and return those that were not there."""
    missing = []
    for folder in place.name.parents:
        if folder.exists():
            if not folder.is_dir():
                raise WordsError(
                    f"the output folder {place.said} cannot be made: {shown(folder.name)} is a file, not a folder; "
                    "name another folder with --out"
                )
            break
        missing.append(folder)
    made: list[Path] = []
    for folder in reversed(missing):
        with naming(place, folder):
            folder.mkdir(exist_ok=True)
        made.append(folder)
    return made


def _hold(place: Place) -> int | None:
    """Make ``.part`` and lock it; a lock ends with its process, so a killed run holds nothing."""
    busy = MachineError(
        f"another run of riskmap writes to {place.said} now ({shown(place.part.name)} is in use); "
        "wait for it, or name another folder with --out"
    )
    for _ in range(_TRIES):
        made = False
        with naming(place, place.part), contextlib.suppress(FileExistsError):
            place.part.mkdir()
            made = True
        if fcntl is None:
            if made:
                return None
            raise MachineError(
                f"{shown(place.part.name)} stands beside the output folder: another run is writing there, or one was "
                "stopped; if none runs, delete that folder"
            )
        with contextlib.suppress(FileNotFoundError):
            handle = os.open(place.part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                if error.errno in (errno.EWOULDBLOCK, errno.EACCES) or not made:
                    os.close(handle)
                    raise busy from error
            if _holds(place, handle):  # else the one before us swapped it away between our two calls
                return handle
            os.close(handle)
    raise busy


def _holds(place: Place, handle: int) -> bool:
    """Whether ``.part`` is still the folder we locked."""
    return place.part.exists() and os.path.samestat(os.fstat(handle), place.part.stat())


def _discard(place: Place, handle: int | None) -> None:
    """Drop an unfinished result, and put the earlier one back should the swap have stopped half way."""
    with contextlib.suppress(OSError):
        if handle is None or _holds(place, handle):
            with contextlib.suppress(WordsError):
                _restore(place)
            if is_rubbish(place.part):
                _remove(place.part)


def _restore(place: Place) -> None:
    """Put right what a killed run left: an earlier result half renamed, or half deleted."""
    if not place.old.exists():
        return
    if record_in(place.old) is not None and not place.name.exists():
        (place.old / MARKER).unlink(missing_ok=True)
        place.old.rename(place.name)
    elif is_rubbish(place.old):
        _remove(place.old)
    else:
        raise WordsError(
            f"{shown(place.old.name)} stands beside the output folder, and riskmap needs that name while it replaces "
            "a result; rename that folder, or name another one with --out"
        )


def _clear(folder: Path) -> None:
    """Empty a folder of ours, run.json first, but for the marker, which stands in it until the end."""
    if not (folder / MARKER).exists():
        (folder / MARKER).write_text(_MARKER_TEXT, encoding="utf-8")
    (folder / "run.json").unlink(missing_ok=True)
    for path in folder.iterdir():
        if path.name != MARKER:
            path.unlink()


def _remove(folder: Path) -> None:
    """Delete a folder of ours, the marker last, so that a stop half way leaves it known as rubbish."""
    _clear(folder)
    (folder / MARKER).unlink()
    folder.rmdir()


def _swap_in(place: Place) -> None:
    """Put the finished ``.part`` in place of the earlier result."""
    for path in (*sorted(place.part.iterdir()), place.part):
        with naming(place, path):
            _sync(path)
    with naming(place, place.name):
        (place.part / MARKER).unlink()
        if place.name.exists():
            place.name.rename(place.old)
            (place.old / MARKER).write_text(_MARKER_TEXT, encoding="utf-8")
        place.part.rename(place.name)
        _sync(place.name.parent)
    for folder in (place.old, place.parts):
        with contextlib.suppress(OSError):  # the new result stands; the next run clears what is left of the old one
            if folder.exists() and (folder / MARKER).is_file():
                _remove(folder)


def _sync(path: Path) -> None:
    """Wait until a file or folder is on the disk, so that the renaming can't outlive what was renamed."""
    if path.is_dir() and fcntl is None:
        return
    handle = os.open(path, os.O_RDONLY if fcntl is not None else os.O_RDWR)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)
