"""The best plan of a site on one basis, and the average-flow estimate beside a firm plan."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from allocator.base.clock import Clock
from allocator.model.stating import offered
from allocator.model.steady import never_varies
from allocator.network.records import Network
from allocator.plans.records import NOTHING, Ceiling, Plan
from allocator.search.beside import Beside
from allocator.search.bounds.disaggregated import flow_variable_count
from allocator.search.ceiling import ceiling_of
from allocator.search.narrow import ModelState
from allocator.search.narrowing import pipe_column_count
from allocator.search.paths.repair import candidate_pool_of
from allocator.search.strategy.budgets import BOUND, NARROWED, PLAN
from allocator.search.strategy.model import model_phases
from allocator.search.strategy.phase import Budget, run_phases
from allocator.search.task import PlanState, SearchResult, Task
from allocator.site.records import POWER

ESTIMATE = "the average-flow estimate"


def estimates_beside(now: PlanState, budget: Budget) -> PlanState:
    """On a small site, the average-flow estimate and the ceiling begun beside the best plan.

    They are taken when the best plan is there (:mod:`allocator.search.beside`).
    """
    task = now.task
    if not task.small or task.worker is None or not wants_power(task.site) or averages_hold(task):
        return now
    own = Clock(task.clock.left())
    alone = replace(task, worker=None, report=None, executor=None)
    share = partial(_estimate, alone, budget, None)
    limit, delay = partial(_limit_beside, task), PLAN.beside_delay_seconds
    return replace(now, beside=Beside(own, share, limit, delay))


def average_flow_estimate(now: PlanState, budget: Budget) -> PlanState:
    """The mean-basis plan beside a firm one, where there is time for it.

    It is there for the figures of power, and comes after the best plan: it begins with the pipes
    of that plan, and the loops of the path search are compiled by then. Where nothing varies it is
    the plan itself.
    """
    task, clock = now.task, now.task.clock
    if now.beside is not None or not wants_power(task.site) or averages_hold(task):
        return now
    left = clock.left()
    if left is not None and left < PLAN.estimate_seconds * len(task.site.sources):
        clock.left_out.append(ESTIMATE)
        return now
    estimated = partial(_estimate, task, budget, now.result.plan, clock)
    average = clock.in_time(ESTIMATE, estimated, None)
    return replace(now, average=no_worse(average, now.result.plan))


def no_worse(average: Plan | None, plan: Plan | None) -> Plan | None:
    """The estimate, unless it was searched for so short a time that it is below the firm plan."""
    if average and plan and average.power.mean_clean < plan.power.firm_clean:
        return None
    return average


def _estimate(task: Task, budget: Budget, start: Plan | None, clock: Clock) -> Plan | None:
    quick = replace(
        task.settings,
        basis="mean",
        gap=max(task.settings.gap, 1e-3),
        robustness=NOTHING,
        start=start,
        breaches=None,
        keep=None,
    )
    mean = Task(task.site, quick, clock, clock.left(budget.share), None, task.executor)
    return _search(mean, estimate=True).plan


def _limit_beside(task: Task, clock: Clock) -> Ceiling:
    return ceiling_of(task.site, task.settings, clock, clock.left())


def wants_power(site: Network) -> bool:
    """Whether a site has a demand for power: estimates and limits under any control are of power"""
    return any(demand.wants == POWER for demand in site.demands.values())


def averages_hold(task: Task) -> bool:
    """Whether a firm plan is one of averages as well, since nothing on the site varies."""
    site, settings = task.site, task.settings
    if settings.basis != "firm" or not all(s.steady for s in site.sources.values()):
        return False
    return never_varies(offered(site, settings.basis, settings.robustness))


def best_plan(now: PlanState, budget: Budget) -> PlanState:
    """The best plan of the task."""
    task, average = now.task, now.average
    result = _search(replace(task, limit=task.clock.left(budget.share)))
    plan = result.plan
    if now.beside is not None:
        now.beside.finish(hurry=task.clock.interrupted or plan is None)
        average = now.beside.average
    if task.settings.basis == "mean":
        average = plan
    elif plan is not None and wants_power(task.site) and averages_hold(task):
        power = plan.power
        same = replace(power, mean_clean=power.firm_clean, mean_total=power.firm_total)
        average = replace(plan, power=same)
    return replace(now, average=no_worse(average, plan), result=result)


def _search(task: Task, *, estimate: bool = False) -> SearchResult:
    """A plan of a site. ``estimate``: its value alone is of interest, not its bound."""
    settings, clock = task.settings, task.clock
    sets = offered(task.site, settings.basis, settings.robustness)
    large = pipe_column_count(sets) > NARROWED.pipe_columns
    pool = candidate_pool_of(sets, settings, clock, task.executor) if large else None
    bounded = not estimate or flow_variable_count(sets) <= BOUND.flows
    now = ModelState(task, sets, clock.seconds(), pool, bounded)
    return run_phases(model_phases(now), now).result
