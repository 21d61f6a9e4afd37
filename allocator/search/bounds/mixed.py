"""The integer program by origin: its bound, and its whole numbers for the program to repair.

Where a plan is known, a *target* between the plan and the bound is put as a row, and as the
solver's cutoff: nothing worse will do. Then much can be fixed by reduced cost before the solver
begins and at its root, it cuts off whatever relaxes to less, and need not look for points. Where
it finds that there is none, the target is a bound. Where it does not end, its own bound stands as
far as it is no better than the target.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.status import Status
from allocator.model.model import Key, Model
from allocator.search.bounds.relaxation import LOOSE, Optimum, Relaxation, StoreCuts
from allocator.search.strategy.budgets import BOUND, GOAL
from allocator.solver.settings import Settings

SPARE = 1e-6
"""Share of a target by which what is cut off must be worse, against the solver's tolerance."""
MIXED_ROUNDS = 20


@dataclass(frozen=True)
class Known:
    """A plan of the program: its value (minimised, SI) and its columns in the program.

    None for the columns of a plan of which no more is known.
    """

    value: float
    columns: np.ndarray | None


@dataclass(frozen=True)
class MixedBound:
    """A bound (minimised, SI), and columns of the program whose whole numbers are worth a try.

    ``value``: what these are worth here (minimised, SI). ``ended``: all was done that was asked,
    within time and nodes. ``lacking``: the statement by origin does not hold the plan that was
    given, so that nothing it says can be trusted.
    """

    bound: float | None
    columns: np.ndarray | None
    value: float | None = None
    ended: bool = False
    lacking: bool = False


