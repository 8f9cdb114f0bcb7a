"""How many cores a piece of work may keep busy: all there are, or its share where several work side by side."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Final

__all__ = ["cores", "share_of_cores"]

_SHARE: Final[ContextVar[int]] = ContextVar("share", default=0)  # 0: nobody else works here


def cores() -> int:
    """Return how many threads the work of this thread may use.

    Examples
    --------
    >>> with share_of_cores(1):
    ...     cores()
    1
    """
    return _SHARE.get() or os.cpu_count() or 1


@contextmanager
def share_of_cores(share: int) -> Iterator[None]:
    """Bound the threads that work begun here may use.

    Parameters
    ----------
    share : int
        How many; for this thread alone, since workers of a cluster do several parts in one process.
    """
    before = _SHARE.set(share)
    try:
        yield
    finally:
        _SHARE.reset(before)
