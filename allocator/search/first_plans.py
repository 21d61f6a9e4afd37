"""First plans while the path search still goes on, so that whoever stops it has one.

A candidate is repaired with all its integers fixed: linear programs alone. That is done with the
first candidate, and then so seldom that it takes a tenth of the time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
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
from allocator.search.strategy.budgets import NARROWED
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel


@dataclass
class FirstPlans:
    """The best plan so far of a candidate, on a site whose model is narrowed to their corridors."""

    site: Network
    settings: Settings
    clock: Clock
    hear: Callable[[float, str], None]
    """Called with the value of the first goal of a better plan, and a word on it."""
    plan: Plan | None = None
    values: Mapping[Key, float] = field(default_factory=dict)

    def accept(self, candidate: Candidate) -> None:
        """Keep the plan of a candidate where it is the best, unless it is too late for it."""
        if self.clock.out():
            return
        began = self.clock.seconds()
        accepted = first_plan(self.site, self.settings, self.clock, candidate)
        self.clock.spend("first plans", self.clock.seconds() - began)
        if accepted is not None and better(accepted[0], self.plan):
            self.plan, self.values = accepted
            self.hear(self.plan.goals[0].value, "candidate")


def better(plan: Plan, other: Plan | None) -> bool:
    """True if a plan is ahead of another by its first goal."""
    if other is None:
        return True
    sign = 1.0 if plan.goals[0].sense == "max" else -1.0
    return sign * (plan.goals[0].value - other.goals[0].value) > 0.0


def first_plan(
    site: Network, settings: Settings, clock: Clock, candidate: Candidate
) -> tuple[Plan, Mapping[Key, float]] | None:
    """The plan of a candidate: its integers, the best amounts for each goal in turn, no bounds.

    With it the values of the model by key. None where these integers have no plan, or time is out.
    """
    small = narrowed(site, [candidate])
    model, sets = state(small, settings.basis, settings.robustness)
    goals = goals_of(model, sets)
    if not goals or any(not row.columns for row in model.rows):
        return None
    solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
    search_state = SearchState(solver_model, layout_of(model, sets), None)
    point = point_of(model, sets, candidate)
    results: list[GoalFound] = []

    def seconds() -> float | None:
        return solver_model.left(NARROWED.accepting, most=NARROWED.accepting_seconds)

    for goal in goals:
        solver_model.aim(goal)
        solved = solver_model.repaired(point, seconds())
        if solved.point is None and not results:
            return None
        point = point if solved.point is None else solved.point
        value = value_at(search_state, goal, point)
        results.append(GoalFound(goal, value, None, None, Status.TIME_LIMIT))
        hold(search_state, goal, value, site.goal_slack)
    last = finished(solver_model, (point,), seconds())
    point = point if last is None else last
    return plan_at(small, settings, model, sets, point, results), model.by_key(point)
