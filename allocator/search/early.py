"""Plans while the search by paths still goes on, so that whoever stops it has one.

A find is taken over with all its whole numbers held: linear programs alone. That is done with the
first find, and then so seldom that it takes a tenth of the time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.model import Key
from allocator.model.stating import state
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.clean_up import finished
from allocator.search.found import GoalFound
from allocator.search.narrowing import narrowed
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import point_of
from allocator.search.plan_of_point import plan_at
from allocator.search.state import SearchState, hold, value_at
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

SELDOM = 10.0
"""Times what it took that is let pass before it is done again."""
MOST_SECONDS = 20.0


class Seldom:
    """Does something at the first call, and again when ``SELDOM`` times its time has passed.

    ``once``: at the first call alone, where what comes out may not depend on seconds.
    """

    def __init__(self, act: Callable[[Candidate], None], once: bool) -> None:
        self._act = act
        self._once = once
        self._due: float | None = None

    def __call__(self, find: Candidate, note: str = "") -> None:
        """Act on a find, where it is due."""
        del note
        began = time.perf_counter()
        if self._due is not None and (self._once or began < self._due):
            return
        self._act(find)
        ended = time.perf_counter()
        self._due = ended + SELDOM * (ended - began)


@dataclass
class Early:
    """The best plan landed so far on a site that is planned on the corridors of finds alone."""

    site: Network
    settings: Settings
    clock: Clock
    told: Callable[[float, str], None]
    """Called with the value of the first goal of a better plan, and a word on it."""
    plan: Plan | None = None
    values: Mapping[Key, float] = field(default_factory=dict)

    def land(self, find: Candidate) -> None:
        """Keep the plan of a find where it is the best, unless it is too late for it."""
        if self.clock.out():
            return
        began = self.clock.seconds()
        landed = early_plan(self.site, self.settings, self.clock, find)
        self.clock.spend("first plans", self.clock.seconds() - began)
        if landed is not None and better(landed[0], self.plan):
            self.plan, self.values = landed
            self.told(self.plan.goals[0].value, "paths")


def better(plan: Plan, other: Plan | None) -> bool:
    """True if a plan is ahead of another by its first goal."""
    if other is None:
        return True
    sign = 1.0 if plan.goals[0].sense == "max" else -1.0
    return sign * (plan.goals[0].value - other.goals[0].value) > 0.0


def early_plan(
    site: Network, settings: Settings, clock: Clock, find: Candidate
) -> tuple[Plan, Mapping[Key, float]] | None:
    """The plan of a find: its whole numbers, the best amounts for each goal in turn, no bounds.

    With it the values of the program by key. None where these whole numbers have no plan, or time
    is out.
    """
    small = narrowed(site, [find])
    model, sets = state(small, settings.basis, settings.withstands)
    promises = () if sets.lossless else promises_of(sets)
    goals = goals_of(model, sets)
    if not goals or any(not row.columns for row in model.rows):
        return None
    solver_model = SolverModel(
        model, lambda v, tolerance: violated(model, promises, v, tolerance), settings, clock
    )
    search_state = SearchState(solver_model, layout_of(model, sets), None)
    point = point_of(model, sets, find)
    found: list[GoalFound] = []
    for goal in goals:
        solver_model.aim(goal)
        solved = solver_model.repaired(point, solver_model.left(0.3, most=MOST_SECONDS))
        if solved.point is None and not found:
            return None
        point = point if solved.point is None else solved.point
        value = value_at(search_state, goal, point)
        found.append(GoalFound(goal, value, None, None, Status.TIME_LIMIT))
        hold(search_state, goal, value, site.goal_slack)
    last = finished(solver_model, (point,), solver_model.left(0.3, most=MOST_SECONDS))
    point = point if last is None else last
    return plan_at(small, settings, model, sets, point, found), model.by_key(point)
