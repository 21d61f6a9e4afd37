"""The multicommodity integer model: its bound, and its integers for the model to repair.

Where a plan is known, a *cutoff* between the plan and the bound is put as a row, and as the
solver's cutoff: nothing worse is accepted. Then much can be fixed by reduced cost before the solver
begins and at its root, it cuts off whatever relaxes to less, and need not look for points. Where
it finds that there is none, the cutoff is a bound. Where it does not end, its own bound is valid as
far as it is no better than the cutoff.
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
"""Share of a cutoff by which what is cut off must be worse, against the solver's tolerance."""
MIXED_ROUNDS = 20


@dataclass(frozen=True)
class Known:
    """A plan of the model: its value (minimised, SI) and its columns in the model.

    None for the columns of a plan of which no more is known.
    """

    value: float
    columns: np.ndarray | None


@dataclass(frozen=True)
class MixedBound:
    """A bound (minimised, SI), and columns of the model whose integers are worth a try.

    ``value``: what these are worth here (minimised, SI). ``ended``: all was done that was asked,
    within time and nodes. ``lacking``: the formulation does not hold the plan that was given,
    so that nothing it says can be trusted.
    """

    bound: float | None
    columns: np.ndarray | None
    value: float | None = None
    ended: bool = False
    lacking: bool = False


class Mixed:
    """The integer model of a relaxation that states all flows, for one goal.

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
        self._solver_model = relaxation.solver_model
        self._formulation = relaxation.model
        self._full = full
        self._store_cuts = store_cuts
        self._settings = settings
        self._scale = scale
        self._checked: Known | None = None
        columns = self._formulation.columns
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
        self._relaxation.bring_back()
        found, _ = self._solved(limit, None)
        return found

    def prove(
        self,
        cutoff: float,
        closed: Collection[Key],
        limit: float | None,
        latest: Callable[[], Known | None],
        check: bool = True,
    ) -> MixedBound:
        """Ask for a plan as good as a cutoff (minimised, SI), or for proof that there is none.

        ``closed``: builds that no such plan lays. What else none has is fixed by reduced cost.
        The bound is the cutoff where the search ended with none, and no better than it before.
        ``latest``: gives the best plan known; the search ends when it is as good as the cutoff.
        ``check``: what is stated must hold that plan too, though it is worse than the cutoff.
        """
        ends = None if limit is None else time.perf_counter() + limit
        self._relaxation.bring_back()
        known = latest()
        check = check and known is not self._checked
        if check and known is not None and known.columns is not None:
            if self._lacks(known, None if limit is None else BOUND.check_plan * limit):
                return MixedBound(None, None, lacking=True)
            self._checked = known

        def reached() -> bool:
            best = latest()
            return best is not None and best.value <= cutoff

        last = self._relaxation.last
        if last is not None:
            self._fix(cutoff, last)
        shut = [self._formulation.index(key) for key in closed if self._formulation.has(key)]
        self._bound(np.array(shut, dtype=np.int64), self._low)
        self._solver_model.enough = reached
        try:
            if not self._relaxation.set_cutoff(cutoff):
                return MixedBound(None, None)
            left = None if ends is None else max(BOUND.least_seconds, ends - time.perf_counter())
            found, none = self._solved(left, cutoff + SPARE * abs(cutoff))
        finally:
            self._solver_model.enough = None
            self._solver_model.solver.fix(None)
            self._relaxation.set_cutoff(None)
        if none:
            return MixedBound(cutoff, None, ended=True)
        bound = None if found.bound is None else min(found.bound, cutoff)
        return replace(found, bound=bound)

    def _solved(self, limit: float | None, cutoff: float | None) -> tuple[MixedBound, bool]:
        """The model solved again while its points break store cuts; whether it has no point."""
        ends = None if limit is None else time.perf_counter() + limit
        bound: float | None = None
        point: np.ndarray | None = None
        worth: float | None = None
        ended = False
        for _ in range(MIXED_ROUNDS):
            solved = self._solver_model.run(
                time_limit=_left(ends),
                node_limit=self._settings.node_limit,
                gap=self._settings.gap,
                cutoff=None if cutoff is None else self._solver_model.scaled(cutoff),
            )
            if solved.status == Status.INFEASIBLE:
                return MixedBound(bound, None, ended=True), True
            value = self._solver_model.unscaled(solved.bound)
            if value is not None:
                bound = value if bound is None else max(bound, value)
            if solved.point is None or solved.status == Status.INTERRUPTED:
                break
            point, worth = solved.point, self._solver_model.unscaled(solved.value)
            values = self._formulation.by_key(point)
            rows = self._store_cuts(self._formulation, values, LOOSE)
            friction = self._relaxation.broken_friction(values)
            if not rows and not friction:
                ended = solved.status == Status.OPTIMAL
                break
            if self._out(ends):
                break
            self._relaxation.add_store_cuts(rows)
            self._relaxation.add(friction)
        if point is None:
            return MixedBound(bound, None), False
        return MixedBound(bound, self._for_program(point), worth, ended), False

    def _out(self, ends: float | None) -> bool:
        if self._solver_model.clock.interrupted:
            return True
        return ends is not None and time.perf_counter() >= ends - BOUND.least_seconds

    def _lacks(self, known: Known, limit: float | None) -> bool:
        """Whether this formulation has no point as good as a plan's integers give there."""
        assert known.columns is not None
        values = np.round(known.columns[self._theirs])
        self._solver_model.solver.bounds(self._mine, values, values)
        try:
            solved = self._solver_model.run(time_limit=limit, node_limit=self._settings.node_limit)
        finally:
            self._solver_model.solver.fix(None)
        value = self._solver_model.unscaled(solved.value)
        if solved.status == Status.OPTIMAL and value is not None:
            return value > known.value + 1e-6 * abs(known.value) + 10 * self._scale
        return solved.status == Status.INFEASIBLE

    def _fix(self, cutoff: float, last: Optimum) -> None:
        """Fix integers whose reduced cost exceeds the gap: no plan so good changes them.

        ``z >= bound + reduced cost * steps`` for every point of the relaxation, by weak duality.
        """
        real = self._solver_model.unscaled(1.0)
        assert real is not None
        gap = cutoff - last.bound + SPARE * abs(cutoff)
        at_low = (last.point <= self._low + 1e-9) & (last.reduced * real > gap)
        at_high = (last.point >= self._high - 1e-9) & (-last.reduced * real > gap)
        self._bound(np.nonzero(at_low & self._integer)[0], self._low)
        self._bound(np.nonzero(at_high & self._integer)[0], self._high)

    def _bound(self, columns: np.ndarray, values: np.ndarray) -> None:
        """Hold columns at values until the solver is freed."""
        if len(columns):
            self._solver_model.solver.bounds(columns, values[columns], values[columns])

    def _for_program(self, point: np.ndarray) -> np.ndarray:
        """Integers of a point as columns of the full model; all else at its lower end."""
        result = np.array([column.low for column in self._full.columns])
        result[self._theirs] = np.round(point[self._mine])
        return result


def _left(ends: float | None) -> float | None:
    return None if ends is None else max(GOAL.least_seconds, ends - time.perf_counter())
