"""The seconds that one goal may take."""

from __future__ import annotations

from allocator.search.strategy.budgets import GOAL
from allocator.solver.solver_model import SolverModel


class Deadline:
    """Seconds left for one goal; none are counted where a node limit rules."""

    def __init__(self, solver_model: SolverModel, limit: float | None) -> None:
        counted = limit is not None and solver_model.settings.node_limit is None
        self._clock = solver_model.clock
        self._limit = limit if counted else None
        self._end = 0.0 if self._limit is None else self._clock.seconds() + self._limit

    def left(self, share: float = 1.0, least: float = GOAL.least_seconds) -> float | None:
        """Seconds for a share of what is left, at least ``least``; None without a limit."""
        if self._clock.interrupted:
            return GOAL.interrupted_seconds
        if self._limit is None:
            return None
        return max(least, (self._end - self._clock.seconds()) * share)

    def spent(self) -> float:
        """Share of the time that is gone; 0 without a limit."""
        if self._limit is None:
            return 0.0
        if self._limit <= 0.0:
            return 1.0
        return 1.0 - (self._end - self._clock.seconds()) / self._limit

    def out(self) -> bool:
        """True when nothing more should be begun."""
        if self._clock.interrupted:
            return True
        return self._limit is not None and self._end - self._clock.seconds() <= GOAL.least_seconds
