"""The one door: a user's file is found, told by its bytes, refused or opened here, and never written beside."""

from __future__ import annotations

import difflib
import errno
import hashlib
import io
import os
import re
import stat
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from riskmap.errors import InputError, MachineError, Problem, shown
from riskmap.read.archives import unpack_gzip, unpack_zip, zip_kind
from riskmap.read.handover import check_geodatabase, hand_over
from riskmap.read.kinds import Kind, Refusal, kind_of

__all__ = [
    "OpenedFile",
    "Part",
    "TableBytes",
    "choose_part",
    "find_file",
    "open_file",
    "open_table_bytes",
    "refused",
    "sha256_of",
    "sniff",
]

_ADDRESS: Final = re.compile(r"^\s*(?:[a-z][a-z0-9+.\-]+:/{1,2}|/+vsi|\\+vsi)", re.IGNORECASE)
_TABLES: Final = frozenset({Kind.CSV, Kind.XLSX})


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One data file behind what the user named: the file itself, or one out of its archive."""

    name: str  # as the user would call it: the file's name, or the name inside the archive
    path: Path  # private: what a library may open
    kind: Kind
    facts: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedFile:
    """A file that has passed the door."""

    typed: str
    path: Path
    sha256: str
    packed: str  # "" | zip | gzip
    parts: tuple[Part, ...]  # at least one


@dataclass(frozen=True, slots=True, kw_only=True)
class TableBytes:
    """A table's bytes, unpacked and checked."""

    file: str
    path: Path
    sha256: str
    kind: Kind  # CSV or XLSX
    data: bytes
    packed: str

    def stream(self) -> io.BytesIO:
        """Return the bytes as a file."""
        return io.BytesIO(self.data)


def find_file(path: Path, *, file_as_typed: str = "", key: str = "") -> Path:
    """Return the path if it is a regular file (or a .gdb folder) on this machine.

    Raises
    ------
    InputError
        An address, a file that is not there, or one that is no regular file.
    """
    typed = file_as_typed or str(path)
    if _ADDRESS.match(typed) or _ADDRESS.match(path.as_posix()) or "\x00" in typed:
        raise _fault(
            typed,
            "this is an address, not a local file; riskmap reads only files on this machine and opens no network",
            "download the file and write its path",
            key,
        )
    try:
        kind = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        near = _near_names(path)
        remedy = f"did you mean {near}" if near else f"look at the spelling; paths count from {shown(path.parent)}"
        raise _fault(typed, "there is no such file (not found)", remedy, key) from None
    except (OSError, ValueError) as error:
        raise _fault(
            typed, f"the file can't be looked at ({_short(error)})", "check its name and rights", key
        ) from None
    if stat.S_ISDIR(kind.st_mode):
        if path.suffix.casefold() == ".gdb" and any(path.glob("a0000000*.gdbtable")):
            return path
        raise _fault(typed, "this is a folder, not a file", "name the file in it", key)
    if not stat.S_ISREG(kind.st_mode):
        raise _fault(typed, "this is no regular file (a device, a pipe or a socket)", "name a plain file", key)
    return path


def _near_names(path: Path) -> str:
    """Names in the folder that look like the one asked for."""
    try:
        names = sorted(entry.name for entry in path.parent.iterdir())
    except OSError:
        return ""
    return " or ".join(shown(name) for name in difflib.get_close_matches(path.name, names, n=2, cutoff=0.75))


def sniff(path: Path, *, file_as_typed: str = "", key: str = "") -> Kind:
    """Return the kind of a file by its bytes; `Kind.ZIP` and `Kind.GZIP` wrap others.

    Raises
    ------
    InputError
        The file is not there, or of no kind on the list.
    """
    typed = file_as_typed or str(path)
    find_file(path, file_as_typed=typed, key=key)
    with refused(typed, key):
        return _kind(path)


def _kind(path: Path) -> Kind:
    """The kind of a path that is known to be there."""
    if path.is_dir():
        check_geodatabase(path)
        return Kind.FILE_GEODATABASE
    with path.open("rb") as stream:
        kind = kind_of(stream)
    if kind is Kind.ZIP:
        return zip_kind(path)
    if kind is Kind.SHAPEFILE and path.suffix.casefold() == ".shx":
        raise Refusal("this is the index (.shx) of a shapefile", "name its .shp file")
    if kind is Kind.CSV and path.suffix.casefold() == ".dbf":
        raise Refusal("this is the table (.dbf) of a shapefile", "name its .shp file")
    return kind


@contextmanager
def open_file(path: Path, *, file_as_typed: str = "", key: str = "", sha256: str = "") -> Iterator[OpenedFile]:
    """Open one user's file for reading by a library.

    Libraries are handed private names: a link to the file in a folder of our own, or a copy or the unpacked bytes
    where they would write beside it or read its neighbours. The folder is gone when the block ends.

    Parameters
    ----------
    path : Path
        Absolute path of the file.
    file_as_typed : str
        The file as site.toml names it, for messages.
    key : str
        The site.toml key that names the file, for messages.
    sha256 : str
        Its sum, where that is known already.

    Yields
    ------
    OpenedFile
        Its parts, each with a kind and a private path.

    Raises
    ------
    InputError
        The file is refused.
    """
    typed = file_as_typed or str(path)
    find_file(path, file_as_typed=typed, key=key)
    with ExitStack() as stack:
        with refused(typed, key):
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="riskmap-")))
            opened = _open(path, typed, folder, sha256)
        yield opened


