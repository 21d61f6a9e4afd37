"""Phases of the search for a goal that improve its bound, and points on the way to it."""

from __future__ import annotations

import numpy as np

from allocator.base.status import Status
from allocator.search.bounds.bound_proof import BoundProof
from allocator.search.goal_search import GoalSearch
from allocator.search.strategy.budgets import GOAL
from allocator.search.strategy.phase import Budget
from allocator.solver.interface import FINE_TOLERANCE, INTEGER_TOLERANCE

INTEGRAL = 1e-7
"""Distance to an integer within which a value of the relaxation is one."""


def relaxation(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The bound of the linear relaxation, and its point if that is integral."""
    solved = search.solver_model.relaxed(search.deadline.left(budget.share))
    if solved.status == Status.INFEASIBLE and not search.has_plan:
        search.status = Status.INFEASIBLE
        return search
    bound = search.solver_model.unscaled(solved.bound)
    search.improve_bound(bound, certified=solved.certified)
    if solved.point is not None and _is_integral(search, solved.point):
        search.repair(solved.point, 1.0, "relaxation")
    return search


def _is_integral(search: GoalSearch, point: np.ndarray) -> bool:
    columns = search.solver_model.model.columns
    values = point[[number for number, column in enumerate(columns) if column.integer]]
    return bool(np.all(np.abs(values - np.round(values)) <= INTEGRAL))


def integer_model(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The aggregated integer model, again while its points need new store cuts."""
    search.status = _integer_status(search, budget)
    return search


def integer_model_until_compiled(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The same while the path search is being compiled: it ends as soon as that can begin.

    Where the candidates were tried already, there is nothing to wait for.
    """
    pool, solver_model = search.untried, search.solver_model
    if pool is None:
        return integer_model(search, budget)
    before = solver_model.enough
    solver_model.enough = lambda: pool.ready(0.0) or (before is not None and before())
    try:
        status = _integer_status(search, budget)
    finally:
        solver_model.enough = before
    if status == Status.INTERRUPTED and not search.stopped:
        status = Status.TIME_LIMIT
    search.status = status
    return search


def _integer_status(search: GoalSearch, budget: Budget) -> Status:
    settings, tolerance = search.settings, INTEGER_TOLERANCE
    for _ in range(budget.rounds):
        if search.deadline.out():
            return Status.TIME_LIMIT
        solver = search.solver_model.solver
        solver.exchanging = search.worker is not None
        try:
            solved = search.solver_model.run(
                time_limit=search.deadline.left(budget.share),
                node_limit=settings.node_limit,
                gap=settings.gap,
                start=search.common.point,
                tolerance=tolerance,
            )
        finally:
            solver.exchanging = False
        search.improve_bound(search.solver_model.unscaled(solved.bound))
        if solved.point is None:
            return solved.status
        rows = search.solver_model.broken(solved.point)
        search.solver_model.add(rows)
        search.repair(solved.point, 1.0, "integer model")
        search.hear_worker()
        if search.closed or solved.status != Status.OPTIMAL:
            return solved.status
        if not rows:
            if tolerance == FINE_TOLERANCE:
                return Status.OPTIMAL
            tolerance = FINE_TOLERANCE
    return Status.TIME_LIMIT


def multicommodity_relaxation(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The bound of the multicommodity formulation, relaxed."""
    prover = search.prover
    assert prover is not None
    prover.aim(search.goal)
    bound = prover.relaxed(search.deadline.left(budget.share), search.known())
    search.improve_bound(bound, multicommodity=True)
    return search


def multicommodity_integer(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The multicommodity integer model: cutoff after cutoff, while each is settled in time."""
    prover, clock = search.prover, search.solver_model.clock
    limit = search.deadline.left(budget.share)
    assert prover is not None
    began = clock.seconds()

    def improve(bound: float | None) -> None:
        search.improve_bound(bound, multicommodity=True)

    def left() -> float | None:
        return None if limit is None else limit - (clock.seconds() - began)

    proof = BoundProof(prover, search.settings.gap, clock, improve)
    while prover.trusted and not search.closed and not search.stopped:
        seconds = left()
        if seconds is not None and seconds <= GOAL.least_seconds:
            break
        before = (search.best, search.bound)
        if search.best is None or search.bound is None:
            result = prover.mixed(seconds, search.known())
            improve(result.bound)
        else:
            proof.state(search.best, search.bound, seconds)
            result = proof.turn(lambda: search.best, search.bound, left(), search.known)
        if result.columns is not None:
            search.repair(result.columns, 1.0, "multicommodity")
        elif result.ended:
            search.record_bound("multicommodity")
        if not result.ended or (search.best, search.bound) == before:
            break
    return search
