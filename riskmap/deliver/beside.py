"""Work done beside ours by a copy of this process: where a library holds the interpreter, a thread gains nothing."""

from __future__ import annotations

import multiprocessing
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from riskmap.errors import MachineError, shown

__all__ = ["beside"]

T = TypeVar("T")


@contextmanager
def beside(work: Callable[[], T]) -> Iterator[Callable[[], T]]:
    """Begin some work in a copy of this process; what is yielded waits for it and returns its answer, or raises.

    Where processes can't be copied, the work is done here when it is waited for.

    Parameters
    ----------
    work : callable
        Takes nothing; its answer must be fit to be sent between processes.

    Examples
    --------
    >>> with beside(lambda: 6 * 7) as answer:
    ...     answer()
    42
    """
    if sys.platform != "linux":  # elsewhere the system's own libraries don't bear it
        yield work
        return
    copy = multiprocessing.get_context("fork")
    ours, theirs = copy.Pipe(duplex=False)
    process = copy.Process(target=_do, args=(work, theirs), daemon=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of threads: those of Arrow and NumPy stand idle
        process.start()
    theirs.close()

    def wait() -> T:
        try:
            answer, error = ours.recv()
        except EOFError:
            raise MachineError("a process that wrote for us was killed, most likely for want of memory") from None
        if error is not None:
            raise error
        found: T = answer
        return found

    try:
        yield wait
    finally:
        process.kill()
        process.join()
        ours.close()


def _do(work: Callable[[], Any], pipe: Connection) -> None:
    """Do the work and send what came of it."""
    try:
        answer: tuple[Any, BaseException | None] = (work(), None)
    except BaseException as error:
        answer = (None, error)
    try:
        pipe.send(answer)
    except (TypeError, AttributeError, ValueError) as error:  # an error of a library that can't be sent
        pipe.send((None, RuntimeError(shown(answer[1] or error, longest=4096))))
