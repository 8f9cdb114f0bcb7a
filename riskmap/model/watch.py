"""What a path tells its caller while it works: stations, log lines, progress."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol

__all__ = ["SilentWatch", "Watch"]


class Watch(Protocol):
    """Made by the command line and passed by name; tests pass a silent one."""

    timings: dict[str, float]  # station -> seconds, for timings.json

    def station(self, name: str) -> AbstractContextManager[None]:
        """Time one station."""

    def log(self, line: str) -> None:
        """Say one line (shown with -v)."""

    def progress(self, done: int, total: int) -> None:
        """Say how far the station has come."""


class SilentWatch:
    """A watch that says nothing."""

    def __init__(self) -> None:
        self.timings: dict[str, float] = {}

    @contextmanager
    def station(self, name: str) -> Iterator[None]:  # noqa: ARG002 - a silent watch is called as any other
        """Time nothing."""
        yield

    def log(self, line: str) -> None:
        """Say nothing."""

    def progress(self, done: int, total: int) -> None:
        """Say nothing."""
