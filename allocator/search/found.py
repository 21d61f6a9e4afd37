"""What is known of one goal, and when a value counts as proven."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.base.status import Status
from allocator.model.goals import Goal

PROVEN = 1e-6
"""A goal is called optimal within this share: held goals leave no finer meaning."""


@dataclass(frozen=True, slots=True)
class GoalFound:
    """What is known of one goal: value at the plan, bound, why the search stopped.

    ``certified``: the bound is safe against rounding, else it is the solver's.
    """

    goal: Goal
    value: float
    bound: float | None
    gap: float | None
    status: Status
    certified: bool = False


def gap_of(value: float | None, bound: float | None) -> float | None:
    """``|bound - value| / max(|bound|, |value|, 1e-9)``, for maximised and minimised goals alike.

    Of the larger of both: a plan is never more than the whole of itself away from a bound of 0.
    """
    if value is None or bound is None:
        return None
    return abs(bound - value) / max(abs(bound), abs(value), 1e-9)


def passes(value: float, bound: float, maximise: bool, scale: float) -> bool:
    """True when a plan is better than its bound by more than the solver's tolerance.

    Such a bound was never one: the solver can err, and then nothing is proven.
    """
    beyond = value - bound if maximise else bound - value
    return beyond > PROVEN * abs(bound) + 10 * scale


def close(best: float | None, bound: float | None, gap: float) -> bool:
    """True when a value (minimised) is within a gap of its bound."""
    if best is None or bound is None:
        return False
    return best - bound <= max(max(gap, PROVEN) * abs(bound), 1e-9)
