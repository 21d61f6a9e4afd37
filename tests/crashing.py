"""A process that is killed before one of its file operations, chosen by number."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable

CHANGES = {
    "open",
    "os.chmod",
    "os.chown",
    "os.link",
    "os.mkdir",
    "os.remove",
    "os.rename",
    "os.rmdir",
    "os.symlink",
    "os.truncate",
    "ctypes.dlsym",  # renameat2 is looked up once for every exchange
}
"""Audit events of Python (docs.python.org/3/library/audit_events) that come before a change."""


def killed_at(number: int, work: Callable[[], object]) -> bool:
    """Run ``work`` in a copy of this process, killed before its file operation ``number``.

    True when it was killed, False when it ended before it came so far.
    """

    def kill() -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    status = _stopped_at(number, work, kill, CHANGES)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) in (DONE, UNTOUCHED), status
    return os.WIFSIGNALED(status)


def fails_at(number: int, work: Callable[[], object], error: OSError) -> bool:
    """The same, but the operation and all after it fail with an error, as on a full disk.

    The work may raise it, or end with an exit code of 2 of its own.
    """

    def fail() -> None:
        raise error

    status = _stopped_at(number, work, fail, CHANGES - {"os.remove", "os.rmdir"})
    assert not os.WIFSIGNALED(status), status
    return os.WEXITSTATUS(status) != UNTOUCHED


DONE, UNTOUCHED, FAILED = 0, 10, 11


def _stopped_at(
    number: int, work: Callable[[], object], stop: Callable[[], None], events: set[str]
) -> int:
    """The status of a copy of this process that works, with ``stop`` called at an operation."""
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    left, stopped = number, False

    def count(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal left, stopped
        if event not in events or not _ours(event, arguments):
            return
        if left == 0:
            stopped = True
            stop()
        left -= 1

    signal.alarm(600)
    try:
        sys.addaudithook(count)
        work()
    except OSError:
        os._exit(DONE)
    except BaseException:
        os._exit(FAILED)
    os._exit(DONE if stopped else UNTOUCHED)


def _ours(event: str, arguments: tuple[object, ...]) -> bool:
    """Whether it may change a file of the run: not one that is read, nor a compiled module."""
    if event == "ctypes.dlsym":  # libraries look up hundreds of names of their own
        return arguments[1] == "renameat2"
    path = str(arguments[0])
    if path.startswith("/dev/") or "__pycache__" in path:
        return False
    flags = arguments[2] if event == "open" else os.O_WRONLY
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
