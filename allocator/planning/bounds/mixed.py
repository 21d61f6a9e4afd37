"""The integer program by origin: its bound, and its whole numbers for the program to repair."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from allocator.planning.bounds.relaxation import LOOSE, Optimum, Relaxation, StoreCuts
from allocator.planning.settings import Settings
from allocator.planning.statement import Statement

SPARE = 1e-6
"""Share of the gap that a reduced cost must exceed it by, against the solver's tolerance."""
MIXED_ROUNDS = 20


@dataclass(frozen=True)
class Known:
    """A plan of the program: its value (minimised, SI) and its columns in the program."""

    value: float
    columns: np.ndarray


@dataclass(frozen=True)
class Found:
    """A bound (minimised, SI), and columns of the program whose whole numbers are worth a try.

    ``lacking``: the statement by origin does not hold the plan that was given, so that nothing
    it says can be trusted.
    """

    bound: float | None
    columns: np.ndarray | None
    lacking: bool = False


class Mixed:
    """The integer program of a relaxation that states all flows."""

    def __init__(
        self, relaxation: Relaxation, full: Statement, store_cuts: StoreCuts, settings: Settings
    ) -> None:
        self._relaxation = relaxation
        self._program = relaxation.program
        self._statement = relaxation.statement
        self._full = full
        self._store_cuts = store_cuts
        self._settings = settings
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

    def solve(self, limit: float | None, known: Known | None, scale: float) -> Found:
        """Solve within some seconds, from a plan where one is known.

        What a better plan cannot have is fixed first by reduced cost; the bound is then the
        lesser of what is left and the plan itself. ``scale``: size of the goal that is of no
        interest.
        """
        ends = None if limit is None else time.perf_counter() + limit
        bound: float | None = None
        point: np.ndarray | None = None
        start = None
        if known is not None:
            seconds = _left(ends)
            image, lacking = self._image(known, None if seconds is None else 0.2 * seconds, scale)
            if lacking:
                return Found(None, None, True)
            start = image
            if self._relaxation.last is not None:
                self._fix(known.value, self._relaxation.last)
        try:
            for _ in range(MIXED_ROUNDS):
                solved = self._program.run(
                    time_limit=_left(ends),
                    node_limit=self._settings.node_limit,
                    gap=self._settings.gap,
                    start=start,
                )
                value = self._program.unscaled(solved.bound)
                if value is not None:
                    value = value if known is None else min(value, known.value)
                    bound = value if bound is None else max(bound, value)
                if solved.point is None or solved.status == "interrupted":
                    break
                point = solved.point
                rows = self._store_cuts(self._statement, self._statement.by_key(point), LOOSE)
                if not rows or self._out(ends):
                    break
                self._relaxation.add_store_cuts(rows)
        finally:
            self._program.solver.fix(None)
        return Found(bound, None if point is None else self._for_program(point))

    def _out(self, ends: float | None) -> bool:
        if self._program.clock.interrupted:
            return True
        return ends is not None and time.perf_counter() >= ends - 0.1

    def _image(
        self, known: Known, limit: float | None, scale: float
    ) -> tuple[np.ndarray | None, bool]:
        """The point of this statement that a plan is, and whether there is none as good."""
        values = np.round(known.columns[self._theirs])
        self._program.solver.bounds(self._mine, values, values)
        try:
            solved = self._program.run(time_limit=limit, node_limit=self._settings.node_limit)
        finally:
            self._program.solver.fix(None)
        lacking = solved.status == "infeasible"
        value = self._program.unscaled(solved.value)
        if solved.status == "optimal" and value is not None:
            lacking = value > known.value + 1e-6 * abs(known.value) + 10 * scale
        return solved.point, lacking

    def _fix(self, best: float, last: Optimum) -> None:
        """Fix whole numbers whose reduced cost exceeds the gap: no better plan changes them.

        ``z >= bound + reduced cost * steps`` for every point of the relaxation, by weak duality.
        """
        real = self._program.unscaled(1.0)
        assert real is not None
        gap = best - last.bound + SPARE * abs(best)
        at_low = (last.point <= self._low + 1e-9) & (last.reduced * real > gap)
        at_high = (last.point >= self._high - 1e-9) & (-last.reduced * real > gap)
        for chosen, values in ((at_low, self._low), (at_high, self._high)):
            columns = np.nonzero(chosen & self._integer)[0]
            if len(columns):
                self._program.solver.bounds(columns, values[columns], values[columns])

    def _for_program(self, point: np.ndarray) -> np.ndarray:
        """Whole numbers of a point as columns of the full program; all else at its lower end."""
        result = np.array([column.low for column in self._full.columns])
        result[self._theirs] = np.round(point[self._mine])
        return result


def _left(ends: float | None) -> float | None:
    return None if ends is None else max(0.05, ends - time.perf_counter())
