"""Parts on a dask cluster that runs already; its scheduler gives the part of a worker that dies to another.

Parts go by value, so that no disk need be shared. The cluster's processes may serve others too, so their variables are
left alone: which doors are open there is for its keeper to say.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from multiprocessing.reduction import ForkingPickler
from typing import Any, Final

from riskmap import __version__
from riskmap.cores import share_of_cores
from riskmap.errors import MachineError, WordsError, shown
from riskmap.scale.address import check_address
from riskmap.scale.crew import Crew, Mapped, Work
from riskmap.scale.flight import LOOK_S, in_flight

__all__ = ["open_cluster"]

PATIENCE_S: Final = 20
TOO_LARGE: Final = "distributed.admin.large-graph-warning-threshold"


@contextmanager
def open_cluster(address: str, *, insecure: bool) -> Iterator[Crew]:
    """Reach a cluster, and let go of it in the end.

    Certificates of tls:// are those that dask is set up with.

    Parameters
    ----------
    address : str
        Of its scheduler.
    insecure : bool
        Plain tcp to another host is meant.
    """
    whole = check_address(address, insecure=insecure)
    distributed = _distributed()
    with _reach(distributed, whole) as client:
        about = _look_over(client, whole)
        hands = max(1, sum(client.nthreads().values()))
        yield Crew(hands=hands, map=partial(_map_on, client, whole, hands), about=about)


def _distributed() -> Any:
    """The library, which is only there where somebody asked for it; what it logs is not for users."""
    try:
        distributed = import_module("distributed")
    except ImportError as error:
        raise WordsError("--cluster needs more than is installed; run: pip install 'riskmap[cluster]'") from error
    for name in [name for name in logging.root.manager.loggerDict if name.split(".")[0] == "distributed"]:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    import_module("dask").config.set({TOO_LARGE: "1TB"})
    return distributed


def _reach(distributed: Any, address: str) -> Any:
    """A client of the scheduler."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of versions that differ: ours is looked at, the rest is its keeper's
            return distributed.Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError, RuntimeError, AssertionError) as error:  # dask asserts too
        certificates = (
            "; dask must know the certificates (distributed.comm.tls in its configuration, or "
            "DASK_DISTRIBUTED__COMM__TLS__CA_FILE, __CLIENT__CERT and __CLIENT__KEY)"
        )
        hint = certificates if address.startswith("tls") else ""
        raise MachineError(f"no scheduler answers at {address} ({shown(error)}){hint}") from error


def _look_over(client: Any, address: str) -> tuple[str, ...]:
    """What the workers say they are, each once, if scheduler and workers have this riskmap."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
    except TimeoutError as error:
        raise MachineError(f"the cluster at {address} has no workers") from error
    said = [("the scheduler", _asked(client.run_on_scheduler, _version))]
    said += [("a worker", answer) for answer in client.run(_version, on_error="return").values()]
    for who, answer in said:
        if isinstance(answer, ModuleNotFoundError | ImportError):
            raise MachineError(f"{who} at {address} has no riskmap; install riskmap {__version__} there")
        if isinstance(answer, str) and answer != __version__:
            raise MachineError(f"{who} at {address} has riskmap {shown(answer)}; this is {__version__}")
    return tuple(sorted({str(engine) for engine in client.run(_engine, on_error="ignore").values()}))


def _asked(ask: Any, question: Any) -> Any:
    """An answer, or the error that came instead."""
    try:
        return ask(question)
    except Exception as error:
        return error


def _version() -> str:
    """Say which riskmap this is, over there."""
    return __version__


def _engine() -> str:
    """Say what measures, over there."""
    from riskmap.measure import engine_name

    return engine_name()


def _map_on(client: Any, address: str, hands: int, work: Work, parts: Iterable[Any], /) -> Mapped:
    """Map a function over parts."""
    distributed = import_module("distributed")
    empty_looks = 0

    def submit(part: Any) -> Any:
        job = bytes(ForkingPickler.dumps((work, part)))  # so that the scheduler need not make anything of it
        return client.submit(_do, job, __version__, pure=False, retries=0)

    def look() -> None:
        nonlocal empty_looks
        empty_looks = 0 if client.nthreads() else empty_looks + 1
        if empty_looks * LOOK_S >= PATIENCE_S:
            raise MachineError(f"the cluster at {address} has no workers any more")

    try:
        yield from in_flight(submit, parts, hands, look=look)
    except distributed.KilledWorker as error:
        raise MachineError(
            f"workers of the cluster at {address} died over the same part again and again, most likely for want of "
            "memory"
        ) from error
    except (distributed.CancelledError, distributed.comm.CommClosedError) as error:
        raise MachineError(f"the connection to the scheduler at {address} was lost") from error


def _do(job: bytes, version: str) -> Any:
    """Do one part, on a worker; one thread each, since a worker does as many parts at once as it has threads."""
    if version != __version__:
        raise MachineError(f"a worker of the cluster has riskmap {__version__}; this is {version}")
    with share_of_cores(1):
        work, part = ForkingPickler.loads(job)
        return work(part)
