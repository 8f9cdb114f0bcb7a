"""Parts in processes of this machine; one that dies is replaced, and its part done again.

Each process is driven by a thread of ours, over a pipe that nobody else holds: when either side goes, the other hears
of it at once.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from multiprocessing.reduction import ForkingPickler
from typing import Any, Final

from riskmap.cores import cores, share_of_cores
from riskmap.environment import close_doors
from riskmap.errors import MachineError, shown
from riskmap.scale.crew import Crew, Mapped, Work
from riskmap.scale.flight import in_flight

__all__ = ["open_processes"]

MOST_DEATHS: Final = 3  # of workers over one part
_STARTING: Final = threading.Lock()


@contextmanager
def open_processes(workers: int) -> Iterator[Crew]:
    """Open so many processes, started afresh when there is a part for them: a fork would copy locks that threads hold.

    Parameters
    ----------
    workers : int
        How many.
    """
    team = _Team(workers)
    try:
        yield Crew(hands=workers, map=team.map)
    finally:
        team.send_home()


class _InWorkerError(Exception):
    """Where in a worker an error came from; it stands behind the error for those who look into a fault."""


class _Team:
    """Worker processes, and the threads that drive them."""

    def __init__(self, workers: int) -> None:
        self.hands, self.closed = workers, False
        self.drivers = ThreadPoolExecutor(workers, thread_name_prefix="riskmap-driver", initializer=_hear_no_ctrl_c)
        self.own = threading.local()  # of each driver: its worker
        self.all: dict[int, tuple[BaseProcess, Connection]] = {}

    def map(self, work: Work, parts: Iterable[Any], /) -> Mapped:
        """Map a function over parts."""
        return in_flight(lambda part: self.drivers.submit(self.do, work, part), parts, self.hands)

    def do(self, work: Work, part: Any) -> Any:
        """Have one part done by the worker of this thread."""
        job = _packed((work, part))
        ends: list[str] = []
        while len(ends) < MOST_DEATHS:
            process, pipe = self.worker()
            try:
                pipe.send_bytes(job)
                answer, error, trace = pipe.recv()
            except (EOFError, OSError):
                ends.append(self.bury(process, pipe))
                continue
            if error is not None:
                raise error from _InWorkerError(trace)
            return answer
        raise MachineError(
            f"{MOST_DEATHS} worker processes died one after the other over the same part ({', '.join(ends)}), most "
            "likely for want of memory; try fewer --workers"
        )

    def worker(self) -> tuple[BaseProcess, Connection]:
        """The worker of this thread; a new one where there is none."""
        held: tuple[BaseProcess, Connection] | None = getattr(self.own, "worker", None)
        if held is None:
            with _STARTING:
                if self.closed:
                    raise MachineError("the worker processes were sent home")
                held = _start(max(1, cores() // self.hands))
                self.all[id(held[0])] = held
            self.own.worker = held
        return held

    def bury(self, process: BaseProcess, pipe: Connection) -> str:
        """Clear a worker away that died; say how it ended."""
        self.own.worker = None
        self.all.pop(id(process), None)
        process.kill()
        process.join()
        pipe.close()
        code = process.exitcode or 0
        return f"signal {-code}" if code < 0 else f"status {code}"

    def send_home(self) -> None:
        """End all workers at once, whatever they are at."""
        with _STARTING:
            self.closed = True
            held = list(self.all.values())
        for process, _ in held:
            process.kill()
        self.drivers.shutdown(cancel_futures=True)
        for process, pipe in held:
            process.join()
            pipe.close()


def _hear_no_ctrl_c() -> None:
    """Keep Ctrl-C from this thread, and so from processes it starts until they see to it themselves."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])


def _start(threads: int) -> tuple[BaseProcess, Connection]:
    """Start a process that waits for parts, and does each with so many threads."""
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    process = spawn.Process(target=_serve, args=(theirs, threads), daemon=True, name="riskmap-worker")
    with _main_hidden():
        process.start()
    theirs.close()
    return process, ours


@contextmanager
def _main_hidden() -> Iterator[None]:
    """Let a new process not run the script that started this one: some scripts would start all over again."""
    main: dict[str, Any] = vars(sys.modules["__main__"])
    file, spec = main.pop("__file__", None), main.get("__spec__")
    main["__spec__"] = None
    try:
        yield
    finally:
        main["__spec__"] = spec
        if file is not None:
            main["__file__"] = file


def _serve(pipe: Connection, threads: int) -> None:
    """Be a worker: do what comes through the pipe until nothing more can come."""
    _begin(threads)
    with share_of_cores(threads):
        while True:
            try:
                job = pipe.recv_bytes()
            except (EOFError, OSError):
                return
            answer = _done(job)
            del job
            try:
                pipe.send_bytes(answer)
            except OSError:
                return
            del answer


def _begin(threads: int) -> None:
    """Leave Ctrl-C to the one who started us, say nothing, and shut the doors before anything heavy is imported."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.simplefilter("ignore")
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    os.close(nowhere)
    os.environ["OMP_NUM_THREADS"] = str(threads)  # what Arrow and NumPy's own threads go by
    close_doors()
    threading.Thread(target=_end_with, args=(multiprocessing.parent_process(),), daemon=True).start()


def _end_with(parent: BaseProcess | None) -> None:
    """End when the one who started us is gone: nobody would take our answer."""
    if parent is not None:
        parent.join()
    os._exit(1)


def _done(job: bytes) -> bytes:
    """Do one part; answer, or error and its trace, fit to be sent."""
    try:
        work, part = ForkingPickler.loads(job)
        return _packed((work(part), None, ""))
    except Exception as error:
        trace = "".join(traceback.format_exception(error))
        try:
            return _sent_error(error, trace)
        except Exception:  # an error of a library that can't be sent
            return _sent_error(RuntimeError(shown(f"{type(error).__name__}: {error}", longest=4096)), trace)


def _sent_error(error: Exception, trace: str) -> bytes:
    """An error fit to be sent, with the trace of where it came from; raises where it can't be made anew."""
    packed = _packed((None, error, trace))
    ForkingPickler.loads(packed)
    return packed


def _packed(held: Any) -> bytes:
    """What goes through a pipe."""
    return bytes(ForkingPickler.dumps(held))
