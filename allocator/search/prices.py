"""What one more unit of each limit is worth to a plan.

Integers are held as the plan has them and the linear program is solved again: the reduced
cost of a limit's slack, fixed at 0, is what the first of it would bring. Limits are asked goal by
goal, earlier goals held, and each has the price of the first goal that it would improve. A dual at
a corner may belong to either side of it, so each is tried: the slack is opened by a little, and
what that brings is the price. A lift opens a slack by a step with integers free, from the plan: the
gain is real, and with more time it might be larger.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.goals import Goal, goals_of
from allocator.model.limits import Limit
from allocator.model.model import Key
from allocator.model.rules.heat import heat_row
from allocator.network.records import Network
from allocator.plans.records import Price
from allocator.search.binding import NEARLY
from allocator.search.elastic import ElasticRelaxation, elastic_relaxation_of
from allocator.search.lexicographic import solve_goal
from allocator.search.neighbourhoods import layout_of
from allocator.search.state import SearchState, hold, value_at
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.solver.settings import Lift, Settings

LITTLE = 1e-4
"""Share of a limit by which its slack is opened to see what the first of it brings."""
WORTH = 1e-6
"""A limit that, doubled at its price, would improve a goal by less than this share has none."""
SHARE = 0.05
"""A stock or a cap is lifted by this share of itself where no step is asked for."""
_ROWS = {
    "stock": "stock[{}]",
    "emission": "emission_cap",
    "money": "money_cap",
    "heat": heat_row("{}"),
}


def prices_of(
    site: Network, settings: Settings, clock: Clock, values: Mapping[Key, float]
) -> tuple[Price, ...]:
    """The prices of a plan's limits, most important goal first.

    Parameters
    ----------
    site : Network
        The site.
    settings : Settings
        Of the plan; ``lifts`` are steps to re-plan with. Stocks and caps that have a price are
        lifted by a twentieth besides, as far as time is left.
    clock : Clock
        The plan's.
    values : mapping
        The plan's own point by key, SI.

    Returns
    -------
    tuple of Price
        A price for each limit that is worth something.
    """
    elastic = elastic_relaxation_of(site, settings, clock, demands=True)
    pricing = _Pricing(elastic, values)
    return pricing.all(settings.lifts)


class _Pricing:
    """A plan's point in the relaxed model, goal after goal."""

    def __init__(self, elastic: ElasticRelaxation, values: Mapping[Key, float]) -> None:
        self.elastic = elastic
        self.solver_model = elastic.solver_model
        self.model = elastic.solver_model.model
        self.solver = elastic.solver_model.solver
        self.point = np.array(
            [values.get(column.key, 0.0) / column.unit for column in self.model.columns]
        )
        self.rows = {row.name: row for row in self.model.rows}
        layout = layout_of(self.model, elastic.sets)
        self.search_state = SearchState(self.solver_model, layout, None, point=self.point)

    def all(self, lifts: tuple[Lift, ...]) -> tuple[Price, ...]:
        """Prices goal by goal."""
        clock = self.solver_model.clock
        self.elastic.hold(self.elastic.limits)
        found: dict[Limit, Price] = {}
        vain: dict[Limit, Price] = {}
        for goal in goals_of(self.model, self.elastic.sets):
            if clock.out():
                break
            value = self._linear(goal)
            if value is None:
                break
            for limit, rate in self._rates(goal, value):
                if limit not in found:
                    found[limit] = self._lifted(goal, _price(limit, goal, rate), limit, lifts)
            for limit in self.elastic.limits:
                if limit not in found and (_asked(limit, lifts) or self._nearly(limit)):
                    tried = self._lifted(goal, _price(limit, goal, 0.0), limit, lifts)
                    if tried.gain:
                        found[limit] = tried
                    elif _asked(limit, lifts):
                        vain.setdefault(limit, tried)
            hold(self.search_state, goal, value)
        return (*found.values(), *(price for limit, price in vain.items() if limit not in found))

    def _linear(self, goal: Goal) -> float | None:
        """The goal's value with integers held, and the solver left at that point."""
        self.solver_model.aim(goal)
        solved = self.solver_model.repaired(self.point, self.solver_model.left(QUESTIONS.marginal))
        if solved.point is None:
            return None
        self.search_state.point = solved.point
        return value_at(self.search_state, goal, solved.point)

    def _rates(self, goal: Goal, value: float) -> list[tuple[Limit, float]]:
        """Limits worth something to a goal: its gain a unit (SI), of the first little of each."""
        costs = self.solver.reduced_costs()
        priced = []
        for limit in self.elastic.limits:
            column = self.model.index(limit.slack)
            unit = self.model.columns[column].unit
            rate = -(self.solver_model.unscaled(float(costs[column])) or 0.0) / unit
            size = limit.value if limit.value > 0 else unit
            if rate * size > WORTH * max(abs(value), 1e3 * goal.scale):
                priced.append((limit, rate, size))
        found = []
        for limit, _, size in priced:
            step = LITTLE * size
            gained = self._opened(goal, limit, step, value)
            if gained is not None and gained / LITTLE > WORTH * max(abs(value), 1e3 * goal.scale):
                found.append((limit, gained / step))
        return found

    def _opened(self, goal: Goal, limit: Limit, step: float, value: float) -> float | None:
        self._open(limit, step)
        solved = self.solver_model.repaired(
            self.point, self.solver_model.left(QUESTIONS.marginal_opened)
        )
        self._open(limit, 0.0)
        if solved.point is None:
            return None
        better = value_at(self.search_state, goal, solved.point) - value
        return better if goal.maximise else -better

    def _open(self, limit: Limit, step: float) -> None:
        column = self.model.index(limit.slack)
        unit = self.model.columns[column].unit
        self.solver.bounds(np.array([column]), np.zeros(1), np.array([step / unit]))

    def _nearly(self, limit: Limit) -> bool:
        """Whether a stock or cap is all but used: whole things may wait for the rest."""
        row = self.rows.get(_ROWS.get(limit.kind, "").format(limit.name))
        if row is None:
            return False
        used = sum(c * self.point[n] for n, c in zip(row.columns, row.coefficients, strict=True))
        return bool(used >= NEARLY * row.high)

    def _lifted(self, goal: Goal, price: Price, limit: Limit, lifts: tuple[Lift, ...]) -> Price:
        """The price with what a step brings when integers are free."""
        step = _asked(limit, lifts)
        if step is None and limit.kind in _ROWS:
            step = SHARE * limit.value
        left = self.solver_model.left(QUESTIONS.marginal)
        if not step or (left is not None and left < QUESTIONS.marginal_seconds):
            return price
        kept = self.search_state.point
        assert kept is not None
        before = value_at(self.search_state, goal, kept)
        self._open(limit, step)
        found = solve_goal(self.search_state, goal, left)
        self._open(limit, 0.0)
        self.search_state.point = kept
        if found is None:
            return price
        gain = found.value - before if goal.maximise else before - found.value
        proven = found.status in (Status.OPTIMAL, Status.WITHIN_GAP)
        return replace(price, step=step, gain=max(0.0, gain), proven=proven)


def _asked(limit: Limit, lifts: tuple[Lift, ...]) -> float | None:
    same = (lift for lift in lifts if (lift.kind, lift.name) == (limit.kind, limit.name))
    return next((lift.step for lift in same), None)


def _price(limit: Limit, goal: Goal, rate: float) -> Price:
    return Price(limit.kind, limit.name, limit.value, limit.dimension, goal.name, goal.unit, rate)