class Mixed:
    """The integer program of a relaxation that states all flows, for one goal.

    ``scale``: size of the goal that is of no interest.
    """

    def __init__(
        self,
        relaxation: Relaxation,
        full: Model,
        store_cuts: StoreCuts,
        settings: Settings,
        scale: float,
    ) -> None:
        self._relaxation = relaxation
        self._program = relaxation.solver_model
        self._statement = relaxation.model
        self._full = full
        self._store_cuts = store_cuts
        self._settings = settings
        self._scale = scale
        self._checked: Known | None = None
        columns = self._statement.columns
        self._low = np.array([column.low for column in columns])
        self._high = np.array([column.high for column in columns])
        self._integer = np.array([column.integer for column in columns], dtype=bool)
        shared = [
            (number, full.index(column.key))
            for number, column in enumerate(columns)
            if column.integer and full.has(column.key)
        ]
        self._mine = np.array([mine for mine, _ in shared], dtype=np.int64)
        self._theirs = np.array([theirs for _, theirs in shared], dtype=np.int64)

    def solve(self, limit: float | None) -> MixedBound:
        """Ask for the best of all plans, within some seconds."""
        found, _ = self._solved(limit, None)
        return found

    def refute(
        self,
        target: float,
        closed: Collection[Key],
        limit: float | None,
        latest: Callable[[], Known | None],
        check: bool = True,
    ) -> MixedBound:
        """Ask for a plan as good as a target (minimised, SI), or for proof that there is none.

        ``closed``: builds that no such plan lays. What else none has is fixed by reduced cost.
        The bound is the target where the search ended with none, and no better than it before.
        ``latest``: tells the best plan known; the search ends when it is as good as the target.
        ``check``: what is stated must hold that plan too, though it is worse than the target.
        """
        ends = None if limit is None else time.perf_counter() + limit
        known = latest()
        check = check and known is not self._checked
        if check and known is not None and known.columns is not None:
            if self._lacks(known, None if limit is None else BOUND.check_plan * limit):
                return MixedBound(None, None, lacking=True)
            self._checked = known

        def reached() -> bool:
            best = latest()
            return best is not None and best.value <= target

        last = self._relaxation.last
        if last is not None:
            self._fix(target, last)
        shut = [self._statement.index(key) for key in closed if self._statement.has(key)]
        self._bound(np.array(shut, dtype=np.int64), self._low)
        self._program.enough = reached
        try:
            if not self._relaxation.set_target(target):
                return MixedBound(None, None)
            left = None if ends is None else max(BOUND.least_seconds, ends - time.perf_counter())
            found, none = self._solved(left, target + SPARE * abs(target))
        finally:
            self._program.enough = None
            self._program.solver.fix(None)
            self._relaxation.set_target(None)
        if none:
            return MixedBound(target, None, ended=True)
        bound = None if found.bound is None else min(found.bound, target)
        return replace(found, bound=bound)

    def _solved(self, limit: float | None, cutoff: float | None) -> tuple[MixedBound, bool]:
        """What stands, solved again while its points break store cuts; whether it has no point."""
        ends = None if limit is None else time.perf_counter() + limit
        bound: float | None = None
        point: np.ndarray | None = None
        worth: float | None = None
        ended = False
        for _ in range(MIXED_ROUNDS):
            solved = self._program.run(
                time_limit=_left(ends),
                node_limit=self._settings.node_limit,
                gap=self._settings.gap,
                cutoff=None if cutoff is None else self._program.scaled(cutoff),
            )
            if solved.status == Status.INFEASIBLE:
                return MixedBound(bound, None, ended=True), True
            value = self._program.unscaled(solved.bound)
            if value is not None:
                bound = value if bound is None else max(bound, value)
            if solved.point is None or solved.status == Status.INTERRUPTED:
                break
            point, worth = solved.point, self._program.unscaled(solved.value)
            rows = self._store_cuts(self._statement, self._statement.by_key(point), LOOSE)
            if not rows:
                ended = solved.status == Status.OPTIMAL
                break
            if self._out(ends):
                break
            self._relaxation.add_store_cuts(rows)
        if point is None:
            return MixedBound(bound, None), False
        return MixedBound(bound, self._for_program(point), worth, ended), False

    def _out(self, ends: float | None) -> bool:
        if self._program.clock.interrupted:
            return True
        return ends is not None and time.perf_counter() >= ends - BOUND.least_seconds

    def _lacks(self, known: Known, limit: float | None) -> bool:
        """Whether this statement has no point as good as a plan's whole numbers give there."""
        assert known.columns is not None
        values = np.round(known.columns[self._theirs])
        self._program.solver.bounds(self._mine, values, values)
        try:
            solved = self._program.run(time_limit=limit, node_limit=self._settings.node_limit)
        finally:
            self._program.solver.fix(None)
        value = self._program.unscaled(solved.value)
        if solved.status == Status.OPTIMAL and value is not None:
            return value > known.value + 1e-6 * abs(known.value) + 10 * self._scale
        return solved.status == Status.INFEASIBLE

    def _fix(self, target: float, last: Optimum) -> None:
        """Fix whole numbers whose reduced cost exceeds the gap: no plan so good changes them.

        ``z >= bound + reduced cost * steps`` for every point of the relaxation, by weak duality.
        """
        real = self._program.unscaled(1.0)
        assert real is not None
        gap = target - last.bound + SPARE * abs(target)
        at_low = (last.point <= self._low + 1e-9) & (last.reduced * real > gap)
        at_high = (last.point >= self._high - 1e-9) & (-last.reduced * real > gap)
        self._bound(np.nonzero(at_low & self._integer)[0], self._low)
        self._bound(np.nonzero(at_high & self._integer)[0], self._high)

    def _bound(self, columns: np.ndarray, values: np.ndarray) -> None:
        """Hold columns at values until the solver is freed."""
        if len(columns):
            self._program.solver.bounds(columns, values[columns], values[columns])

    def _for_program(self, point: np.ndarray) -> np.ndarray:
        """Whole numbers of a point as columns of the full program; all else at its lower end."""
        result = np.array([column.low for column in self._full.columns])
        result[self._theirs] = np.round(point[self._mine])
        return result


def _left(ends: float | None) -> float | None:
    return None if ends is None else max(GOAL.least_seconds, ends - time.perf_counter())
