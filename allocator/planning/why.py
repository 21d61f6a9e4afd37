"""Why there is no plan, or not the one that is wanted: limits that conflict, and what would do.

In rungs, cheap to dear: rows that no values within bounds can satisfy; the elastic relaxation,
whose stretched limits are held one after the other until nothing gives any more (J. W. Chinneck,
*Feasibility and Infeasibility in Optimization*, Springer 2008: the elastic filter); a deletion
filter over what that leaves, on the integer program. Then the least change of each limit alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from allocator.planning.choices import Choices
from allocator.planning.clock import Clock, earlier
from allocator.planning.cuts import promises_of, violated
from allocator.planning.limits import Limit, Want, pipes_together, stretched
from allocator.planning.program import Program
from allocator.planning.settings import Settings
from allocator.planning.statement import Key, Row, Statement
from allocator.planning.stating import state
from allocator.site.records import Site

ROUNDS = 60
CLOSE = 1e-3
"""A least change is known to this share."""
NONE = 1e-6
"""A limit stretched by less than this share of itself is not stretched."""


@dataclass(frozen=True, slots=True)
class Change:
    """The least change of one limit, all others held, that makes it possible.

    ``amount``: SI, None where no change of this limit alone would do. ``proven``: nothing less
    would do (within a thousandth), or nothing at all where there is no amount. ``least``: what is
    needed in any case, so far as it is known.
    """

    limit: Limit
    amount: float | None
    proven: bool
    least: float = 0.0


@dataclass(frozen=True, slots=True)
class Conflict:
    """``status``: ``possible``, ``conflict``, ``unlimited`` (no limit is to blame) or ``unknown``.

    ``limits``: cannot hold together. ``minimal``: without any one of them they could.
    ``rules``: those of the program that cannot hold by themselves, where cheap checks found some.
    ``reached``: what a plan is known to reach of the only want, SI, where one was looked for.
    """

    status: str
    limits: tuple[Limit, ...] = ()
    minimal: bool = True
    changes: tuple[Change, ...] = ()
    rules: tuple[str, ...] = ()
    reached: float | None = None


@dataclass
class Stretching:
    """A site's program with a slack for every limit, and the solver that holds it."""

    program: Program
    limits: tuple[Limit, ...]
    choices: Choices

    def possible(
        self, held: Iterable[Limit], limit: float | None = None, *, linear: bool = False
    ) -> bool | None:
        """Whether some plan keeps to these limits, the others dropped; None: not known in time.

        What the linear relaxation cannot do, no plan can; ``linear`` asks no more than that.
        """
        self.hold(held)
        self.program.aim_at({})
        if self.program.relaxed(self._left(limit)).status == "infeasible":
            return False
        if linear:
            return None
        point, status = self._solved(limit, 0.0)
        return True if point is not None else False if status == "infeasible" else None

    def least_change(self, one: Limit, limit: float | None = None) -> Change:
        """The least change of one limit with all others held."""
        self.hold(other for other in self.limits if other != one)
        statement = self.program.statement
        column = statement.index(one.slack)
        unit = statement.columns[column].unit
        self.program.aim_at({column: 1.0})
        relaxed = self.program.relaxed(self._left(limit))
        if relaxed.status == "infeasible":
            return Change(one, None, True)
        least = max(0.0, (self.program.unscaled(relaxed.bound) or 0.0) * unit)
        point, status = self._solved(limit, CLOSE)
        if point is None:
            return Change(one, None, status == "infeasible", least)
        amount = float(point[column]) * unit
        if not one.more:  # what is asked for is lowered to nothing at the most
            amount = min(amount, one.value)
        return Change(one, max(0.0, amount), status == "optimal", min(least, amount))

    def stretched_first(self, held: list[Limit]) -> list[Limit]:
        """Limits that the linear relaxation stretches when these are held: relative sum least."""
        self.hold(held)
        statement = self.program.statement
        free = [one for one in self.limits if one not in held]
        self.program.aim_at({statement.index(one.slack): 1.0 for one in free})
        solved = self.program.relaxed(self._left(None))
        if solved.point is None:
            return []
        return [one for one in free if solved.point[statement.index(one.slack)] > NONE]

    def hold(self, held: Iterable[Limit]) -> None:
        """Hold some limits and drop the others."""
        kept = set(held)
        columns = np.array([self.program.statement.index(one.slack) for one in self.limits])
        high = np.array([0.0 if one in kept else np.inf for one in self.limits])
        self.program.solver.bounds(columns, np.zeros(len(columns)), high)

    def _solved(self, limit: float | None, gap: float) -> tuple[np.ndarray | None, str]:
        """The best sound point of the integer program, and why the search stopped."""
        program, best, value = self.program, None, float("inf")
        for _ in range(ROUNDS):
            solved = program.run(
                time_limit=self._left(limit), node_limit=program.settings.node_limit, gap=gap
            )
            if solved.point is None:
                return best, "infeasible" if solved.status == "infeasible" else "time_limit"
            rows = program.broken(solved.point)
            if not rows:
                return solved.point, solved.status
            program.add(rows)
            sound = program.repaired(solved.point, self._left(limit))
            if sound.point is not None and sound.value is not None and sound.value < value:
                best, value = sound.point, sound.value
            # asked anew in every round: a bound that rises may meet what was found before
            near = solved.bound is not None and value <= solved.bound * (1 + gap) + 1e-9
            if best is not None and (gap == 0.0 or near):
                return best, "optimal"
            if solved.status != "optimal":
                return best, solved.status
        return best, "time_limit"

    def _left(self, limit: float | None) -> float | None:
        if self.program.settings.node_limit is not None:
            return None
        return earlier(self.program.clock.left(), limit)


