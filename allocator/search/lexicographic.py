"""Goals one after the other: each solved with the earlier ones held at the plan's value."""

from __future__ import annotations

from allocator.base.status import Status
from allocator.model.goals import Goal
from allocator.search.found import GoalFound
from allocator.search.goal_steps import GoalSteps
from allocator.search.state import SearchState

PATHS_UNTIL, MORE_PATHS = 0.8, 0.5
"""Share of a goal's time until which paths go on, and of what is left that they have at a time."""


def solve_goal(search_state: SearchState, goal: Goal, limit: float | None) -> GoalFound | None:
    """Solve one goal; None when no sound point is known at the end.

    The search keeps what is proven of the bound and what is best of the points. A status of
    ``infeasible`` in the result means that the program has no point at all.
    """
    steps = GoalSteps(search_state, goal, limit)
    no_plan = GoalFound(goal, 0.0, None, None, Status.INFEASIBLE)
    if search_state.point is None:
        steps.from_what_stands()
        steps.from_given_plan()
    else:
        if steps.deadline.out() and not goal.maximise:
            return steps.judged_unsought()
        steps.from_earlier_goals()
    steps.by_paths(0.05 * (steps.deadline.left() or 0.0))
    if not steps.relaxed():
        return no_plan
    if steps.beside is not None:
        _plans_alone(steps)
        if steps.status == Status.INFEASIBLE and search_state.point is None:
            return no_plan
        return steps.judged()
    late = steps.ideas is not None  # paths not compiled yet: a plan first, then its bound
    # paths have found what the program and its neighbourhoods would: the bound has the time
    by_paths = search_state.ideas is not None and steps.start is None and not late
    if search_state.prover is not None and by_paths and not steps.closed and not steps.stopped:
        steps.tightened(0.4)
        steps.status = Status.TIME_LIMIT
        if search_state.prover.uncut and not steps.closed and steps.gap_is_wide:
            steps.whole_program(0.7, 1)
    elif not steps.closed:
        # without paths the sites are small: what the plain program can close, it closes here
        patient = search_state.prover is None or search_state.ideas is None or late
        steps.whole_program(0.35 if patient else 0.08, 50)
        if steps.status == Status.INFEASIBLE and search_state.point is None:
            return no_plan
    if search_state.prover is not None and not by_paths and not late and not steps.closed:
        steps.tightened(0.3)
        if search_state.ideas is None:
            if steps.origins_lead:
                steps.by_origin(0.35)
            elif steps.status == Status.TIME_LIMIT:
                steps.whole_program(0.7, 1)
    if search_state.point is not None and not steps.closed:
        if not by_paths:
            steps.neighbourhoods(until=0.8 if search_state.ideas is None or late else 0.5)
        if not steps.stopped and steps.status != Status.OPTIMAL:
            _bound_to_the_end(steps, late)
    return steps.judged()


def _plans_alone(steps: GoalSteps) -> None:
    """All time for plans, while another process looks for the bound."""
    if steps.closed:
        return
    by_paths = steps.search_state.ideas is not None and steps.ideas is None
    # what the search by paths could go on with, the plain program would not find
    while not steps.closed and not steps.stopped and steps.deadline.spent() < PATHS_UNTIL:
        if not steps.more_by_paths(MORE_PATHS):
            break
    steps.whole_program(1.0 if by_paths else 0.5, 50)
    if (
        steps.search_state.point is None
        or steps.closed
        or steps.stopped
        or steps.status == Status.OPTIMAL
    ):
        return
    steps.neighbourhoods(until=0.8)
    steps.whole_program(1.0, 50)


def _bound_to_the_end(steps: GoalSteps, late: bool) -> None:
    """All time that is left for the bound: by the program that leads, where both were tried."""
    search_state = steps.search_state
    prover = search_state.prover
    if (
        prover is None
        or not prover.trusted
        or (search_state.ideas is None and not steps.origins_lead)
    ):
        steps.whole_program(1.0, 1)
        return
    if late:
        steps.tightened(0.3)
    if steps.solver_model.settings.node_limit is None:
        steps.by_origin(1.0)
        # it may end early, by an error of the solver or for want of memory
        if steps.deadline.spent() < 0.9 and not steps.closed:
            steps.whole_program(1.0, 1)
