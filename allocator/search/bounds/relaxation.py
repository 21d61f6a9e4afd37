"""A multicommodity formulation with its solver: cut round by round."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.expressions import scaled
from allocator.model.goals import Goal
from allocator.model.index_sets import IndexSets
from allocator.model.model import INFINITY, Key, Model, Row, Terms
from allocator.search.bounds.disaggregated import (
    disaggregated_model,
    disaggregated_terms,
    flow_variable_count,
)
from allocator.search.bounds.friction import state_friction
from allocator.search.bounds.friction_cuts import broken_friction
from allocator.search.bounds.reduction import Reduction
from allocator.search.bounds.spare_rows import SpareRows
from allocator.search.bounds.thresholds import Threshold, broken_thresholds, threshold_row
from allocator.solver.bases import (
    Basis,
    basis_of,
    begin_from,
    exact_costs,
    idle_rows,
    passed_bound,
)
from allocator.solver.interface import Highs, Solved
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

CUT_ROUNDS = 100
LATE, LITTLE = 3, 1e-6
"""Cutting ends when so many rounds in turn each improve the bound by less than this share of it."""
LOOSE = 1e-5
"""A cut that is broken by less than this share of what it speaks of is not worth a row."""

MANY_ROWS = 5_000
"""Rows of friction by origin above which those that are idle at the first optimum are put aside."""
LATER = ("carried_at_most[", "carried_with_boosted[", "pressure_drop[", "speed[")
"""Rows of these names are put aside before: half of all, of which few are ever broken."""
SPARE_SOLVES, SPARE_GAIN = 8, 3e-4
"""Solves in a turn while rows that were put aside come back, and the share of the bound that each
must improve it by."""
BROKEN = 1e-6
"""By how much a point must break a row that was put aside, scaled."""

Ranges = Mapping[Key, tuple[float, float]]
"""Columns (without unit) and between what they are held."""
StoreCuts = Callable[[Model, Mapping[Key, float], float], list[Row]]


@dataclass(frozen=True)
class Optimum:
    """One solved relaxation: value (minimised, SI), columns and reduced costs (scaled).

    ``duals``: of the first rows of the relaxation, those that it had then (scaled).
    """

    bound: float
    point: np.ndarray
    reduced: np.ndarray
    duals: np.ndarray


@dataclass(frozen=True)
class Round:
    """One round of cutting: the solved relaxation, if it was; ``done``: no more is to be cut;

    ``impossible``: there is no point at all. ``basis``: of what was solved.
    ``passed``: it was ended as its value is beyond what was asked.
    """

    optimum: Optimum | None
    done: bool
    impossible: bool
    basis: Basis = None
    passed: bool = False


class Relaxation:
    """A multicommodity formulation, with all flows but those through what is closed."""

    def __init__(
        self,
        full: Model,
        sets: IndexSets,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
        closed: Collection[Key] = frozenset(),
        *,
        by_friction: bool = False,
        reduction: Reduction | None = None,
    ) -> None:
        """``by_friction``: with what friction takes from the flow of each origin.

        ``reduction``: what plans as good as a cutoff have, of which alone it speaks then.
        """
        began = time.perf_counter()
        self._full, self._sets, self._store_cuts = full, sets, store_cuts
        self.disaggregated = disaggregated_model(full, sets, closed, reduction)
        self.model = self.disaggregated.model
        self._builds = state_friction(self.disaggregated, sets) if by_friction else ()
        clock.spend("build", time.perf_counter() - began)
        self.solver_model = SolverModel(self.model, lambda values, tolerance: [], settings, clock)
        assert isinstance(self.solver_model.solver, Highs)
        self._solver = self.solver_model.solver
        if by_friction:
            exact_costs(self._solver)
        self.rows: list[Row] = list(self.model.rows)
        """All rows but those in ``spare``, in the order in which the solver has them."""
        self.spare = SpareRows()
        """Rows without which it is solved until a point breaks them."""
        self._basis: Basis = None
        """Of the last solve."""
        self._passed = False
        """Whether it ended as its value is beyond what was asked."""
        self.costs = np.zeros(len(self.model.columns))
        """The objective by column, as it is minimised, scaled."""
        self._cutoff_row: tuple[int, float] | None = None
        """Row of the goal in the solver, and its scale."""
        self.units = np.array([column.unit for column in self.model.columns])
        self.last: Optimum | None = None
        self.impossible = False
        """Whether the last solve found that there is no point."""
        self.thresholds: list[Threshold] = []
        self.store_rows: list[Row] = []
        self._links = {link.name: link for link in self.disaggregated.links}

    def flows_without(self, closed: Collection[Key]) -> int:
        """How many flows by origin there would be at most without some builds."""
        return flow_variable_count(self._sets, closed)

    def aim(self, goal: Goal) -> None:
        """Make a goal of the model the objective."""
        terms = disaggregated_terms(self.disaggregated, self._sets, goal.terms)
        self.solver_model.aim(replace(goal, terms=terms))
        self.last = None
        sign = -1.0 if goal.maximise else 1.0
        self.costs = np.zeros(len(self.model.columns))
        for column, value in self.model.summed(terms).items():
            self.costs[column] = self.solver_model.scaled(sign * value)
        self._state_cutoff(goal, terms)

    def _state_cutoff(self, goal: Goal, terms: Terms) -> None:
        """State the goal (as minimised) as a row that bounds nothing yet."""
        row = self.model.scaled_row(
            "target", scaled(terms, -1.0 if goal.maximise else 1.0), high=INFINITY
        )
        self._cutoff_row = None
        if row is not None:
            self._cutoff_row = self._solver.add_bounded_row(row), row.scale
            self.rows.append(row)

    def set_cutoff(self, value: float | None) -> bool:
        """Ask for no more than a value (minimised, SI) of the goal; None: for any again.

        False where the goal is the same at all points, so that nothing can be asked.
        """
        if self._cutoff_row is None:
            return False
        number, scale = self._cutoff_row
        self._solver.bound_row(number, -INFINITY, INFINITY if value is None else value / scale)
        return True

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep a goal of the model between two values (SI)."""
        terms = disaggregated_terms(self.disaggregated, self._sets, goal.terms)
        row = self.model.scaled_row(f"held[{goal.name}]", terms, low=low, high=high)
        if row is not None and row.columns:
            self.add([row])

    def add(self, rows: list[Row]) -> None:
        """Add rows for good."""
        self.rows += rows
        self.solver_model.add(rows)

    def add_store_cuts(self, rows: list[Row]) -> None:
        """Add store cuts, which every multicommodity formulation of the model shares."""
        self.store_rows += rows
        self.add(rows)

    def add_thresholds(self, cuts: list[Threshold]) -> None:
        """Add threshold cuts."""
        for cut in cuts:
            row = threshold_row(self.model, self._links[cut.link], cut)
            if row is not None:
                self.thresholds.append(cut)
                self.add([row])

    def cut(
        self,
        ends: float | None,
        hear: Callable[[float], object] | None = None,
        rounds: int = CUT_ROUNDS,
        enough: float | None = None,
    ) -> bool:
        """Solve and cut until nothing is broken by much (True); False where it ended before.

        It ends at a time of the clock, after some rounds, or when cuts improve the bound no more.
        ``hear`` is called with the bound of each round (minimised, SI). ``enough``: a bound at
        which a solve may end.
        """
        solver = self.solver_model.solver
        late = 0
        solver.relax(True)
        try:
            for _ in range(rounds):
                if self._out(ends):
                    return False
                # many new tangents: the simplex method alone takes two to three times as long
                first = bool(self._builds) and self.last is None
                solved, back = self._solved(ends, first, enough)
                bound = self.solver_model.unscaled(solved.bound)
                if solved.point is None or bound is None:
                    self.impossible = solved.status == Status.INFEASIBLE and not self._passed
                    return False
                before = self.last
                self.last = Optimum(bound, solved.point, solver.reduced_costs(), solver.duals())
                self._basis = basis_of(solver) if self._builds else None
                if hear is not None:
                    hear(bound)
                little = before is not None and bound - before.bound < LITTLE * abs(bound)
                late = late + 1 if little else 0
                values = self._values(solved.point)
                store_rows, thresholds = self._broken(values)
                friction = self.broken_friction(values)
                self.add(back)
                if not store_rows and not thresholds and not friction and not back:
                    return True
                if late >= LATE:
                    return False
                self.add_store_cuts(store_rows)
                self.add_thresholds(thresholds)
                self.add(friction)
            return False
        finally:
            solver.relax(False)

    def _out(self, ends: float | None) -> bool:
        late = ends is not None and time.perf_counter() >= ends
        return late or self.solver_model.clock.interrupted

    def _solved(
        self, ends: float | None, interior: bool, enough: float | None
    ) -> tuple[Solved, list[Row]]:
        """It solved, and rows that were put aside and are broken at its point, to be added.

        It is solved again with such rows while that improves it, and is not yet ``enough``.
        """
        asked = None if enough is None else self.solver_model.scaled(enough)
        self._passed = False
        before, back = None, list[Row]()
        many = interior and len(self.rows) > MANY_ROWS
        if many:
            self._put_aside([n for n, row in enumerate(self.rows) if row.name.startswith(LATER)])
        for turn in range(SPARE_SOLVES):
            left = None if ends is None else ends - time.perf_counter()
            solved = self.solver_model.run(
                time_limit=left, interior=interior and turn == 0, cutoff=asked
            )
            self._passed = asked is not None and passed_bound(self._solver)
            if solved.status == Status.FAILED and self.spare.rows and turn < SPARE_SOLVES - 1:
                self.bring_back()  # what is left of the rows may have no least value
                continue
            if solved.point is None or solved.bound is None:
                return solved, []
            first = many and turn == 0
            if first:  # solved again, if by no step, so that duals are of the rows that are left
                self._put_aside(idle_rows(self._solver).tolist())
            back = self.spare.take_broken(solved.point, BROKEN)
            little = before is not None and solved.bound - before < SPARE_GAIN * abs(solved.bound)
            done = not back or little or turn == SPARE_SOLVES - 1
            if (done and not first) or self._out(ends):
                break
            before = solved.bound
            self.add(back)
            back = []
        return solved, back

    def _put_aside(self, numbers: list[int]) -> None:
        """Put some rows aside."""
        stays = np.ones(len(self.rows), dtype=bool)
        stays[numbers] = False
        if self._cutoff_row is not None:
            goal, scale = self._cutoff_row
            stays[goal] = True
            self._cutoff_row = int(stays[:goal].sum()), scale
        self._solver.remove_rows(np.nonzero(~stays)[0].tolist())
        leave = [row for row, stay in zip(self.rows, stays.tolist(), strict=True) if not stay]
        self.spare = SpareRows([*self.spare.rows, *leave])
        self.rows = [row for row, stay in zip(self.rows, stays.tolist(), strict=True) if stay]

    def bring_back(self) -> None:
        """State all rows that were put aside."""
        self.add(self.spare.take_all())

    def cut_once(
        self,
        ends: float | None,
        held: Ranges,
        basis: Basis = None,
        enough: float | None = None,
    ) -> Round:
        """One round of it with some columns (without unit) held between values.

        What was solved so is not remembered, as it says nothing of all points. ``basis``: to begin
        from. ``enough``: a bound at which it may end.
        """
        before, self.impossible = self.last, False
        self._basis = None
        if basis is not None:
            begin_from(self._solver, basis)
        free = self.held(held)
        try:
            done = self.cut(ends, rounds=1, enough=enough)
            if self._passed:
                self._basis = basis_of(self._solver)
        finally:
            free()
        found = None if self.last is before else self.last
        if held and before is not None:
            self.last = before
        done = done or self.impossible
        return Round(found, done, self.impossible, self._basis, self._passed)

    def held(self, held: Ranges) -> Callable[[], None]:
        """Hold some columns (without unit) between values; what is returned frees them."""
        columns = np.array([self.model.index(key) for key in held], dtype=np.int64)
        bounds = np.array(list(held.values())).reshape(-1, 2)
        self._solver.bounds(columns, bounds[:, 0], bounds[:, 1])

        def free() -> None:
            low = np.array([self.model.columns[column].low for column in columns])
            high = np.array([self.model.columns[column].high for column in columns])
            self._solver.bounds(columns, low, high)

        return free

    def broken_at(self, point: np.ndarray) -> list[Row]:
        """All cuts that a point breaks."""
        values = self._values(point)
        store_rows, thresholds = self._broken(values)
        rows = [threshold_row(self.model, self._links[cut.link], cut) for cut in thresholds]
        found = [*store_rows, *self.broken_friction(values)]
        return found + [row for row in rows if row is not None]

    def broken_friction(self, values: Mapping[Key, float]) -> list[Row]:
        """Tangents of what friction takes that a point (SI by key) breaks."""
        return broken_friction(self.model, self._builds, values, LOOSE) if self._builds else []

    def _values(self, point: np.ndarray) -> dict[Key, float]:
        # Not by_key, which rounds: the point of a relaxation is not whole.
        keys = (column.key for column in self.model.columns)
        return dict(zip(keys, (point * self.units).tolist(), strict=True))

    def _broken(self, values: Mapping[Key, float]) -> tuple[list[Row], list[Threshold]]:
        began = time.perf_counter()
        rows = self._store_cuts(self.model, values, LOOSE)
        thresholds = broken_thresholds(self.disaggregated.links, values, LOOSE)
        self.solver_model.clock.spend("cuts", time.perf_counter() - began)
        return rows, thresholds
