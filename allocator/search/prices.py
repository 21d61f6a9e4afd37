"""What one more unit of each limit is worth to a plan.

Whole numbers are held as the plan has them and the linear program is solved again: the reduced
cost of a limit's slack, fixed at 0, is what the first of it would bring. Limits are asked goal by
goal, earlier goals held, and each is told by the first goal that it would better. Because a dual
at a corner may belong to either side of it, each is tried: the slack is opened by a little, and
what that brings is the price. A lift opens a slack by a step with whole numbers free, from the
plan: what is found is there, and with more time more might be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from allocator.base.clock import Clock
from allocator.model.goals import Goal, goals_of
from allocator.model.limits import Limit
from allocator.model.rules.heat import heat_row
from allocator.model.statement import Key
from allocator.plans.records import Price
from allocator.search.course import Course, hold, value_at
from allocator.search.held_back import NEARLY
from allocator.search.lexicographic import solve_goal
from allocator.search.neighbourhoods import layout_of
from allocator.search.stretching import Stretching, stretching_of
from allocator.site.records import Site
from allocator.solver.settings import Lift, Settings

LITTLE = 1e-4
"""Share of a limit by which its slack is opened to see what the first of it brings."""
WORTH = 1e-6
"""A limit that, doubled at its price, would better a goal by less than this share, has no price."""
SHARE = 0.05
"""A stock or a cap is lifted by this share of itself where no step is asked for."""
_ROWS = {
    "stock": "stock[{}]",
    "emission": "emission_cap",
    "money": "money_cap",
    "heat": heat_row("{}"),
}


def prices_of(
    site: Site, settings: Settings, clock: Clock, values: Mapping[Key, float]
) -> tuple[Price, ...]:
    """The prices of a plan's limits, most telling goal first.

    Args:
        site: the site.
        settings: of the plan; ``lifts`` are steps to plan anew with. Stocks and caps that have a
            price are lifted by a twentieth besides, as far as time is left.
        clock: the plan's.
        values: the plan's own point by key, SI.

    Returns:
        A price a limit that is worth something.
    """
    stretching = stretching_of(site, settings, clock, demands=True)
    pricing = _Pricing(stretching, values)
    return pricing.all(settings.lifts)


class _Pricing:
    """A plan's point in the stretched program, goal after goal."""

    def __init__(self, stretching: Stretching, values: Mapping[Key, float]) -> None:
        self.stretching = stretching
        self.program = stretching.program
        self.statement = stretching.program.statement
        self.solver = stretching.program.solver
        self.point = np.array(
            [values.get(column.key, 0.0) / column.unit for column in self.statement.columns]
        )
        self.rows = {row.name: row for row in self.statement.rows}
        layout = layout_of(self.statement, stretching.choices)
        self.course = Course(self.program, layout, None, point=self.point)

    def all(self, lifts: tuple[Lift, ...]) -> tuple[Price, ...]:
        """Prices goal by goal."""
        clock = self.program.clock
        self.stretching.hold(self.stretching.limits)
        found: dict[Limit, Price] = {}
        vain: dict[Limit, Price] = {}
        for goal in goals_of(self.statement, self.stretching.choices):
            if clock.out():
                break
            value = self._linear(goal)
            if value is None:
                break
            for limit, rate in self._rates(goal, value):
                if limit not in found:
                    found[limit] = self._lifted(goal, _price(limit, goal, rate), limit, lifts)
            for limit in self.stretching.limits:
                if limit not in found and (_asked(limit, lifts) or self._nearly(limit)):
                    tried = self._lifted(goal, _price(limit, goal, 0.0), limit, lifts)
                    if tried.gain:
                        found[limit] = tried
                    elif _asked(limit, lifts):
                        vain.setdefault(limit, tried)
            hold(self.course, goal, value)
        return (*found.values(), *(price for limit, price in vain.items() if limit not in found))

    def _linear(self, goal: Goal) -> float | None:
        """The goal's value with whole numbers held, and the solver left at that point."""
        self.program.aim(goal)
        solved = self.program.repaired(self.point, self.program.left(0.3))
        if solved.point is None:
            return None
        self.course.point = solved.point
        return value_at(self.course, goal, solved.point)

    def _rates(self, goal: Goal, value: float) -> list[tuple[Limit, float]]:
        """Limits worth something to a goal: its gain a unit (SI), of the first little of each."""
        costs = self.solver.reduced_costs()
        told = []
        for limit in self.stretching.limits:
            column = self.statement.index(limit.slack)
            unit = self.statement.columns[column].unit
            rate = -(self.program.unscaled(float(costs[column])) or 0.0) / unit
            size = limit.value if limit.value > 0 else unit
            if rate * size > WORTH * max(abs(value), 1e3 * goal.scale):
                told.append((limit, rate, size))
        found = []
        for limit, _, size in told:
            step = LITTLE * size
            gained = self._opened(goal, limit, step, value)
            if gained is not None and gained / LITTLE > WORTH * max(abs(value), 1e3 * goal.scale):
                found.append((limit, gained / step))
        return found

    def _opened(self, goal: Goal, limit: Limit, step: float, value: float) -> float | None:
        self._open(limit, step)
        solved = self.program.repaired(self.point, self.program.left(0.2))
        self._open(limit, 0.0)
        if solved.point is None:
            return None
        better = value_at(self.course, goal, solved.point) - value
        return better if goal.maximise else -better

    def _open(self, limit: Limit, step: float) -> None:
        column = self.statement.index(limit.slack)
        unit = self.statement.columns[column].unit
        self.solver.bounds(np.array([column]), np.zeros(1), np.array([step / unit]))

    def _nearly(self, limit: Limit) -> bool:
        """Whether a stock or cap is all but used: whole things may wait for the rest."""
        row = self.rows.get(_ROWS.get(limit.kind, "").format(limit.name))
        if row is None:
            return False
        used = sum(c * self.point[n] for n, c in zip(row.columns, row.coefficients, strict=True))
        return bool(used >= NEARLY * row.high)

    def _lifted(self, goal: Goal, price: Price, limit: Limit, lifts: tuple[Lift, ...]) -> Price:
        """The price with what a step brings when whole numbers are free."""
        step = _asked(limit, lifts)
        if step is None and limit.kind in _ROWS:
            step = SHARE * limit.value
        left = self.program.left(0.3)
        if not step or (left is not None and left < 1.0):
            return price
        kept = self.course.point
        assert kept is not None
        before = value_at(self.course, goal, kept)
        self._open(limit, step)
        found = solve_goal(self.course, goal, left)
        self._open(limit, 0.0)
        self.course.point = kept
        if found is None:
            return price
        gain = found.value - before if goal.maximise else before - found.value
        proven = found.status in ("optimal", "within_gap")
        return replace(price, step=step, gain=max(0.0, gain), proven=proven)


def _asked(limit: Limit, lifts: tuple[Lift, ...]) -> float | None:
    same = (lift for lift in lifts if (lift.kind, lift.name) == (limit.kind, limit.name))
    return next((lift.step for lift in same), None)


def _price(limit: Limit, goal: Goal, rate: float) -> Price:
    return Price(limit.kind, limit.name, limit.value, limit.dimension, goal.name, goal.unit, rate)
