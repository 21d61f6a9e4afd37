"""Goals one after the other: each solved with the earlier ones held at the plan's value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from allocator.planning.bounds.mixed import Known
from allocator.planning.bounds.proving import Prover
from allocator.planning.goals import Goal
from allocator.planning.neighbourhoods import Layout, neighbourhoods_of
from allocator.planning.program import Program
from allocator.planning.seam import Solved
from allocator.planning.search.landing import Ideas
from allocator.planning.settings import Progress, Reporter

HELD = 1e-7
"""An earlier goal may fall by this share of its value (or of its scale) for a later one."""


PROVEN = 1e-6
"""A goal is called optimal within this share: margins and held goals leave no finer meaning."""
MOST_NEAR = 40
NEAR_GAP = 1e-3


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
    layout: Layout
    report: Reporter | None
    prover: Prover | None = None
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


def gap_of(value: float | None, bound: float | None) -> float | None:
    """``|bound - value| / max(|bound|, 1e-9)`` for maximised and minimised goals alike."""
    if value is None or bound is None:
        return None
    return abs(bound - value) / max(abs(bound), 1e-9)


def passes(value: float, bound: float, maximise: bool, scale: float) -> bool:
    """True when a plan is better than its bound by more than the solver's tolerance.

    Such a bound was never one: the solver can err, and then nothing is proven.
    """
    beyond = value - bound if maximise else bound - value
    return beyond > PROVEN * abs(bound) + 10 * scale


def value_at(search: Search, goal: Goal, point: np.ndarray) -> float:
    """A goal's value at a point, SI."""
    statement = search.program.statement
    return statement.value(goal.terms, statement.by_key(point))


