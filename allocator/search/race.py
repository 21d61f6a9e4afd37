"""The race for a small site: its integer model on one core, its bound by origin on the other.

HiGHS proves the best plan of a site without a path search by itself, and is at it from the first
second. A thread beside it has the bound by origin. Points go both ways
(:class:`allocator.solver.interface.Highs`), and the solver ends as soon as the best of all points
has met the best of all bounds. In a thread this begins at once and waits for no other process; a
large linear program would not end when it is told to, so other sites have a process.
"""

from __future__ import annotations

import threading

import numpy as np

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.stating import offered
from allocator.network.records import Network
from allocator.search.best_plan import wants_power
from allocator.search.bound_process import Best, BoundTask, Order
from allocator.search.bound_worker import BoundWorker, may_have_worker, order_of
from allocator.search.bounds.disaggregated import flow_variable_count
from allocator.search.bounds.mixed import Known
from allocator.search.paths.repair import has_path_search, is_small
from allocator.search.strategy.budgets import BOUND, RACE
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel


class RacePoints:
    """Integers that the formulation by origin finds, with their best amounts.

    They come from a solver of their own, for that of the integer model is at work.
    """

    def __init__(self, model: Model, sets: IndexSets, settings: Settings, clock: Clock) -> None:
        self._clock = clock
        self._solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
        self._solver_model.aim(goals_of(model, sets)[0])

    def repaired(self, columns: np.ndarray) -> Known | None:
        """The sound point with the integers of some columns, where there is one."""
        solved = self._solver_model.repaired(columns, self._clock.left(RACE.repair))
        value = self._solver_model.unscaled(solved.value)
        return None if solved.point is None or value is None else Known(value, solved.point)


class Racer(BoundWorker):
    """The background bound worker of a small site, in a thread of its own."""

    def __init__(self, order: Order) -> None:
        super().__init__()
        self._task = BoundTask(order, self._hear, RacePoints)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work, name="race", daemon=True)
        self._thread.start()

    def _work(self) -> None:
        if self._ended.wait(RACE.delay_seconds):
            return
        try:
            self._task.work()
        except Exception as fault:
            self._failed(f"{type(fault).__name__}: {fault}")

    def report_plan(self, value: float, columns: np.ndarray | None) -> None:
        """Hear of the best plan."""
        self._task.hear(Best(Known(value, columns)))

    def expect_plan(self, value: float) -> None:
        """Hear of the value that plans will soon have."""
        self._task.hear(Best(Known(value, None), reliable=False))

    def end(self, seconds: float = 0.0) -> None:
        """Wait for it no longer than some seconds, then end it."""
        self._thread.join(max(seconds, 0.0))
        self._ended.set()
        self._task.end()
        self._thread.join()


def racer_of(site: Network, settings: Settings, clock: Clock, busy: bool) -> Racer | None:
    """The second runner of the race, begun; None where the site has none or no core is free."""
    if not may_have_worker(settings, clock, busy) or not is_raced(site, settings):
        return None
    return Racer(order_of(site, settings, clock))


def threads_of(site: Network, settings: Settings, clock: Clock, busy: bool) -> int | None:
    """Threads of the integer model: two where nothing else has use for a second core at first.

    HiGHS then takes a sixth less time for a published network of 40 nodes, and about as much for
    three others (``benchmarks/README.md``).
    """
    alone = is_small(site) and not wants_power(site)
    return 2 if alone and may_have_worker(settings, clock, busy) else settings.threads


def is_raced(site: Network, settings: Settings) -> bool:
    """Whether HiGHS may prove the best plan of a site by itself, and its linear programs are short.

    Pressures and what is out of order make them long. Where nobody wants power the bound by origin
    has never been first, and takes from the other runner: two cores share one memory.
    """
    if not wants_power(site) or not is_small(site):
        return False
    if site.pressures or settings.robustness.anything:
        return False
    sets = offered(site, settings.basis, settings.robustness)
    few = flow_variable_count(sets) <= min(RACE.flows, BOUND.flows)
    return few and not has_path_search(sets)
