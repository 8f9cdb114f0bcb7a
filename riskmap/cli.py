"""Words typed at a terminal -> one call; progress, faults and the exit status.

Nothing heavy is imported before it is needed: `riskmap --help` answers at once.
"""

from __future__ import annotations

import argparse
import difflib
import errno
import os
import signal
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from typing import Final, NoReturn

from riskmap import __version__
from riskmap.deliver import DELIVERABLES
from riskmap.errors import RiskmapError, WordsError, shown
from riskmap.terminal import START, TerminalWatch, nearby, print_error, print_findings, print_notes, print_result

__all__ = ["main"]

DONE, MEND, WORDS, MACHINE, STOPPED = 0, 1, 2, 3, 130
MOST_WORKERS: Final = 1024
TOPICS: Final = ("agents", "guards", "species", "sources", "roles", "columns", "keys", "notes")
_OF_THE_MACHINE: Final = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS, errno.EACCES, errno.EPERM}
    | {errno.EMFILE, errno.ENFILE, errno.ENOMEM}
)


def main(words: Sequence[str] | None = None) -> int:
    """Do what the words say.

    Parameters
    ----------
    words : sequence of str, optional
        The words after ``riskmap``; those of the process when left out.

    Returns
    -------
    int
        Exit status: 0 done, 1 the inputs must be mended, 2 bad words, 3 the machine failed us, 130 stopped.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        options = _parse(list(sys.argv[1:] if words is None else words))
        status: int = options.do(options)
        sys.stdout.flush()
    except (Exception, KeyboardInterrupt, SystemExit) as error:
        return _ended_by(error)
    return status


def _ended_by(error: BaseException) -> int:
    """Say why it ended before it was done, and return the status."""
    out = sys.stderr
    if (stop := _stop_behind(error)) is not None:
        error = stop
    match error:
        case SystemExit():  # --help and --version
            return int(error.code or DONE)
        case BrokenPipeError():  # the reader of our words has gone, say `head`
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return DONE
        case RiskmapError():
            print_error(error, out)
            _print_added(error)
            return error.status
        case KeyboardInterrupt():
            print("stopped; nothing was changed", file=out)
            _print_added(error)
            return STOPPED
        case MemoryError():
            line = "the memory of this machine ran out; nothing was changed"
        case OSError() if error.errno in _OF_THE_MACHINE:
            line = f"{shown(error.filename or 'the disk', longest=4096)}: {error.strerror}; nothing was changed"
        case _:
            line = _own_fault(error)
    print(f"error: {line}", file=out)
    _print_added(error)
    return MACHINE


def _print_added(error: BaseException) -> None:
    """Say what was added on the way up, such as that parts are kept."""
    for line in getattr(error, "__notes__", ()):
        sys.stderr.write(f"{line}\n")


def _stop_behind(error: BaseException | None) -> KeyboardInterrupt | None:
    """The stop that lies behind it: one that falls into a library's own tidying comes out as another error."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__context__
    return error


def _own_fault(error: BaseException) -> str:
    """Say that the fault is ours, and where the trace is."""
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="riskmap-fault-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
    ) as trace:
        trace.write(f"riskmap {__version__}, python {sys.version}\n{sys.argv}\n\n")
        traceback.print_exception(error, file=trace)
    return (
        f"this is a fault of riskmap, not of your data ({type(error).__name__}: {shown(error)}); "
        f"please send its makers the file {trace.name}"
    )


def _run(options: argparse.Namespace) -> int:
    """The main job."""
    watch = _prepare(options)
    with watch.station(START):
        from riskmap.run import run_site
    delivered = run_site(
        options.site,
        out=options.out,
        budget=options.budget,
        only=options.only,
        overwrite=options.overwrite,
        workers=options.workers,
        cluster=options.cluster or "",
        insecure_cluster=options.insecure_cluster,
        watch=watch,
    )
    print_notes(delivered.result.notes, sys.stderr)
    if not options.quiet:
        print_result(delivered, sys.stdout)
    return DONE


