"""Objective cutoffs, each as deep as can be proven out of reach in the time that is left.

Depth is measured between the bound of the relaxation (0) and the best plan (1). The time of a
proof about doubles with each ``BOUND.doubling`` of depth (see benchmarks/README.md), so what the
last one took says how deep the next may be.
"""

from __future__ import annotations

import math

from allocator.search.strategy.budgets import BOUND

LEAST_GAP = 1e-6
"""Nearest that a cutoff is put to a plan, as a share of it: the solver's tolerance."""


class Cutoffs:
    """What is asked next, of one goal (values and bounds minimised, SI).

    ``gap``: how near a bound must come to a plan, as a share of it. ``depth``: of the first one.
    """

    def __init__(self, gap: float, depth: float = BOUND.first_depth) -> None:
        self._gap = gap
        self._relaxed: float | None = None
        self._depth = depth

    def begin(self, bound: float) -> None:
        """Measure depth from a bound: that of the relaxation."""
        self._relaxed = bound

    def next(self, value: float | None, bound: float) -> float:
        """The next cutoff between a plan and a bound.

        Where less than ``BOUND.near`` is between them, it is as near the plan as was asked. No plan
        known, or one beyond the bound: a guess.
        """
        if value is None or value <= bound:
            return bound + BOUND.guess * abs(bound)
        nearest = value - max(self._gap, LEAST_GAP) * abs(value)
        if value - bound <= BOUND.near * abs(value):
            return nearest
        relaxed = bound if self._relaxed is None else self._relaxed
        whole = value - relaxed
        depth = max(self._depth, (bound - relaxed) / whole + BOUND.least_step)
        return min(nearest, relaxed + depth * whole)

    def settled(self, value: float | None, bound: float, took: float, left: float | None) -> None:
        """Choose the next depth after a cutoff took some seconds; ``bound``: the valid one by now.

        Without a limit of time half of what is left is asked next.
        """
        if value is None or self._relaxed is None or value <= max(bound, self._relaxed):
            return
        reached = max(0.0, (bound - self._relaxed) / (value - self._relaxed))
        if left is None:
            self._depth = reached + 0.5 * (1.0 - reached)
            return
        doublings = math.log2(max(BOUND.cutoff * left, 1e-3) / max(took, 1e-3))
        self._depth = reached + min(
            BOUND.most_step, max(BOUND.least_step, BOUND.doubling * doublings)
        )


def beyond(cutoff: float, value: float | None) -> float:
    """A cutoff deeper than another: what is stated for it serves for some that follow."""
    if value is None or value <= cutoff:
        return cutoff
    return cutoff + BOUND.beyond * (value - cutoff)
