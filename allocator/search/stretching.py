"""A site's program with a slack for every limit, and the questions that it is asked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from allocator.base.clock import Clock, earlier
from allocator.model.choices import Choices
from allocator.model.cuts import promises_of, violated
from allocator.model.limits import Limit, Want
from allocator.model.statement import Key, Row
from allocator.model.stating import state
from allocator.model.stretched import pipes_together, stretched
from allocator.plans.records import Plan
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.known import point_of_plan
from allocator.site.records import Site
from allocator.solver.program import Program
from allocator.solver.seam import Solved
from allocator.solver.settings import Settings

ROUNDS = 60
CLOSE = 1e-3
"""A least change is known to this share."""
ROUGH = 0.02
"""What is built beside a known plan is chosen to this share: it is a beginning."""
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


@dataclass
class Stretching:
    """A site's program with a slack for every limit, and the solver that holds it.

    ``known``: whole numbers of a plan that keeps all limits but, perhaps, what is wanted.
    """

    program: Program
    limits: tuple[Limit, ...]
    choices: Choices
    known: np.ndarray | None = None

    def begin_from(self, plan: Plan) -> None:
        """Look beside a plan first from now on: what it builds is kept, and more is built."""
        self.known = point_of_plan(self.program.statement, self.choices, plan)

    def possible(
        self, held: Iterable[Limit], limit: float | None = None, *, linear: bool = False
    ) -> bool | None:
        """Whether some plan keeps to these limits, the others dropped; None: not known in time.

        What the linear relaxation cannot do, no plan can; ``linear`` asks no more than that.
        """
        until = self._until(limit)
        self.hold(held)
        self.program.aim_at({})
        if self.program.relaxed(self._left(until)).status == "infeasible":
            return False
        if linear:
            return None
        if self._built_on(until) is not None:
            return True
        point, status = self._solved(until, 0.0)
        return True if point is not None else False if status == "infeasible" else None

    def least_change(self, one: Limit, limit: float | None = None) -> Change:
        """The least change of one limit with all others held."""
        until = self._until(limit)
        self.hold(other for other in self.limits if other != one)
        statement = self.program.statement
        column = statement.index(one.slack)
        unit = statement.columns[column].unit
        self.program.aim_at({column: 1.0})
        relaxed = self.program.relaxed(self._left(until))
        if relaxed.status == "infeasible":
            return Change(one, None, True)
        least = max(0.0, (self.program.unscaled(relaxed.bound) or 0.0) * unit)
        point, status = self._solved(until, CLOSE, self._built_on(until))
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

    def _built_on(self, until: float | None) -> Solved | None:
        """The best sound point that has all of the known plan, and more beside it."""
        if self.known is None:
            return None
        program, left = self.program, self._left(until)
        built = layout_of(program.statement, self.choices).built
        stands = built[self.known[built] > 0.5]
        high = np.array([program.statement.columns[column].high for column in stands])
        program.solver.bounds(stands, np.round(self.known[stands]), high)
        try:
            found = program.run(
                time_limit=None if left is None else 0.4 * left,
                node_limit=program.settings.node_limit,
                gap=ROUGH,
            )
        finally:
            program.solver.fix(None)
        if found.point is None:
            return None
        program.add(program.broken(found.point))
        sound = program.repaired(found.point, self._left(until))
        return None if sound.point is None or sound.value is None else sound

    def _solved(
        self, until: float | None, gap: float, begun: Solved | None = None
    ) -> tuple[np.ndarray | None, str]:
        """The best sound point of the integer program, and why the search stopped.

        ``begun``: a sound point to begin from.
        """
        program, best, value = self.program, None, float("inf")
        if begun is not None and begun.value is not None:
            best, value = begun.point, begun.value
        for _ in range(ROUNDS):
            solved = program.run(
                time_limit=self._left(until),
                node_limit=program.settings.node_limit,
                gap=gap,
                start=best,
            )
            if solved.point is None:
                return best, "infeasible" if solved.status == "infeasible" else "time_limit"
            rows = program.broken(solved.point)
            if not rows:
                worse = solved.value is not None and solved.value > value
                return best if worse else solved.point, solved.status
            program.add(rows)
            sound = program.repaired(solved.point, self._left(until))
            if sound.point is not None and sound.value is not None and sound.value < value:
                best, value = sound.point, sound.value
            # asked anew in every round: a bound that rises may meet what was found before
            near = solved.bound is not None and value <= solved.bound * (1 + gap) + 1e-9
            if best is not None and (gap == 0.0 or near):
                return best, "optimal"
            if solved.status != "optimal":
                return best, solved.status
        return best, "time_limit"

    def _until(self, limit: float | None) -> float | None:
        """When a question that may take some seconds must be answered, s on the clock."""
        return None if limit is None else self.program.clock.seconds() + limit

    def _left(self, until: float | None) -> float | None:
        clock = self.program.clock
        if self.program.settings.node_limit is not None:
            return None
        return earlier(clock.left(), None if until is None else max(0.0, until - clock.seconds()))


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
    statement, choices = state(site, settings.basis, settings.withstands, clock.check)
    copy, limits = stretched(statement, choices, wants, demands=demands)
    if together:
        limits = pipes_together(copy, limits)
    promises = () if choices.lossless else promises_of(choices)

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        return violated(copy, promises, values, tolerance)

    return Stretching(Program(copy, separate, settings, clock), limits, choices)
