"""Builds that no plan as good as a cutoff lays, found by the relaxation with one of them laid.

The relaxation (of value z, minimised) lays a little of builds that are too large for any good plan:
it pays only for as much of them as it uses. With one of them laid in full, its value is a bound on
all plans that lay it. Where that is worse than the cutoff, no plan as good as the cutoff has this
build: it is *shut*. The relaxation of what is left is then worse itself, and so on. Each step is
valid for the plans as good as the cutoff, none of which the steps before have taken away. (Probing
of binary variables: Savelsbergh, "Preprocessing and probing techniques for mixed integer
programming problems", ORSA Journal on Computing 6, 1994, from memory.)

A build that is not laid in the relaxation is shut by its reduced cost, as in
:mod:`allocator.search.bounds.mixed`. Where no build of many pipes is left, the relaxation is stated
anew without their flows: smaller programs are solved much faster. The value of each relaxation,
but no better than the cutoff, is a bound of all plans.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from allocator.model.model import Key
from allocator.search.bounds.mixed import SPARE
from allocator.search.bounds.relaxation import Optimum, Relaxation
from allocator.search.strategy.budgets import BOUND
from allocator.solver.probes import Probes

WHOLE = 1e-6
"""A build laid to within this share counts as laid, or as not laid."""
SURE = 3
"""Builds of a kind that are tried before the loss of others of the kind is estimated from them."""


@dataclass
class Probing:
    """Builds shut for one cutoff (minimised, SI).

    ``relaxation``: one without the builds in ``closed``; at the end without those found as well.
    ``state``: states one without some builds and their flows, with the cuts of another. ``bound``:
    the best of all plans (minimised, SI), as it was told. ``better`` is called with bounds of
    all plans (minimised, SI); ``out`` says that nothing more is wanted.
    """

    relaxation: Relaxation
    state: Callable[[set[Key], Relaxation], Relaxation]
    cutoff: float
    closed: set[Key]
    better: Callable[[float], object]
    out: Callable[[], bool]
    bound: float | None = None
    _losses: dict[Key, float] = field(default_factory=dict)
    """By build, what the relaxation lost when it was laid in full."""
    _kinds: dict[str, list[float]] = field(default_factory=dict)
    """By kind of build, losses per share that was not laid."""

    def run(self, ends: float | None) -> bool:
        """Shut builds until no more are found; False where a time of the clock ended it."""
        flows = self.relaxation.flows_without(set())
        self._close(self.closed)
        last = self.relaxation.last
        while not self._late(ends):
            if last is None:
                self.relaxation.cut(ends, rounds=BOUND.probing_cuts)
                last = self.relaxation.last
                if last is None:
                    if self.relaxation.impossible:
                        self._tell(self.cutoff)
                    return self.relaxation.impossible
                self._tell(last.bound)
            if last.bound > self._worse:
                return True
            found = self._costly(last)
            self._close(found)
            found |= self._probed(last, ends)
            if not found:
                return not self._late(ends)
            self.closed |= found
            last = None
            left = self.relaxation.flows_without(self.closed)
            if left < BOUND.probing_smaller * flows:
                self.relaxation, flows = self.state(self.closed, self.relaxation), left
            else:
                self._close(found)
                self.relaxation.last = None
        return False

    @property
    def _worse(self) -> float:
        """What is worse than this is worse than the cutoff, whatever the solver's tolerance."""
        return self.cutoff + SPARE * abs(self.cutoff)

    def _tell(self, bound: float) -> None:
        """A bound of plans as good as the cutoff: of all plans no more than the cutoff."""
        bound = min(bound, self.cutoff)
        if self.bound is None or bound > self.bound:
            self.bound = bound
            self.better(bound)

    def _late(self, ends: float | None) -> bool:
        return self.out() or (ends is not None and time.perf_counter() >= ends)

    def _close(self, keys: set[Key]) -> None:
        """Hold builds at their lower bound in the relaxation."""
        model = self.relaxation.model
        numbers = np.array(
            sorted(model.index(key) for key in keys if model.has(key)), dtype=np.int64
        )
        low = np.array([model.columns[n].low for n in numbers.tolist()])
        self.relaxation.solver_model.solver.bounds(numbers, low, low)

    def _open(self) -> list[tuple[int, Key]]:
        """Columns of builds that may be laid or not."""
        model = self.relaxation.model
        found = []
        for link in self.relaxation.disaggregated.links:
            for _, key in link.builds:
                number = model.index(key)
                column = model.columns[number]
                if column.integer and column.low <= 0.0 < column.high and key not in self.closed:
                    found.append((number, key))
        return found

    def _costly(self, last: Optimum) -> set[Key]:
        """Builds that are not laid, and whose reduced cost is above what is left to the cutoff."""
        real = self.relaxation.solver_model.unscaled(1.0)
        assert real is not None
        room = self._worse - last.bound
        return {
            key
            for number, key in self._open()
            if last.point[number] <= WHOLE and last.reduced[number] * real > room
        }

    def _probed(self, last: Optimum, ends: float | None) -> set[Key]:
        """Builds, of those laid in part, with which the relaxation is worse than the cutoff."""
        solver_model = self.relaxation.solver_model
        room = self._worse - last.bound
        partly = [
            (number, key, float(1.0 - last.point[number]))
            for number, key in self._open()
            if WHOLE < last.point[number] < 1.0 - WHOLE
        ]
        expected = [(self._loss_of(key, left), number, key, left) for number, key, left in partly]
        expected.sort(key=lambda entry: (-entry[0], entry[1]))
        solver = solver_model.solver
        solver.relax(True)
        # the optimum again, at its own basis, if cuts were added after it
        probes: Probes | None = None
        found: set[Key] = set()
        try:
            for loss, number, key, left in expected:
                if loss < BOUND.probing_near * room and self._known(key):
                    continue
                if len(found) >= BOUND.probing_batch or self._late(ends):
                    break
                if probes is None:
                    solver_model.run(time_limit=None)
                    probes = Probes(solver, solver_model.scaled(self._worse), BOUND.probing_steps)
                column = self.relaxation.model.columns[number]
                value, known = probes.bound(number, 1.0, column.low, column.high)
                worth = solver_model.unscaled(value)
                assert worth is not None
                lost = worth - last.bound
                if known and worth >= self._worse:
                    found.add(key)
                    lost = min(lost, 2.0 * room)
                else:
                    self._losses[key] = lost
                self._kinds.setdefault(_kind(key), []).append(lost / left)
        finally:
            solver.relax(False)
        return found

    def _known(self, key: Key) -> bool:
        return key in self._losses or len(self._kinds.get(_kind(key), ())) >= SURE

    def _loss_of(self, key: Key, left: float) -> float:
        """What the relaxation may lose with a build laid in full, of which a share is laid not."""
        if key in self._losses:
            return self._losses[key]
        kind = self._kinds.get(_kind(key), [])
        return float("inf") if len(kind) < SURE else left * float(np.mean(kind))


def _kind(key: Key) -> str:
    """The build of a column."""
    return str(key[-2]) if isinstance(key, tuple) else str(key)
