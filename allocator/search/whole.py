"""A plan of one model: all goals in order, the clean-up, and the audit's word on the result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts, promises_of
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.least_change import NAME as LEAST_CHANGE
from allocator.model.least_change import with_least_change
from allocator.model.model import Model
from allocator.model.rules.power import ROOM
from allocator.model.stating import state
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.bound_process import store_cuts
from allocator.search.bounds.proving import prover_of
from allocator.search.clean_up import cleaned_up
from allocator.search.found import GoalFound, gap_of
from allocator.search.impossible import reason
from allocator.search.lexicographic import solve_goal
from allocator.search.neighbourhoods import layout_of
from allocator.search.outcome import REFUSED
from allocator.search.paths.known import point_of_plan
from allocator.search.paths.repair import CandidatePool, candidate_pool_of
from allocator.search.plan_of_point import plan_at
from allocator.search.state import SearchState, hold, value_at, without_rooms
from allocator.search.strategy.budgets import PLAN
from allocator.search.task import SearchResult, Task, none_in_time
from allocator.solver.solver_model import SolverModel

DONE = (Status.OPTIMAL, Status.WITHIN_GAP, Status.INFEASIBLE)
"""Ends of a goal after which its bound has nothing to gain."""


def plan_model(
    task: Task,
    pool: CandidatePool | None,
    *,
    bounded: bool = True,
    exactly: bool = True,
    check: Callable[[], None] | None = None,
) -> SearchResult:
    """A plan of the model of all of a site.

    Parameters
    ----------
    task : Task
        The site and what the run has for it.
    pool : CandidatePool or None
        Candidates that are known already: then the site is a narrowed one.
    bounded : bool
        State the multicommodity formulation as well, for its bound.
    exactly : bool
        What must be served is asked to the last digit, at first.
    check : function
        Called now and then while the model is stated.
    """
    site, settings, clock = task.site, task.settings, task.clock
    began = clock.seconds()
    model, sets = state(site, settings.basis, settings.robustness, check)
    hopeless = [row.name for row in model.rows if not row.columns]
    if hopeless:
        return SearchResult(infeasible=True, reason=_hopeless(hopeless))
    clock.spend("build", clock.seconds() - began)
    goals = goals_of(model, sets)
    if not goals:
        why = "no plan exists: no demand can be served and nothing can be built"
        return SearchResult(infeasible=True, reason=why)
    slack, change = site.goal_slack, None
    if settings.keep is not None:
        goals, change = with_least_change(model, sets, goals, settings.keep, settings.keep_weight)
        slack = slack if change is None else max(slack, settings.keep_weight)
    common = _search_state(task, model, sets, pool, bounded)
    if common.pool is not None and pool is None:
        common.pool.search_uncompiled(settings.seed)
    end = None if task.limit is None else began + task.limit
    results, held = list[GoalFound](), list[GoalFound]()
    earlier, last = list[np.ndarray](), goals
    for number, goal in enumerate(goals):
        result = solve_goal(common, goal, _seconds_of_goal(clock, end, number, len(goals)))
        if common.worker is not None and result is not None and result.status in DONE:
            common.worker.end()  # the core is free for what comes after
        common.worker = None  # it knows of the first goal alone
        if common.pool is not None:
            common.pool.end_uncompiled()
        if result is None or result.status == Status.INFEASIBLE:
            left = None if end is None else end - clock.seconds()
            if exactly and not results and _must_serve(site) and (left is None or left > 0.0):
                near = replace(task, site=_less_asked(site), limit=left, executor=None, worker=None)
                again = plan_model(near, pool, bounded=bounded, exactly=False)
                if again.plan is not None:
                    return again
            if result is None:
                return SearchResult(trail=common.trail, reason=none_in_time(clock))
            why = reason(site, model, sets, settings, clock)
            return SearchResult(trail=common.trail, infeasible=True, reason=why)
        value = result.value
        if number < len(goals) - 1:
            value = without_rooms(common, goal, value, held, slack)
        results.append(result)
        held.append(result)
        assert common.point is not None
        earlier.append(common.point)
        if change is None or goal.name != LEAST_CHANGE:
            hold(common, goal, value, slack)
            continue
        slack = site.goal_slack
        hold(common, change, value_at(common, change, common.point))
        if settings.keep_weight > 0:  # what serves comes once more
            held, last = [], goals[number + 1 :]
    seconds = common.solver_model.left(most=PLAN.clean_up_seconds)
    point = cleaned_up(common, sets, seconds, last, site.goal_slack)
    plan, point = _accepted(common, site, sets, [point, *reversed(earlier)], _told(results))
    return SearchResult(plan, common.trail, values=model.by_key(point))


def _told(results: list[GoalFound]) -> list[GoalFound]:
    """Goals of the site, each as it was found at first: that is what its bound is of."""
    first = {id(result.goal): result for result in reversed(results)}
    return [one for one in results if first[id(one.goal)] is one and one.goal.name != LEAST_CHANGE]


def _search_state(
    task: Task, model: Model, sets: IndexSets, pool: CandidatePool | None, bounded: bool
) -> SearchState:
    """What the goals share: solver, candidate pool, formulations for the bound, warm start."""
    settings, clock = task.settings, task.clock
    # a bound of a narrowed site is none of the site: no time for it
    prover = None
    if pool is None and bounded:
        promises = () if sets.lossless else promises_of(sets)
        prover = prover_of(model, sets, partial(store_cuts, promises), settings, clock)
    start = settings.start
    return SearchState(
        SolverModel(model, lazy_cuts(model, sets), settings, clock),
        layout_of(model, sets),
        task.report,
        prover,
        worker=task.worker,
        pool=pool or candidate_pool_of(sets, settings, clock, task.executor),
        warm_start=None if start is None else point_of_plan(model, sets, start),
        narrowed=pool is not None,
    )


def _seconds_of_goal(clock: Clock, end: float | None, number: int, count: int) -> float | None:
    """Seconds for a goal: most of what is left for the first, an even share for the others."""
    if end is None:
        return None
    left = max(0.0, end - clock.seconds())
    return left * PLAN.first_goal if number == 0 and count > 1 else left / (count - number)


def _accepted(
    common: SearchState,
    site: Network,
    sets: IndexSets,
    points: list[np.ndarray],
    results: list[GoalFound],
) -> tuple[Plan, np.ndarray]:
    """The plan of the first point that the audit accepts; of the first one if it accepts none."""
    settings, clock = common.solver_model.settings, common.solver_model.clock
    model = common.solver_model.model
    began = clock.seconds()
    plans: list[tuple[Plan, np.ndarray]] = []
    for point in points:
        values = [(one, value_at(common, one.goal, point)) for one in results]
        goals = results if not plans else [_at_earlier_point(one, value) for one, value in values]
        plan = plan_at(site, settings, model, sets, point, goals)
        plans.append((plan, point))
        breaches = settings.breaches(site, plan) if settings.breaches is not None else ()
        if not breaches:
            break
        for breach in breaches:
            common.record(results[-1].goal, None, None, f"{REFUSED}{breach}")
    clock.spend("extract", clock.seconds() - began)
    return plans[0] if breaches else plans[-1]


def _at_earlier_point(result: GoalFound, value: float) -> GoalFound:
    """A goal with the value of an earlier point: nothing is proven of it but its bound."""
    if result.status == Status.BOUND_REFUTED:
        return replace(result, value=value)
    return replace(result, value=value, gap=gap_of(value, result.bound), status=Status.TIME_LIMIT)


def _must_serve(site: Network) -> bool:
    warmed = any(place.heat_demand is not None for place in site.places.values())
    return warmed or any(demand.min_share > 0 for demand in site.demands.values())


def _less_asked(site: Network) -> Network:
    """The site with :data:`ROOM` less of what must be served.

    What can be served but for rounding is otherwise called impossible, or not, by the solver's last
    digits.
    """
    return replace(
        site,
        places={
            name: place
            if place.heat_demand is None
            else replace(place, heat_demand=place.heat_demand * (1.0 - ROOM))
            for name, place in site.places.items()
        },
        demands={
            name: replace(demand, min_share=demand.min_share * (1.0 - ROOM))
            for name, demand in site.demands.items()
        },
    )


def _hopeless(names: list[str]) -> str:
    what = ", ".join(names)
    return (
        "no plan exists: nothing that may be built gives what must be served "
        f"(rules that cannot hold: {what})"
    )
