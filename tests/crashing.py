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
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the work itself failed"
        return os.WIFSIGNALED(status)
    left = number

    def count(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal left
        if event not in CHANGES or (event == "open" and not _writes(arguments)):
            return
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        left -= 1

    try:
        sys.addaudithook(count)
        work()
    except BaseException:
        os._exit(1)
    os._exit(0)


def _writes(arguments: tuple[object, ...]) -> bool:
    flags = arguments[2]
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
