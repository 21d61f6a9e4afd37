"""Bounds by path columns, round by round: solve on some, find multipliers, add what is missing."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from allocator.model.model import Key
from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.column_generation import ColumnGeneration, Duals
from allocator.search.bounds.multipliers import dual_ascent, openings, subgradient_steps
from allocator.search.bounds.packed import packed_ends, packed_net

ROUNDS = 100
STALE, BETTER = 4, 2e-4
"""Rounds end when so many of them in turn each improve the bound by less than this share of it."""
TURNS = 5
SPARE = 1e-6
"""Share of a plan's value by which what is left out must be worse: the solver's tolerance."""
STEPS = 20
"""Subgradient steps in a turn; a round has some turns, and path columns are priced after each."""
MOST_LONGER = 8
"""Times as many steps that a turn has at most, where rounds improve little."""
CLOSE = 1e-4
"""Rounds end when the dual infeasibility is no more than this share of the bound."""
CLOSED = 0.01
"""Share of the builds that must be left out again for rounds to count as new."""
SHORT_ENDS, TIGHT_ENDS = 2, 3
"""Path columns an origin that are stated after a turn (those that pay) and after a round."""


@dataclass(frozen=True)
class Kept:
    """The best round: its duals, multipliers, and what the bound fell by (scaled)."""

    duals: Duals
    multipliers: Floats
    infeasibility: float

    @property
    def bound(self) -> float:
        """The bound, scaled as the objective."""
        return self.duals.bound - self.infeasibility


class PathColumnBounds:
    """The best bound of rounds so far, for one goal."""

    def __init__(self, generation: ColumnGeneration) -> None:
        self._generation = generation
        self._multipliers: Floats | None = None
        self._value = math.inf
        self._longer = 1
        self.kept: Kept | None = None

    def bound(self) -> float | None:
        """The best bound (minimised, SI), at most the plan's value if only better ones are left."""
        if self.kept is None:
            return None
        found = self._generation.solver_model.unscaled(self.kept.bound)
        assert found is not None
        return self.capped(found)

    def capped(self, bound: float) -> float:
        """A bound of what is left (minimised, SI) as one of all plans."""
        return min(bound, self._value)

    def leave_out(self, value: float) -> int:
        """Close what no plan better than a value (minimised, SI) lays; how much was new."""
        self._value = min(self._value, value)
        return self._generation.close(self.useless(value + SPARE * abs(value)))

    def run(
        self, ends: float | None, best: Callable[[], float | None], patience: int = STALE
    ) -> None:
        """Rounds until few duals are infeasible, some improve little, or a time of the clock.

        ``best``: gives the value of the best plan (minimised, SI). What no better plan can lay is
        left out, and the bound is then one of the better plans alone.
        """
        generation = self._generation
        clock, idle = generation.solver_model.clock, 0
        for _ in range(ROUNDS):
            duals = generation.cut(ends)
            before = self.kept
            if duals is None or self._round(duals, ends):
                return
            assert self.kept is not None
            gained = math.inf if before is None else self.kept.bound - before.bound
            idle = idle + 1 if gained < BETTER * abs(self.kept.bound) else 0
            if idle:  # the multipliers are late, not the path columns
                self._longer = min(MOST_LONGER, 2 * self._longer)
            closed, value = 0, best()
            if value is not None and self.kept is not before:
                closed = self.leave_out(value)
            if closed > CLOSED * len(generation.net.capacity):
                idle = 0
            if idle >= patience or clock.interrupted or _over(ends):
                return

    def _round(self, duals: Duals, ends: float | None) -> bool:
        """Find multipliers and add path columns; True if nothing is infeasible or broken."""
        generation, began = self._generation, time.perf_counter()
        enough = CLOSE * abs(duals.bound)
        multipliers = duals.multipliers if self._multipliers is None else self._multipliers
        new = []
        best: Kept | None = None
        net, gains = packed_net(generation.net), packed_ends(duals.gains)
        for _ in range(TURNS):
            multipliers = dual_ascent(net, gains, duals.cost, multipliers)
            infeasibility, kept, multipliers, _ = subgradient_steps(
                net, gains, duals.cost, multipliers, STEPS * self._longer, enough
            )
            if best is None or infeasibility < best.infeasibility:
                best = Kept(duals, kept, float(infeasibility))
            if infeasibility <= enough or _over(ends):
                break
            new += generation.paths_by(duals.gains, multipliers, 1e-9, SHORT_ENDS)
        assert best is not None
        if self.kept is None or best.bound > self.kept.bound:
            self.kept = best
        self._multipliers = best.multipliers
        new += generation.paths_by(duals.gains, best.multipliers, -1e-9, TIGHT_ENDS)
        generation.add_paths(new)
        generation.solver_model.clock.spend("multipliers", time.perf_counter() - began)
        return best.infeasibility <= enough and generation.settled

    def useless(self, value: float) -> list[Key]:
        """Builds of links that no plan better than a value (minimised, SI) lays."""
        keys = [key for link in self._generation.formulation.links for _, key in link.builds]
        beyond = self.bounds_where_laid() > value
        return [key for key, out in zip(keys, beyond.tolist(), strict=True) if out]

    def bounds_where_laid(self) -> Floats:
        """For each build of the links in turn, a bound on plans that lay it (minimised, SI).

        It is the best bound without the excess of the build's pipe, and more by what the build
        costs beyond what it collects (weak duality; see ``multipliers.openings``).
        """
        generation = self._generation
        step = generation.solver_model.unscaled(1.0)
        if self.kept is None or step is None:
            return np.full(len(generation.net.capacity), -np.inf)
        duals, net = self.kept.duals, generation.net
        free, infeasibilities = openings(
            packed_net(net), packed_ends(duals.gains), duals.cost, self.kept.multipliers
        )
        pipe = np.repeat(net.pipe, np.diff(net.build))
        found: Floats = (self.kept.bound + infeasibilities[pipe] + free) * step
        return found


def _over(ends: float | None) -> bool:
    return ends is not None and time.perf_counter() >= ends
