"""Planning from end to end: a site and settings in, a plan (or the reason for none) out."""

from __future__ import annotations

import contextlib
from concurrent.futures import Executor
from dataclasses import replace

from allocator.base.clock import Clock
from allocator.base.process_pool import process_pool
from allocator.network.deriving import network_of
from allocator.search.bound_worker import BoundWorker, bound_worker_of
from allocator.search.outcome import Outcome, Reporter
from allocator.search.paths.repair import is_small
from allocator.search.race import racer_of, threads_of
from allocator.search.strategy.phase import run_phases
from allocator.search.strategy.plan import plan_phases
from allocator.search.task import PlanState, Task
from allocator.site.records import Site
from allocator.solver.settings import Settings


def make_plan(
    site: Site,
    settings: Settings | None = None,
    report: Reporter | None = None,
    executor: Executor | None = None,
) -> Outcome:
    """Plan a site.

    Parameters
    ----------
    site : Site
        Existing assets, and what may be built.
    settings : Settings, optional
        Basis, limits, seed, solver.
    report : function, optional
        Called with lines of progress.
    executor : Executor, optional
        What starts of the path search run on; in this process one by one where left out.

    Returns
    -------
    Outcome
        A plan, or none with the reason; times; the mean-basis plan for comparison.

    Raises
    ------
    ValueError
        The named solver is not available.
    """
    network = network_of(site)
    settings = settings or Settings()
    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    pool: contextlib.AbstractContextManager[Executor | None] = contextlib.nullcontext(executor)
    if executor is None and settings.workers > 1:
        pool = process_pool(settings.workers)
    small, busy = is_small(network), executor is not None
    with clock.watched(), pool as executor:
        worker: BoundWorker | None = racer_of(network, settings, clock, busy)
        worker = worker or bound_worker_of(network, settings, clock, busy, small)
        try:
            threads = threads_of(network, settings, clock, busy)
            settings = replace(settings, threads=threads)
            task = Task(network, settings, clock, None, report, executor, worker, small)
            return _outcome(run_phases(plan_phases(settings), PlanState(task)))
        finally:
            if worker is not None:
                worker.end()


def _outcome(state: PlanState) -> Outcome:
    result, clock = state.result, state.task.clock
    return Outcome(
        result.plan,
        result.infeasible,
        result.reason,
        {**clock.parts, "total": clock.seconds()},
        result.trail,
        state.average,
        state.alternatives,
        () if result.plan is None else tuple(clock.left_out),
        clock.interrupted,
    )
