"""Where parts lie while they are worked on: a folder that outlives a stop, so that the next run goes on from there.

What lies in it is read back as Python objects, so the folder is made for its owner alone, and one that others could
have written to is not taken over.
"""

from __future__ import annotations

import contextlib
import dataclasses
import glob
import hashlib
import json
import os
import pickle
import secrets
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from riskmap import __version__
from riskmap.deliver.place import MARKER
from riskmap.errors import MachineError, shown
from riskmap.measure import engine_name
from riskmap.model import Settings

__all__ = ["Workshop", "digest_of"]

_DIGEST: Final = "digest.txt"
_TEXT: Final = (
    "riskmap works here on a site of very many trees, or was stopped while it did. The next run of the same site goes\n"
    "on from here; if you want none, delete this folder.\n"
)


def digest_of(settings: Settings, **besides: object) -> str:
    """Return a digest of all that the result depends on: every input byte for byte, the settings, and this version.

    Parameters
    ----------
    settings : Settings
        What the site file says, budget of this run included.
    **besides : object
        What else decides, such as how the trees are cut.
    """
    told = {"version": __version__, "engine": engine_name(), "settings": dataclasses.asdict(settings), **besides}
    whole = hashlib.sha256(json.dumps(told, sort_keys=True, default=_plain).encode("utf-8", "replace"))
    for file in sorted({file for given in settings.files() for file in _bytes_of(given)}):
        with contextlib.suppress(OSError), file.open("rb") as held:  # what can't be read is said when it is read
            whole.update(file.name.encode("utf-8", "replace"))
            whole.update(hashlib.file_digest(held, "sha256").digest())
    return whole.hexdigest()


def _plain(value: object) -> object:
    """What JSON does not know, told the same way in every process."""
    return sorted(value) if isinstance(value, set | frozenset) else str(value)


def _bytes_of(given: Path) -> Iterable[Path]:
    """Return a file and what belongs to it: the other files of a shapefile, all of a folder."""
    if given.is_dir():
        return [file for file in given.rglob("*") if file.is_file()]
    beside = given.parent.glob(f"{glob.escape(given.stem)}.*") if given.suffix.lower() == ".shp" else ()
    return [given, *beside]


@dataclass(frozen=True, slots=True, kw_only=True)
class Workshop:
    """The folder of one run in parts; names of things in it are ours."""

    folder: Path

    @classmethod
    def kept(cls, folder: Path, digest: str) -> Workshop | None:
        """Return the workshop that an earlier run of the same site left; None where there is none."""
        if not folder.is_dir() or not (folder / MARKER).is_file():
            return None
        _refuse_strangers(folder)
        shop = cls(folder=folder)
        return shop if shop.name().startswith(digest) else None

    @classmethod
    def made(cls, folder: Path, digest: str) -> Workshop:
        """Return an empty workshop; one that an earlier run of another site left is cleared.

        Raises
        ------
        MachineError
            A folder that is not ours stands there, or the disk says no.
        """
        shop = cls(folder=folder)
        with naming_file(folder):
            folder.mkdir(mode=0o700, exist_ok=True)
            _refuse_strangers(folder)
            if not (folder / MARKER).is_file() and any(folder.iterdir()):
                raise MachineError(
                    f"{shown(folder.name)} stands beside the output folder and is not riskmap's; move it, "
                    "or name another folder with --out"
                )
            (folder / MARKER).write_text(_TEXT, encoding="utf-8")
            for path in folder.iterdir():
                if path.name != MARKER:
                    path.unlink()
            (folder / _DIGEST).write_text(f"{digest} {secrets.token_hex(16)}", encoding="ascii")
        return shop

    @classmethod
    def reached(cls, folder: Path, name: str) -> Workshop:
        """Return the workshop that another process made, which may run on another machine.

        Parameters
        ----------
        folder : Path
            Where it stands there.
        name : str
            Its name there.

        Raises
        ------
        MachineError
            It is not here, or others could have written to it.
        """
        shop = cls(folder=folder)
        if shop.name() != name:
            raise MachineError(
                f"a worker does not find {shown(folder, longest=4096)}: workers must reach the output folder under the "
                "same path as this machine, as the same user"
            )
        _refuse_strangers(folder)
        return shop

    def name(self) -> str:
        """Return what it was made for, and what tells it from every other made for that; empty if it is not there."""
        with contextlib.suppress(OSError):
            return (self.folder / _DIGEST).read_text(encoding="ascii", errors="replace")
        return ""

    def save(self, name: str, thing: object) -> None:
        """Keep a thing whole or not at all."""
        with self.writing(name) as file, file.open("wb") as held:
            pickle.dump(thing, held, protocol=pickle.HIGHEST_PROTOCOL)

    @contextlib.contextmanager
    def writing(self, name: str) -> Iterator[Path]:
        """Write a file of one's own; it stands under its name when the block ends well."""
        part = self.folder / f"{name}.{os.getpid()}.tmp"
        with naming_file(self.folder / name):
            yield part
            part.replace(self.folder / name)

    def load(self, name: str) -> Any:
        """Return a thing that was kept; None where there is none, or it did not survive."""
        with (
            contextlib.suppress(FileNotFoundError, EOFError, pickle.UnpicklingError),
            self.path(name).open("rb") as held,
        ):
            return pickle.load(held)
        return None

    def broken(self, what: str) -> MachineError:
        """Return the error that something, named in words, is not here as it was put."""
        where = shown(self.folder, longest=4096)
        return MachineError(
            f"{what} is not, or not whole, in {where}; delete that folder, and the next run begins anew"
        )

    def add(self, name: str, thing: object) -> None:
        """Keep one more thing under a name; what was added before a stop is not counted on."""
        path = self.path(name)
        with naming_file(path), path.open("ab") as held:
            pickle.dump(thing, held, protocol=pickle.HIGHEST_PROTOCOL)

    def take_all(self, name: str) -> list[Any]:
        """Return what was added under a name, in order; it is gone from the disk then."""
        path, found = self.path(name), []
        with contextlib.suppress(FileNotFoundError):
            with path.open("rb") as held:
                while held.peek(1):
                    found.append(pickle.load(held))
            path.unlink()
        return found

    def path(self, name: str) -> Path:
        """Return where a thing lies."""
        return self.folder / name

    def holds(self, name: str) -> bool:
        """Return whether a thing was kept."""
        return self.path(name).is_file()


@contextlib.contextmanager
def naming_file(path: Path) -> Iterator[None]:
    """Say an error of the disk in words that name the file."""
    try:
        yield
    except OSError as error:
        what = f"{shown(path, longest=4096)} can't be written ({error.strerror or error})"
        raise MachineError(f"{what}; parts that are done are kept, and the next run goes on from there") from error


def _refuse_strangers(folder: Path) -> None:
    """Refuse a folder that others could have written to: what lies in it would run."""
    about = folder.lstat()
    strange = stat.S_ISLNK(about.st_mode) or not stat.S_ISDIR(about.st_mode)
    if os.name == "posix":
        strange |= about.st_uid != os.geteuid() or bool(about.st_mode & (stat.S_IWGRP | stat.S_IWOTH))
    if strange:
        raise MachineError(
            f"{shown(folder.name)} stands beside the output folder, and others could have written to it; delete it, "
            "or name another folder with --out"
        )
