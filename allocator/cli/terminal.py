"""Words and data on a terminal, and the exit codes."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, TextIO

from allocator.base.grouped import grouped

if TYPE_CHECKING:
    from allocator.search import Progress
    from allocator.verify import AuditReport

DONE, BREACHES, BAD_INPUT, IMPOSSIBLE, NOT_FOUND, UNVERIFIED = 0, 1, 2, 3, 4, 5


def show(text: str) -> int:
    """Print data on stdout; a reader who has had enough (a broken pipe) is no error.

    Raises:
        OutputError: stdout is closed, or the disk that it goes to is full.
    """
    from allocator.base.errors import OutputError
    from allocator.base.text import printable

    if sys.stdout is None:
        raise OutputError("cannot write to standard output: it is closed")
    try:
        sys.stdout.write(printable(text))
        sys.stdout.flush()
    except BrokenPipeError:
        _drop(sys.stdout)
    except (OSError, ValueError) as error:
        _drop(sys.stdout)
        why = getattr(error, "strerror", None) or str(error)
        raise OutputError(f"cannot write to standard output: {why.lower()}") from error
    return DONE


def tell(text: str) -> None:
    """Print progress or an error on stderr; where that cannot be, the exit code must do."""
    from allocator.base.text import printable

    try:
        sys.stderr.write(f"{printable(text)}\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        _drop(sys.stderr)


@contextlib.contextmanager
def notes_of_old_spellings() -> Iterator[None]:
    """Old spellings of addresses are told on stderr as notes, each once."""
    from allocator.base.errors import OldSpelling

    others = warnings.showwarning

    def note(message: Warning | str, category: type[Warning], *where: Any, **rest: Any) -> None:
        if issubclass(category, OldSpelling):
            tell(f"note: {message}")
        else:
            others(message, category, *where, **rest)

    with warnings.catch_warnings():
        warnings.simplefilter("once", OldSpelling)
        warnings.showwarning = note
        yield


def _drop(stream: TextIO) -> None:
    """What is still in a buffer goes nowhere, or Python complains of it at its end."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def keep_streams_apart() -> None:
    """Open the null device on standard streams that are closed.

    Otherwise the next file that is opened takes the number of one of them, and what a library
    prints lands in it. ``sys.stdout`` stays None, so that :func:`show` knows.
    """
    with contextlib.suppress(OSError):
        while (handle := os.open(os.devnull, os.O_RDWR)) <= 2:
            pass
        os.close(handle)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115 (for the rest of the process)


SLOW = 3.0
"""Seconds after which somebody who waits at a terminal is told what for."""


@contextlib.contextmanager
def told_when_slow(text: str) -> Iterator[None]:
    """Tell what is being done if it takes long and stderr is a terminal: data stays data."""
    timer = threading.Timer(SLOW, tell, [text])
    timer.daemon = True
    if sys.stderr.isatty():
        timer.start()
    try:
        yield
    finally:
        timer.cancel()


def fail(text: str, code: int) -> int:
    """Tell an error and hand its exit code back."""
    tell(text)
    return code


def follower(tell: Callable[[str], object]) -> Callable[[Progress], None]:
    """Tells a search's lines of progress."""

    def follow(line: Progress) -> None:
        figures = [f"{line.seconds:7.1f} s", line.goal]
        for name, value in (("plan", line.value), ("bound", line.bound)):
            if value is not None:
                figures.append(f"{name} {grouped(f'{value:.6g}')}")
        if line.gap is not None:
            figures.append(f"gap {100 * line.gap:.2f} %")
        if line.note:
            figures.append(line.note)
        tell("  ".join(figures))

    return follow


def tell_breaches(found: AuditReport, out: Callable[[str], object]) -> None:
    """Tell each breach of an audit by ``out``."""
    for breach in found.breaches:
        out(f"breach: {breach}")


def times(number: int, name: str) -> str:
    """``3 machine types`` for 3 and ``machine type``; ``2 breaches`` for 2 and ``breach``."""
    ending = "" if number == 1 else "es" if name.endswith("ch") else "s"
    return f"{grouped(number)} {name}{ending}"


def terminal_columns() -> int:
    """Columns to lay text out for: ``COLUMNS``, else the terminal's up to 100, else 100."""
    from allocator.base.text import WIDTH

    named = os.environ.get("COLUMNS", "")
    if named.isdecimal() and int(named) > 0:
        return int(named)
    try:
        return min(WIDTH, os.get_terminal_size(sys.stdout.fileno()).columns or WIDTH)
    except (AttributeError, OSError, ValueError):
        return WIDTH


def never_fail_on_letters() -> None:
    """Show letters that a terminal does not know as escapes instead of failing on them."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
