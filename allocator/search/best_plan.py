"""The best plan of a site on one basis, and the average-flow estimate beside a firm plan."""

from __future__ import annotations

from dataclasses import replace

from allocator.model.stating import offered
from allocator.plans.records import NOTHING, Plan
from allocator.search.bounds.disaggregated import flow_variable_count
from allocator.search.narrow import ModelState
from allocator.search.narrowing import pipe_column_count
from allocator.search.paths.repair import candidate_pool_of
from allocator.search.strategy.budgets import BOUND, NARROWED, PLAN
from allocator.search.strategy.model import model_phases
from allocator.search.strategy.phase import Budget, run_phases
from allocator.search.task import PlanState, SearchResult, Task

ESTIMATE = "the average-flow estimate"


def average_flow_estimate(now: PlanState, budget: Budget) -> PlanState:
    """The mean-basis plan beside a firm one, where there is time for it."""
    task, clock = now.task, now.task.clock
    left = clock.left()
    if left is not None and left < PLAN.estimate_seconds * len(task.site.sources):
        clock.left_out.append(ESTIMATE)
        return now
    quick = replace(
        task.settings,
        basis="mean",
        gap=max(task.settings.gap, 1e-3),
        robustness=NOTHING,
        start=None,
        breaches=None,
        keep=None,
    )
    mean = Task(task.site, quick, clock, clock.left(budget.share), None, task.executor)

    def estimated() -> Plan | None:
        return _search(mean, estimate=True).plan

    return replace(now, average=clock.in_time(ESTIMATE, estimated, None))


def best_plan(now: PlanState, budget: Budget) -> PlanState:
    """The best plan of the task."""
    task, average = now.task, now.average
    result = _search(replace(task, limit=task.clock.left(budget.share)))
    plan = result.plan
    if task.settings.basis == "mean":
        average = plan
    elif plan and average and average.power.mean_clean < plan.power.firm_clean:
        average = None  # searched for a short time, and worse than the firm plan: no use
    return replace(now, average=average, result=result)


def _search(task: Task, *, estimate: bool = False) -> SearchResult:
    """A plan of a site. ``estimate``: its value alone is of interest, not its bound."""
    settings, clock = task.settings, task.clock
    sets = offered(task.site, settings.basis, settings.robustness)
    large = pipe_column_count(sets) > NARROWED.pipe_columns
    pool = candidate_pool_of(sets, settings, clock, task.executor) if large else None
    bounded = not estimate or flow_variable_count(sets) <= BOUND.flows
    now = ModelState(task, sets, clock.seconds(), pool, bounded)
    return run_phases(model_phases(now), now).result
