"""What tests have workers do: functions of a module, so that another process finds them."""

from __future__ import annotations

import os
import signal
import sys
import time
import warnings
from pathlib import Path
from typing import Any

from riskmap.cores import cores
from riskmap.errors import InputError, MachineError, Problem, WordsError

PROBLEMS = (
    Problem(file="trees.csv", row=14, column="Stem", what="'x' is no length", remedy="write inches", key="trees.units"),
    Problem(file="water.gpkg", layer="ponds", what="it has no CRS", remedy="name it", key="layers.crs"),
)


class UnsendableError(Exception):
    """An error that can't be made anew from what it says."""

    def __init__(self, first: str, second: str) -> None:
        super().__init__(f"{first} and {second}")


def double(part: float) -> float:
    """Some work."""
    return 2 * part


def who(_: Any) -> tuple[int, int, str, str]:
    """Say which process this is, its threads, and what its surroundings say of PROJ and of other threads."""
    time.sleep(0.05)
    return os.getpid(), cores(), os.environ.get("PROJ_NETWORK", ""), os.environ.get("OMP_NUM_THREADS", "")


def talk(part: Any) -> Any:
    """Say much, in every way there is."""
    print("worker speaks", flush=True)  # noqa: T201 - the test is whether it is heard
    print("worker moans", file=sys.stderr, flush=True)  # noqa: T201 - as above
    os.write(1, b"worker writes\n")
    os.write(2, b"worker cries\n")
    warnings.warn("worker warns", stacklevel=1)
    return part


def fail(kind: str) -> None:
    """Raise an error of a kind; "" is none."""
    if kind == "inputs":
        raise InputError(PROBLEMS)
    if kind == "words":
        raise WordsError("no such word")
    if kind == "machine":
        raise MachineError("no such disk")
    if kind == "memory":
        raise MemoryError
    if kind == "unsendable":
        raise UnsendableError("one", "two")
    if kind == "plain":
        raise KeyError("somewhere")
    if kind == "slow":
        time.sleep(60)


def no_disk(_: Any) -> None:
    """Find no room."""
    raise MachineError("no such disk")


def lock(_: Any) -> Any:
    """Answer with something that can't be sent."""
    import threading

    return threading.Lock()


def die(_: Any) -> None:
    """Be killed."""
    os.kill(os.getpid(), signal.SIGKILL)


def note_and_double(given: tuple[str, int]) -> int:
    """Leave a mark that a part was begun."""
    folder, part = given
    (Path(folder) / f"{part}-{os.getpid()}").touch()
    return 2 * part


def once_killed(mark: str, work: Any, part: Any) -> Any:
    """Do some work; the first to come is killed before it can answer."""
    try:
        Path(mark).touch(exist_ok=False)
        first = True
    except FileExistsError:
        first = False
    answer = work(part)
    if first:
        os.kill(os.getpid(), signal.SIGKILL)
    return answer
