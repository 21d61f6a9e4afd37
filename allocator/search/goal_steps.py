"""The steps of a search for one goal: each offers points, betters the bound, or both."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from allocator.base.status import Status
from allocator.model.goals import Goal
from allocator.search.bounds.bound_proof import BoundProof
from allocator.search.bounds.mixed import Known
from allocator.search.deadline import LEAST, Deadline
from allocator.search.early import Seldom
from allocator.search.found import PROVEN, GoalFound, close, gap_of, passes
from allocator.search.neighbourhoods import neighbourhoods_of
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import CandidatePool
from allocator.search.state import SearchState, value_at
from allocator.solver.interface import FINE_TOLERANCE, INTEGER_TOLERANCE, Solved

MOST_NEAR = 40
"""Neighbourhoods that are tried for one goal."""
NEAR_GAP = 1e-3
NEAR_ROUNDS = 3
"""Times that the best point near another is looked for, where cuts undo what was found."""
FIRST_STEP = 0.05
"""Share of the whole time that a later goal has for each of its first steps, however late it is: a
machine that stood still for a while costs no backup."""
BUILT_ON_STEP = 0.1
"""The same for the step that keeps all that is built and builds more: a busy machine needs it."""
LANDING = 0.1
"""Share of the time of a goal for what a search that goes on has found."""
PATHS_ALONE = 0.4
"""Share of the time of a goal that the search by paths has where the bound is looked for beside."""
SAME_BOUND = 1e-9
"""Share by which the solver's word must be better than a certified bound."""
WIDE = 0.08
"""Gap of the relaxation by origin above which the plain program is tried: its nodes cost less."""


