"""Goals one after the other: each solved with the earlier ones held at the plan's value."""

from __future__ import annotations

from allocator.model.goals import Goal
from allocator.search.found import GoalFound
from allocator.search.goal_result import result_of
from allocator.search.goal_search import GoalSearch, goal_search_of
from allocator.search.state import SearchState
from allocator.search.strategy.goal import main_phases, opening_phases
from allocator.search.strategy.phase import run_phases


def solve_goal(common: SearchState, goal: Goal, limit: float | None) -> GoalFound | None:
    """Solve one goal by the phases of the strategy.

    Parameters
    ----------
    common : SearchState
        What the goals share. Its point is the start of this search, and afterwards its best.
    goal : Goal
        The goal.
    limit : float or None
        Seconds; None for no limit.

    Returns
    -------
    GoalFound or None
        None where no sound point is known at the end. The status ``infeasible`` means that the
        model has no point at all.
    """
    search = goal_search_of(common, goal, limit)
    try:
        if search.start is None or goal.maximise or not search.deadline.out():
            search = run_phases(opening_phases(search), search, lambda now: now.infeasible)
            search = run_phases(main_phases(search), search, _ended)
        return result_of(search)
    finally:
        common.solver_model.enough = None


def _ended(search: GoalSearch) -> bool:
    search.hear_worker()
    return search.closed or search.stopped or search.infeasible
