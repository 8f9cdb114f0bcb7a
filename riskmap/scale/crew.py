"""Who does the work: this process, several on this machine, or a cluster; all give the same answers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Protocol, TypeAlias

from riskmap.errors import WordsError

__all__ = ["HERE", "Crew", "Mapped", "Work", "open_crew"]

Work: TypeAlias = Callable[[Any], Any]
Mapped: TypeAlias = Iterator[tuple[int, Any]]  # place of the part, and what came of it


class _Map(Protocol):
    """Maps a function over parts."""

    def __call__(self, work: Work, parts: Iterable[Any], /) -> Mapped:
        """Give place and answer of each part as it is done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """So many hands, and how they map a function over parts.

    Attributes
    ----------
    hands : int
        How many parts are worked on at once.
    map : callable
        Takes a function that stands in a module, and parts, both fit to be sent to another process; gives place and
        answer of each part as it is done, in any order. Parts are taken one by one, a few ahead of the work, so they
        may be made as they are asked for. A part whose worker dies is done again; what the function raises is raised
        here, and no further part is begun.
    about : tuple of str
        What workers elsewhere say they are, each once; empty where they are this riskmap.
    """

    hands: int
    map: _Map
    about: tuple[str, ...] = ()


def _map_here(work: Work, parts: Iterable[Any], /) -> Mapped:
    """One part after the other."""
    for place, part in enumerate(parts):
        yield place, work(part)


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
    MachineError
        No cluster of this riskmap answers there.

    Examples
    --------
    >>> with open_crew() as crew:
    ...     list(crew.map(abs, [-3, 4]))
    [(0, 3), (1, 4)]
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