def hold(search: Search, goal: Goal, value: float, given_up: float = 0.0) -> None:
    """Add the row that keeps a goal at a value, less the stated tolerance.

    ``given_up``: share of the value that the later goals may have.
    """
    slack = max(max(HELD, given_up) * abs(value), goal.scale)
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
    start = search.point
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
    if search.point is None:
        # What stands, and nothing new, is the first plan wherever it is one.
        nothing = np.array([column.low for column in program.statement.columns])
        offered(program.repaired(nothing, deadline.left(0.2)), "what stands")
    else:
        # the point of the goals before is sound as it stands: never lost, whatever comes
        best = sign * value_at(search, goal, search.point)
        offered(program.repaired(search.point, deadline.left(0.2)), "start")
        # What a later goal can have without building anew is cheap to find, and often most of
        # it: first what is built, worked in another way, then on the pipes that are laid.
        for held, note, share in (
            (search.layout.built, "worked anew", 0.5),
            (search.layout.columns, "on pipes laid", 0.3),
        ):
            near = program.near(search.point, held, deadline.left(share), NEAR_GAP)
            if near.point is not None:
                offered(program.repaired(near.point, deadline.left(0.2)), note)
    if search.given is not None and start is None:
        offered(program.repaired(search.given, deadline.left(0.2)), "start given")
        near = program.near(search.given, search.layout.columns, deadline.left(0.1), NEAR_GAP)
        if near.point is not None:
            program.add(program.broken(near.point))
            offered(program.repaired(near.point, deadline.left(0.2)), "pipes of the start given")
    pending = search.ideas if start is None else None

    def by_paths(wait: float) -> None:
        """The finds of the path search, once it is compiled; it is then not asked again."""
        nonlocal pending
        ideas, gap = pending, program.settings.gap
        if ideas is None or search.point is None or not ideas.ready(wait):
            return
        pending = None
        begun = deadline.spent()
        ideas.search(deadline.left(ideas.share), lambda find, note: None)
        for point in ideas.points(
            program, gap, deadline.left, lambda: deadline.spent() > begun + ideas.share + 0.15
        ):
            offered(program.repaired(point, deadline.left(0.2)), "paths")
        held = ideas.corridors(program.statement, search.point)
        near = program.near(search.point, held, deadline.left(0.15), NEAR_GAP)
        if near.point is not None:
            program.add(program.broken(near.point))
            offered(program.repaired(near.point, deadline.left(0.3)), "corridors of paths")

    by_paths(0.05 * (deadline.left() or 0.0))
    relaxed = program.relaxed(deadline.left(0.3))
    if relaxed.status == "infeasible" and search.point is None:
        return GoalFound(goal, 0.0, None, None, "infeasible")
    if relaxed.bound is not None:
        bettered(_real(program, relaxed.bound))
    if relaxed.point is not None and _whole(program, relaxed.point):
        offered(program.repaired(relaxed.point, deadline.left()), "relaxation")

    def full(share: float, most_rounds: int) -> str:
        """The whole program for a share of the time; again while its points need new cuts."""
        for _ in range(most_rounds):
            if deadline.out():
                return "time_limit"
            solved = program.run(
                time_limit=deadline.left(share),
                node_limit=program.settings.node_limit,
                gap=program.settings.gap,
                start=search.point,
            )
            if solved.bound is not None:
                bettered(_real(program, solved.bound))
            if solved.point is None:
                return solved.status
            rows = program.broken(solved.point)
            program.add(rows)
            offered(program.repaired(solved.point, deadline.left()), "search")
            if _close(best, bound, program.settings.gap) or solved.status == "interrupted":
                return solved.status
            if solved.status != "optimal":
                return solved.status
            if not rows:
                return "optimal"
        return "time_limit"

    def proved(share: float) -> None:
        """The program by origin for a share of the time: its bound, and its whole numbers."""
        if search.prover is None or not search.prover.trusted or program.clock.interrupted:
            return
        known = None
        if best is not None and search.point is not None:
            known = Known(best, search.point)
        proven = search.prover.mixed(deadline.left(share), known)
        if proven.bound is not None:
            bettered(proven.bound)
        if proven.columns is not None:
            offered(program.repaired(proven.columns, deadline.left()), "by origin")

    def tightened() -> None:
        """The bound of the program by origin, relaxed; once."""
        if search.prover is not None:
            search.prover.aim(goal)
            tighter = search.prover.relaxed(deadline.left(0.3))
            if tighter is not None:
                bettered(tighter)

    status = "optimal"
    if not _close(best, bound, program.settings.gap):
        # without the path search (not compiled yet) the first good plan is the program's own
        status = full(0.35 if search.prover is None or pending is not None else 0.08, 50)
        if status == "infeasible" and search.point is None:
            return GoalFound(goal, 0.0, None, None, "infeasible")
    late = pending is not None  # a plan first, then its bound
    if search.prover is not None and not late and not _close(best, bound, program.settings.gap):
        tightened()
        if search.ideas is None:
            proved(0.35)
    if search.point is not None and not _close(best, bound, program.settings.gap):
        turns = neighbourhoods_of(search.layout, program.settings.seed)
        # Paths have found what neighbourhoods would: then one long run for the bound is worth more.
        for _, columns in zip(range(MOST_NEAR), turns, strict=False):
            until = 0.8 if search.ideas is None or late else 0.5
            if deadline.spent() > until or program.clock.interrupted:
                break
            by_paths(0.0)
            near = program.near(search.point, columns, deadline.left(0.1), NEAR_GAP)
            if near.point is not None:
                offered(program.repaired(near.point, deadline.left()), "near")
        if not program.clock.interrupted and status != "optimal":
            if search.prover is not None and search.prover.trusted:
                if late:
                    tightened()
                if program.settings.node_limit is None:
                    proved(1.0)
                    # it may end early, by an error of the solver or for want of memory
                    if deadline.spent() < 0.9 and not _close(best, bound, program.settings.gap):
                        status = full(1.0, 1)
            else:
                status = full(1.0, 1)
    nothing_gained = False
    if start is not None and best is not None and goal.negligible > 0:
        at_start = sign * value_at(search, goal, start)
        if 0.0 < at_start - best <= goal.negligible:
            search.point, best = start, at_start
        nothing_gained = bound is not None and 0.0 <= at_start - bound <= goal.negligible
    refuted = best is not None and bound is not None and passes(best, bound, False, goal.scale)
    if refuted:
        bound = None
        status = "bound_refuted"
    elif nothing_gained:
        status = "optimal"  # all that could be gained is in the tolerance of earlier goals
    elif _close(best, bound, program.settings.gap):
        status = "optimal" if _close(best, bound, PROVEN) else "within_gap"
    elif status == "node_limit" or program.settings.node_limit is not None:
        status = "node_limit"
    elif status != "interrupted":
        status = "time_limit"
    if program.clock.interrupted and status == "time_limit":
        status = "interrupted"
    if best is None or search.point is None:
        return None
    value = sign * best
    known = None if bound is None else sign * bound
    if known is not None:  # within the solver's tolerance, see above
        known = max(known, value) if goal.maximise else min(known, value)
    search.tell(goal, value, known, status)
    return GoalFound(goal, value, known, gap_of(value, known), status)


class _Deadline:
    """Seconds left for one goal."""

    def __init__(self, program: Program, limit: float | None) -> None:
        self._program = program
        self._limit = limit
        self._end = None if limit is None else program.clock.seconds() + limit

    def left(self, share: float = 1.0) -> float | None:
        if self._program.clock.interrupted:
            return 5.0  # enough for a last repair
        if self._end is None or self._program.settings.node_limit is not None:
            return None
        return max(0.05, (self._end - self._program.clock.seconds()) * share)

    def spent(self) -> float:
        """Share of the time that is gone; 0 without a limit."""
        if self._end is None or self._limit is None or self._program.settings.node_limit:
            return 0.0
        if self._limit <= 0.0:
            return 1.0
        return 1.0 - (self._end - self._program.clock.seconds()) / self._limit

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
    return best - bound <= max(max(gap, PROVEN) * abs(bound), 1e-9)


def _whole(program: Program, point: np.ndarray) -> bool:
    whole = [number for number, c in enumerate(program.statement.columns) if c.integer]
    values = point[whole]
    return bool(np.all(np.abs(values - np.round(values)) <= 1e-7))
