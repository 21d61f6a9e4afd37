"""Goals one after the other: each solved with the earlier ones held at the plan's value."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from allocator.planning.goals import Goal
from allocator.planning.program import Program
from allocator.planning.seam import Solved
from allocator.planning.settings import Progress, Reporter
from allocator.planning.statement import Row

HELD = 1e-7
"""An earlier goal may fall by this share of its value (or of its scale) for a later one."""


@dataclass(frozen=True, slots=True)
class GoalFound:
    """What is known of one goal: value at the plan, bound, why the search stopped."""

    goal: Goal
    value: float
    bound: float | None
    gap: float | None
    status: str


@dataclass
class Search:
    """The state of a lexicographic run. ``point``: the best sound point, scaled columns."""

    program: Program
    report: Reporter | None
    point: np.ndarray | None = None
    trail: tuple[Progress, ...] = ()

    def tell(self, goal: Goal, value: float | None, bound: float | None, note: str) -> None:
        """Keep a line of progress and pass it on."""
        line = Progress(
            self.program.clock.seconds(), goal.name, value, bound, gap_of(value, bound), note
        )
        self.trail = (*self.trail, line)
        if self.report is not None:
            self.report(line)


def gap_of(value: float | None, bound: float | None) -> float | None:
    """``|bound - value| / max(|bound|, 1e-9)`` for maximised and minimised goals alike."""
    if value is None or bound is None:
        return None
    return abs(bound - value) / max(abs(bound), 1e-9)


def value_at(search: Search, goal: Goal, point: np.ndarray) -> float:
    """A goal's value at a point, SI."""
    statement = search.program.statement
    return statement.value(goal.terms, statement.by_key(point))


def hold(search: Search, goal: Goal, value: float) -> None:
    """Add the row that keeps a goal at a value, less the stated tolerance."""
    slack = max(HELD * abs(value), goal.scale)
    statement = search.program.statement
    if goal.maximise:
        row = statement.scaled_row(f"held[{goal.name}]", goal.terms, low=value - slack)
    else:
        row = statement.scaled_row(f"held[{goal.name}]", goal.terms, high=value + slack)
    if row is not None and row.columns:
        search.program.add([row])


def solve_goal(search: Search, goal: Goal, limit: float | None) -> GoalFound | None:
    """Solve one goal; None when no sound point is known at the end.

    The search keeps what is proven of the bound and what is best of the points. A status of
    ``infeasible`` in the result means that the program has no point at all.
    """
    program = search.program
    program.aim(goal)
    sign = -1.0 if goal.maximise else 1.0
    bound: float | None = None
    best: float | None = None

    def bettered(value: float) -> None:
        nonlocal bound
        bound = value if bound is None else max(bound, value)

    def offered(solved: Solved, note: str) -> None:
        nonlocal best
        if solved.point is None or solved.value is None:
            return
        value = sign * value_at(search, goal, solved.point)
        if best is None or value < best - 1e-12 * abs(best):
            best = value
            search.point = solved.point
            search.tell(goal, sign * best, None if bound is None else sign * bound, note)

    deadline = _Deadline(program, limit)
    if search.point is not None:
        offered(program.repaired(search.point, deadline.left()), "start")
    relaxed = program.relaxed(deadline.left())
    if relaxed.status == "infeasible" and search.point is None:
        return GoalFound(goal, 0.0, None, None, "infeasible")
    if relaxed.status == "optimal" and relaxed.bound is not None:
        bettered(_real(program, relaxed.bound))
        if relaxed.point is not None and _whole(program, relaxed.point):
            offered(program.repaired(relaxed.point, deadline.left()), "relaxation")
    status = "time_limit"
    slice_share = 0.35
    while not _close(best, bound, program.settings.gap):
        if deadline.out():
            break
        improving: deque[np.ndarray] = deque(maxlen=4)
        solved = program.run(
            time_limit=deadline.left(slice_share),
            node_limit=program.settings.node_limit,
            gap=program.settings.gap,
            start=search.point,
        )
        slice_share = 0.7
        if solved.bound is not None:
            bettered(_real(program, solved.bound))
        if solved.status == "infeasible":
            if search.point is None:
                return GoalFound(goal, 0.0, None, None, "infeasible")
            break
        if solved.status == "failed":
            break
        if solved.point is not None:
            improving.append(solved.point)
        sound = True
        for point in improving:
            rows: list[Row] = program.broken(point)
            sound = sound and not rows
            program.add(rows)
            offered(program.repaired(point, deadline.left()), "search")
        if program.clock.interrupted:
            status = "interrupted"
            break
        if solved.status == "node_limit" or (
            program.settings.node_limit is not None and solved.status == "time_limit"
        ):
            status = "node_limit"
            if sound:
                break
            continue
        if solved.status == "optimal" and sound:
            status = "optimal"
            break
    if _close(best, bound, program.settings.gap):
        status = "optimal" if _close(best, bound, 1e-6) else "within_gap"
    elif status == "optimal":
        status = "within_gap"
    if program.clock.interrupted and status == "time_limit":
        status = "interrupted"
    if best is None or search.point is None:
        return None
    value = sign * best
    known = None if bound is None else sign * bound
    if known is not None and (known < value if goal.maximise else known > value):
        known = value  # a bound may pass the value only by the solver's tolerance
    search.tell(goal, value, known, status)
    return GoalFound(goal, value, known, gap_of(value, known), status)


class _Deadline:
    """Seconds left for one goal."""

    def __init__(self, program: Program, limit: float | None) -> None:
        self._program = program
        self._end = None if limit is None else program.clock.seconds() + limit

    def left(self, share: float = 1.0) -> float | None:
        if self._program.clock.interrupted:
            return 5.0  # enough for a last repair
        if self._end is None or self._program.settings.node_limit is not None:
            return None
        return max(0.05, (self._end - self._program.clock.seconds()) * share)

    def out(self) -> bool:
        if self._program.clock.interrupted:
            return True
        if self._end is None or self._program.settings.node_limit is not None:
            return False
        return self._end - self._program.clock.seconds() <= 0.05


def _real(program: Program, value: float) -> float:
    real = program.unscaled(value)
    assert real is not None
    return real


def _close(best: float | None, bound: float | None, gap: float) -> bool:
    if best is None or bound is None:
        return False
    return best - bound <= max(gap * abs(bound), 1e-9)


def _whole(program: Program, point: np.ndarray) -> bool:
    whole = [number for number, c in enumerate(program.statement.columns) if c.integer]
    values = point[whole]
    return bool(np.all(np.abs(values - np.round(values)) <= 1e-7))
