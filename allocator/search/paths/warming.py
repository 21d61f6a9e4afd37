"""The path search and the bound's loops compiled ahead, in processes of their own.

Compiling takes some 25 seconds of a core; numba keeps what it made on disk. It is no
thread: the solver asks Python every now and then whether to go on, and would wait for the compiler
each time. A mark beside the kept code says that a part is complete. Beside a plan
(:class:`Warming`) one process compiles the path search first; where the plan waits for it
(:func:`compile_all`) there is a process for each part.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
import time
from typing import IO

from allocator.base.compiling import (
    compiling_alone,
    is_marked,
    kept_in,
    leave_mark,
    quick_compiling,
)
from allocator.base.parent_process import end_with_parent
from allocator.search.paths.records import Arrays

PATHS, BOUNDS = "paths", "bounds"
"""What is compiled, in this order."""
LOOK = 0.2
"""s between looks whether the paths are compiled."""
MOST_SECONDS = 120.0
"""Longest time that a plan waits for the compiler; the rest is then compiled beside it."""


class Warming:
    """A process that runs the path search once on a site's arrays, where none has yet."""

    def __init__(self, arrays: Arrays) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._look_again = 0.0
        if not all_compiled():
            self._process = _begun((PATHS, BOUNDS))
            _send(self._process, arrays)

    def done(self, seconds: float) -> bool:
        """True when the search is compiled; waits for it no longer than some seconds."""
        now = time.perf_counter()
        ends = now + seconds
        if self._process is not None and seconds <= 0.0 and now < self._look_again:
            return False  # solvers ask thousands of times a second
        self._look_again = now + LOOK
        while self._process is not None and not compiled_before(PATHS):
            left = ends - time.perf_counter()
            if left <= 0.0:
                return False
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(min(left, LOOK))
                return True  # where no mark can be kept as well
        return True


def compile_all(arrays: Arrays, side_by_side: bool) -> bool:
    """Compile what is not yet, and wait for it; whether all is compiled.

    ``side_by_side``: the parts at the same time. The processes are ended after
    :data:`MOST_SECONDS`, or by whatever ends this one: what they have made until then is kept.
    """
    each = ((PATHS,), (BOUNDS,)) if side_by_side else ((PATHS, BOUNDS),)
    ends = time.perf_counter() + MOST_SECONDS
    processes: list[subprocess.Popen[bytes] | None] = []
    try:
        for parts in each:
            processes.append(_begun(parts))
        for process in processes:
            _send(process, arrays)
        while any(process is not None and process.poll() is None for process in processes):
            if all_compiled() or time.perf_counter() >= ends:
                break
            time.sleep(LOOK)
    finally:
        for process in processes:
            if process is not None:
                process.kill()
                process.wait()
    return all_compiled()


def _begun(parts: tuple[str, ...]) -> subprocess.Popen[bytes] | None:
    """A process that compiles parts one after the other; None where none can be started."""
    with contextlib.suppress(OSError):
        return subprocess.Popen(
            [sys.executable, "-m", __name__, str(os.getpid()), *parts],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=quick_compiling(),
            start_new_session=True,  # Ctrl-C is for the plan, not for the compiler
        )
    return None


def _send(process: subprocess.Popen[bytes] | None, arrays: Arrays) -> None:
    """Send the arrays for which it compiles, without waiting until it reads; it may have ended."""
    if process is not None and process.stdin is not None:
        threading.Thread(target=_write, args=(process.stdin, arrays), daemon=True).start()


def _write(pipe: IO[bytes], arrays: Arrays) -> None:
    with contextlib.suppress(OSError), pipe:
        pipe.write(pickle.dumps(tuple(arrays)))


def all_compiled() -> bool:
    """True when both parts are compiled and kept."""
    return compiled_before(PATHS) and compiled_before(BOUNDS)


def compiled_before(part: str) -> bool:
    """True when a part (:data:`PATHS` or :data:`BOUNDS`) is compiled and kept."""
    return is_marked(part)


def first_run_note() -> str:
    """What somebody who waits should know of a run that has to compile; empty for all others."""
    if all_compiled():
        return ""
    if kept_in() is None:
        return (
            "the search is compiled again in every run (about 25 s of one core), as there "
            "is no folder to keep it in: set NUMBA_CACHE_DIR to a writable one"
        )
    return (
        "first run of this version: the search is compiled beside it (about 25 s of one "
        "core), so this run finds less in its time than later ones"
    )


def main() -> None:
    """Compile for the arrays on standard input, and leave the marks.

    Arguments: the process that waits for it, and the parts.
    """
    from allocator.search.bounds.multipliers import warmed
    from allocator.search.paths.starts import begun, continued, relinked

    end_with_parent(int(sys.argv[1]))
    arrays = Arrays(*pickle.load(sys.stdin.buffer))
    for part in sys.argv[2:]:
        with compiling_alone(part):
            if compiled_before(part):
                continue
            if part == PATHS:
                start = continued(arrays, begun(arrays, 0, arrays.weight), 1, 0)
                relinked(arrays, start, start, 1, 0)
            else:
                warmed()
            leave_mark(part)


if __name__ == "__main__":
    main()
