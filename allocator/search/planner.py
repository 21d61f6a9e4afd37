"""Planning from end to end: a site and settings in, a plan (or the reason for none) out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from allocator.base.clock import Clock, OutOfTimeError
from allocator.base.status import Status
from allocator.model.cuts import promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets, index_sets_of
from allocator.model.model import Key, Row
from allocator.model.rules.power import ROOM
from allocator.model.stating import offered, state
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import NOTHING, Ceiling, Plan
from allocator.search.alternatives import alternatives_of
from allocator.search.binding import held_back
from allocator.search.bound_process import store_cuts
from allocator.search.bound_worker import BoundWorker, beside_of, with_bound_of
from allocator.search.bounds.lean import lean_size
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.proving import FEW_COLUMNS, PATIENT, prover_of
from allocator.search.ceiling import ceiling_of
from allocator.search.clean_up import tidied
from allocator.search.early import Early, Seldom, better
from allocator.search.found import GoalFound, gap_of, passes
from allocator.search.impossible import reason
from allocator.search.lexicographic import solve_goal
from allocator.search.narrowing import (
    MOST_COLUMNS,
    MOST_RELAXED,
    all_at_means,
    bounded_by,
    narrowed,
    pipe_column_count,
    with_bounds_of,
)
from allocator.search.neighbourhoods import layout_of
from allocator.search.nothing_given import gives_nothing, why_nothing
from allocator.search.operation import mean_output
from allocator.search.outcome import REFUSED, Outcome, Progress, Reporter
from allocator.search.paths.known import point_of_plan
from allocator.search.paths.network import Candidate, first_service
from allocator.search.paths.repair import CandidatePool, ideas_of
from allocator.search.plan_of_point import plan_at
from allocator.search.prices import prices_of
from allocator.search.state import SearchState, hold, value_at, without_rooms
from allocator.site.records import Site
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

MEAN_SHARE = 0.10
FIRST_GOAL_SHARE = 0.75
ESTIMATE = "the average-flow estimate"
ESTIMATE_SECONDS = 0.01
"""Seconds a source without which no mean-basis plan is made beside a firm one."""
LEAST_FOR_CEILING = 0.3
"""Seconds."""


@dataclass(frozen=True, slots=True)
class Task:
    """A site to plan, with what the run has for it.

    ``limit``: s for this plan, of the run's ``clock``. ``executor``: what starts of the path search
    run on. ``worker``: the process that is at work on the bound of the first goal.
    """

    site: Network
    settings: Settings
    clock: Clock
    limit: float | None
    report: Reporter | None
    executor: Executor | None = None
    worker: BoundWorker | None = None

    def left(self, began: float) -> float | None:
        """Seconds of the limit that are left since ``began``."""
        return None if self.limit is None else self.limit - (self.clock.seconds() - began)


Found = tuple[Plan | None, tuple[Progress, ...], bool, str, Mapping[Key, float]]
"""A plan or none, the trail of the search, whether none exists, why, and values by key."""


def make_plan(
    site: Site,
    settings: Settings | None = None,
    report: Reporter | None = None,
    executor: Executor | None = None,
) -> Outcome:
    """Plan a site.

    Args:
        site: what stands and what may be built.
        settings: basis, limits, seed, solver.
        report: called with lines of progress.
        executor: what starts of the search run on; in this process one by one where left out.

    Returns:
        The outcome: a plan, or none with the reason; times; the mean-basis plan for comparison.

    Raises:
        ValueError: the named solver is not available.
    """
    site = network_of(site)
    settings = settings or Settings()
    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    with clock.watched():
        worker = beside_of(site, settings, clock, busy=executor is not None)
        try:
            return _made(Task(site, settings, clock, None, report, executor, worker))
        finally:
            if worker is not None:
                worker.end()


def _made(task: Task) -> Outcome:
    """The plan of a task, with what is told beside it."""
    settings, clock = task.settings, task.clock
    mean_basis = _estimate(task) if settings.basis == "firm" else None
    # the firm basis has a ceiling to find after it
    whole = clock.left(0.8 if settings.prices else 0.88 if settings.basis == "firm" else 0.95)
    if settings.alternatives > 1 and whole is not None:
        whole *= 0.6
    plan, trail, proven, why, values = _planned(replace(task, limit=whole))
    if plan is None:
        return Outcome(None, proven, why, _seconds(clock), trail, mean_basis)
    if settings.basis == "firm":
        plan = _with_averages(task, plan)
        if mean_basis is not None and mean_basis.power.mean_clean < plan.power.firm_clean:
            mean_basis = None  # found in a hurry, and worse than the promise: it says nothing
    else:
        mean_basis = plan
    plan = _explained(task, plan, mean_basis)
    others: tuple[Plan, ...] = ()
    if settings.alternatives > 1 and not clock.interrupted:
        plain = replace(settings, start=None)
        reading = partial(plan_at, task.site, settings)
        sought = partial(alternatives_of, task.site, plain, clock, plan, reading)
        others = clock.in_time("other plans", sought, ())
    if settings.prices and not clock.interrupted:
        priced = partial(prices_of, task.site, settings, clock, values)
        plan = replace(plan, prices=clock.in_time("what more of each limit is worth", priced, ()))
    plan = _with_last_bound(task, plan)
    left_out = tuple(clock.left_out)
    return Outcome(plan, False, "", _seconds(clock), trail, mean_basis, others, left_out)


def _estimate(task: Task) -> Plan | None:
    """The mean-basis plan beside a firm one, where there is time for it."""
    clock, left = task.clock, task.clock.left()
    if left is not None and left < ESTIMATE_SECONDS * len(task.site.sources):
        clock.left_out.append(ESTIMATE)
        return None
    quick = replace(
        task.settings,
        basis="mean",
        gap=max(task.settings.gap, 1e-3),
        withstands=NOTHING,
        start=None,
        breaches=None,
    )
    share = clock.left(MEAN_SHARE)
    mean = Task(task.site, quick, clock, share, None, task.executor)
    return clock.in_time(ESTIMATE, lambda: _planned(mean, shown_beside=True)[0], None)


def _with_averages(task: Task, plan: Plan) -> Plan:
    """A firm plan with the limit of all plans and its average output, where there is time."""
    site, settings, clock = task.site, task.settings, task.clock
    limited = partial(_with_ceiling, site, plan, settings, clock)
    plan = clock.in_time("the limit of all plans", limited, plan)
    average = partial(mean_output, site, plan, settings, clock)
    means = clock.in_time("the average output", average, None)
    if means is None:
        return plan
    return replace(plan, power=replace(plan.power, mean_clean=means[0], mean_total=means[1]))


def _explained(task: Task, plan: Plan, mean_basis: Plan | None) -> Plan:
    """The plan with what holds it back, and its cautions."""
    sets = index_sets_of(task.site)
    limits = held_back(sets, plan, mean_basis)
    if gives_nothing(plan):
        limits = (*why_nothing(task.site, sets, task.settings, task.clock, plan), *limits)
    return replace(plan, limits=limits, cautions=cautions_for(task.site))


def _with_last_bound(task: Task, plan: Plan) -> Plan:
    """The plan with what the worker found of its bound by now."""
    worker, clock = task.worker, task.clock
    if worker is None:
        return plan
    open_goal = plan.goals[0].status == Status.TIME_LIMIT
    worker.end(clock.left() or 0.0 if open_goal else 0.0)
    plan = with_bound_of(plan, worker, task.settings.gap)
    if worker.fault and task.report is not None:
        goal = plan.goals[0]
        note = f"the bound beside ended by a fault: {worker.fault}"
        task.report(Progress(clock.seconds(), goal.name, goal.value, goal.bound, goal.gap, note))
    return plan


def _seconds(clock: Clock) -> dict[str, float]:
    return {**clock.parts, "total": clock.seconds()}


def _with_ceiling(site: Network, plan: Plan, settings: Settings, clock: Clock) -> Plan:
    limit = (
        None
        if settings.node_limit is not None
        else max(clock.left(0.5 if settings.prices else 0.9) or 0.0, LEAST_FOR_CEILING)
    )
    if clock.interrupted:
        return plan
    ceiling = ceiling_of(site, settings, clock, limit)

    def at_least(bound: float | None, value: float) -> float | None:
        if bound is None or passes(value, bound, True, 1e-9 * plan.power.demand_mean):
            return None  # no ceiling at all, if a plan passes it
        return max(min(bound, plan.power.demand_mean), value)

    clean = at_least(ceiling.clean, plan.power.firm_clean)
    total = at_least(ceiling.total, plan.power.firm_total)
    clean_kind = None if clean is None else ceiling.clean_kind
    total_kind = None if total is None else ceiling.total_kind
    plan = replace(plan, ceiling=Ceiling(clean, total, clean_kind, total_kind))
    return bounded_by(
        plan,
        {"clean_power": clean, "served_power": total},
        {"clean_power": clean_kind, "served_power": total_kind},
    )


def _planned(task: Task, shown_beside: bool = False) -> Found:
    """A plan of a site. ``shown_beside``: of interest for its value alone, not for its bound."""
    settings = task.settings
    sets = offered(task.site, settings.basis, settings.withstands)
    if pipe_column_count(sets) > MOST_COLUMNS:
        ideas = ideas_of(sets, settings, task.clock, task.executor)
        if ideas is not None:
            return _planned_narrow(task, sets, ideas)
    bounded = not shown_beside or lean_size(sets) <= FEW_COLUMNS
    return _planned_whole(task, None, bounded)


def _planned_narrow(task: Task, sets: IndexSets, ideas: CandidatePool) -> Found:
    """A plan on the corridors of the best finds, with bounds of the whole site."""
    site, settings, clock, limit = task.site, task.settings, task.clock, task.limit
    report, beside = task.report, task.worker
    began = clock.seconds()

    def landed(value: float, note: str) -> None:
        if beside is not None:
            beside.tell(-value, None)
        if report is not None:
            report(Progress(clock.seconds(), goal, value, None, None, note))

    def told(find: Candidate, note: str) -> None:
        if beside is not None:
            beside.hint(-find.value)
        if report is not None:
            report(Progress(clock.seconds(), goal, find.value, None, None, f"{note}, estimated"))
        land(find)

    goal = first_service(sets) or ""
    early = Early(site, settings, clock, landed)
    land = Seldom(early.land, once=settings.node_limit is not None)
    ideas.search(None if limit is None else 0.45 * limit, told)
    small = narrowed(site, ideas.finds)
    left = task.left(began)
    most = None if left is None else (0.35 if beside is None else 0.9) * max(1.0, left)
    check = None if early.plan is None else clock.check
    try:
        narrow = Task(small, settings, clock, most, report)
        found = _planned_whole(narrow, ideas, check=check)
    except OutOfTimeError:
        found = None, (), False, _nothing_in_time(clock), {}
    plan, trail, _, why, values = found
    if early.plan is not None and (plan is None or better(early.plan, plan)):
        plan, why, values = early.plan, "", early.values
    if plan is None:
        return None, trail, False, _nothing_in_time(clock), {}
    bound = all_at_means(site, sets, goal)
    if beside is not None:
        beside.tell(-plan.goals[0].value, None)
    left = task.left(began)
    late = left is not None and left <= 1.0
    if beside is None and pipe_column_count(sets) <= MOST_RELAXED and not late:
        relaxed = partial(_relaxed_bound, site, settings, clock, left, plan)
        tighter = clock.in_time("a tighter bound", relaxed, None)
        if tighter is not None:
            bound = tighter if bound is None else min(bound, tighter)
    bounds = {} if bound is None else {goal: bound}
    return with_bounds_of(plan, bounds, clock.interrupted), trail, False, why, values


def _relaxed_bound(
    site: Network, settings: Settings, clock: Clock, limit: float | None, plan: Plan
) -> float | None:
    """The bound of the whole program's relaxation on its first goal, which is maximised.

    By origin where that can be stated, as of plans better than the one that is known.
    """
    model, sets = state(site, settings.basis, settings.withstands, clock.check)
    promises = () if sets.lossless else promises_of(sets)
    goal = goals_of(model, sets)[0]
    prover = prover_of(model, sets, partial(store_cuts, promises), settings, clock)
    if prover is not None:
        ends = None if limit is None else clock.seconds() + limit
        prover.aim(goal)
        left = None if ends is None else ends - clock.seconds()
        known = Known(-plan.goals[0].value, None)
        bound = prover.relaxed(left, known, PATIENT)
        return None if bound is None else -bound
    solver_model = SolverModel(
        model, lambda v, tolerance: violated(model, promises, v, tolerance), settings, clock
    )
    solver_model.aim(goal)
    bound = solver_model.unscaled(solver_model.relaxed(limit).bound)
    return None if bound is None else -bound


def _planned_whole(
    task: Task,
    ideas: CandidatePool | None,
    bounded: bool = True,
    exactly: bool = True,
    check: Callable[[], None] | None = None,
) -> Found:
    """A plan of the program of all of a site. ``ideas``: finds that are known already.

    ``bounded``: state the program by origin as well, for its bound. ``exactly``: what must be
    served is asked to the last digit, at first. ``check``: called now and then while the model is
    stated.
    """
    site, settings, clock = task.site, task.settings, task.clock
    began = clock.seconds()
    model, sets = state(site, settings.basis, settings.withstands, check)
    promises = () if sets.lossless else promises_of(sets)

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        return violated(model, promises, values, tolerance)

    goals = goals_of(model, sets)
    hopeless = [row.name for row in model.rows if not row.columns]
    if hopeless:
        return None, (), True, _hopeless(hopeless), {}
    clock.spend("build", clock.seconds() - began)
    solver_model = SolverModel(model, separate, settings, clock)
    # a bound of a narrowed site is none of the site: no time for it
    prover = (
        None
        if ideas is not None or not bounded
        else prover_of(
            model,
            sets,
            partial(store_cuts, promises),
            settings,
            clock,
        )
    )
    search_state = SearchState(solver_model, layout_of(model, sets), task.report, prover)
    search_state.narrow = ideas is not None
    search_state.ideas = ideas or ideas_of(sets, settings, clock, task.executor)
    search_state.beside = task.worker
    if settings.start is not None:
        search_state.given = point_of_plan(model, sets, settings.start)
    found: list[GoalFound] = []
    stood: list[np.ndarray] = []
    end = None if task.limit is None else began + task.limit
    for number, goal in enumerate(goals):
        result = solve_goal(search_state, goal, _share(clock, end, number, len(goals)))
        search_state.beside = None  # it knows of the first goal alone
        if result is None or result.status == Status.INFEASIBLE:
            left = None if end is None else end - clock.seconds()
            if exactly and not found and _asks(site) and (left is None or left > 0.0):
                near = replace(task, site=_less_asked(site), limit=left, executor=None, worker=None)
                again = _planned_whole(near, ideas, bounded, exactly=False)
                if again[0] is not None:
                    return again
        if result is not None and result.status == Status.INFEASIBLE:
            why = reason(site, model, sets, settings, clock)
            return None, search_state.trail, True, why, {}
        if result is None:
            return None, search_state.trail, False, _nothing_found(search_state), {}
        value = result.value
        if number < len(goals) - 1:
            value = without_rooms(search_state, goal, value, found, site.goal_slack)
        found.append(result)
        assert search_state.point is not None
        stood.append(search_state.point)
        hold(search_state, goal, value, site.goal_slack)
    if not goals:
        why = "no plan exists: no demand can be served and nothing can be built"
        return None, (), True, why, {}
    point = tidied(search_state, sets, solver_model.left(most=10.0), goals, site.goal_slack)
    plan, point = _sound(search_state, site, sets, [point, *reversed(stood)], found)
    return plan, search_state.trail, False, "", model.by_key(point)


def _sound(
    search_state: SearchState,
    site: Network,
    sets: IndexSets,
    points: list[np.ndarray],
    found: list[GoalFound],
) -> tuple[Plan, np.ndarray]:
    """The plan of the first point against which nothing is found; of the first one if none is."""
    settings, clock = search_state.solver_model.settings, search_state.solver_model.clock
    model = search_state.solver_model.model
    began = clock.seconds()
    made: list[tuple[Plan, np.ndarray]] = []
    for point in points:
        values = [(one, value_at(search_state, one.goal, point)) for one in found]
        told = found if not made else [_as_it_stood(one, value) for one, value in values]
        plan = plan_at(site, settings, model, sets, point, told)
        made.append((plan, point))
        against = settings.breaches(site, plan) if settings.breaches is not None else ()
        if not against:
            break
        for breach in against:
            search_state.tell(found[-1].goal, None, None, f"{REFUSED}{breach}")
    clock.spend("extract", clock.seconds() - began)
    return made[0] if against else made[-1]


def _as_it_stood(found: GoalFound, value: float) -> GoalFound:
    """A goal with the value of an earlier point: nothing is proven of it but its bound."""
    if found.status == Status.BOUND_REFUTED:
        return replace(found, value=value)
    return replace(found, value=value, gap=gap_of(value, found.bound), status=Status.TIME_LIMIT)


def _asks(site: Network) -> bool:
    return any(demand.min_share > 0 for demand in site.demands.values())


def _less_asked(site: Network) -> Network:
    """The site with :data:`ROOM` less of what must be served.

    What can be served but for rounding is otherwise called impossible, or not, by the solver's last
    digits.
    """
    return replace(
        site,
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


def _nothing_found(search_state: SearchState) -> str:
    return _nothing_in_time(search_state.solver_model.clock)


def _nothing_in_time(clock: Clock) -> str:
    if clock.interrupted:
        return "interrupted before a plan was found"
    return "no plan was found in the time; none is proven impossible: allow more time"


def _share(clock: Clock, end: float | None, number: int, count: int) -> float | None:
    """Seconds for a goal: most of what is left for the first, an even share for the others."""
    if end is None:
        return None
    left = max(0.0, end - clock.seconds())
    return left * FIRST_GOAL_SHARE if number == 0 and count > 1 else left / (count - number)
