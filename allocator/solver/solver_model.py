"""A stated program with its solver, its cuts, and the best point known."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.clock import Clock, earlier
from allocator.base.status import Status
from allocator.model.cuts import Separator, broken_in_time
from allocator.model.goals import Goal
from allocator.model.model import Model, Row
from allocator.solver.interface import Highs, Solved
from allocator.solver.other_solver import solver_for
from allocator.solver.settings import Settings

CUT_ROUNDS = 300
LOOSE_ROUNDS = 60
LOOSE = 1e-5
"""A relaxation is cut until no promise is broken by more than this share of what it holds: its
bound is valid at any time, and exact cuts are kept for points that might become the plan."""
EXACT = 1e-9
LAST = 1e-12
"""The last point of a plan keeps its promises to this share of what they speak of."""
LAST_ROUNDS = 60


SAFE_LOSS = 1e-7
"""What a safe bound may be looser than the solver's, as a share of it (or of the largest cost)."""


@dataclass
class SolverModel:
    """A statement, the solver that holds it, and a separator of lazy cuts."""

    model: Model
    separator: Separator
    settings: Settings
    clock: Clock

    def __post_init__(self) -> None:
        began = time.perf_counter()
        self.solver: Highs = solver_for(
            self.model, self.settings.solver, self.settings.threads, self.settings.seed
        )
        self.clock.spend("build", time.perf_counter() - began)
        self.cuts = 0
        self._stated: set[str] = set()
        self.enough: Callable[[], bool] | None = None
        """Asked now and then by integer programs, whether nothing more need be found."""

    def aim(self, goal: Goal) -> None:
        """Make a goal the objective; maximised goals are minimised with a changed sign."""
        sign = -1.0 if goal.maximise else 1.0
        costs = self.model.summed(goal.terms)
        self.aim_at({column: sign * value for column, value in costs.items()})

    def aim_at(self, costs: dict[int, float]) -> None:
        """Minimise costs by column, scaled so that the largest is one."""
        largest = max((abs(value) for value in costs.values()), default=1.0)
        self._cost_scale = float(2.0 ** np.floor(np.log2(largest))) if largest > 0 else 1.0
        self.solver.set_objective({c: value / self._cost_scale for c, value in costs.items()})

    def unscaled(self, value: float | None) -> float | None:
        """An objective value of the solver in the goal's own unit (sign as minimised)."""
        return None if value is None else value * self._cost_scale

    def scaled(self, value: float) -> float:
        """A value in the goal's own unit (sign as minimised) as the solver has it."""
        return value / self._cost_scale

    def broken(self, point: np.ndarray, tolerance: float = EXACT) -> list[Row]:
        """Cuts that a point breaks."""
        return self._broken(point, tolerance, None) or []

    def _broken(
        self, point: np.ndarray, tolerance: float, deadline: float | None
    ) -> list[Row] | None:
        """The same; None where the time was out before they were known."""
        began = time.perf_counter()
        values = self.model.by_key(point)
        rows = broken_in_time(
            self.separator,
            values,
            tolerance,
            lambda: deadline is not None and time.perf_counter() > deadline,
        )
        self.clock.spend("cuts", time.perf_counter() - began)
        return rows

    def add(self, rows: list[Row]) -> None:
        """Add cuts for good."""
        self.solver.add_rows(rows)
        self.cuts += len(rows)
        self._stated |= {row.name for row in rows}

    def run(self, **arguments: object) -> Solved:
        """One solve, booked to the solver."""
        began = time.perf_counter()
        stop = _Stop(self.clock.stop(), self.enough)
        asked = stop if stop.wish or stop.enough else None
        solved = self.solver.solve(stop=asked, **arguments)  # type: ignore[arg-type]
        self.clock.spend("solve", time.perf_counter() - began)
        if solved.status == Status.INTERRUPTED and not stop.reached:
            self.clock.interrupted = True
        return solved

    def relaxed(self, limit: float | None = None) -> Solved:
        """The linear relaxation, cut until no promise is broken by much (or time is out).

        Its bound is made safe against rounding where the linear program was solved to its end.
        """
        self.solver.relax(True)
        try:
            solved = self._cut_until_sound(limit, LOOSE, LOOSE_ROUNDS)
            if solved.status != Status.OPTIMAL or solved.bound is None:
                return solved
            safe = self.solver.safe_bound()
            if safe is None or solved.bound - safe > SAFE_LOSS * max(1.0, abs(solved.bound)):
                return solved
            return replace(solved, bound=safe, certified=True)
        finally:
            self.solver.relax(False)

    def repaired(self, point: np.ndarray, limit: float | None = None) -> Solved:
        """The best continuous amounts for the integers of a point, with every cut kept."""
        self.solver.fix(point)
        self.solver.relax(True)
        try:
            return self._cut_until_sound(limit, EXACT, CUT_ROUNDS)
        finally:
            self.solver.relax(False)
            self.solver.fix(None)

    def exact(
        self,
        point: np.ndarray,
        limit: float | None = None,
        without: np.ndarray | None = None,
        rows: Sequence[Row] = (),
    ) -> Solved:
        """The repaired point with its last digits; infeasible where no amounts keep all to them.

        ``without``: columns that are held at 0. ``rows``: kept as well, for now.
        """
        deadline = None if limit is None else time.perf_counter() + limit
        held = np.zeros(0, dtype=np.int64) if without is None else without
        self.solver.fix(point)
        self.solver.bounds(held, np.zeros(len(held)), np.zeros(len(held)))
        first = self.solver.row_count
        self.solver.add_rows(rows)
        self.solver.relax(True)
        try:
            for _ in range(LAST_ROUNDS):
                left = None if deadline is None else deadline - time.perf_counter()
                if left is not None and left <= 0:
                    break
                solved = self._cut_until_sound(left, EXACT, CUT_ROUNDS)
                if solved.point is None:
                    return solved
                refined = self.solver.refined(solved.point)
                if refined is None:
                    return Solved(Status.INFEASIBLE, None, None, None)
                cuts = self.broken(refined, LAST)
                if not cuts:
                    return replace(solved, point=refined)
                self.add(cuts)
            return Solved(Status.TIME_LIMIT, None, None, None)
        finally:
            self.solver.remove_rows(range(first, first + len(rows)))
            self.solver.relax(False)
            self.solver.fix(None)
            high = np.array([self.model.columns[column].high for column in held])
            self.solver.bounds(held, np.zeros(len(held)), high)

    def near(
        self, point: np.ndarray, columns: np.ndarray, limit: float | None, gap: float
    ) -> Solved:
        """A mixed solve with some integer columns fixed at the point, from the point."""
        fixed = np.round(point[columns])
        self.solver.bounds(columns, fixed, fixed)
        try:
            return self.run(
                time_limit=limit, node_limit=self.settings.node_limit, gap=gap, start=point
            )
        finally:
            self.solver.fix(None)

    def _cut_until_sound(self, limit: float | None, tolerance: float, rounds: int) -> Solved:
        deadline = None if limit is None else time.perf_counter() + limit
        solved = Solved(Status.FAILED, None, None, None)
        for _ in range(rounds):
            left = None if deadline is None else deadline - time.perf_counter()
            if left is not None and left <= 0:
                break
            solved = self.run(time_limit=left)
            if solved.point is None:
                return solved
            rows = self._broken(solved.point, tolerance, deadline)
            if rows and all(row.name in self._stated for row in rows):
                # The solver keeps these to its tolerance, which is much of a promise of little.
                refined = self.solver.refined(solved.point)
                if refined is None:
                    return Solved(Status.INFEASIBLE, None, None, None)
                solved = replace(solved, point=refined)
                rows = self._broken(refined, tolerance, deadline)
            if rows is None:
                break
            if not rows:
                return solved
            self.add(rows)
        # The bound of a relaxation stands; its point is not sound.
        return Solved(Status.TIME_LIMIT, None, None, solved.bound)

    def left(self, share: float = 1.0, most: float | None = None) -> float | None:
        """Seconds left for a part of the work; None when a node limit rules instead.

        ``most``: seconds of work, which take longer where others have the core.
        """
        if self.settings.node_limit is not None and not self.clock.interrupted:
            return None
        return earlier(self.clock.left(share), None if most is None else self.clock.stretched(most))


class _Stop:
    """Asked during a solve, whether it may end: ``reached`` where what it is for is known.

    The answer is kept: asked again after the solve, it may have changed, and the end of the solve
    would be taken for the user's wish.
    """

    def __init__(self, wish: Callable[[], bool] | None, enough: Callable[[], bool] | None) -> None:
        self.wish = wish
        self.enough = enough
        self.reached = False

    def __call__(self) -> bool:
        if self.wish is not None and self.wish():
            return True
        self.reached = self.reached or (self.enough is not None and self.enough())
        return self.reached
