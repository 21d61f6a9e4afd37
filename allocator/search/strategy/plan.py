"""The phases of a plan, from the estimate beside it to the last bound."""

from __future__ import annotations

from allocator.search.around_plan import (
    alternatives,
    average_output,
    binding_limits,
    last_bound,
    limit_of_all_plans,
    marginal_values,
)
from allocator.search.best_plan import average_flow_estimate, best_plan, estimates_beside
from allocator.search.strategy.budgets import PLAN
from allocator.search.strategy.phase import Budget, Phase
from allocator.search.task import PlanState
from allocator.solver.settings import Settings

PlanPhases = tuple[Phase[PlanState], ...]


def is_firm(now: PlanState) -> bool:
    """The plan is to hold at all times."""
    return now.task.settings.basis == "firm"


def has_plan(now: PlanState) -> bool:
    """A plan is known."""
    return now.result.plan is not None


def has_firm_plan(now: PlanState) -> bool:
    """A plan that holds at all times is known."""
    return has_plan(now) and is_firm(now)


def wants_alternatives(now: PlanState) -> bool:
    """A plan is known, and others are asked for."""
    task = now.task
    return has_plan(now) and task.settings.alternatives > 1 and not task.clock.interrupted


def wants_marginal_values(now: PlanState) -> bool:
    """A plan is known, and marginal values are asked for."""
    task = now.task
    return has_plan(now) and task.settings.prices and not task.clock.interrupted


def has_worker(now: PlanState) -> bool:
    """A plan is known, and a background worker may have a bound of it."""
    return has_plan(now) and now.task.worker is not None


def plan_phases(settings: Settings) -> PlanPhases:
    """The phases of a plan, with shares by what is asked for."""
    share = PLAN.best_plan if settings.basis == "firm" else PLAN.best_plan_mean
    if settings.prices:
        share = PLAN.best_plan_priced
    if settings.alternatives > 1:
        share *= PLAN.before_alternatives
    ceiling = PLAN.ceiling_priced if settings.prices else PLAN.ceiling
    return (
        Phase("estimates beside", estimates_beside, Budget(PLAN.estimate_beside), is_firm),
        Phase("best plan", best_plan, Budget(share)),
        Phase("average-flow estimate", average_flow_estimate, Budget(PLAN.estimate), is_firm),
        Phase("limit of all plans", limit_of_all_plans, Budget(ceiling), has_firm_plan),
        Phase("average output", average_output, condition=has_firm_plan),
        Phase("binding limits", binding_limits, condition=has_plan),
        Phase("alternatives", alternatives, condition=wants_alternatives),
        Phase("marginal values", marginal_values, condition=wants_marginal_values),
        Phase("last bound", last_bound, condition=has_worker),
    )
