"""The search for one goal: its best value and bound, and how points and bounds are offered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from allocator.base.status import Status
from allocator.model.goals import Goal
from allocator.search.bound_worker import BoundWorker
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.proving import Prover
from allocator.search.deadline import Deadline
from allocator.search.found import close
from allocator.search.paths.repair import CandidatePool
from allocator.search.state import SearchState, value_at
from allocator.search.strategy.budgets import GOAL
from allocator.solver.interface import Solved
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

NEAR_GAP = 1e-3
"""Gap to which the best point near another is searched."""
SEEN = 1e-7
"""Share by which a point of a solver at work may lose when its rows hold to the last digit."""
SAME_BOUND = 1e-9
"""Share by which a bound of the solver must be better than a certified one to replace it."""


@dataclass
class GoalSearch:
    """What is known of one goal. Values and bounds are minimised inside (``sign``), SI.

    Attributes
    ----------
    common : SearchState
        What all goals share; its ``point`` is the best sound one.
    start : array or None
        The point of the earlier goals; None in the first goal.
    untried : CandidatePool or None
        The candidate pool as long as its candidates have not been repaired for this goal.
    best, bound : float or None
        Value of the best point; the best bound.
    certified : bool
        The bound is safe against rounding.
    multicommodity_leads : bool
        The best bound is one of the multicommodity formulation.
    status : Status
        How the last solve of the integer model ended; ``time_limit`` before the first.
    seen : float or None
        Value of the best sound point that a solver at work, here or in the worker, has told of.
    """

    common: SearchState
    goal: Goal
    deadline: Deadline
    start: np.ndarray | None
    untried: CandidatePool | None
    best: float | None = None
    bound: float | None = None
    certified: bool = False
    multicommodity_leads: bool = False
    status: Status = Status.TIME_LIMIT
    seen: float | None = None
    _stopped_early: bool = False

    @property
    def solver_model(self) -> SolverModel:
        """The model with its solver."""
        return self.common.solver_model

    @property
    def settings(self) -> Settings:
        """Settings of the run."""
        return self.common.solver_model.settings

    @property
    def prover(self) -> Prover | None:
        """The multicommodity formulation, where the model has one."""
        return self.common.prover

    @property
    def worker(self) -> BoundWorker | None:
        """The background bound worker, where one is at work on this goal."""
        return self.common.worker

    @property
    def sign(self) -> float:
        """-1 where the goal is maximised."""
        return -1.0 if self.goal.maximise else 1.0

    @property
    def point(self) -> np.ndarray:
        """The best sound point, where there is one."""
        assert self.common.point is not None
        return self.common.point

    @property
    def has_plan(self) -> bool:
        """Whether a sound point is known."""
        return self.common.point is not None

    @property
    def closed(self) -> bool:
        """Whether plan and bound have met, as far as was asked."""
        return close(self.best, self.bound, self.settings.gap)

    @property
    def stopped(self) -> bool:
        """Whether the user wants the best plan now."""
        return self.solver_model.clock.interrupted

    @property
    def infeasible(self) -> bool:
        """Whether the model has no point at all."""
        return self.status == Status.INFEASIBLE and not self.has_plan

    def known(self) -> Known | None:
        """The best plan so far."""
        if self.best is None or self.common.point is None:
            return None
        return Known(self.best, self.common.point)

    def is_better(self, point: np.ndarray) -> bool:
        """Whether a point is better than the best one."""
        value = self.sign * value_at(self.common, self.goal, point)
        return self.best is None or value < self.best - 1e-12 * abs(self.best)

    def improve_bound(
        self, bound: float | None, *, multicommodity: bool = False, certified: bool = False
    ) -> None:
        """Keep a bound (minimised, SI) where it is the best.

        The solver's bound replaces a certified one only where it is better by more than rounding.
        """
        if bound is None:
            return
        room = SAME_BOUND * abs(bound) if self.certified and not certified else 0.0
        if self.bound is None or bound > self.bound + room:
            self.bound, self.certified = bound, certified
            self.multicommodity_leads = multicommodity

    def offer(self, solved: Solved, note: str) -> None:
        """Keep a sound point where it is the best, to its last digits.

        What the solver lets pass in a row of small amounts may be worth much to a goal.
        """
        if solved.point is None or not self.is_better(solved.point):
            return
        last = self.solver_model.exact(solved.point, self.deadline.left(GOAL.last_digits))
        # where there is no time for it, the point is judged at the end
        point = last.point if last.status in (Status.OPTIMAL, Status.INFEASIBLE) else solved.point
        if point is not None and self.is_better(point):
            value = self.best = self.sign * value_at(self.common, self.goal, point)
            self.common.point = point
            if self.worker is not None:
                self.worker.report_plan(value, None if self.common.narrowed else point)
            bound = None if self.bound is None else self.sign * self.bound
            self.common.record(self.goal, self.sign * value, bound, note)

    def repair(
        self, point: np.ndarray, share: float, note: str, least: float = GOAL.least_seconds
    ) -> None:
        """Offer the integers of a point with the best amounts for them."""
        self.offer(self.solver_model.repaired(point, self.deadline.left(share, least)), note)

    def search_near(
        self,
        point: np.ndarray,
        held: np.ndarray,
        share: float,
        note: str,
        least: float = GOAL.least_seconds,
        gap: float = NEAR_GAP,
    ) -> None:
        """Offer the best point with some integers held, its store cuts added until they hold.

        Cuts may leave its integers without a point: then it is searched again.
        """
        for _ in range(GOAL.near_rounds):
            near = self.solver_model.near(point, held, self.deadline.left(share, least), gap)
            if near.point is None:
                return
            rows = self.solver_model.broken(near.point)
            self.solver_model.add(rows)
            before = self.best
            self.repair(near.point, GOAL.repair_near, note, least)
            if not rows or self.best != before or self.deadline.out():
                return

    def hear_worker(self) -> None:
        """Take over what the background worker found: a bound, and integers to try."""
        if self.worker is None:
            return
        self._take_bound(self.worker)
        for columns in self.worker.take_integers():
            self.repair(columns, GOAL.repair, "multicommodity")

    def worker_closes(self) -> bool:
        """Whether the worker's bound has met the best point; asked while a solver is at work."""
        if self.worker is None:
            return self.closed
        self._take_bound(self.worker)
        if self.solver_model.solver.exchanging:
            self._exchange_points(self.worker)
        if self.closed or self._stopped_early:  # once: the point may be worth a little less
            return self.closed
        self._stopped_early = close(self.seen, self.bound, self.settings.gap)
        return self._stopped_early

    def _exchange_points(self, worker: BoundWorker) -> None:
        """Hand points of the worker to the solver at work, and its own to the worker."""
        solver = self.solver_model.solver
        point = solver.take_improved()
        if point is not None and not self.solver_model.broken(point):
            value = self.sign * value_at(self.common, self.goal, point)
            value += SEEN * abs(value)
            if self.seen is None or value < self.seen:
                self.seen = value
                worker.report_plan(value, None if self.common.narrowed else point)
        sound = worker.sound
        if sound is not None and (self.seen is None or sound.value < self.seen):
            self.seen = sound.value
            assert sound.columns is not None
            solver.suggest(sound.columns)

    def _take_bound(self, worker: BoundWorker) -> None:
        before = self.bound
        self.improve_bound(worker.bound, multicommodity=True)
        if self.bound != before:
            self.record_bound("multicommodity")

    def record_bound(self, note: str) -> None:
        """Record a line of progress for a better bound."""
        if self.best is not None and self.bound is not None:
            self.common.record(self.goal, self.sign * self.best, self.sign * self.bound, note)


def goal_search_of(common: SearchState, goal: Goal, limit: float | None) -> GoalSearch:
    """The search for a goal at its start; its solver is aimed at the goal.

    The plan of the earlier goals is sound: whatever comes, it is never lost.
    """
    common.solver_model.aim(goal)
    start = common.point
    untried = common.pool if start is None else None
    search = GoalSearch(common, goal, Deadline(common.solver_model, limit), start, untried)
    common.solver_model.enough = None if common.worker is None else search.worker_closes
    if start is not None:
        search.best = search.sign * value_at(common, goal, start)
    return search
