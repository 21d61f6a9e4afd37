"""The search state of a run through the goals: the best point so far, and what was reported."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from allocator.model.goals import Goal
from allocator.model.model import Row
from allocator.search.bound_worker import BoundWorker
from allocator.search.bounds.proving import Prover
from allocator.search.found import GoalFound, gap_of
from allocator.search.neighbourhoods import Layout
from allocator.search.outcome import Progress, Reporter
from allocator.search.paths.repair import CandidatePool
from allocator.search.strategy.budgets import PLAN
from allocator.solver.solver_model import SolverModel

HELD = 1e-7
"""An earlier goal may fall by this share of its value (or of its scale) for a later one."""
LAST_HELD = 1e-9
"""The same where a goal is had to the last digit."""


@dataclass
class SearchState:
    """The state of a lexicographic run. ``point``: the best sound point, scaled columns.

    ``worker``: at work on the bound of the goal that is being solved. ``pool``: its candidates.
    ``warm_start``: integers of the plan that the user gave to start from; every goal tries them.
    ``narrowed``: the model has the corridors of candidates alone, so its bounds are not the site's.
    """

    solver_model: SolverModel
    layout: Layout
    report: Reporter | None
    prover: Prover | None = None
    worker: BoundWorker | None = None
    pool: CandidatePool | None = None
    warm_start: np.ndarray | None = None
    narrowed: bool = False
    point: np.ndarray | None = None
    trail: tuple[Progress, ...] = ()

    def record(self, goal: Goal, value: float | None, bound: float | None, note: str) -> None:
        """Keep a line of progress and report it; a bound of a narrowed model is not reported."""
        if self.narrowed:
            bound = None
        line = Progress(
            self.solver_model.clock.seconds(),
            goal.name,
            value,
            bound,
            gap_of(value, bound),
            note,
        )
        self.trail = (*self.trail, line)
        if self.report is not None:
            self.report(line)


def value_at(search_state: SearchState, goal: Goal, point: np.ndarray) -> float:
    """A goal's value at a point, SI."""
    model = search_state.solver_model.model
    return model.value(goal.terms, model.by_key(point))


def hold(
    search_state: SearchState, goal: Goal, value: float, given_up: float = 0.0, room: float = HELD
) -> None:
    """Add the row that keeps a goal at a value, less the stated tolerance ``room``.

    ``given_up``: share of the value that the later goals may have.
    """
    row = held_row(search_state, goal, value, given_up, room)
    if row is not None and row.columns:
        search_state.solver_model.add([row])


def held_row(
    search_state: SearchState, goal: Goal, value: float, given_up: float = 0.0, room: float = HELD
) -> Row | None:
    """The row of :func:`hold`: ``goal >= value - slack``, or ``<= value + slack``."""
    slack = max(max(room, given_up) * abs(value), goal.scale * room / HELD)
    model = search_state.solver_model.model
    if goal.maximise:
        return model.scaled_row(f"held[{goal.name}]", goal.terms, low=value - slack)
    return model.scaled_row(f"held[{goal.name}]", goal.terms, high=value + slack)


def without_rooms(
    search_state: SearchState,
    goal: Goal,
    value: float,
    earlier: Sequence[GoalFound],
    given_up: float,
) -> float:
    """What a goal is worth with the integers of the best point and no room of earlier goals.

    A pipe may draw a millionth of a watt out of the tolerance at which an earlier goal is held.
    Were that kept, later goals could not do without the pipe: it is more than their own tolerance.
    The value as it is where nothing is found in a moment.
    """
    rows = (held_row(search_state, f.goal, f.value, given_up, LAST_HELD) for f in earlier)
    kept = [row for row in rows if row is not None and row.columns]
    solver_model, point = search_state.solver_model, search_state.point
    if not earlier or point is None:
        return value
    solver_model.aim(goal)
    solved = solver_model.exact(point, solver_model.left(most=PLAN.held_goal_seconds), rows=kept)
    if solved.point is None:
        return value
    own = value_at(search_state, goal, solved.point)
    return min(value, own) if goal.maximise else max(value, own)
