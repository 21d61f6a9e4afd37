"""Phases after the best plan: its limits, its average output, other plans, marginal values."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from allocator.base.status import Status
from allocator.model.index_sets import index_sets_of
from allocator.network.cautions import cautions_for
from allocator.plans.records import Ceiling, Plan, Price
from allocator.search.alternatives import alternatives_of
from allocator.search.best_plan import averages_hold
from allocator.search.binding import binding_constraints
from allocator.search.bound_worker import with_bound_of
from allocator.search.ceiling import ceiling_of
from allocator.search.found import passes
from allocator.search.narrowing import bounded_by
from allocator.search.nothing_given import gives_nothing, why_nothing
from allocator.search.operation import mean_output
from allocator.search.outcome import Progress
from allocator.search.plan_of_point import plan_at
from allocator.search.prices import prices_of
from allocator.search.strategy.budgets import PLAN
from allocator.search.strategy.phase import Budget
from allocator.search.task import PlanState, Task
from allocator.site.emissions import is_clean


def limit_of_all_plans(now: PlanState, budget: Budget) -> PlanState:
    """A firm plan with its ceiling, where there is time."""
    known = None if now.beside is None else now.beside.ceiling
    limited = partial(_with_ceiling, now.task, now.plan, budget, known)
    return _with(now, now.task.clock.in_time("the limit of all plans", limited, now.plan))


def _with_ceiling(task: Task, plan: Plan, budget: Budget, known: Ceiling | None) -> Plan:
    settings, clock = task.settings, task.clock
    if clock.interrupted:
        return plan
    limit = None
    if settings.node_limit is None:
        limit = max(clock.left(budget.share) or 0.0, PLAN.ceiling_seconds)
    if task.small and task.worker is not None:
        limit = PLAN.ceiling_seconds  # where its own thread did not come to it
    known = known or _where_nothing_varies(task, plan)
    ceiling = known or ceiling_of(task.site, settings, clock, limit)

    def at_least(bound: float | None, value: float) -> float | None:
        if bound is None or passes(value, bound, True, 1e-9 * plan.power.demand_mean):
            return None  # no ceiling at all, if a plan passes it
        return max(min(bound, plan.power.demand_mean), value)

    clean = at_least(ceiling.clean, plan.power.firm_clean)
    total = at_least(ceiling.total, plan.power.firm_total)
    clean_kind = None if clean is None else ceiling.clean_kind
    total_kind = None if total is None else ceiling.total_kind
    return bounded_by(
        replace(plan, ceiling=Ceiling(clean, total, clean_kind, total_kind)),
        {"clean_power": clean, "served_power": total},
        {"clean_power": clean_kind, "served_power": total_kind},
    )


def _where_nothing_varies(task: Task, plan: Plan) -> Ceiling | None:
    """The bound of the first goal, where the firm model is the one at averages, and all is clean.

    No control can have more than the averages then.
    """
    goal, machines = plan.goals[0], task.site.machines.values()
    if goal.name not in ("clean_power", "served_power") or goal.bound is None:
        return None
    if not averages_hold(task) or not all(is_clean(task.site, one) for one in machines):
        return None
    return Ceiling(goal.bound, goal.bound, goal.bound_kind, goal.bound_kind)


def average_output(now: PlanState, budget: Budget) -> PlanState:
    """A firm plan with its average output, where there is time."""
    del budget
    task, plan = now.task, now.plan
    average = partial(mean_output, task.site, plan, task.settings, task.clock)
    means = task.clock.in_time("the average output", average, None)
    if means is None:
        return now
    power = replace(plan.power, mean_clean=means[0], mean_total=means[1])
    return _with(now, replace(plan, power=power))


def binding_limits(now: PlanState, budget: Budget) -> PlanState:
    """The plan with its binding constraints, and its cautions."""
    del budget
    task, plan = now.task, now.plan
    sets = index_sets_of(task.site)
    limits = binding_constraints(sets, plan, now.average)
    if gives_nothing(plan):
        limits = (*why_nothing(task.site, sets, task.settings, task.clock, plan), *limits)
    return _with(now, replace(plan, limits=limits, cautions=cautions_for(task.site)))


def alternatives(now: PlanState, budget: Budget) -> PlanState:
    """Other good plans."""
    del budget
    task = now.task
    settings = replace(task.settings, start=None)
    read = partial(plan_at, task.site, task.settings)
    others = partial(alternatives_of, task.site, settings, task.clock, now.plan, read)
    return replace(now, alternatives=task.clock.in_time("other plans", others, ()))


def marginal_values(now: PlanState, budget: Budget) -> PlanState:
    """The plan with what one more of each limit is worth."""
    del budget
    task = now.task
    priced = partial(prices_of, task.site, task.settings, task.clock, now.result.values)
    none: tuple[Price, ...] = ()
    prices = task.clock.in_time("the marginal value of each limit", priced, none)
    return _with(now, replace(now.plan, prices=prices))


def last_bound(now: PlanState, budget: Budget) -> PlanState:
    """The plan with what the background worker knows of its bound by now."""
    del budget
    task, worker, clock = now.task, now.task.worker, now.task.clock
    assert worker is not None
    open_goal = now.plan.goals[0].status == Status.TIME_LIMIT
    worker.end(clock.left() or 0.0 if open_goal else 0.0)
    plan = with_bound_of(now.plan, worker, task.settings.gap)
    if worker.fault and task.report is not None:
        goal = plan.goals[0]
        note = f"the background bound worker ended by a fault: {worker.fault}"
        task.report(Progress(clock.seconds(), goal.name, goal.value, goal.bound, goal.gap, note))
    return _with(now, plan)


def _with(now: PlanState, plan: Plan) -> PlanState:
    return replace(now, result=replace(now.result, plan=plan))