def _start(options: argparse.Namespace) -> int:
    """A first site file."""
    _prepare(options)
    from riskmap.check.words import several
    from riskmap.start import start_site

    started = start_site(options.trees, options.layers, out=options.out)
    path = str(nearby(started.path))
    left = f"{several(started.questions, 'question')} left in it, marked QUESTION; answer what you can, then:"
    for fault in started.unused:
        sys.stderr.write(f"not used: {fault}\n")
    typed = f'"{path}"' if " " in path else path
    sys.stdout.write(f"{path}: {left}\n  riskmap check {typed}\n")
    return DONE


def _check(options: argparse.Namespace) -> int:
    """Every fault and note."""
    watch = _prepare(options)
    from riskmap.look_over import look_over

    findings = look_over(options.site, watch=watch)
    print_findings(findings, sys.stdout, quiet=options.quiet)
    return MEND if findings.problems else DONE


def _show(options: argparse.Namespace) -> int:
    """What the program knows."""
    from riskmap.show import show_lines

    out = sys.stdout
    for line in show_lines(options.topic, wide=not out.isatty()):
        print(line, file=out)
    return DONE


def _prepare(options: argparse.Namespace) -> TerminalWatch:
    """Close the doors before the first heavy import, and let no library talk to the user."""
    from riskmap.environment import close_doors

    close_doors()
    import logging
    import warnings

    logging.getLogger().addHandler(logging.NullHandler())
    warnings.simplefilter("ignore")
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _stop)
    return TerminalWatch(quiet=options.quiet, verbose=options.verbose)


def _stop(*_: object) -> NoReturn:
    """Stop as Ctrl-C does, so that an unfinished result is cleared away."""
    raise KeyboardInterrupt


class _Parser(argparse.ArgumentParser):
    """A parser that raises what is wrong, in one line."""

    def error(self, message: str) -> NoReturn:
        """Raise what argparse would print."""
        raise WordsError(f"{message} ({self.prog} --help says more)")

    def word_list(self) -> list[str]:
        """Name every option."""
        return [word for action in self._actions for word in action.option_strings]


