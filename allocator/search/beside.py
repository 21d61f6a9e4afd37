"""Work beside the best plan of a small site: its average-flow estimate, its limit of all plans.

Neither needs anything of the plan, so a second core has them at the same time. When the plan is
there they have a little longer; then the best that was found is taken.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from allocator.base.clock import Clock, OutOfTimeError
from allocator.plans.records import Ceiling, Plan
from allocator.search.strategy.budgets import PLAN


class Beside:
    """An estimate, then a limit, in a thread of their own; ``clock`` is theirs, and ends them.

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
    ) -> None:
        self.average: Plan | None = None
        self.ceiling: Ceiling | None = None
        self._clock = clock
        self._fault: Exception | None = None
        clock.watching = True  # integer programs ask it whether to go on
        self._thread = threading.Thread(
            target=self._work, args=(estimate, limit), name="beside the best plan", daemon=True
        )
        self._thread.start()

    def _work(
        self, estimate: Callable[[Clock], Plan | None], limit: Callable[[Clock], Ceiling]
    ) -> None:
        try:
            self.average = estimate(self._clock)
            if not self._clock.interrupted:
                self.ceiling = limit(self._clock)
        except OutOfTimeError:
            pass
        except Exception as fault:
            self._fault = fault

    def finish(self, hurry: bool) -> None:
        """Give it a little longer, by how long the plan took, and end it; at once in a hurry.

        Raises
        ------
        Exception
            The fault that ended its work, where one did.
        """
        taken = self._clock.seconds()
        self._thread.join(0.0 if hurry else max(PLAN.beside_seconds, PLAN.beside * taken))
        self._clock.interrupted = True
        self._thread.join()
        if self._fault is not None:
            raise self._fault
