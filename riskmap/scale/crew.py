"""Who does the work: this process, several on this machine, or a cluster; all give the same answers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeAlias

from riskmap.errors import WordsError

__all__ = ["HERE", "Crew", "open_crew"]

Mapped: TypeAlias = Iterator[tuple[int, Any]]  # place of the chunk, and what came of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """So many hands, and how they map a function over chunks.

    Attributes
    ----------
    hands : int
        How many chunks are worked on at once.
    map : callable
        Takes a function and chunks, both fit to be sent to another process; gives place and answer of each chunk as
        it is done, in any order. A worker that dies has its chunk done by another.
    """

    hands: int
    map: Callable[[Callable[[Any], Any], Sequence[Any]], Mapped]


def _map_here(work: Callable[[Any], Any], chunks: Sequence[Any]) -> Mapped:
    """One chunk after the other."""
    for place, chunk in enumerate(chunks):
        yield place, work(chunk)


HERE = Crew(hands=1, map=_map_here)


@contextmanager
def open_crew(*, workers: int = 1, cluster: str = "", insecure: bool = False) -> Iterator[Crew]:
    """Open a crew, and send it home in the end.

    Parameters
    ----------
    workers : int
        Processes on this machine; 1 is this one.
    cluster : str
        Address of the scheduler of a dask cluster that runs already; empty: none.
    insecure : bool
        Send data to another host in the clear.

    Raises
    ------
    WordsError
        The words do not go together, or the address is not one to send data to.
    """
    if cluster and workers > 1:
        raise WordsError("--workers and --cluster exclude each other: a cluster has workers of its own")
    if insecure and not cluster:
        raise WordsError("--insecure-cluster says how to reach a cluster: name it with --cluster")
    if cluster:
        from riskmap.scale.cluster import open_cluster

        with open_cluster(cluster, insecure=insecure) as crew:
            yield crew
    elif workers > 1:
        from riskmap.scale.processes import open_processes

        with open_processes(workers) as crew:
            yield crew
    else:
        yield HERE
