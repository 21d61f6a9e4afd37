"""The path search as Python runs it, in a process of its own, until the compiled one is ready.

Compiling takes some thirteen seconds of one core, and minutes where others have the core; without
any candidate a plan of forty sources ends far from the best then. The same loops without a compiler
are a hundred times slower, and still have paths for all sources in a tenth of a second.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
import time

import numpy as np

from allocator.base.compiling import UNCOMPILED
from allocator.base.parent_process import end_with_parent
from allocator.search.paths.network import Candidate, Names, candidate_of
from allocator.search.paths.records import Arrays
from allocator.search.paths.starts import begun, continued

TURN = 20
"""Moves of a first turn; each later one has twice as many, up to ``LAST_TURN``."""
LAST_TURN = 160
"""Moves of a turn at the most: a few seconds at forty sources."""


class UncompiledSearch:
    """The process, seen from the search for a plan. It ends after some seconds by itself."""

    def __init__(self, arrays: Arrays, names: Names, seed: int, seconds: float) -> None:
        self._lock = threading.Lock()
        self._best: Candidate | None = None
        self._taken = 0.0
        """Value of the candidate that was taken last."""
        self._process: subprocess.Popen[bytes] | None = None
        order = pickle.dumps((tuple(arrays), names, seed, time.time() + seconds))
        with contextlib.suppress(OSError):
            self._process = subprocess.Popen(
                [sys.executable, "-m", __name__, str(os.getpid())],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), UNCOMPILED: "1"},
                start_new_session=True,  # Ctrl-C is for the plan, not for this
            )
            threading.Thread(
                target=self._listen, args=(order,), name="uncompiled path search", daemon=True
            ).start()

    def _listen(self, order: bytes) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with (
            contextlib.suppress(EOFError, OSError, ValueError, pickle.UnpicklingError),
            self._process.stdout as news,
        ):
            with self._process.stdin as orders:
                orders.write(order)
            while True:
                found: Candidate = pickle.load(news)
                with self._lock:
                    self._best = found
        self._process.wait()

    def better_than(self, value: float | None, by: float) -> bool:
        """Whether a new candidate is known that is better than a value by some share of it."""
        with self._lock:
            best = self._best
            known = max(value or 0.0, self._taken)
        return best is not None and best.value > known * (1.0 + by)

    def taken(self) -> Candidate:
        """The best candidate, which is new no more."""
        with self._lock:
            found, self._best = self._best, None
            assert found is not None
            self._taken = found.value
        return found

    def end(self) -> None:
        """End the process: the compiled search is there."""
        if self._process is not None:
            self._process.kill()


def main() -> None:
    """Search on the arrays on standard input until the time is out; candidates on standard output.

    The one argument is the process that listens.
    """
    end_with_parent(int(sys.argv[1]))
    given, names, seed, ends = pickle.load(sys.stdin.buffer)
    arrays = Arrays(*given)
    with np.errstate(all="ignore"):
        start, moves, turn, told = begun(arrays, seed, arrays.weight), TURN, 0, -1.0
        while time.time() < ends:
            if start.value > told * (1.0 + 1e-6):
                told = start.value
                pickle.dump(candidate_of(arrays, names, start.best, told), sys.stdout.buffer)
                sys.stdout.buffer.flush()
            start = continued(arrays, start, moves, min(turn, 9))
            moves, turn = min(2 * moves, LAST_TURN), turn + 1


if __name__ == "__main__":
    # what is sent must be of the module that the other end knows, not of this script
    from allocator.search.paths.uncompiled import main as run

    run()
