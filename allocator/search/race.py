"""The race for a small site: its integer model on one core, all else on the other.

HiGHS proves the best plan of a site of few sources by itself, and is at it from the first second.
A thread beside it has the path search, where that is compiled, and the bound by origin. Points go
both ways (:class:`allocator.solver.interface.Highs`), and the solver ends as soon as the best of
all points has met the best of all bounds. In a thread this begins at once and waits for no other
process; a large linear program would not end when it is told to, so large sites have a process.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.stating import offered
from allocator.network.records import Network
from allocator.search.bound_process import Best, BoundTask, Order
from allocator.search.bound_worker import BoundWorker, may_have_worker, order_of
from allocator.search.bounds.disaggregated import flow_variable_count
from allocator.search.bounds.mixed import Known
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import candidate_pool_of, point_of
from allocator.search.paths.warming import BOUNDS, compiled_before
from allocator.search.strategy.budgets import BOUND, RACE
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel


class RacePoints:
    """Sound points of the first goal, in a solver of their own.

    Of candidates of the path search, and of integers that the formulation by origin finds.
    """

    def __init__(self, model: Model, sets: IndexSets, settings: Settings, clock: Clock) -> None:
        self._sets, self._settings, self._clock = sets, settings, clock
        self._solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
        self._solver_model.aim(goals_of(model, sets)[0])

    def search(self, hear: Callable[[Known], None]) -> None:
        """The path search, where it is compiled: nobody waits for that on a small site."""
        pool = None
        if compiled_before(BOUNDS):  # the last of what is
            pool = candidate_pool_of(self._sets, self._settings, self._clock, None)
        if pool is None:
            return

        def heard(candidate: Candidate, note: str) -> None:
            del note
            known = self.repaired(point_of(self._solver_model.model, self._sets, candidate))
            if known is not None:
                hear(known)

        pool.search(self._clock.left(RACE.paths), heard)

    def repaired(self, columns: np.ndarray) -> Known | None:
        """The best amounts for the integers of some columns."""
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


def is_raced(site: Network, settings: Settings) -> bool:
    """Whether HiGHS may prove the best plan of a site by itself, and its linear programs are short.

    Pressures and what is out of order make them long.
    """
    if len(site.own_sources) > RACE.sources or site.pressures or settings.robustness.anything:
        return False
    flows = flow_variable_count(offered(site, settings.basis, settings.robustness))
    return flows <= min(RACE.flows, BOUND.flows)
