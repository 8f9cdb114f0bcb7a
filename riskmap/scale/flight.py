"""Parts under way: a few more than there are hands, so that none waits for work and memory stays bounded."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from itertools import islice
from queue import Empty, SimpleQueue
from typing import Any, Final, Protocol

from riskmap.scale.crew import Mapped

__all__ = ["AHEAD", "LOOK_S", "in_flight"]

AHEAD: Final = 2  # parts made before a hand is free for them
LOOK_S: Final = 5.0  # between two looks at whether anybody still works


class _Future(Protocol):
    """An answer to come, of `concurrent.futures` or of dask."""

    def add_done_callback(self, fn: Callable[[Any], object], /) -> Any:
        """Call a function once the answer, or an error, is there."""

    def cancel(self) -> Any:
        """Do not begin it."""

    def result(self) -> Any:
        """Return the answer, or raise the error."""


def in_flight(
    submit: Callable[[Any], _Future], parts: Iterable[Any], hands: int, *, look: Callable[[], None] = lambda: None
) -> Mapped:
    """Give place and answer of each part as it is done; the next part is taken once one is handed on.

    Parameters
    ----------
    submit : callable
        Begins a part.
    parts : iterable
        Taken one by one.
    hands : int
        How many are worked on at once; `AHEAD` more are under way.
    look : callable
        Called now and then while nothing is done; raises where nothing will be.
    """
    done: SimpleQueue[_Future] = SimpleQueue()
    waiting: dict[_Future, int] = {}
    numbered = enumerate(parts)
    try:
        while True:
            for place, part in islice(numbered, hands + AHEAD - len(waiting)):
                future = submit(part)
                waiting[future] = place
                future.add_done_callback(done.put)
            if not waiting:
                return
            try:
                future = done.get(timeout=LOOK_S)
            except Empty:
                look()
                continue
            yield waiting.pop(future), future.result()
            del future
    finally:
        for future in waiting:
            with suppress(Exception):  # a cluster that is gone does nothing more anyway
                future.cancel()