class GoalSteps:
    """One goal on its way. Values and bounds are minimised inside (``sign``), SI.

    ``best``: value of ``course.point``, the best sound point, for this goal.
    ``status``: why the last run of the whole program stopped.
    ``origins_lead``: the best bound is one by origin.
    """

    def __init__(self, search_state: SearchState, goal: Goal, limit: float | None) -> None:
        self.search_state = search_state
        self.goal = goal
        self.solver_model = search_state.solver_model
        self.solver_model.aim(goal)
        self.beside = search_state.beside
        self.solver_model.enough = None if self.beside is None else self._settled
        self.deadline = Deadline(self.solver_model, limit)
        self.start = search_state.point
        self.ideas = search_state.ideas if self.start is None else None
        self.sign = -1.0 if goal.maximise else 1.0
        self.best: float | None = None
        self.bound: float | None = None
        self.certified = False
        self.status: Status = Status.OPTIMAL
        self.origins_lead = False

    @property
    def closed(self) -> bool:
        """True when plan and bound have met, as far as was asked."""
        if self.beside is not None:
            self.listen()
        return self._met

    @property
    def _met(self) -> bool:
        return close(self.best, self.bound, self.solver_model.settings.gap)

    def listen(self) -> None:
        """Take over what was found beside: a bound, and whole numbers to try."""
        if self.beside is None:
            return
        self._bounded_beside()
        for columns in self.beside.take():
            self._repaired(columns, 0.2, "by origin")

    def _bounded_beside(self) -> None:
        assert self.beside is not None
        before = self.bound
        self.bettered(self.beside.bound, by_origin=True)
        if self.bound != before:
            self.tell_bound("by origin")

    def _settled(self) -> bool:
        """Whether the bound beside has met the plan: asked while a solver is at work."""
        self._bounded_beside()
        return self._met

    @property
    def gap_is_wide(self) -> bool:
        """True when branches must do what the relaxation by origin did not."""
        return not close(self.best, self.bound, WIDE)

    @property
    def stopped(self) -> bool:
        """True when the user wants the best plan now."""
        return self.solver_model.clock.interrupted

    def bettered(
        self, bound: float | None, by_origin: bool = False, certified: bool = False
    ) -> None:
        """Keep a bound (minimised, SI) where it is the best.

        The solver's word takes the place of a certified bound only where it says more.
        """
        if bound is None:
            return
        room = SAME_BOUND * abs(bound) if self.certified and not certified else 0.0
        if self.bound is None or bound > self.bound + room:
            self.bound, self.origins_lead, self.certified = bound, by_origin, certified

    def _offered(self, solved: Solved, note: str) -> None:
        """Keep a sound point where it is the best, to its last digits.

        What the solver lets pass in a row of small amounts may be worth much to a goal.
        """
        if solved.point is None or not self._better(solved.point):
            return
        last = self.solver_model.exact(solved.point, self.deadline.left(0.2))
        # where there is no time to tell, it is judged at the end
        point = last.point if last.status in (Status.OPTIMAL, Status.INFEASIBLE) else solved.point
        if point is not None and self._better(point):
            value = self.best = self.sign * value_at(self.search_state, self.goal, point)
            self.search_state.point = point
            if self.beside is not None:
                self.beside.tell(value, None if self.search_state.narrow else point)
            bound = None if self.bound is None else self.sign * self.bound
            self.search_state.tell(self.goal, self.sign * value, bound, note)

    def _better(self, point: np.ndarray) -> bool:
        value = self.sign * value_at(self.search_state, self.goal, point)
        return self.best is None or value < self.best - 1e-12 * abs(self.best)

    def _repaired(self, point: np.ndarray, share: float, note: str, least: float = LEAST) -> None:
        """Offer the whole numbers of a point with the best amounts for them."""
        self._offered(self.solver_model.repaired(point, self.deadline.left(share, least)), note)

    def _near(
        self, point: np.ndarray, held: np.ndarray, share: float, note: str, least: float = LEAST
    ) -> None:
        """Offer the best point with some whole numbers held, its promises cut until they hold.

        Cuts may leave its whole numbers without a point: then it is looked for again.
        """
        for _ in range(NEAR_ROUNDS):
            near = self.solver_model.near(point, held, self.deadline.left(share, least), NEAR_GAP)
            if near.point is None:
                return
            rows = self.solver_model.broken(near.point)
            self.solver_model.add(rows)
            before = self.best
            self._repaired(near.point, 0.3, note, least)
            if not rows or self.best != before or self.deadline.out():
                return

    def from_what_stands(self) -> None:
        """What stands, and nothing new, is the first plan wherever it is one."""
        columns = self.solver_model.model.columns
        self._repaired(np.array([column.low for column in columns]), 0.2, "what stands")

    def from_earlier_goals(self) -> None:
        """The point of the goals before, and what can be had from it with little to decide.

        A plan that the user gave is tried again: earlier goals may have left it for a gain within
        what they give up anyway. What follows is cheap to find, and often most of it: first what
        is built, worked in another way; for more of something, all that is built kept and more
        built beside it; then all but the pipes decided anew.
        """
        assert self.start is not None
        # it is sound as it stands: never lost, whatever comes
        self.best = self.sign * value_at(self.search_state, self.goal, self.start)
        least = FIRST_STEP * self.solver_model.settings.time_limit if self.goal.maximise else LEAST
        self._repaired(self.start, 0.2, "start", least)
        if self.search_state.given is not None:
            self._repaired(self.search_state.given, 0.1, "start given")
        layout = self.search_state.layout
        self._near(self._point, layout.built, 0.2, "worked anew", least)
        if self.goal.maximise:
            stands = layout.built[self._point[layout.built] > 0.5]
            patient = BUILT_ON_STEP * self.solver_model.settings.time_limit
            self._near(self._point, stands, 0.4, "built on", patient)
        self._near(self._point, layout.columns, 0.3, "on pipes laid")

    @property
    def _point(self) -> np.ndarray:
        assert self.search_state.point is not None
        return self.search_state.point

    def from_given_plan(self) -> None:
        """The plan that the user gave to start from, and what its pipes allow."""
        given = self.search_state.given
        if given is not None:
            self._repaired(given, 0.2, "start given")
            self._near(given, self.search_state.layout.columns, 0.1, "pipes of the start given")

    def by_paths(self, wait: float) -> None:
        """The finds of the path search, once it is compiled; it is then not asked again."""
        ideas, solver_model, deadline = self.ideas, self.solver_model, self.deadline
        if ideas is None or self.search_state.point is None or not ideas.ready(wait):
            return
        self.ideas = None
        begun, share = deadline.spent(), ideas.share
        if self.beside is not None:  # the bound has a core of its own
            share = max(share, PATHS_ALONE)
        ideas.search(deadline.left(share), self._told_of_finds(ideas))
        self._landed(ideas, lambda: deadline.spent() > begun + share + 0.15)
        held = ideas.corridors(solver_model.model, self._point)
        self._near(self._point, held, 0.06, "corridors of paths")

    def _told_of_finds(self, ideas: CandidatePool) -> Callable[[Candidate, str], None]:
        """What is done with a find as soon as it is known."""
        solver_model = self.solver_model
        once = solver_model.settings.node_limit is not None
        land = Seldom(
            lambda find: self._repaired(ideas.point(solver_model, find), 0.1, "paths"), once
        )

        def told(find: Candidate, note: str) -> None:
            if self.beside is not None:
                self.beside.hint(self.sign * find.value)
            land(find, note)

        return told

    def _landed(self, ideas: CandidatePool, out: Callable[[], bool]) -> None:
        """Offer what the best finds come to."""
        solver_model = self.solver_model
        for point in ideas.points(solver_model, solver_model.settings.gap, self.deadline.left, out):
            self._repaired(point, 0.2, "paths")

    def more_by_paths(self, share: float) -> bool:
        """Go on with a search that time had ended; False where that gives nothing more."""
        ideas = self.search_state.ideas
        if (
            ideas is None
            or ideas.paths.exhausted
            or self.search_state.narrow
            or self.ideas is not None
        ):
            return False
        before = ideas.finds[0].value
        ideas.more(self.deadline.left(share), self._told_of_finds(ideas))
        if ideas.finds[0].value > before * (1.0 + 1e-6):
            begun = self.deadline.spent()
            self._landed(ideas, lambda: self.deadline.spent() > begun + LANDING)
        return True

    def relaxed(self) -> bool:
        """The bound of the relaxation, and its point if it is whole; False if there is no plan."""
        solved = self.solver_model.relaxed(self.deadline.left(0.3))
        if solved.status == Status.INFEASIBLE and self.search_state.point is None:
            return False
        self.bettered(self.solver_model.unscaled(solved.bound), certified=solved.certified)
        if solved.point is not None and self._whole(solved.point):
            self._repaired(solved.point, 1.0, "relaxation")
        return True

    def whole_program(self, share: float, most_rounds: int) -> None:
        """The whole program for a share of the time; again while its points need new cuts."""
        self.status = self._whole_program(share, most_rounds)

    def _whole_program(self, share: float, most_rounds: int) -> Status:
        settings, tolerance = self.solver_model.settings, INTEGER_TOLERANCE
        for _ in range(most_rounds):
            if self.deadline.out():
                return Status.TIME_LIMIT
            solved = self.solver_model.run(
                time_limit=self.deadline.left(share),
                node_limit=settings.node_limit,
                gap=settings.gap,
                start=self.search_state.point,
                tolerance=tolerance,
            )
            self.bettered(self.solver_model.unscaled(solved.bound))
            if solved.point is None:
                return solved.status
            rows = self.solver_model.broken(solved.point)
            self.solver_model.add(rows)
            self._repaired(solved.point, 1.0, "search")
            if self.closed or solved.status != Status.OPTIMAL:
                return solved.status
            if not rows:
                if tolerance == FINE_TOLERANCE:
                    return Status.OPTIMAL
                tolerance = FINE_TOLERANCE
        return Status.TIME_LIMIT

    def tightened(self, share: float) -> None:
        """The bound of the program by origin, relaxed."""
        prover = self.search_state.prover
        if prover is not None:
            prover.aim(self.goal)
            bound = prover.relaxed(self.deadline.left(share), self._known())
            self.bettered(bound, by_origin=True)

    def _known(self) -> Known | None:
        """The best plan so far."""
        if self.best is None or self.search_state.point is None:
            return None
        return Known(self.best, self.search_state.point)

    def by_origin(self, share: float) -> None:
        """The program by origin for a share of the time: its bound, and its whole numbers.

        Target after target, while each is settled in time.
        """
        prover, ends = self.search_state.prover, self.deadline.left(share)
        if prover is None:
            return
        clock = self.solver_model.clock
        began = clock.seconds()
        refuting = BoundProof(
            prover, self.solver_model.settings.gap, clock, self._bettered_by_origin
        )

        def left() -> float | None:
            return None if ends is None else ends - (clock.seconds() - began)

        while prover.trusted and not self.closed and not self.stopped:
            seconds = left()
            if seconds is not None and seconds <= LEAST:
                return
            before = (self.best, self.bound)
            if self.best is None or self.bound is None:
                proven = prover.mixed(seconds, self._known())
                self._bettered_by_origin(proven.bound)
            else:
                refuting.state(self.best, self.bound, seconds)
                proven = refuting.turn(lambda: self.best, self.bound, left(), self._known)
            if proven.columns is not None:
                self._repaired(proven.columns, 1.0, "by origin")
            elif proven.ended:
                self.tell_bound("by origin")
            if not proven.ended or (self.best, self.bound) == before:
                return

    def _bettered_by_origin(self, bound: float | None) -> None:
        self.bettered(bound, by_origin=True)

    def tell_bound(self, note: str) -> None:
        """Tell of a bound that has become better."""
        if self.best is not None and self.bound is not None:
            self.search_state.tell(self.goal, self.sign * self.best, self.sign * self.bound, note)

    def neighbourhoods(self, until: float) -> None:
        """Parts of the site solved with the rest held, until a share of the time is gone."""
        turns = neighbourhoods_of(self.search_state.layout, self.solver_model.settings.seed)
        for _, columns in zip(range(MOST_NEAR), turns, strict=False):
            if self.deadline.spent() > until or self.stopped:
                break
            self.by_paths(0.0)
            near = self.solver_model.near(self._point, columns, self.deadline.left(0.1), NEAR_GAP)
            if near.point is not None:
                self._repaired(near.point, 1.0, "near")

    def _whole(self, point: np.ndarray) -> bool:
        columns = self.solver_model.model.columns
        values = point[[number for number, column in enumerate(columns) if column.integer]]
        return bool(np.all(np.abs(values - np.round(values)) <= 1e-7))

    def judged(self) -> GoalFound | None:
        """What is known at the end; None when no sound point is."""
        if self.beside is not None:
            self.listen()
            self.solver_model.enough = None
        nothing_gained = self._kept_start()
        if self.best is None or self.search_state.point is None:
            return None
        goal, value = self.goal, self.sign * self.best
        bound, status = self._status(nothing_gained)
        known = None if bound is None else self.sign * bound
        if known is not None:  # within the solver's tolerance
            known = max(known, value) if goal.maximise else min(known, value)
        self.search_state.tell(goal, value, known, status)
        return GoalFound(goal, value, known, gap_of(value, known), status, self.certified)

    def judged_unsought(self) -> GoalFound | None:
        """The goal as the earlier ones left it, where no time is left to look for more."""
        self.best = self.sign * value_at(self.search_state, self.goal, self._point)
        return self.judged()

    def _kept_start(self) -> bool:
        """Go back to the start where what was gained is of no interest; whether none can be."""
        negligible = self.goal.negligible
        if self.start is None or self.best is None or negligible <= 0:
            return False
        at_start = self.sign * value_at(self.search_state, self.goal, self.start)
        if 0.0 < at_start - self.best <= negligible:
            self.search_state.point, self.best = self.start, at_start
        return self.bound is not None and 0.0 <= at_start - self.bound <= negligible

    def _status(self, nothing_gained: bool) -> tuple[float | None, Status]:
        """The bound that stands, and the word for how the search ended."""
        best, bound = self.best, self.bound
        if best is not None and bound is not None and passes(best, bound, False, self.goal.scale):
            return None, Status.BOUND_REFUTED
        if nothing_gained:  # all that could be gained is in the tolerance of earlier goals
            return bound, Status.OPTIMAL
        if self.closed:
            return bound, Status.OPTIMAL if close(best, bound, PROVEN) else Status.WITHIN_GAP
        if self.status == Status.NODE_LIMIT or self.solver_model.settings.node_limit is not None:
            return bound, Status.NODE_LIMIT
        return bound, Status.INTERRUPTED if self.stopped else Status.TIME_LIMIT
