"""The statement by origin at work: bounds on the goals in turn, and whole numbers worth trying."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from allocator.planning.bounds.lean import Lean, lean_size, lean_statement, lean_terms
from allocator.planning.bounds.thresholds import broken_thresholds
from allocator.planning.choices import Choices
from allocator.planning.clock import Clock
from allocator.planning.goals import Goal
from allocator.planning.program import Program
from allocator.planning.settings import Settings
from allocator.planning.statement import Key, Row, Statement

CUT_ROUNDS = 100
LOOSE = 1e-5
"""A cut that is broken by less than this share of what it speaks of is not worth a row."""
MOST_COLUMNS = 60_000
"""Flow variables above which the statement by origin is not built: it would not be solved."""
SPARE = 1e-6
"""Share of the gap that a reduced cost must exceed it by, against the solver's tolerance."""
MIXED_ROUNDS = 20

StoreCuts = Callable[[Statement, Mapping[Key, float], float], list[Row]]


@dataclass(frozen=True)
class Proven:
    """A bound of the minimised goal in SI, and a point of the program's columns to repair."""

    bound: float | None
    point: np.ndarray | None


class Prover:
    """The statement by origin of a program, aimed at one goal after the other.

    Every bound that it gives stands for the program (see ``lean.py``). A plan of the program must
    be a point of this statement: that is checked with every plan it is given, and a statement
    that lacks a plan, or values it worse, proves nothing from then on (``trusted``).
    """

    def __init__(
        self,
        full: Statement,
        choices: Choices,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
    ) -> None:
        self._full = full
        self._choices = choices
        self._store_cuts = store_cuts
        self._settings = settings
        self._clock = clock
        self._held: list[tuple[Goal, float, float]] = []
        self._stated = False
        self._goal: Goal | None = None
        self._relaxed: tuple[float, np.ndarray, np.ndarray] | None = None
        self.trusted = True

    def _state(self) -> None:
        """State the program by origin: only when it is asked for, for many sites never need it."""
        began = time.perf_counter()
        self._stated = True
        self._lean: Lean = lean_statement(self._full, self._choices)
        statement = self._lean.statement
        self._clock.spend("build", time.perf_counter() - began)
        self._program = Program(
            statement, lambda values, tolerance: [], self._settings, self._clock
        )
        self._units = np.array([column.unit for column in statement.columns])
        self._low = np.array([column.low for column in statement.columns])
        self._high = np.array([column.high for column in statement.columns])
        self._integer = np.array([column.integer for column in statement.columns], dtype=bool)
        shared = [
            (number, self._full.index(column.key))
            for number, column in enumerate(statement.columns)
            if column.integer and self._full.has(column.key)
        ]
        self._mine = np.array([mine for mine, _ in shared], dtype=np.int64)
        self._theirs = np.array([theirs for _, theirs in shared], dtype=np.int64)

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep an earlier goal between two values (SI)."""
        self._held.append((goal, low, high))

    def aim(self, goal: Goal) -> None:
        """Make a goal the objective."""
        if not self._stated:
            self._state()
        for held, low, high in self._held:
            terms = lean_terms(self._full, self._lean, self._choices, held.terms)
            name = f"held[{held.name}]"
            row = self._lean.statement.scaled_row(name, terms, low=low, high=high)
            if row is not None and row.columns:
                self._program.add([row])
        self._held.clear()
        terms = lean_terms(self._full, self._lean, self._choices, goal.terms)
        self._goal = replace(goal, terms=terms)
        self._program.aim(self._goal)
        self._relaxed = None

    def relaxed(self, limit: float | None) -> float | None:
        """The bound of the linear relaxation, cut round by round, within some seconds."""
        solver = self._program.solver
        ends = None if limit is None else time.perf_counter() + limit
        bound: float | None = None
        solver.relax(True)
        try:
            for _ in range(CUT_ROUNDS):
                left = None if ends is None else ends - time.perf_counter()
                if left is not None and left <= 0.0:
                    break
                solved = self._program.run(time_limit=left)
                if solved.point is None or solved.bound is None:
                    break
                bound = self._program.unscaled(solved.bound)
                assert bound is not None
                self._relaxed = (bound, solved.point, solver.reduced_costs())
                rows = self._cuts(solved.point, LOOSE)
                if not rows:
                    break
                self._program.add(rows)
        finally:
            solver.relax(False)
        return bound if self.trusted else None

    def _cuts(self, point: np.ndarray, tolerance: float) -> list[Row]:
        began = time.perf_counter()
        statement = self._lean.statement
        # Not by_key, which rounds: the point of a relaxation is not whole.
        keys = (column.key for column in statement.columns)
        values = dict(zip(keys, (point * self._units).tolist(), strict=True))
        rows = self._store_cuts(statement, values, tolerance)
        rows += broken_thresholds(statement, self._lean.ducts, values, tolerance)
        self._program.clock.spend("cuts", time.perf_counter() - began)
        return rows

    def mixed(self, limit: float | None, best: float | None, plan: np.ndarray | None) -> Proven:
        """The bound of the integer program, within some seconds.

        ``best``: value (minimised, SI) of the best plan known, ``plan`` its columns in the full
        program. With a plan, what a better one cannot have is fixed first by reduced cost; the
        bound is then the lesser of what is left and the plan itself.
        """
        ends = None if limit is None else time.perf_counter() + limit
        bound: float | None = None
        found: np.ndarray | None = None

        def left() -> float | None:
            return None if ends is None else max(0.05, ends - time.perf_counter())

        start = None
        if plan is not None and best is not None:
            seconds = left()
            start = self._image(plan, best, None if seconds is None else 0.2 * seconds)
            if not self.trusted:
                return Proven(None, None)
            self._fix_by_reduced_cost(best)
        try:
            for turn in range(MIXED_ROUNDS):
                seconds = left()
                if seconds is not None and turn == 0 and not self._choices.lossless:
                    seconds *= 0.6  # then again with the store cuts of the point found
                solved = self._program.run(
                    time_limit=seconds,
                    node_limit=self._settings.node_limit,
                    gap=self._settings.gap,
                    start=start,
                )
                value = self._program.unscaled(solved.bound)
                if value is not None:
                    if best is not None:
                        value = min(value, best)
                    bound = value if bound is None else max(bound, value)
                if solved.point is None or solved.status == "interrupted":
                    break
                found = solved.point
                rows = self._store_cuts(
                    self._lean.statement, self._lean.statement.by_key(found), LOOSE
                )
                if not rows or self._out(ends):
                    break
                self._program.add(rows)
        finally:
            self._program.solver.fix(None)
        return Proven(bound, None if found is None else self._for_program(found))

    def _out(self, ends: float | None) -> bool:
        if self._program.clock.interrupted:
            return True
        return ends is not None and time.perf_counter() >= ends - 0.1

    def _image(self, plan: np.ndarray, best: float, limit: float | None) -> np.ndarray | None:
        """The point of this statement that a plan is; sets ``trusted`` to what was found."""
        values = np.round(plan[self._theirs])
        self._program.solver.bounds(self._mine, values, values)
        try:
            solved = self._program.run(time_limit=limit, node_limit=self._settings.node_limit)
        finally:
            self._program.solver.fix(None)
        if solved.status == "infeasible":
            self.trusted = False
        if solved.status == "optimal" and solved.value is not None and self._goal is not None:
            value = self._program.unscaled(solved.value)
            assert value is not None
            self.trusted = value <= best + 1e-6 * abs(best) + 10 * self._goal.scale
        return solved.point

    def _fix_by_reduced_cost(self, best: float) -> None:
        """Fix whole numbers whose reduced cost exceeds the gap: no better plan changes them.

        ``z >= bound + reduced cost * steps`` for every point of the relaxation, by weak duality.
        """
        if self._relaxed is None:
            return
        bound, point, costs = self._relaxed
        real = self._program.unscaled(1.0)
        assert real is not None
        gap = best - bound + SPARE * abs(best)
        at_low = self._integer & (point <= self._low + 1e-9) & (costs * real > gap)
        at_high = self._integer & (point >= self._high - 1e-9) & (-costs * real > gap)
        for chosen, values in ((at_low, self._low), (at_high, self._high)):
            columns = np.nonzero(chosen)[0]
            if len(columns):
                self._program.solver.bounds(columns, values[columns], values[columns])

    def _for_program(self, point: np.ndarray) -> np.ndarray:
        """Whole numbers of a point as columns of the full program; all else at its lower end."""
        result = np.array([column.low for column in self._full.columns])
        result[self._theirs] = np.round(point[self._mine])
        return result


def prover_of(
    full: Statement, choices: Choices, store_cuts: StoreCuts, settings: Settings, clock: Clock
) -> Prover | None:
    """The prover of a program; None where flows by origin would be too many, or no pipes are."""
    if settings.solver.lower() != "highs" or not 0 < lean_size(choices) <= MOST_COLUMNS:
        return None
    return Prover(full, choices, store_cuts, settings, clock)
