"""Locks of folders between processes; they end with the process that holds them."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

LOCK_FILE = ".allocator.lock"
"""Locked where a folder cannot be opened, as on Windows."""


@contextlib.contextmanager
def alone_in(home: Path) -> Iterator[None]:
    """One writer in a folder at a time: each begins from what the one before has left.

    Where nothing can be locked nobody waits. What is wrong with a folder is told where it is
    written to.
    """
    with contextlib.ExitStack() as held:
        with contextlib.suppress(OSError):
            held.enter_context(_held(home))
        yield


def lock(handle: int, *, wait: bool) -> bool:
    """Whether an open folder is locked for this process now; without locks, never."""
    try:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except (ImportError, OSError):
        return False
    return True


if sys.platform == "win32":

    @contextlib.contextmanager
    def _held(home: Path) -> Iterator[None]:
        import msvcrt

        try:
            with open(home / LOCK_FILE, "wb") as file:
                msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)  # waits for some seconds
                yield
        finally:
            with contextlib.suppress(OSError):  # another process has it open
                (home / LOCK_FILE).unlink()

else:

    @contextlib.contextmanager
    def _held(home: Path) -> Iterator[None]:
        handle = os.open(home, os.O_RDONLY)
        try:
            lock(handle, wait=True)
            yield
        finally:
            os.close(handle)
