"""Time and interruption of a run: one deadline, shared out among the parts."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TypeVar

T = TypeVar("T")
STRETCH = 8.0
"""Times as long, at the most, that a step has where others take the core."""


class OutOfTimeError(Exception):
    """No time is left for a phase that was begun, and that a plan can do without."""


@dataclass
class Clock:
    """Seconds since the start and until the deadline; ``limit`` None means no deadline.

    ``watching``: it may be interrupted, and integer programs ask for that now and then.
    ``left_out``: phases for which no time was left, in words.
    """

    limit: float | None
    started: float = field(default_factory=time.perf_counter)
    started_work: float = field(default_factory=time.process_time)
    parts: dict[str, float] = field(default_factory=dict)
    interrupted: bool = False
    watching: bool = False
    left_out: list[str] = field(default_factory=list)

    def seconds(self) -> float:
        """Seconds since the start."""
        return time.perf_counter() - self.started

    def left(self, share: float = 1.0) -> float | None:
        """Seconds left (a share of them); None without a deadline."""
        if self.interrupted:
            return 0.0
        if self.limit is None:
            return None
        return max(0.0, (self.limit - self.seconds()) * share)

    def stretched(self, seconds: float) -> float:
        """Seconds in which this process does the work of some seconds of a core of its own.

        By the share of a core that it had so far; never more than :data:`STRETCH` times as long.
        """
        worked = max(time.process_time() - self.started_work, 1e-3)
        return seconds * min(max(1.0, self.seconds() / worked), STRETCH)

    def out(self) -> bool:
        """True when no time is left."""
        left = self.left()
        return left is not None and left <= 0.0

    def check(self) -> None:
        """Asked within long work that a plan can do without.

        Raises:
            OutOfTimeError: no time is left.
        """
        if self.out():
            raise OutOfTimeError

    def in_time(self, phase: str, work: Callable[[], T], otherwise: T) -> T:
        """What ``work`` gives, or ``otherwise`` where no time is left for it, which is kept."""
        try:
            self.check()
            return work()
        except OutOfTimeError:
            if not self.interrupted:
                self.left_out.append(phase)
            return otherwise

    def stop(self) -> Callable[[], bool] | None:
        """A question for solvers, whether to give up; None where nothing can interrupt."""
        return (lambda: self.interrupted) if self.watching else None

    @contextlib.contextmanager
    def watched(self) -> Iterator[None]:
        """Take Ctrl-C as a wish for the best plan so far; a second one ends at once.

        Only the main thread may watch; elsewhere nothing changes, nor where Ctrl-C is ignored: a
        worker of a pool leaves it to the process that started it.
        """
        ignored = signal.getsignal(signal.SIGINT) is signal.SIG_IGN
        if ignored or threading.current_thread() is not threading.main_thread():
            yield
            return

        def heard(number: int, frame: object) -> None:
            del number, frame
            if self.interrupted:
                raise KeyboardInterrupt
            self.interrupted = True

        before = signal.signal(signal.SIGINT, heard)
        self.watching = True
        try:
            yield
        finally:
            self.watching = False
            signal.signal(signal.SIGINT, before)
        if self.interrupted and before is _end_all:
            raise KeyboardInterrupt

    def spend(self, part: str, seconds: float) -> None:
        """Book seconds to a part."""
        self.parts[part] = self.parts.get(part, 0.0) + seconds


def _end_all(number: int, frame: object) -> None:
    raise KeyboardInterrupt


@contextlib.contextmanager
def interrupts_end_all() -> Iterator[None]:
    """Within, Ctrl-C ends the whole and not one of its plans: a plan cut short is not handed back.

    Only the main thread can say so; elsewhere nothing changes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, _end_all)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def crowding() -> float:
    """How many processes there are to a core of this machine, from 1 to 3.

    What a step of known work needs is a processor's time, and a time limit is one of the clock on
    the wall.
    """
    try:
        load = os.getloadavg()[0]
    except (AttributeError, OSError):  # not every system has it
        return 1.0
    return min(max(1.0, load / (os.cpu_count() or 1)), 3.0)


def earlier(first: float | None, second: float | None) -> float | None:
    """The shorter of two limits, None meaning none."""
    if first is None:
        return second
    return first if second is None else min(first, second)
