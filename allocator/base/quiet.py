"""Standard output kept for data: what libraries in C print goes nowhere."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def stdout_for_data() -> Iterator[None]:
    """Within the block, what C code or child processes print on standard output is dropped.

    Some solvers print notes of their own however quiet they are asked to be. Python's own
    ``print`` to ``sys.stdout`` is dropped as well, so keep it outside. Where standard output is no
    open file (in a notebook, under a test) nothing is done.
    """
    try:
        target = sys.stdout.fileno()
    except (AttributeError, OSError, ValueError):
        yield
        return
    _flush()
    kept = os.dup(target)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, target)
    os.close(nowhere)
    try:
        yield
    finally:
        _flush()
        os.dup2(kept, target)
        os.close(kept)


def _flush() -> None:
    """Empty the buffers of Python and of C, so that nothing printed earlier or later moves."""
    with contextlib.suppress(OSError, ValueError):  # a reader who has left
        sys.stdout.flush()
    with contextlib.suppress(OSError, TypeError, AttributeError):  # no such library here
        ctypes.CDLL(None).fflush(None)