def stretching_of(
    site: Site,
    settings: Settings,
    clock: Clock,
    wants: tuple[Want, ...] = (),
    *,
    demands: bool = False,
    together: bool = False,
) -> Stretching:
    """A site's program with a slack for every limit, on the basis of the settings.

    ``demands``: what is asked for is a limit as well. ``together``: pipe builds are one limit.
    """
    statement, choices = state(site, settings.basis, settings.withstands)
    copy, limits = stretched(statement, choices, wants, demands=demands)
    if together:
        limits = pipes_together(copy, limits)
    promises = () if choices.lossless else promises_of(choices)

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        return violated(copy, promises, values, tolerance)

    return Stretching(Program(copy, separate, settings, clock), limits, choices)


def conflict_of(
    site: Site,
    settings: Settings,
    clock: Clock,
    wants: tuple[Want, ...] = (),
    *,
    changes: bool = True,
) -> Conflict:
    """Find limits that conflict, and (``changes``) the least change of each; see the module.

    Where time runs out the set may be larger than need be, and says so (``minimal``).
    """
    stretching = stretching_of(site, settings, clock, wants, together=True)
    return conflict_in(stretching, changes=changes)


def conflict_in(stretching: Stretching, *, changes: bool = True) -> Conflict:
    """The conflict of a program that is stated; see :func:`conflict_of`."""
    clock = stretching.program.clock
    limits = list(stretching.limits)
    alone = _alone(stretching.program.statement, limits)
    if alone is not None:
        rule, kept = alone
        minimal = stretching.possible([], clock.left(0.3)) is not False
        if not kept or not minimal:
            return Conflict("unlimited", rules=(rule,))
        told = _changes(stretching, kept) if changes else ()
        return Conflict("conflict", tuple(kept), minimal, told, (rule,))
    whole = stretching.possible(limits, clock.left(0.3))
    if whole is not False:
        return Conflict("possible" if whole else "unknown")
    if stretching.possible([], clock.left(0.1)) is False:
        return Conflict("unlimited")
    kept, minimal = _filtered(stretching, _elastic(stretching, limits, clock), clock)
    told = _changes(stretching, kept) if changes else ()
    return Conflict("conflict", tuple(kept), minimal, told)


def _changes(stretching: Stretching, kept: list[Limit]) -> tuple[Change, ...]:
    clock = stretching.program.clock
    return tuple(
        stretching.least_change(one, _part(clock, len(kept) - number))
        for number, one in enumerate(kept)
    )


def _alone(statement: Statement, limits: list[Limit]) -> tuple[str, list[Limit]] | None:
    """A rule that no values within bounds satisfy with its own limits held, and those limits."""
    slacks = {statement.index(one.slack): one for one in limits}
    for row in statement.rows:
        if not _may_hold(statement, row, slacks):
            return row.name, [slacks[column] for column in row.columns if column in slacks]
    return None


def _elastic(stretching: Stretching, limits: list[Limit], clock: Clock) -> list[Limit]:
    """The elastic filter: limits among which the relaxation already conflicts, else all.

    Where the relaxation conflicts, it is also asked which of those limits it could do without.
    """
    held: list[Limit] = []
    while not clock.out():
        more = stretching.stretched_first(held)
        if not more:
            break
        held += more
    named = [one for one in limits if one in held]
    if stretching.possible(named, linear=True) is not False:
        found = bool(named) and stretching.possible(named, clock.left(0.2)) is False
        return named if found else limits
    for one in list(named):
        trial = [other for other in named if other != one]
        if stretching.possible(trial, linear=True) is False:
            named = trial
    return named


def _filtered(
    stretching: Stretching, limits: list[Limit], clock: Clock
) -> tuple[list[Limit], bool]:
    """The deletion filter: what cannot be left out of the conflict, and whether that is proven.

    What is not settled in a short while waits until the others have been asked: what they drop
    makes it easier.
    """
    kept, waiting = list(limits), list(limits)
    for patience in (4, 2):  # as much time again is kept for the least changes
        unsettled = []
        for number, one in enumerate(waiting):
            trial = [other for other in kept if other != one]
            share = _part(clock, patience * (len(waiting) - number))
            possible = None if clock.out() else stretching.possible(trial, share)
            if possible is False:
                kept = trial
            elif possible is None:
                unsettled.append(one)
        waiting = unsettled
    return kept, not waiting


def _part(clock: Clock, count: int) -> float | None:
    left = clock.left()
    return None if left is None else max(0.5, left / count)


def _may_hold(statement: Statement, row: Row, slacks: Mapping[int, Limit]) -> bool:
    """Whether values within bounds, and slacks of 0, can satisfy a row at all."""
    least = most = 0.0
    for number, value in zip(row.columns, row.coefficients, strict=True):
        column = statement.columns[number]
        if value and number not in slacks:
            ends = (value * column.low, value * column.high)
            least, most = least + min(ends), most + max(ends)
    room = 1e-9 * max(1.0, *(abs(end) for end in (row.low, row.high) if np.isfinite(end)))
    return most >= row.low - room and least <= row.high + room
