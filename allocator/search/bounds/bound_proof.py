"""One target after the other: flows stated for it, a depth chosen, a plan so good asked for."""

from __future__ import annotations

from collections.abc import Callable

from allocator.base.clock import Clock
from allocator.search.bounds.cutoffs import Cutoffs, beyond
from allocator.search.bounds.mixed import MixedBound
from allocator.search.bounds.proving import Latest, Prover


class BoundProof:
    """The targets of one goal, at work.

    ``better`` is told of each bound (minimised, SI) as it comes. ``gap``: how near a bound must
    come to a plan.
    """

    def __init__(
        self, prover: Prover, gap: float, clock: Clock, better: Callable[[float | None], object]
    ) -> None:
        self._prover, self._clock, self._better = prover, clock, better
        self._targets = Cutoffs(gap)
        self._begun = False

    def state(self, value: float | None, bound: float, left: float | None) -> float | None:
        """State the flows for the next target and a little beyond; the bound then, if any.

        ``value``: of the best plan, or what plans are about to come to (minimised, SI).
        """
        target = self._targets.next(value, bound)
        if not self._prover.holds(target):
            target = beyond(target, value)
        stated = self._prover.stated(left, target)
        if stated is None:
            return None
        bound = max(bound, min(stated, target))
        self._better(bound)
        if not self._begun:
            self._targets.begin(bound)
            self._begun = True
        return bound

    def turn(
        self,
        expected: Callable[[], float | None],
        bound: float,
        left: float | None,
        latest: Latest,
    ) -> MixedBound:
        """Refute the next target, or find whole numbers to try, within some seconds.

        ``expected``: tells the value of ``state``; more may be known of plans by now, and then.
        """
        began = self._clock.seconds()
        target = self._prover.within(self._targets.next(expected(), bound))
        found = self._prover.mixed(left, latest, target)
        took = self._clock.seconds() - began
        self._better(found.bound)
        stands = bound if found.bound is None else max(bound, found.bound)
        remains = None if left is None else max(0.0, left - took)
        self._targets.settled(expected(), stands, took, remains)
        return found
