"""What is known of a goal when its search has ended: value, bound, why it stopped."""

from __future__ import annotations

from allocator.base.status import Status
from allocator.search.found import PROVEN, GoalFound, close, gap_of, passes
from allocator.search.goal_search import GoalSearch
from allocator.search.state import value_at


def result_of(search: GoalSearch) -> GoalFound | None:
    """The result of a search; None where no sound point is known."""
    goal, sign = search.goal, search.sign
    if search.infeasible:
        return GoalFound(goal, 0.0, None, None, Status.INFEASIBLE)
    search.hear_worker()
    nothing_gained = _return_to_start(search)
    if search.best is None or not search.has_plan:
        return None
    value = sign * search.best
    bound, status = _bound_and_status(search, nothing_gained)
    known = None if bound is None else sign * bound
    if known is not None:  # within the solver's tolerance
        known = max(known, value) if goal.maximise else min(known, value)
    search.common.record(goal, value, known, status)
    return GoalFound(goal, value, known, gap_of(value, known), status, search.certified)


def _return_to_start(search: GoalSearch) -> bool:
    """Go back to the start where the gain is negligible; whether no more can be gained."""
    negligible = search.goal.negligible
    if search.start is None or search.best is None or negligible <= 0:
        return False
    at_start = search.sign * value_at(search.common, search.goal, search.start)
    if 0.0 < at_start - search.best <= negligible:
        search.common.point, search.best = search.start, at_start
    return search.bound is not None and 0.0 <= at_start - search.bound <= negligible


def _bound_and_status(search: GoalSearch, nothing_gained: bool) -> tuple[float | None, Status]:
    """The bound that is valid, and how the search ended."""
    best, bound = search.best, search.bound
    if best is not None and bound is not None and passes(best, bound, False, search.goal.scale):
        return None, Status.BOUND_REFUTED
    if nothing_gained:  # all that could be gained is in the tolerance of earlier goals
        return bound, Status.OPTIMAL
    if search.closed:
        return bound, Status.OPTIMAL if close(best, bound, PROVEN) else Status.WITHIN_GAP
    if search.status == Status.NODE_LIMIT or search.settings.node_limit is not None:
        return bound, Status.NODE_LIMIT
    return bound, Status.INTERRUPTED if search.stopped else Status.TIME_LIMIT