def _open(path: Path, typed: str, folder: Path, sha256: str) -> OpenedFile:
    """Tell the kind, unpack where packed, and check each part."""
    kind = _kind(path)
    packed = {Kind.ZIP: "zip", Kind.GZIP: "gzip"}.get(kind, "")
    inner: list[tuple[str, Path]] = [(path.name, path)]
    if kind is Kind.ZIP:
        unpacked = folder / "unpacked"
        unpacked.mkdir()
        inner = [(main.relative_to(unpacked).as_posix(), main) for main in unpack_zip(path, unpacked)]
    elif kind is Kind.GZIP:
        name = path.name[:-3] if path.name.casefold().endswith(".gz") else path.name
        target = folder / "unpacked"
        with target.open("xb") as out:
            unpack_gzip(path, out)
        inner = [(name, target)]
    parts = []
    for number, (name, found) in enumerate(inner, start=1):
        part_kind = _kind(found)
        if packed and part_kind in (Kind.ZIP, Kind.GZIP, Kind.XLSX):
            raise Refusal("it holds an archive inside the archive", "unpack the outer one first")
        private = folder / str(number)
        private.mkdir()
        part, facts = hand_over(found, part_kind, private, Path(name).name)
        parts.append(Part(name=name, path=part, kind=part_kind, facts=facts))
    return OpenedFile(typed=typed, path=path, sha256=sha256 or sha256_of(path), packed=packed, parts=tuple(parts))


def sha256_of(path: Path) -> str:
    """Return the sha256 of a file; of a folder, that of its files' names and sums, sorted."""
    if path.is_dir():
        total = hashlib.sha256()
        for entry in sorted(entry for entry in path.rglob("*") if entry.is_file()):
            total.update(f"{entry.relative_to(path).as_posix()} {sha256_of(entry)}\n".encode())
        return total.hexdigest()
    about = path.stat()
    return _sha256(path, about.st_size, about.st_mtime_ns)


@lru_cache(maxsize=64)
def _sha256(path: Path, _size: int, _changed_ns: int) -> str:
    """The sum of one file as it stood at one time: ten layers of one file are summed once."""
    total = hashlib.sha256()
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, lambda: total).hexdigest()


def open_table_bytes(path: Path, *, file_as_typed: str = "", key: str = "", member: str = "") -> TableBytes | None:
    """Return the bytes of a CSV or XLSX table (also out of gz or zip), or None where the file holds shapes.

    Parameters
    ----------
    path : Path
        Absolute path of the file.
    file_as_typed, key : str
        For messages.
    member : str
        Which table of a zip, where it holds several.
    """
    typed = file_as_typed or str(path)
    if sniff(path, file_as_typed=typed, key=key) not in (*_TABLES, Kind.ZIP, Kind.GZIP):
        return None
    with open_file(path, file_as_typed=typed, key=key) as opened:
        tables = [part for part in opened.parts if part.kind in _TABLES]
        if len(tables) < len(opened.parts) or not tables:
            return None
        part = choose_part(opened, member, key=key)
        with refused(typed, key):
            data = part.path.read_bytes()
        return TableBytes(file=typed, path=path, sha256=opened.sha256, kind=part.kind, data=data, packed=opened.packed)


def choose_part(opened: OpenedFile, layer: str, *, key: str) -> Part:
    """Return the one data file, or the one the user's layer names; ask where an archive holds several."""
    if len(opened.parts) == 1:
        return opened.parts[0]
    wanted = layer.strip().casefold()
    named = [
        part
        for part in opened.parts
        if wanted in (part.name.casefold(), Path(part.name).name.casefold(), _stem(part.name))
    ]
    if len(named) == 1:
        return named[0]
    names = ", ".join(shown(Path(part.name).name) for part in opened.parts[:20])
    raise _fault(
        opened.typed,
        f"the archive holds {len(opened.parts)} data files: {names}",
        "say which one",
        key.replace("file", "layer"),
    )


def _stem(name: str) -> str:
    """A file's name without folder and endings, letter case apart."""
    return Path(name).name.split(".")[0].casefold()


@contextmanager
def refused(typed: str, key: str) -> Iterator[None]:
    """Turn refusals and the system's errors into words for the user."""
    try:
        yield
    except Refusal as refusal:
        raise _fault(typed, refusal.what, refusal.remedy, key) from refusal
    except PermissionError as error:
        raise _fault(
            typed, f"the file can't be read ({_short(error)})", "give yourself the right to read it", key
        ) from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise MachineError(
                f"no room to unpack {shown(typed)} in {tempfile.gettempdir()}: {_short(error)}"
            ) from error
        raise _fault(typed, f"the file can't be read ({_short(error)})", "send it again", key) from error


def _short(error: BaseException) -> str:
    """The system's reason without its path."""
    return os.strerror(error.errno) if isinstance(error, OSError) and error.errno else shown(error)


def _fault(typed: str, what: str, remedy: str, key: str) -> InputError:
    """One fault as an error."""
    return InputError([Problem(file=typed, what=what, remedy=remedy, key=key)])
