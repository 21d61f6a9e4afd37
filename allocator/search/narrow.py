"""Very large sites: candidates first, then the model of their corridors, then a bound of the site.

A plan of the narrowed site is a plan of the site. Its bounds are not: they are taken from the
relaxation of the whole model, or, where that is too large to be stated, from what carrying takes
and what all sources give at their means (:mod:`allocator.search.narrowing`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

from allocator.base.clock import OutOfTimeError
from allocator.model.cuts import lazy_cuts, promises_of
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.stating import state
from allocator.plans.records import Plan
from allocator.search.bound_process import carries, carrying_bound, store_cuts
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.proving import prover_of
from allocator.search.first_plans import FirstPlans, better
from allocator.search.narrowing import all_at_means, narrowed, pipe_column_count, with_bounds_of
from allocator.search.outcome import Progress
from allocator.search.paths.network import Candidate, first_service
from allocator.search.paths.repair import MISJUDGED, CandidatePool
from allocator.search.seldom import Seldom
from allocator.search.strategy.budgets import BOUND, NARROWED
from allocator.search.strategy.phase import Budget
from allocator.search.task import NO_RESULT, SearchResult, Task, none_in_time
from allocator.search.whole import plan_model
from allocator.solver.solver_model import SolverModel


@dataclass(frozen=True, slots=True)
class ModelState:
    """What is known of a site's plan between the phases that state its model.

    ``began``: s, when the first phase began. ``pool``: of a site whose model is narrowed.
    ``bounded``: state the multicommodity formulation as well, for its bound. ``bound``: W, of the
    first goal on the whole site, where the model is narrowed.
    """

    task: Task
    sets: IndexSets
    began: float
    pool: CandidatePool | None = None
    bounded: bool = True
    result: SearchResult = NO_RESULT
    bound: float | None = None

    @property
    def goal(self) -> str:
        """Name of the first goal, where the path search knows it."""
        return first_service(self.sets) or ""

    def left(self) -> float | None:
        """Seconds of the limit that are left."""
        return self.task.left(self.began)


def whole_model(now: ModelState, budget: Budget) -> ModelState:
    """A plan of the model of the whole site."""
    del budget
    return replace(now, result=plan_model(now.task, None, bounded=now.bounded))


def candidates_first(now: ModelState, budget: Budget) -> ModelState:
    """Candidates of the path search; the best one that was accepted on the way is a first plan."""
    task, pool, goal = now.task, now.pool, now.goal
    assert pool is not None

    def record(value: float, note: str) -> None:
        if task.report is not None:
            task.report(Progress(task.clock.seconds(), goal, value, None, None, note))

    def accepted(value: float, note: str) -> None:
        if task.worker is not None:
            task.worker.report_plan(-value, None)
        record(value, note)

    first = FirstPlans(task.site, task.settings, task.clock, accepted)
    accept = Seldom(first.accept, once=task.settings.node_limit is not None)

    def hear(candidate: Candidate, note: str) -> None:
        if task.worker is not None:
            task.worker.expect_plan(-candidate.value)
        record(candidate.value, f"{note}, estimated")
        accept(candidate)

    pool.search(candidate_seconds(task.limit, budget.share, len(now.sets.sources)), hear)
    if task.settings.node_limit is None and is_ahead(pool.candidates[0], first.plan):
        first.accept(pool.candidates[0])  # what comes after it may find nothing in its time
    return replace(now, result=SearchResult(first.plan, values=first.values))


def candidate_seconds(limit: float | None, share: float, sources: int) -> float | None:
    """Seconds for candidates: a share of a limit, less where the narrowed model needs the rest."""
    if limit is None:
        return None
    rest = limit - NARROWED.repairing_seconds * sources
    return max(min(share, NARROWED.candidates) * limit, min(share * limit, rest))


def is_ahead(candidate: Candidate, plan: Plan | None) -> bool:
    """Whether the path search thinks more of a candidate than a plan has."""
    return plan is None or candidate.value > plan.goals[0].value * (1.0 + MISJUDGED)


def narrowed_model(now: ModelState, budget: Budget) -> ModelState:
    """A plan of the model on the corridors of the best candidates, or the first plan if better."""
    task, pool, first = now.task, now.pool, now.result
    assert pool is not None
    small, left = narrowed(task.site, pool.candidates), now.left()
    limit = None if left is None else budget.share * max(NARROWED.least_seconds, left)
    check = None if first.plan is None else task.clock.check
    try:
        narrow = Task(small, task.settings, task.clock, limit, task.report)
        result = plan_model(narrow, pool, check=check)
    except OutOfTimeError:
        result = SearchResult()
    if first.plan is not None and (result.plan is None or better(first.plan, result.plan)):
        result = replace(first, trail=result.trail)
    if result.plan is None:
        result = SearchResult(trail=result.trail, reason=none_in_time(task.clock))
    elif task.worker is not None:
        task.worker.report_plan(-result.plan.goals[0].value, None)
    return replace(now, result=result)


def bound_at_means(now: ModelState, budget: Budget) -> ModelState:
    """The plan with the bound that all sources give at their means, and no other."""
    del budget
    return _bounded(now, all_at_means(now.task.site, now.sets, now.goal))


def relaxed_bound(now: ModelState, budget: Budget) -> ModelState:
    """The plan with the tighter of its bound and that of the relaxation of the whole model."""
    del budget
    plan, left = now.result.plan, now.left()
    if plan is None or (left is not None and left <= NARROWED.least_seconds):
        return now
    too_large = pipe_column_count(now.sets) > NARROWED.relaxed_pipe_columns
    if carries(now.sets):
        seconds = left if left is None or too_large else BOUND.carrying * left
        carried = partial(_carried, now, seconds)
        now = _bounded(now, now.task.clock.in_time("a tighter bound", carried, None))
        left = now.left()
    if too_large or (left is not None and left <= NARROWED.least_seconds):
        return now
    relaxed = partial(_relaxed, now.task, plan, left)
    return _bounded(now, now.task.clock.in_time("a tighter bound", relaxed, None))


def _bounded(now: ModelState, bound: float | None) -> ModelState:
    """The plan with the tighter of a bound and the one that is known, where there is one."""
    assert now.result.plan is not None
    known = [one for one in (bound, now.bound) if one is not None]
    bounds = {now.goal: min(known)} if known else {}
    plan = with_bounds_of(now.result.plan, bounds, now.task.clock.interrupted)
    result = replace(now.result, plan=plan)
    return replace(now, result=result, bound=min(known, default=None))


def _carried(now: ModelState, limit: float | None) -> float | None:
    """The bound by what carrying takes of the stocks at the least."""
    heard: list[float] = []
    carrying_bound(now.sets, now.task.settings, now.task.clock, limit, heard.append)
    return -heard[-1] if heard else None


def _relaxed(task: Task, plan: Plan, limit: float | None) -> float | None:
    """The bound of the whole model's relaxation on its first goal, which is maximised.

    Multicommodity where that can be stated, for plans better than the one that is known.
    """
    site, settings, clock = task.site, task.settings, task.clock
    ends = None if limit is None else clock.seconds() + limit
    model, sets = state(site, settings.basis, settings.robustness, clock.check)
    promises = () if sets.lossless else promises_of(sets)
    goal = goals_of(model, sets)[0]
    prover = prover_of(model, sets, partial(store_cuts, promises), settings, clock)
    if prover is not None:
        prover.aim(goal)
        left = None if ends is None else ends - clock.seconds()
        known = Known(-plan.goals[0].value, None)
        bound = prover.relaxed(left, known, BOUND.patient_rounds)
        return None if bound is None else -bound
    solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
    solver_model.aim(goal)
    left = None if ends is None else ends - clock.seconds()
    bound = solver_model.unscaled(solver_model.relaxed(left).bound)
    return None if bound is None else -bound
