"""The course of a run through the goals: the best point so far, and what was told of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from allocator.planning.beside import Beside
from allocator.planning.bounds.proving import Prover
from allocator.planning.found import gap_of
from allocator.planning.goals import Goal
from allocator.planning.neighbourhoods import Layout
from allocator.planning.program import Program
from allocator.planning.search.landing import Ideas
from allocator.planning.settings import Progress, Reporter

HELD = 1e-7
"""An earlier goal may fall by this share of its value (or of its scale) for a later one."""


@dataclass
class Course:
    """The state of a lexicographic run. ``point``: the best sound point, scaled columns.

    ``beside``: at work on the bound of the goal that is being solved. ``given``: whole numbers of
    the plan that the user gave to start from; every goal tries them.
    """

    program: Program
    layout: Layout
    report: Reporter | None
    prover: Prover | None = None
    beside: Beside | None = None
    ideas: Ideas | None = None
    given: np.ndarray | None = None
    narrow: bool = False
    point: np.ndarray | None = None
    trail: tuple[Progress, ...] = ()

    def tell(self, goal: Goal, value: float | None, bound: float | None, note: str) -> None:
        """Keep a line of progress and pass it on; a bound of a narrowed site is none."""
        if self.narrow:
            bound = None
        line = Progress(
            self.program.clock.seconds(),
            goal.name,
            value,
            bound,
            gap_of(value, bound),
            note,
        )
        self.trail = (*self.trail, line)
        if self.report is not None:
            self.report(line)


def value_at(course: Course, goal: Goal, point: np.ndarray) -> float:
    """A goal's value at a point, SI."""
    statement = course.program.statement
    return statement.value(goal.terms, statement.by_key(point))


def hold(
    course: Course, goal: Goal, value: float, given_up: float = 0.0, room: float = HELD
) -> None:
    """Add the row that keeps a goal at a value, less the stated tolerance ``room``.

    ``given_up``: share of the value that the later goals may have.
    """
    slack = max(max(room, given_up) * abs(value), goal.scale * room / HELD)
    statement = course.program.statement
    if goal.maximise:
        row = statement.scaled_row(f"held[{goal.name}]", goal.terms, low=value - slack)
    else:
        row = statement.scaled_row(f"held[{goal.name}]", goal.terms, high=value + slack)
    if row is not None and row.columns:
        course.program.add([row])
