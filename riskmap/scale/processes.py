"""Chunks in processes of this machine; one that dies is replaced, and its chunk done again."""

from __future__ import annotations

import multiprocessing
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from typing import Any, Final

from riskmap.errors import MachineError
from riskmap.scale.crew import Crew

__all__ = ["open_processes"]

MOST_DEATHS: Final = 3  # of processes one after the other, with no chunk done between them


@contextmanager
def open_processes(workers: int) -> Iterator[Crew]:
    """Open so many processes, started afresh: a fork would take locks along that threads hold."""
    pools: list[ProcessPoolExecutor] = []
    try:
        yield Crew(hands=workers, map=partial(_map_in, workers, pools))
    finally:
        for pool in pools:
            pool.shutdown(cancel_futures=True)


def _map_in(
    workers: int, pools: list[ProcessPoolExecutor], work: Callable[[Any], Any], chunks: Sequence[Any]
) -> Iterator[tuple[int, Any]]:
    """Chunk by chunk, as they are done; when a process dies, the chunks not done go to a new set of processes."""
    left, deaths = dict(enumerate(chunks)), 0
    while left:
        if not pools:
            spawn = multiprocessing.get_context("spawn")
            pools.append(ProcessPoolExecutor(workers, mp_context=spawn, initializer=_begin))
        futures = {}
        try:
            with _main_hidden():
                for place, chunk in left.items():
                    futures[pools[0].submit(work, chunk)] = place
            for future in as_completed(futures):
                answer = future.result()
                del left[futures[future]]
                deaths = 0
                yield futures[future], answer
        except BrokenProcessPool as error:
            pools.pop().shutdown(wait=False)
            deaths += 1
            if deaths >= MOST_DEATHS:
                raise MachineError(
                    f"{deaths} worker processes died one after the other, most likely for want of memory; "
                    "try fewer --workers"
                ) from error


@contextmanager
def _main_hidden() -> Iterator[None]:
    """Let new processes not run the script that started this one: some scripts would start all over again."""
    main: dict[str, Any] = vars(sys.modules["__main__"])
    file, spec = main.pop("__file__", None), main.get("__spec__")
    main["__spec__"] = None
    try:
        yield
    finally:
        main["__spec__"] = spec
        if file is not None:
            main["__file__"] = file


def _begin() -> None:
    """A worker leaves Ctrl-C to the one who started it, and says nothing."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.simplefilter("ignore")
