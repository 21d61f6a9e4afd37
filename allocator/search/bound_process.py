"""What another process does for the bound of the first goal while plans are searched.

It states the model by itself and hears of the best plan; it reports better bounds, and integers
that are worth a try. ``bound_worker.py`` is the other end.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import BinaryIO, Protocol

import numpy as np

from allocator.base.clock import Clock
from allocator.base.parent_process import end_with_parent
from allocator.model.chambers import ChamberCut
from allocator.model.cuts import Promise, lazy_cuts, promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Row
from allocator.model.stating import (
    offered,
    state,
    state_for_bound,
    without_pressures,
)
from allocator.network.records import Network
from allocator.search.bounds.aggregated import aggregated_bound
from allocator.search.bounds.booster_cases import BoosterCases
from allocator.search.bounds.bound_proof import BoundProof, Provable
from allocator.search.bounds.branching import Branching
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.bounds.friction import carried_count
from allocator.search.bounds.mixed import Known, MixedBound
from allocator.search.bounds.proving import Prover, prover_of, too_many_multipliers
from allocator.search.bounds.relaxation import StoreCuts
from allocator.search.found import close
from allocator.search.paths.repair import has_path_search
from allocator.search.paths.warming import BOUNDS, compiled_before
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel


@dataclass(frozen=True)
class Order:
    """What is to be bounded, and until when (seconds of ``time.time``, which processes share)."""

    site: Network
    settings: Settings
    ends: float


@dataclass(frozen=True)
class Best:
    """A plan that is known, or (``reliable`` false) a value that plans will soon have: a hint."""

    known: Known
    reliable: bool = True


@dataclass(frozen=True)
class News:
    """What was found: a bound (minimised, SI), integers to try, or a fault that ended it.

    ``sound``: the columns are a sound point of that value (minimised, SI). ``withdrawn``: no bound
    that was reported is valid.
    """

    bound: float | None = None
    columns: np.ndarray | None = None
    sound: float | None = None
    fault: str = ""
    withdrawn: bool = False


class Repairing(Protocol):
    """What makes a sound point of integers while the bound is worked on."""

    def repaired(self, columns: np.ndarray) -> Known | None:
        """The sound point with the integers of some columns, where there is one."""


class BoundTask:
    """The work of the other process or thread. ``report`` is called with its news.

    ``points``: makes sound points of the integers that come up.
    """

    def __init__(
        self,
        order: Order,
        report: Callable[[News], None],
        points: Callable[[Model, IndexSets, Settings, Clock], Repairing] | None = None,
    ) -> None:
        self._order = order
        self._report = report
        self._points_of = points
        self._points: Repairing | None = None
        self._clock = Clock(max(0.0, order.ends - time.time()))
        self._clock.watching = points is not None  # a thread is ended by its clock
        self._lock = threading.Lock()
        self._known: Known | None = None
        self._hint: float | None = None
        self._bound: float | None = None
        self._seen: float | None = None
        """The best value of the integers that were found here."""

    def hear(self, best: Best) -> None:
        """Hear of a plan (from any thread)."""
        with self._lock:
            value = best.known.value
            if not best.reliable:
                self._hint = value if self._hint is None else min(value, self._hint)
            elif self._known is None or value < self._known.value:
                self._known = best.known

    def end(self) -> None:
        """Give up (from any thread): nothing more is wanted."""
        self._clock.interrupted = True

    def latest(self) -> Known | None:
        """The best plan known."""
        with self._lock:
            return self._known

    def work(self) -> None:
        """Improve the bound until it meets the plan, the time is out or nothing improves it."""
        settings = self._order.settings
        sets = offered(self._order.site, settings.basis, settings.robustness)
        carrying: CarryingBound | None = None
        if carries(sets):
            _wait_for_compiler(self._clock)
            alone = too_many_multipliers(sets)
            left = self._clock.left(1.0 if alone else BOUND.carrying) or 0.0
            carrying = carrying_bound(sets, settings, self._clock, left, self._better)
            if alone:
                return
        model, sets = state(self._order.site, settings.basis, settings.robustness)
        if any(not row.columns for row in model.rows):
            return
        promises = () if sets.lossless else promises_of(sets)
        goals = goals_of(model, sets)
        cuts = partial(store_cuts, promises)
        if carrying is not None and sets.pressures is None and goals:
            self._branch(carrying, model, sets, cuts)
            if self._out() or self._met():
                return
        prover = prover_of(model, sets, cuts, settings, self._clock) if goals else None
        columns = prover is None or prover.uses_path_columns
        friction = self._points_of is None and states_friction(sets)
        if sets.pressures is not None and goals and (columns or friction):
            self._under_pressure(has_path_search(sets), friction)
            return
        if prover is None:
            return
        if prover.uses_path_columns and has_path_search(sets):
            _wait_for_compiler(self._clock)
        if self._points_of is not None:
            self._points = self._points_of(model, sets, settings, self._clock)
        prover.aim(goals[0])
        if prover.uses_path_columns:
            self._better(prover.relaxed(self._clock.left(BOUND.first_columns), self.latest))
        if self._bound is None:
            self._better(prover.relaxed(self._clock.left(), self.latest))
        self._prove(prover, prover if prover.uses_path_columns else None)
        if not prover.trusted:
            self._report(News(withdrawn=True))

    def _branch(
        self, carrying: CarryingBound, model: Model, sets: IndexSets, cuts: StoreCuts
    ) -> None:
        """Branch on pipes, with what carrying takes at each node."""
        left = self._clock.left()
        ends = None if left is None else time.perf_counter() + left - BOUND.worker_least_seconds
        Branching(
            carrying,
            model,
            sets,
            cuts,
            self._order.settings,
            self._clock,
            self._better,
            self._worth_a_try,
            self.latest,
        ).run(ends)

    def _met(self) -> bool:
        """Whether the bound is as near the best plan as was asked."""
        known, bound = self.latest(), self._bound
        gap = self._order.settings.gap
        return known is not None and bound is not None and close(known.value, bound, gap)

    def _under_pressure(self, searched: bool, friction: bool) -> None:
        """Path columns without pressures, which they do not know, then the aggregated model.

        Without pressures a pipe carries what the widest difference of them drives, and boosters
        take no power: every plan is a plan of that site, with no less of the goal. Then, with
        ``friction``, what friction takes from the flow of each origin; else the aggregated model
        with what it takes in all. ``searched``: there is a path search.
        """
        settings, clock = self._order.settings, self._clock
        bare = replace(self._order.site, pressures={})
        bare_model, bare_sets = state(bare, settings.basis, settings.robustness)
        promises = () if bare_sets.lossless else promises_of(bare_sets)
        cuts = partial(store_cuts, promises)
        prover = prover_of(bare_model, bare_sets, cuts, settings, clock)
        if prover is not None:
            if searched and prover.uses_path_columns:
                _wait_for_compiler(clock)
            prover.aim(goals_of(bare_model, bare_sets)[0])
            self._better(prover.relaxed(clock.left(BOUND.without_pressures), self._worth))
        if prover is not None and friction:
            self._by_friction(prover)
            return
        model, sets = state_for_bound(self._order.site, settings.basis, settings.robustness)
        solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
        solver_model.aim(goals_of(model, sets)[0])
        aggregated_bound(solver_model, self._better)

    def _by_friction(self, bare: Prover) -> None:
        """The multicommodity formulation with what friction takes, one for each choice of the

        nodes at which boosters run, then cutoff after cutoff. ``bare``: that of the site without
        pressures, whose store cuts are known.
        """
        clock = self._clock
        cases = BoosterCases(self._order.site, self._order.settings, clock, store_cuts_of, bare)
        cases.relaxed(clock.left(), self._better)
        self._prove(cases)
        if not cases.trusted:
            self._report(News(withdrawn=True))

    def _worth(self) -> Known | None:
        """The value of the best plan known, without its columns."""
        known = self.latest()
        return None if known is None else Known(known.value, None)

    def _out(self) -> bool:
        left = self._clock.left()
        return left is not None and left <= BOUND.worker_least_seconds

    def _expected(self) -> float | None:
        """The best value that is known, seen here or expected, where the bound allows it."""
        with self._lock:
            known = None if self._known is None else self._known.value
            report = [value for value in (known, self._hint, self._seen) if value is not None]
        return min((v for v in report if self._bound is None or v > self._bound), default=None)

    def _better(self, bound: float | None) -> bool:
        """Report a bound where it is the best."""
        if bound is None or (self._bound is not None and bound <= self._bound):
            return False
        self._bound = bound
        self._report(News(bound))
        return True

    def _prove(self, prover: Provable, columns: Prover | None = None) -> None:
        """Cutoff after cutoff. ``columns``: of path columns, gone on with where flows are many."""
        clock, gap = self._clock, self._order.settings.gap
        proof = BoundProof(prover, gap, clock, self._better)
        idle = 0
        while prover.trusted and not self._out() and idle < BOUND.worker_idle:
            before = self._bound
            if before is None or self._met():
                return
            bound = proof.state(self._expected(), before, clock.left())
            if bound is None and columns is not None:
                self._better(columns.relaxed(clock.left(), self.latest))
                columns = None
                continue
            valid = before if bound is None else bound
            found = proof.turn(self._expected, valid, clock.left(), self.latest)
            new = self._worth_a_try(found)
            idle = 0 if new or self._bound != before else idle + 1

    def _worth_a_try(self, found: MixedBound) -> bool:
        """Try integers that are better than any seen here; True where they are."""
        if found.value is None or (self._seen is not None and found.value >= self._seen):
            return False
        self._seen = found.value
        self._try(found.columns)
        return True

    def _try(self, columns: np.ndarray | None) -> None:
        """Report integers that are worth a try, with their best amounts where those can be had."""
        known = None
        if self._points is not None and columns is not None:
            known = self._points.repaired(columns)
        if known is None:
            self._report(News(columns=columns))
        else:
            self._sound(known)

    def _sound(self, known: Known) -> None:
        """Report a sound point where it is the best."""
        before = self.latest()
        if before is None or known.value < before.value:
            self.hear(Best(known))
            self._report(News(columns=known.columns, sound=known.value))


def main() -> None:
    """Work on the order that comes on standard input, and end when nobody listens any more.

    The one argument is the process that asks.
    """
    end_with_parent(int(sys.argv[1]))
    orders, news = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    with open(os.devnull, "w") as away:  # a solver prints a banner on standard output
        os.dup2(away.fileno(), 1)
    order = pickle.load(orders)

    def tell(what: News) -> None:
        pickle.dump(what, news)
        news.flush()

    task = BoundTask(order, tell)
    threading.Thread(target=_hear_all, args=(orders, task), daemon=True).start()
    try:
        task.work()
    except Exception as fault:
        tell(News(fault=f"{type(fault).__name__}: {fault}"))


def _hear_all(orders: BinaryIO, task: BoundTask) -> None:
    with contextlib.suppress(EOFError, OSError, pickle.UnpicklingError):
        while True:
            task.hear(pickle.load(orders))
    os._exit(0)  # who asked is gone


def store_cuts_of(sets: IndexSets) -> StoreCuts:
    """The store cuts of what may be decided under pressure."""
    return partial(store_cuts, promises_of(sets))


def store_cuts(
    promises: tuple[Promise | ChamberCut, ...],
    model: Model,
    values: Mapping[Key, float],
    tolerance: float,
) -> list[Row]:
    """The store cuts of a model for its multicommodity formulation."""
    return violated(model, promises, values, tolerance)


def carries(sets: IndexSets) -> bool:
    """True where the bound by what carrying takes comes before the others."""
    many = len(sets.sources) > BOUND.carrying_sources
    carried = len(sets.sources) * (len(sets.destinations) + len(sets.groups))
    return many and carried <= BOUND.carried


def carrying_bound(
    sets: IndexSets,
    settings: Settings,
    clock: Clock,
    limit: float | None,
    hear: Callable[[float], object],
) -> CarryingBound:
    """The bound by what carrying takes (:mod:`allocator.search.bounds.carrying`), for some seconds.

    It knows no pressures. ``hear`` is called with better bounds (minimised, SI).
    """
    ends = None if limit is None else time.perf_counter() + limit
    sets = without_pressures(sets)
    promises = () if sets.lossless else promises_of(sets)
    made = CarryingBound(sets, settings, clock, partial(store_cuts, promises))
    made.run(ends, hear)
    return made


def states_friction(sets: IndexSets) -> bool:
    """True where what friction takes from the flow of each origin is not too much to be stated."""
    return not sets.lossless and 0 < carried_count(sets) <= BOUND.carried_builds


def _wait_for_compiler(clock: Clock) -> None:
    """Wait until the search for plans has compiled what is compiled for both."""
    ends = clock.seconds() + BOUND.compiling_seconds
    while not compiled_before(BOUNDS) and clock.seconds() < ends:
        time.sleep(BOUND.look_seconds)


if __name__ == "__main__":
    # what is sent must be of the module that the other end knows, not of this script
    from allocator.search.bound_process import main as run

    run()