def _parse(words: list[str]) -> argparse.Namespace:
    """Turn words into options; wrong ones raise `WordsError` with the nearest right one."""
    parser = _Parser(
        prog="riskmap",
        description="Young-tree damage map: what can harm each young tree, and which guard stops it.",
        epilog="Begin with: riskmap start TREES LAYER ...; answer what it asks in site.toml; then check, then run. "
        "Exit status: 0 done, 1 the inputs must be mended, 2 bad words, 3 the machine failed us, 130 stopped.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"riskmap {__version__} (engine: {_engine()})")
    chosen = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    commands = {}
    for name, (fill, does) in _COMMANDS.items():
        commands[name] = chosen.add_parser(name, help=does, description=does, allow_abbrev=False)
        fill(commands[name])
    if not words:
        parser.print_help(sys.stderr)
        raise SystemExit(WORDS)
    if not words[0].startswith("-") and words[0] not in commands:
        raise WordsError(f"there is no command {shown(words[0])!r}{_nearest(words[0], commands)}")
    options, strange = parser.parse_known_args(words)
    if strange:
        known = (commands[options.command] if options.command else parser).word_list()
        what = "option" if strange[0].startswith("-") else "word"
        guess = _nearest(strange[0], known) if what == "option" else ""
        raise WordsError(f"riskmap {options.command or ''} does not take the {what} {shown(strange[0])!r}{guess}")
    if options.command is None:
        parser.error("no command is named")
    return options


def _engine() -> str:
    """Name the engine that measures; to ask riskmap.measure would import it all, so look for what it looks for."""
    beside = Path(__file__).with_name("measure")
    return "grid" if any((beside / f"_grid{ending}").is_file() for ending in EXTENSION_SUFFIXES) else "shapely"


def _nearest(word: str, known: Iterable[str]) -> str:
    """Name the right word that comes nearest, or all of them."""
    close = difflib.get_close_matches(word.lower(), known := list(known), n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else f"; there are {', '.join(known)}"


def _one_of(known: Iterable[str]) -> Callable[[str], str]:
    """Take a word out of a list."""

    def take(word: str) -> str:
        if word.endswith(".toml"):  # a list of words takes all that follow
            raise argparse.ArgumentTypeError(f"{shown(word)!r} is no result; write the site file before --only")
        if word not in known:
            raise argparse.ArgumentTypeError(f"there is no {shown(word)!r}{_nearest(word, known)}")
        return word

    return take


def _run_words(parser: argparse.ArgumentParser) -> None:
    """The words of ``riskmap run``."""
    _site_words(parser)
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder of the result (SITE-out beside the site file)")
    parser.add_argument(
        "--budget", type=_money, metavar="N", help="most money to spend, in the currency of the prices, for this run"
    )
    parser.add_argument(
        "--only",
        type=_one_of(DELIVERABLES),
        nargs="+",
        default=(),
        metavar="NAME",
        help=f"write these only: {', '.join(DELIVERABLES)}",
    )
    parser.add_argument(
        "--workers",
        type=_workers,
        default=1,
        metavar="N",
        help="share the work out over N processes of this machine (1: this one)",
    )
    parser.add_argument(
        "--cluster",
        type=_address,
        default=None,
        metavar="ADDRESS",
        help="share the work out over a dask cluster, by its scheduler: tls://HOST:PORT, or tcp://127.0.0.1:PORT",
    )
    parser.add_argument(
        "--insecure-cluster", action="store_true", help="send trees and layers to another host in the clear (tcp://)"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace an earlier result")
    parser.set_defaults(do=_run)


def _money(word: str) -> float:
    """A sum of money, zero or more."""
    try:
        money = float(word)
    except ValueError:
        money = -1.0
    if not 0 <= money < float("inf"):
        raise argparse.ArgumentTypeError(f"'{shown(word)}' is no sum of money; write a number, such as 12000")
    return money


def _workers(word: str) -> int:
    """How many processes."""
    if not (word.isascii() and word.isdigit() and 1 <= int(word[:9]) <= MOST_WORKERS):
        raise argparse.ArgumentTypeError(
            f"{shown(word)!r} is no number of workers; write a whole number from 1 to {MOST_WORKERS:,}"
        )
    return int(word)


def _address(word: str) -> str:
    """An address, which is looked at when it is used; an empty one would go unnoticed."""
    if not word:
        raise argparse.ArgumentTypeError("'' is no address of a scheduler; write tls://HOST:PORT")
    return word


def _check_words(parser: argparse.ArgumentParser) -> None:
    """The words of ``riskmap check``."""
    _site_words(parser)
    parser.set_defaults(do=_check)


def _start_words(parser: argparse.ArgumentParser) -> None:
    """The words of ``riskmap start``."""
    parser.add_argument("trees", type=Path, metavar="TREES", help="the trees file")
    parser.add_argument(
        "layers", type=Path, nargs="*", default=[], metavar="LAYER", help="layers and rasters of the ground"
    )
    parser.add_argument(
        "--out", type=Path, metavar="SITE.toml", help="the site file to write (site.toml beside the trees)"
    )
    parser.set_defaults(do=_start, quiet=False, verbose=False)


def _show_words(parser: argparse.ArgumentParser) -> None:
    """The words of ``riskmap show``."""
    parser.add_argument("topic", type=_one_of(TOPICS), metavar="TOPIC", help=", ".join(TOPICS))
    parser.set_defaults(do=_show)


def _site_words(parser: argparse.ArgumentParser) -> None:
    """The words of every command that reads a site file."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("-q", dest="quiet", action="store_true", help="quiet: faults and notes only")
    parser.add_argument("-v", dest="verbose", action="store_true", help="say more")


_COMMANDS: Final[dict[str, tuple[Callable[[argparse.ArgumentParser], None], str]]] = {
    "run": (_run_words, "do the main job: score every tree, choose guards, write map and tables"),
    "start": (_start_words, "write a first site file from files alone, with the questions that are left"),
    "check": (_check_words, "list every fault and note of a site file and its inputs, and write nothing"),
    "show": (_show_words, "print what the program knows, each number with its source"),
}
