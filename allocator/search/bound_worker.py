"""The background bound worker: works on the bound of the first goal while plans are searched.

It is a process, which can be ended at once whatever it is at, and waits for nothing in this one; on
a small site a thread, which begins at once (:mod:`allocator.search.race`). When its bounds come
depends on the machine, so it is for runs with a time limit alone. ``bound_process.py`` is what it
does.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import queue
import subprocess
import sys
import threading
import time
from abc import ABC, abstractmethod
from dataclasses import replace

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search import bound_process
from allocator.search.bound_process import Best, News, Order
from allocator.search.bounds.mixed import Known
from allocator.search.found import PROVEN, gap_of, passes
from allocator.search.plan_of_point import status_of
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings


class BoundWorker(ABC):
    """The worker seen from the search for plans. ``bound``: the best so far (minimised, SI)."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._integers: list[np.ndarray] = []
        self._sound: Known | None = None
        self._bound: float | None = None
        self._fault = ""

    @property
    def bound(self) -> float | None:
        """The best bound so far (minimised, SI)."""
        with self._lock:
            return self._bound

    @property
    def fault(self) -> str:
        """What went wrong, where something did."""
        with self._lock:
            return self._fault

    @property
    def sound(self) -> Known | None:
        """The best sound point that the worker has found by itself."""
        with self._lock:
            return self._sound

    @abstractmethod
    def report_plan(self, value: float, columns: np.ndarray | None) -> None:
        """Report the best plan: its value (minimised, SI), and its columns in the site's model.

        None for the columns of a narrowed model.
        """

    @abstractmethod
    def expect_plan(self, value: float) -> None:
        """Report the value that plans will soon have (minimised, SI): no more than a hint."""

    @abstractmethod
    def end(self, seconds: float = 0.0) -> None:
        """Wait for it no longer than some seconds, then end it."""

    def take_integers(self) -> list[np.ndarray]:
        """Integers that are worth a try, each once."""
        with self._lock:
            taken, self._integers = self._integers, []
        return taken

    def _failed(self, why: str) -> None:
        self._hear(News(fault=why))

    def _hear(self, news: News) -> None:
        with self._lock:
            if news.bound is not None:
                self._bound = news.bound
            if news.columns is not None:
                self._integers.append(news.columns)
                if news.sound is not None:  # better than all before
                    self._integers = [news.columns]
                    self._sound = Known(news.sound, news.columns)
            if news.fault or news.withdrawn:
                self._bound = None
            self._fault = self._fault or news.fault


class BoundProcess(BoundWorker):
    """The worker as a process.

    ``delay``: s until it begins; an end before that leaves it out. What is sent goes by a thread of
    its own: a pipe takes little until the other process has begun, which takes a second or more.
    """

    def __init__(self, order: Order, delay: float = 0.0) -> None:
        super().__init__()
        self._outbox: queue.SimpleQueue[Order | Best | None] = queue.SimpleQueue()
        self._outbox.put(order)
        self._ended = threading.Event()
        self._listened = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._sender = threading.Thread(
            target=self._work, args=(delay,), name="to the background bound worker", daemon=True
        )
        self._sender.start()

    def _work(self, delay: float) -> None:
        """Begin the process after a delay, hear it, and send what is to be sent."""
        self._ended.wait(delay)
        with self._lock:
            if self._ended.is_set():
                return
            self._process = subprocess.Popen(
                [sys.executable, "-m", bound_process.__name__, str(os.getpid())],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
                start_new_session=True,  # Ctrl-C is for the plan: this process ends with it
            )
        listener = threading.Thread(
            target=self._listen, name="background bound worker", daemon=True
        )
        listener.start()
        assert self._process.stdin is not None
        with contextlib.suppress(OSError, ValueError):  # it may have ended
            while (what := self._outbox.get()) is not None:
                pickle.dump(what, self._process.stdin)
                self._process.stdin.flush()

    def report_plan(self, value: float, columns: np.ndarray | None) -> None:
        """Send the best plan."""
        self._outbox.put(Best(Known(value, columns)))

    def expect_plan(self, value: float) -> None:
        """Send the value that plans will soon have."""
        self._outbox.put(Best(Known(value, None), reliable=False))

    def end(self, seconds: float = 0.0) -> None:
        """Wait for it no longer than some seconds, then end it."""
        with self._lock:
            self._ended.set()
            begun = self._process
        if begun is None:
            return
        self._listened.wait(max(seconds, 0.0))
        self._outbox.put(None)
        begun.kill()
        begun.wait()
        self._listened.wait()
        self._sender.join()
        for pipe in (begun.stdin, begun.stdout):
            assert pipe is not None
            with contextlib.suppress(OSError):
                pipe.close()

    def _listen(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        try:
            with contextlib.suppress(EOFError, OSError, ValueError, pickle.UnpicklingError):
                while True:
                    self._hear(pickle.load(self._process.stdout))
        finally:
            self._listened.set()


def may_have_worker(settings: Settings, clock: Clock, busy: bool) -> bool:
    """Whether a background bound worker has a core, and may have it.

    ``busy``: other processes work for this plan already. A process that another one started is one
    of many that share the cores; a thread that is not the main one likewise.
    """
    left = clock.left()
    single = settings.threads is not None or settings.solver.lower() != "highs" or busy
    return (
        left is not None
        and left >= BOUND.worker_seconds
        and not single
        and cores() >= 2
        and multiprocessing.parent_process() is None
        and threading.current_thread() is threading.main_thread()
    )


def order_of(site: Network, settings: Settings, clock: Clock) -> Order:
    """What is to be bounded, until shortly before the end of the run."""
    left = clock.left()
    assert left is not None
    return Order(site, replace(settings, start=None), time.time() + BOUND.worker * left)


def bound_worker_of(
    site: Network, settings: Settings, clock: Clock, busy: bool, small: bool = False
) -> BoundWorker | None:
    """The background bound worker as a process, begun; None where it may not be.

    ``busy``: see :func:`may_have_worker`. ``small``: the site may be planned before there is any
    use for it.
    """
    if not may_have_worker(settings, clock, busy):
        return None
    left = clock.left() or 0.0
    delay = min(BOUND.worker_delay_seconds, BOUND.worker_delay * left) if small else 0.0
    return BoundProcess(order_of(site, settings, clock), delay)


def with_bound_of(plan: Plan, worker: BoundWorker, gap: float) -> Plan:
    """The plan with the worker's bound of its first goal, where that is better."""
    goal, bound = plan.goals[0], worker.bound
    if bound is None or goal.status in (Status.OPTIMAL, Status.WITHIN_GAP, Status.YIELDED):
        return plan
    most = goal.sense == "max"
    bound = -bound if most else bound
    if passes(goal.value, bound, most, 1e-9 * abs(bound)):
        return plan
    if goal.bound is not None and (bound > goal.bound if most else bound < goal.bound):
        return plan
    bound = max(bound, goal.value) if most else min(bound, goal.value)
    remaining = gap_of(goal.value, bound)
    status: Status = goal.status
    if remaining is not None and remaining <= max(gap, PROVEN):
        status = Status.OPTIMAL if remaining <= PROVEN else Status.WITHIN_GAP
    goals = (
        replace(goal, bound=bound, gap=remaining, status=status, bound_kind="solver"),
        *plan.goals[1:],
    )
    return replace(plan, goals=goals, status=status_of(goals))


def cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system has it
        return os.cpu_count() or 1
