"""What is known of how short a plan is in a year in which machines fail."""

from __future__ import annotations

from dataclasses import dataclass

CAUSES = ("machine", "source", "storage")
EXACT = 0.05
"""Half of the interval, as a share of the hours, that is good enough; or :data:`NEAR`."""
NEAR = 3600.0
"""s a year."""


@dataclass(frozen=True, slots=True)
class YearlyEstimate:
    """A mean a year with half the width of its 95 % interval.

    ``by_cause``: parts of the mean put down to machines, sources and storage.
    """

    mean: float
    half_width: float
    by_cause: dict[str, float]

    @property
    def good_enough(self) -> bool:
        """Whether hours (as s) are known to 5 % or to an hour a year, whichever is more."""
        return self.half_width <= max(EXACT * self.mean, NEAR)


@dataclass(frozen=True, slots=True)
class Adequacy:
    """How short a plan is where machines fail, a year: s, and J not served.

    ``promise_*``: against what the plan promises. ``demand_*``: against all that is demanded,
    promised or not. ``years``: that were drawn.
    """

    years: int
    promise_short_s: YearlyEstimate
    promise_unserved_j: YearlyEstimate
    demand_short_s: YearlyEstimate
    demand_unserved_j: YearlyEstimate
