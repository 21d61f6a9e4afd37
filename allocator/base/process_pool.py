"""A pool of processes for as long as it is needed, and not a moment longer.

Its processes leave Ctrl-C to the process that began them, and end with it however it ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing import resource_tracker
from typing import Any, TypeVar

from allocator.base.parent_process import end_with_parent

T = TypeVar("T")


@contextlib.contextmanager
def process_pool(count: int) -> Iterator[Executor]:
    """So many processes, begun with the first task; what they are at when it ends is given up."""
    # New processes, not copies of this one: the solver and the just-in-time compiler hold locks.
    pool = _Pool(count, multiprocessing.get_context("spawn"), _begin, (os.getpid(),))
    try:
        yield pool
    finally:
        processes = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()
        for process in processes:
            process.join()


class _Pool(ProcessPoolExecutor):
    """A pool whose processes never hear of Ctrl-C, not even while they begin."""

    def submit(self, function: Callable[..., T], /, *given: Any, **named: Any) -> Future[T]:
        """As that of any executor; processes may begin here."""
        with interrupts_deferred():
            return super().submit(function, *given, **named)


@contextlib.contextmanager
def interrupts_deferred() -> Iterator[None]:
    """Ctrl-C within is heard at the end, and processes begun within never hear of it.

    To ignore it would lose it. Only the main thread can say so; elsewhere nothing changes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: heard.append(number))
    blocks = hasattr(signal, "pthread_sigmask")  # not every system has it
    if blocks:
        # Its process is begun with the first pool and lets signals through when it has begun.
        resource_tracker.ensure_running()
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # new processes inherit it
    try:
        yield
    finally:
        if blocks:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        signal.signal(signal.SIGINT, before)
        if heard:
            signal.raise_signal(signal.SIGINT)


def _begin(parent: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent(parent)
