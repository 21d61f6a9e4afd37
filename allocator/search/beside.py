"""Work beside the best plan of a small site: its average-flow estimate, its limit of all plans.

Neither needs anything of the plan, so a second core has them at the same time. It begins with them
a little later, since the race for the plan has that core too and may be over by then. When the plan
is there they have a little longer, the limit on the core of the plan; then the best that was found
is taken.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from allocator.base.clock import Clock, OutOfTimeError
from allocator.plans.records import Ceiling, Plan
from allocator.search.strategy.budgets import PLAN


class Beside:
    """An estimate, then a limit, in a thread of their own; ``clock`` is theirs, and ends them.

    ``delay``: s until it begins, unless the plan is there before.

    Attributes
    ----------
    average : Plan or None
        The average-flow estimate, once it is there.
    ceiling : Ceiling or None
        The limit of all plans, once it is there.
    """

    def __init__(
        self,
        clock: Clock,
        estimate: Callable[[Clock], Plan | None],
        limit: Callable[[Clock], Ceiling],
        delay: float = 0.0,
    ) -> None:
        self.average: Plan | None = None
        self.ceiling: Ceiling | None = None
        self._clock = clock
        self._fault: Exception | None = None
        clock.watching = True  # integer programs ask it whether to go on
        self._limit = limit
        self._plan_is_there = threading.Event()
        self._limit_begun = threading.Lock()
        self._thread = threading.Thread(
            target=self._work, args=(estimate, delay), name="beside the best plan", daemon=True
        )
        self._thread.start()

    def _work(self, estimate: Callable[[Clock], Plan | None], delay: float) -> None:
        self._plan_is_there.wait(delay)
        try:
            if not self._clock.interrupted:
                self.average = estimate(self._clock)
            if not self._clock.interrupted and self._limit_begun.acquire(blocking=False):
                self.ceiling = self._limit(self._clock)
        except OutOfTimeError:
            pass
        except Exception as fault:
            self._fault = fault

    def finish(self, hurry: bool) -> None:
        """Give it a little longer, by how long the plan took, and end it; at once in a hurry.

        A limit that was not begun is worked out here meanwhile.

        Raises
        ------
        Exception
            The fault that ended its work, where one did.
        """
        taken = self._clock.seconds()
        more = Clock(0.0 if hurry else max(PLAN.beside_seconds, PLAN.beside * taken))
        self._clock.interrupted = hurry
        self._plan_is_there.set()
        try:
            if not hurry and self._limit_begun.acquire(blocking=False):
                with contextlib.suppress(OutOfTimeError):
                    self.ceiling = self._limit(more)
            self._thread.join(more.left())
        finally:
            self._clock.interrupted = True
        self._thread.join()
        if self._fault is not None:
            raise self._fault
