"""Chunks on a dask cluster that runs already; its scheduler gives the chunk of a worker that dies to another."""

from __future__ import annotations

import ipaddress
import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from typing import Any, Final
from urllib.parse import urlsplit

from riskmap import __version__
from riskmap.errors import MachineError, WordsError, shown
from riskmap.scale.crew import Crew

__all__ = ["check_address", "open_cluster"]

PATIENCE_S: Final = 20
RETRIES: Final = 3


def check_address(address: str, *, insecure: bool) -> str:
    """Return the address of a scheduler, whole, if it is one to send data to.

    Parameters
    ----------
    address : str
        As typed: ``tls://host:port``, ``tcp://host:port`` or ``host:port``.
    insecure : bool
        Plain tcp to another host is meant.

    Raises
    ------
    WordsError
        It is no such address, or would send data to another host in the clear.

    Examples
    --------
    >>> check_address("127.0.0.1:8786", insecure=False)
    'tcp://127.0.0.1:8786'
    >>> check_address("tls://scheduler.example:8786", insecure=False)
    'tls://scheduler.example:8786'
    """
    whole = address if "://" in address else f"tcp://{address}"
    parts = urlsplit(whole)
    try:
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port = "", None
    if parts.scheme not in ("tcp", "tls") or not host or not port or parts.path not in ("", "/") or parts.username:
        raise WordsError(
            f"--cluster {shown(address)!r} is no address of a scheduler; write tls://HOST:PORT, "
            "or tcp://127.0.0.1:PORT on this machine"
        )
    if parts.scheme == "tcp" and not _on_this_machine(host) and not insecure:
        raise WordsError(
            f"--cluster {shown(address)!r} would send trees and layers to another host in the clear; write tls://, or "
            "add --insecure-cluster where the network between is your own"
        )
    return f"{parts.scheme}://{parts.netloc}"


def _on_this_machine(host: str) -> bool:
    """Whether a host is this machine by its address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@contextmanager
def open_cluster(address: str, *, insecure: bool) -> Iterator[Crew]:
    """Reach a cluster, and let go of it in the end.

    Certificates of tls:// are those that dask is set up with.
    """
    whole = check_address(address, insecure=insecure)
    distributed = _distributed()
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = distributed.Client(whole, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError) as error:
        raise MachineError(f"no scheduler answers at {whole} ({shown(error)})") from error
    with client:
        yield Crew(hands=_hands(client, whole), map=partial(_map_on, client))


def _hands(client: Any, address: str) -> int:
    """How many chunks the cluster works on at once, once each of its workers has the same riskmap."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
        versions = set(client.run(_version).values())
    except TimeoutError as error:
        raise MachineError(f"the cluster at {address} has no workers") from error
    except ModuleNotFoundError as error:
        raise MachineError(f"a worker at {address} has no riskmap; install riskmap {__version__} there") from error
    if versions != {__version__}:
        raise MachineError(f"workers at {address} have riskmap {', '.join(sorted(versions))}; this is {__version__}")
    return max(1, int(sum(client.nthreads().values())))


def _distributed() -> Any:
    """The library, which says no types and is only there where somebody asked for it."""
    try:
        return import_module("distributed")
    except ImportError as error:
        raise WordsError("--cluster needs more than is installed; run: pip install 'riskmap[cluster]'") from error


def _version() -> str:
    """Say which riskmap this is, on a worker."""
    import riskmap

    return riskmap.__version__


def _map_on(client: Any, work: Callable[[Any], Any], chunks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
    """Chunk by chunk, as they are done."""
    distributed = _distributed()
    futures = {client.submit(work, chunk, pure=False, retries=RETRIES): place for place, chunk in enumerate(chunks)}
    try:
        for future in distributed.as_completed(list(futures)):
            yield futures.pop(future), future.result()
            future.release()
    except distributed.KilledWorker as error:
        raise MachineError(
            f"workers of the cluster died on the same chunk again and again, most likely for want of memory ({error})"
        ) from error
    finally:
        client.cancel(list(futures))
