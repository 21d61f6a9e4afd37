"""A site's model with a slack for every limit, and the questions that it is asked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.clock import Clock, earlier
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
from allocator.model.elastic import pipes_together, stretched
from allocator.model.index_sets import IndexSets
from allocator.model.limits import Limit, Want
from allocator.model.stating import state
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.known import point_of_plan
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.solver.interface import Solved
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

ROUNDS = 60
CLOSE = 1e-3
"""A least change is known to this share."""
ROUGH = 0.02
"""What is built beside a known plan is chosen to this share: it is a beginning."""
NONE = 1e-6
"""A limit relaxed by less than this share of itself is not relaxed."""


@dataclass(frozen=True, slots=True)
class Change:
    """The least change of one limit, all others held, that makes it possible.

    ``amount``: SI, None where no change of this limit alone suffices. ``proven``: nothing less
    suffices (within a thousandth), or nothing at all where there is no amount. ``least``: what is
    needed in any case, so far as it is known.
    """

    limit: Limit
    amount: float | None
    proven: bool
    least: float = 0.0


@dataclass
class ElasticRelaxation:
    """A site's model with a slack for every limit, and the solver that holds it.

    ``known``: integers of a plan that keeps all limits but, perhaps, what is wanted.
    """

    solver_model: SolverModel
    limits: tuple[Limit, ...]
    sets: IndexSets
    known: np.ndarray | None = None

    def begin_from(self, plan: Plan) -> None:
        """Search near a plan first from now on: what it builds is kept, and more is built."""
        self.known = point_of_plan(self.solver_model.model, self.sets, plan)

    def possible(
        self, held: Iterable[Limit], limit: float | None = None, *, linear: bool = False
    ) -> bool | None:
        """Whether some plan keeps to these limits, the others dropped; None: not known in time.

        What the linear relaxation cannot do, no plan can; ``linear`` asks no more than that.
        """
        until = self._until(limit)
        self.hold(held)
        self.solver_model.aim_at({})
        if self.solver_model.relaxed(self._left(until)).status == Status.INFEASIBLE:
            return False
        if linear:
            return None
        if self._built_on(until) is not None:
            return True
        point, status = self._solved(until, 0.0)
        return True if point is not None else False if status == Status.INFEASIBLE else None

    def least_change(self, one: Limit, limit: float | None = None, gap: float = CLOSE) -> Change:
        """The least change of one limit with all others held, to a share of it."""
        until = self._until(limit)
        self.hold(other for other in self.limits if other != one)
        model = self.solver_model.model
        column = model.index(one.slack)
        unit = model.columns[column].unit
        self.solver_model.aim_at({column: 1.0})
        relaxed = self.solver_model.relaxed(self._left(until))
        if relaxed.status == Status.INFEASIBLE:
            return Change(one, None, not one.cautious)
        least = 0.0
        if not one.cautious:
            least = max(0.0, (self.solver_model.unscaled(relaxed.bound) or 0.0) * unit)
            least = one.change_of(least)
        point, status = self._solved(until, gap, self._built_on(until))
        if point is None:
            return Change(one, None, status == Status.INFEASIBLE and not one.cautious, least)
        amount = one.change_of(float(point[column]) * unit)
        if not one.more:  # a demand is lowered to nothing at most
            amount = min(amount, one.value)
        proven = status == Status.OPTIMAL and not one.cautious
        return Change(one, max(0.0, amount), proven, min(least, amount))

    def relaxed_limits(self, held: list[Limit]) -> list[Limit]:
        """Limits that the linear relaxation relaxes when these are held: relative sum minimised."""
        self.hold(held)
        model = self.solver_model.model
        free = [one for one in self.limits if one not in held]
        self.solver_model.aim_at({model.index(one.slack): 1.0 for one in free})
        solved = self.solver_model.relaxed(self._left(None))
        if solved.point is None:
            return []
        return [one for one in free if solved.point[model.index(one.slack)] > NONE]

    def hold(self, held: Iterable[Limit]) -> None:
        """Hold some limits and drop the others."""
        kept = set(held)
        columns = np.array([self.solver_model.model.index(one.slack) for one in self.limits])
        high = np.array([0.0 if one in kept else np.inf for one in self.limits])
        self.solver_model.solver.bounds(columns, np.zeros(len(columns)), high)

    def _built_on(self, until: float | None) -> Solved | None:
        """The best sound point that has all of the known plan, and more beside it."""
        if self.known is None:
            return None
        solver_model, left = self.solver_model, self._left(until)
        built = layout_of(solver_model.model, self.sets).built
        kept = built[self.known[built] > 0.5]
        high = np.array([solver_model.model.columns[column].high for column in kept])
        solver_model.solver.bounds(kept, np.round(self.known[kept]), high)
        try:
            found = solver_model.run(
                time_limit=None if left is None else QUESTIONS.built_on * left,
                node_limit=solver_model.settings.node_limit,
                gap=ROUGH,
            )
        finally:
            solver_model.solver.fix(None)
        if found.point is None:
            return None
        solver_model.add(solver_model.broken(found.point))
        sound = solver_model.repaired(found.point, self._left(until))
        return None if sound.point is None or sound.value is None else sound

    def _solved(
        self, until: float | None, gap: float, begun: Solved | None = None
    ) -> tuple[np.ndarray | None, str]:
        """The best sound point of the integer model, and why the search stopped.

        ``begun``: a sound point to begin from.
        """
        solver_model, best, value = self.solver_model, None, float("inf")
        if begun is not None and begun.value is not None:
            best, value = begun.point, begun.value
        for _ in range(ROUNDS):
            solved = solver_model.run(
                time_limit=self._left(until),
                node_limit=solver_model.settings.node_limit,
                gap=gap,
                start=best,
            )
            if solved.point is None:
                return (
                    best,
                    Status.INFEASIBLE if solved.status == Status.INFEASIBLE else Status.TIME_LIMIT,
                )
            rows = solver_model.broken(solved.point)
            if not rows:
                worse = solved.value is not None and solved.value > value
                return best if worse else solved.point, solved.status
            solver_model.add(rows)
            sound = solver_model.repaired(solved.point, self._left(until))
            if sound.point is not None and sound.value is not None and sound.value < value:
                best, value = sound.point, sound.value
            # asked again in every round: a bound that rises may meet what was found before
            near = solved.bound is not None and value <= solved.bound * (1 + gap) + 1e-9
            if best is not None and (gap == 0.0 or near):
                return best, Status.OPTIMAL
            if solved.status != Status.OPTIMAL:
                return best, solved.status
        return best, Status.TIME_LIMIT

    def _until(self, limit: float | None) -> float | None:
        """When a question that may take some seconds must be answered, s on the clock."""
        return None if limit is None else self.solver_model.clock.seconds() + limit

    def _left(self, until: float | None) -> float | None:
        clock = self.solver_model.clock
        if self.solver_model.settings.node_limit is not None:
            return None
        return earlier(clock.left(), None if until is None else max(0.0, until - clock.seconds()))


WIDER = 10.0
"""Times as wide as it is that the difference of potentials becomes where pressures may change."""


def widened(site: Network) -> Network:
    """The site with pressures that may be higher than anything on it gives."""
    if not site.pressures:
        return site
    pressures = {
        fluid: replace(one, most=one.least + WIDER * (one.most - one.least))
        for fluid, one in site.pressures.items()
    }
    return replace(site, pressures=pressures)


def elastic_relaxation_of(
    site: Network,
    settings: Settings,
    clock: Clock,
    wants: tuple[Want, ...] = (),
    *,
    demands: bool = False,
    together: bool = False,
) -> ElasticRelaxation:
    """A site's model with a slack for every limit, on the basis of the settings.

    ``demands``: what is asked for is a limit as well. ``together``: pipe builds are one limit.
    """
    model, sets = state(widened(site), settings.basis, settings.robustness, clock.check, ways=False)
    copy, limits = stretched(model, sets, wants, demands=demands)
    if together:
        limits = pipes_together(copy, limits)
    solver_model = SolverModel(copy, lazy_cuts(copy, sets), settings, clock)
    return ElasticRelaxation(solver_model, limits, sets)
