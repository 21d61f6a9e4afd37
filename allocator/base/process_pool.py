"""A pool of processes for as long as it is needed, and not a moment longer.

Its processes leave Ctrl-C to the process that began them, and end with it however it ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor

from allocator.base.parent_process import end_with_parent


@contextlib.contextmanager
def process_pool(count: int) -> Iterator[Executor]:
    """So many processes, begun with the first task; what they are at when it ends is given up."""
    # New processes, not copies of this one: the solver and the just-in-time compiler hold locks.
    pool = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), _begin, (os.getpid(),))
    try:
        yield pool
    finally:
        processes = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()
        for process in processes:
            process.join()


def _begin(parent: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent(parent)
