"""Phases of the search for a goal that offer points: plans known already, candidates, parts."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from allocator.search.goal_search import NEAR_GAP, GoalSearch
from allocator.search.neighbourhoods import neighbourhoods_of
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import CandidatePool
from allocator.search.paths.ways import losses_along, other_ways
from allocator.search.seldom import Seldom
from allocator.search.strategy.budgets import CANDIDATES, GOAL
from allocator.search.strategy.phase import Budget


def existing_assets(search: GoalSearch, budget: Budget) -> GoalSearch:
    """Existing assets and nothing new: the first plan wherever it is one."""
    columns = search.solver_model.model.columns
    search.repair(np.array([c.low for c in columns]), budget.share, "existing assets")
    return search


def warm_start(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The plan that the user gave.

    A later goal tries it again: earlier goals may have left it for a gain within what they give up
    anyway.
    """
    given = search.common.warm_start
    assert given is not None
    search.repair(given, budget.share, "warm start")
    return search


def pipes_of_warm_start(search: GoalSearch, budget: Budget) -> GoalSearch:
    """What the pipes of the plan that the user gave allow."""
    given, columns = search.common.warm_start, search.common.layout.columns
    assert given is not None
    search.search_near(given, columns, budget.share, "pipes of the warm start")
    return search


def earlier_plan(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The plan of the earlier goals with the best amounts for this one."""
    assert search.start is not None
    search.repair(search.start, budget.share, "earlier plan", _step_seconds(search, budget))
    return search


def re_dispatch(search: GoalSearch, budget: Budget) -> GoalSearch:
    """All assets fixed, their operation decided again."""
    built, least = search.common.layout.built, _step_seconds(search, budget)
    search.search_near(search.point, built, budget.share, "re-dispatch", least)
    return search


def built_on(search: GoalSearch, budget: Budget) -> GoalSearch:
    """All that is built kept, and more built beside it."""
    built, least = search.common.layout.built, _step_seconds(search, budget)
    kept = built[search.point[built] > 0.5]
    search.search_near(search.point, kept, budget.share, "built on", least)
    return search


def pipes_laid(search: GoalSearch, budget: Budget) -> GoalSearch:
    """All but the pipes decided again."""
    columns = search.common.layout.columns
    search.search_near(search.point, columns, budget.share, "pipes kept")
    return search


def _step_seconds(search: GoalSearch, budget: Budget) -> float:
    """Seconds that a first step of a goal has at least, where power or less emission is wanted."""
    if not search.goal.maximise and search.goal.name != "emissions":
        return GOAL.least_seconds
    return max(GOAL.least_seconds, budget.least * search.settings.time_limit)


def candidates(search: GoalSearch, budget: Budget) -> GoalSearch:
    """Candidates of the path search, fixed and repaired, once the search is compiled."""
    _try_candidates(search, budget.share * (search.deadline.left() or 0.0))
    return search


def compiled_candidates(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The same where the search is compiled by now: it is not waited for."""
    del budget
    _try_candidates(search, 0.0)
    return search


def _try_candidates(search: GoalSearch, wait: float) -> None:
    """Search and repair, where the pool is untried and compiled after at most some seconds."""
    pool, deadline = search.untried, search.deadline
    if pool is None or not search.has_plan:
        return
    if not pool.ready(wait):
        take_uncompiled(search)
        return
    search.untried = None
    begun, share = deadline.spent(), pool.share
    if search.worker is not None:  # the bound has its own core
        share = max(share, CANDIDATES.search_with_worker)
    pool.search(deadline.left(share), _hears_candidates(search, pool))
    _repair_pool(search, pool, begun + share + CANDIDATES.overrun)
    corridors(search, Budget(CANDIDATES.corridors))


def corridors(search: GoalSearch, budget: Budget) -> GoalSearch:
    """The best plan on the corridors of all candidates."""
    pool = search.common.pool
    assert pool is not None
    held = pool.other_corridors(search.solver_model.model, search.point)
    search.search_near(search.point, held, budget.share, "corridors of candidates")
    return search


def knows_uncompiled(search: GoalSearch) -> bool:
    """Whether the uncompiled path search has a candidate that is worth its repair."""
    uncompiled = None if search.untried is None else search.untried.uncompiled
    value = None if search.best is None else search.sign * search.best
    return uncompiled is not None and uncompiled.better_than(value, CANDIDATES.uncompiled)


def take_uncompiled(search: GoalSearch) -> bool:
    """Repair the best candidate of the uncompiled path search, where one is worth it."""
    pool = search.untried
    if pool is None or pool.uncompiled is None or not knows_uncompiled(search):
        return False
    candidate, before = pool.uncompiled.taken(), search.best
    search.repair(pool.point(search.solver_model, candidate), GOAL.repair_at_once, "candidate")
    return search.best != before


def _hears_candidates(search: GoalSearch, pool: CandidatePool) -> Callable[[Candidate, str], None]:
    """What is done with a candidate as soon as it is known."""
    solver_model = search.solver_model

    def repair(candidate: Candidate) -> None:
        search.repair(pool.point(solver_model, candidate), GOAL.repair_at_once, "candidate")

    repair_seldom = Seldom(repair, once=search.settings.node_limit is not None)

    def hear(candidate: Candidate, note: str) -> None:
        if search.worker is not None:
            search.worker.expect_plan(search.sign * candidate.value)
        repair_seldom(candidate, note)

    return hear


def _repair_pool(search: GoalSearch, pool: CandidatePool, until: float) -> None:
    """Offer the repaired candidates of a pool until a share of the goal's time is spent."""
    gap, deadline = search.settings.gap, search.deadline
    for point in pool.points(
        search.solver_model, gap, deadline.left, out=lambda: deadline.spent() > until
    ):
        search.repair(point, GOAL.repair, "candidate")
    if pool.pressed:
        _open_builds(search, pool, until + CANDIDATES.open_builds_overrun)


def _open_builds(search: GoalSearch, pool: CandidatePool, until: float) -> None:
    """Offer the best plan on the ways of each candidate, builds and boosters decided again."""
    model, deadline = search.solver_model.model, search.deadline
    for candidate in pool.candidates[: CANDIDATES.opened]:
        held = other_ways(model, pool.sets, candidate)
        point = pool.point(search.solver_model, candidate)
        search.solver_model.add(losses_along(model, pool.sets, candidate))
        before = -math.inf  # the first solve is made in any case
        while deadline.spent() <= until and not search.stopped and search.best != before:
            before = math.inf if search.best is None else search.best
            search.search_near(
                point,
                held,
                CANDIDATES.open_builds,
                "ways of a candidate",
                gap=CANDIDATES.open_builds_gap,
            )
            point = search.point


def more_candidates(search: GoalSearch, budget: Budget) -> GoalSearch:
    """A path search that the time had ended goes on, while it may improve something."""
    pool, deadline = search.common.pool, search.deadline
    assert pool is not None
    while not pool.paths.exhausted and not search.common.narrowed:
        search.hear_worker()
        if search.closed or search.stopped or deadline.spent() >= budget.until:
            break
        before = pool.candidates[0].value
        pool.resume(deadline.left(budget.share), _hears_candidates(search, pool))
        if pool.candidates[0].value > before * (1.0 + 1e-6):
            _repair_pool(search, pool, deadline.spent() + CANDIDATES.resumed_repair)
    return search


def neighbourhoods(search: GoalSearch, budget: Budget) -> GoalSearch:
    """Parts of the site solved with the rest held; candidates once they are ready."""
    turns = neighbourhoods_of(search.common.layout, search.settings.seed)
    for _, columns in zip(range(budget.rounds), turns, strict=False):
        if search.deadline.spent() > budget.until or search.stopped:
            break
        _try_candidates(search, 0.0)
        left = search.deadline.left(budget.share)
        near = search.solver_model.near(search.point, columns, left, NEAR_GAP)
        if near.point is not None:
            search.repair(near.point, 1.0, "neighbourhood")
    return search
