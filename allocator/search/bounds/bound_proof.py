"""Cutoff after cutoff: its depth chosen, flows stated for it, proven out of reach or not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from allocator.base.clock import Clock
from allocator.search.bounds.cutoffs import Cutoffs, beyond
from allocator.search.bounds.mixed import Known, MixedBound
from allocator.search.bounds.proving import Latest
from allocator.search.strategy.budgets import BOUND


class Provable(Protocol):
    """What proves cutoffs out of reach; see :class:`allocator.search.bounds.proving.Prover`."""

    @property
    def trusted(self) -> bool:
        """False where it lacks a plan that was found."""

    @property
    def probes(self) -> bool:
        """Whether builds are probed before a cutoff is asked."""

    def holds(self, cutoff: float | None) -> bool:
        """Whether what is stated holds all plans as good as a cutoff."""

    def within(self, cutoff: float) -> float:
        """A cutoff, or the deepest for which flows are stated."""

    def stated(self, limit: float | None, cutoff: float | None = None) -> float | None:
        """The bound of what is stated for a cutoff."""

    def mixed(
        self,
        limit: float | None,
        known: Known | Latest | None = None,
        cutoff: float | None = None,
        hear: Callable[[float], object] | None = None,
    ) -> MixedBound:
        """A bound by the integer model, or integers to try."""


class BoundProof:
    """The proofs of one goal.

    ``better`` is called with each bound (minimised, SI). ``gap``: that a bound must reach.
    """

    def __init__(
        self, prover: Provable, gap: float, clock: Clock, better: Callable[[float | None], object]
    ) -> None:
        self._prover, self._clock, self._better = prover, clock, better
        probed = prover.probes
        self._cutoffs = Cutoffs(gap, BOUND.first_depth_probed if probed else BOUND.first_depth)
        self._begun = False

    def state(self, value: float | None, bound: float, left: float | None) -> float | None:
        """State the flows for the next cutoff and a little beyond; the bound then, if any.

        ``value``: of the best plan, or what plans will soon have (minimised, SI).
        """
        cutoff = self._cutoffs.next(value, bound)
        if not self._prover.holds(cutoff):
            cutoff = beyond(cutoff, value)
        stated = self._prover.stated(left, cutoff)
        if stated is None:
            return None
        bound = max(bound, min(stated, cutoff))
        self._better(bound)
        if not self._begun:
            self._cutoffs.begin(bound)
            self._begun = True
        return bound

    def turn(
        self,
        expected: Callable[[], float | None],
        bound: float,
        left: float | None,
        latest: Latest,
    ) -> MixedBound:
        """Prove the next cutoff out of reach, or find integers to try, within some seconds.

        ``expected``: gives the value of ``state``, which may have become better.
        """
        began = self._clock.seconds()
        cutoff = self._prover.within(self._cutoffs.next(expected(), bound))
        found = self._prover.mixed(left, latest, cutoff, self._better)
        took = self._clock.seconds() - began
        self._better(found.bound)
        valid = bound if found.bound is None else max(bound, found.bound)
        remains = None if left is None else max(0.0, left - took)
        self._cutoffs.settled(expected(), valid, took, remains)
        return found
