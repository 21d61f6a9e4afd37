"""Several good plans: each lays something else than the ones before it, at a stated loss.

For every plan P that is known already, with ``laid(P)`` the new pipes that it lays:

    sum over laid(P) of lay(pipe)  <=  |laid(P)| - d,     d = max(1, |laid(P)| / 5 rounded up)

so that at least a fifth of what P lays is not there, and the first goal keeps all but the loss:

    goal  >=  (1 - loss) * goal of the best plan     (minimised: <= (1 + loss))
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import Goal, goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model, Terms
from allocator.model.stating import offered, state
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.clean_up import finished, trimmed
from allocator.search.found import GoalFound
from allocator.search.narrowing import pipe_column_count
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.repair import (
    candidate_pool_of,
    fixed_and_repaired,
    pipe_columns,
    point_of,
)
from allocator.search.state import SearchState, hold, value_at
from allocator.search.strategy.budgets import NARROWED
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

APART = 0.2
"""Share of the pipes laid by each earlier plan that another plan must do without."""

Reader = Callable[[Model, IndexSets, np.ndarray, list[GoalFound]], Plan]


def alternatives_of(
    site: Network, settings: Settings, clock: Clock, plan: Plan, read: Reader
) -> tuple[Plan, ...]:
    """Plans beside a plan, best first; fewer than asked for where no more were found in time.

    ``read``: makes a plan of a point. None are searched where the plan lays nothing, nor on sites
    so large that their model is narrowed.
    """
    known = [laid_by(plan)]
    sets = offered(site, settings.basis, settings.robustness)
    if not known[0] or not plan.goals or pipe_column_count(sets) > NARROWED.pipe_columns:
        return ()
    model, sets = state(site, settings.basis, settings.robustness, clock.check)
    goal = goals_of(model, sets)[0]
    best = plan.goals[0].value
    layer = _Layer(model, sets, goal, settings, clock)
    layer.keep(best, settings.loss)
    found: list[Plan] = []
    for number in range(settings.alternatives - 1):
        layer.differ(known[-1])
        left = clock.left(1.0 / (settings.alternatives - 1 - number))
        point = layer.best_point(known, left)
        if point is None:
            break
        other = read(model, sets, point, [layer.result_at(point)])
        found.append(replace(other, status=other.goals[0].status))
        known.append(laid_by(other))
    return tuple(found)


def laid_by(plan: Plan) -> frozenset[tuple[str, str]]:
    """New pipes that a plan lays: (route, fluid)."""
    return frozenset((run.route, run.fluid) for run in plan.runs if run.new)


def fewest_apart(count: int) -> int:
    """Pipes of so many that another plan must do without."""
    return max(1, math.ceil(APART * count - 1e-9))


class _Layer:
    """The model that is asked for one more plan after the other."""

    def __init__(
        self,
        model: Model,
        sets: IndexSets,
        goal: Goal,
        settings: Settings,
        clock: Clock,
    ) -> None:
        self.solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
        self.model, self.sets, self.goal = model, sets, goal
        self._settings, self._clock = settings, clock
        self._pool = candidate_pool_of(sets, settings, clock, None)

    def keep(self, best: float, loss: float) -> None:
        """The first goal may lose a share, no more."""
        search_state = SearchState(self.solver_model, layout_of(self.model, self.sets), None)
        hold(search_state, self.goal, best, loss)

    def differ(self, laid: frozenset[tuple[str, str]]) -> None:
        """At least a fifth of some pipes is not laid."""
        terms: Terms = [
            (1.0, ("lay", route, build, fluid))
            for (route, fluid), pipe in self.sets.pipes.items()
            if (route, fluid) in laid
            for build in pipe.builds
            if build != pipe.existing
        ]
        most = float(len(laid) - fewest_apart(len(laid)))
        row = self.model.scaled_row("apart", terms, high=most)
        if row is not None and row.columns:
            self.solver_model.add([row])

    def best_point(
        self, known: list[frozenset[tuple[str, str]]], limit: float | None
    ) -> np.ndarray | None:
        """The best point found in some seconds; None where there is none."""
        solver_model, ends = self.solver_model, None
        if limit is not None:
            ends = self._clock.seconds() + limit
        solver_model.aim(self.goal)

        def left(share: float) -> float | None:
            return (
                None
                if ends is None
                else max(QUESTIONS.alternative_seconds, (ends - self._clock.seconds()) * share)
            )

        best: np.ndarray | None = None
        for point in self._from_paths(known, left):
            best = self._better(best, point)
        for _ in range(QUESTIONS.alternative_rounds):
            solved = solver_model.run(
                time_limit=left(QUESTIONS.alternative_solve),
                node_limit=self._settings.node_limit,
                gap=max(1e-3, self._settings.gap),
                start=best,
            )
            if solved.point is None:
                break
            rows = solver_model.broken(solved.point)
            solver_model.add(rows)
            sound = solver_model.repaired(solved.point, left(QUESTIONS.alternative_solve)).point
            if sound is not None:
                best = self._better(best, sound)
            out = (
                ends is not None
                and ends - self._clock.seconds() < 2 * QUESTIONS.alternative_seconds
            )
            if not rows or out or self._clock.interrupted:
                break
        return None if best is None else self._cleaned_up(best, left(QUESTIONS.alternative_solve))

    def result_at(self, point: np.ndarray) -> GoalFound:
        """The first goal at a point; how much better another might be is not asked."""
        values = self.model.by_key(point)
        value = self.model.value(self.goal.terms, values)
        stopped = Status.INTERRUPTED if self._clock.interrupted else Status.TIME_LIMIT
        status = stopped if self._settings.node_limit is None else Status.NODE_LIMIT
        return GoalFound(self.goal, value, None, None, status)

    def _from_paths(
        self, known: list[frozenset[tuple[str, str]]], left: Callable[[float], float | None]
    ) -> Iterator[np.ndarray]:
        """Points from candidates of the path search that lay something else."""
        if self._pool is None:
            return
        self._pool.search(left(QUESTIONS.alternative_search), lambda candidate, note: None)
        lay = pipe_columns(self.model)
        tried = 0
        for candidate in self._pool.candidates:
            apart = all(len(k - set(candidate.pipes)) >= fewest_apart(len(k)) for k in known)
            if apart and tried < 3:
                tried += 1
                point = point_of(self.model, self.sets, candidate)
                for solved in fixed_and_repaired(self.solver_model, lay, point, 1e-3, left):
                    assert solved.point is not None
                    yield solved.point

    def _better(self, best: np.ndarray | None, point: np.ndarray) -> np.ndarray:
        if best is None:
            return point
        search_state = SearchState(self.solver_model, layout_of(self.model, self.sets), None)
        values = [value_at(search_state, self.goal, p) for p in (best, point)]
        wins = values[1] > values[0] if self.goal.maximise else values[1] < values[0]
        return point if wins else best

    def _cleaned_up(self, point: np.ndarray, limit: float | None) -> np.ndarray:
        """The point without what is not used, where the goal allows it."""
        fewer = finished(
            self.solver_model, (trimmed(self.solver_model, self.sets, point), point), limit
        )
        if fewer is None:
            return point
        search_state = SearchState(self.solver_model, layout_of(self.model, self.sets), None)
        lost = value_at(search_state, self.goal, point) - value_at(search_state, self.goal, fewer)
        return fewer if abs(lost) <= self.goal.scale else point
