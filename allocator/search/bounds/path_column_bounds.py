"""Bounds by strand, round by round: solve on some strands, charge anew, state what is lacking."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from allocator.model.model import Key
from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.column_generation import ColumnGeneration, Duals
from allocator.search.bounds.multipliers import ascended, bettered, openings

ROUNDS = 100
STALE, BETTER = 4, 2e-4
"""Rounds end when so many of them in turn each better the bound by less than this share of it."""
TURNS = 5
SPARE = 1e-6
"""Share of a plan's value by which what is left out must be worse: the solver's tolerance."""
STEPS = 20
"""Steps of the charges in a turn; a round has some turns, and strands are looked for after each."""
MOST_LONGER = 8
"""Times as many steps that a turn has at the most, where rounds come to better little."""
CLOSE = 1e-4
"""Rounds end when the lack is no more than this share of the bound."""
CLOSED = 0.01
"""Share of the builds that must be left out anew for rounds to count as new."""
SHORT_ENDS, TIGHT_ENDS = 2, 3
"""Strands an origin that are stated after a turn (those that pay) and after a round."""


@dataclass(frozen=True)
class Kept:
    """The best round: its duals, charges, and what the bound fell by (scaled)."""

    duals: Duals
    charges: Floats
    lack: float

    @property
    def bound(self) -> float:
        """The bound, scaled as the objective."""
        return self.duals.bound - self.lack


class PathColumnBounds:
    """The best bound of rounds so far, for one goal."""

    def __init__(self, stranding: ColumnGeneration) -> None:
        self._stranding = stranding
        self._charges: Floats | None = None
        self._value = math.inf
        self._longer = 1
        self.kept: Kept | None = None

    def bound(self) -> float | None:
        """The best bound (minimised, SI); no more than a plan whose betters alone are left."""
        if self.kept is None:
            return None
        found = self._stranding.solver_model.unscaled(self.kept.bound)
        assert found is not None
        return self.capped(found)

    def capped(self, bound: float) -> float:
        """A bound of what is left (minimised, SI) as one of all plans."""
        return min(bound, self._value)

    def leave_out(self, value: float) -> int:
        """Close what no plan better than a value (minimised, SI) lays; how much was new."""
        self._value = min(self._value, value)
        return self._stranding.close(self.useless(value + SPARE * abs(value)))

    def run(
        self, ends: float | None, best: Callable[[], float | None], patience: int = STALE
    ) -> None:
        """Rounds until little is lacking, some in turn better little, or a time of the clock.

        ``best``: tells the value of the best plan (minimised, SI). What no better plan can lay is
        left out, and the bound is then one of the better plans alone.
        """
        stranding = self._stranding
        clock, idle = stranding.solver_model.clock, 0
        for _ in range(ROUNDS):
            duals = stranding.cut(ends)
            before = self.kept
            if duals is None or self._round(duals, ends):
                return
            assert self.kept is not None
            gained = math.inf if before is None else self.kept.bound - before.bound
            idle = idle + 1 if gained < BETTER * abs(self.kept.bound) else 0
            if idle:  # it is the charges that are late, not the strands
                self._longer = min(MOST_LONGER, 2 * self._longer)
            closed, value = 0, best()
            if value is not None and self.kept is not before:
                closed = self.leave_out(value)
            if closed > CLOSED * len(stranding.web.capacity):
                idle = 0
            if idle >= patience or clock.interrupted or _over(ends):
                return

    def _round(self, duals: Duals, ends: float | None) -> bool:
        """Charge anew, state strands that are lacking; True if nothing is lacking or broken."""
        stranding, began = self._stranding, time.perf_counter()
        enough = CLOSE * abs(duals.bound)
        charges = duals.charges if self._charges is None else self._charges
        new = []
        best: Kept | None = None
        for _ in range(TURNS):
            charges = ascended(stranding.web, duals.gains, duals.cost, charges)
            lack, kept, charges, _ = bettered(
                stranding.web, duals.gains, duals.cost, charges, STEPS * self._longer, enough
            )
            if best is None or lack < best.lack:
                best = Kept(duals, kept, float(lack))
            if lack <= enough or _over(ends):
                break
            new += stranding.strands_by(duals.gains, charges, 1e-9, SHORT_ENDS)
        assert best is not None
        if self.kept is None or best.bound > self.kept.bound:
            self.kept = best
        self._charges = best.charges
        new += stranding.strands_by(duals.gains, best.charges, -1e-9, TIGHT_ENDS)
        stranding.add_strands(new)
        stranding.solver_model.clock.spend("charges", time.perf_counter() - began)
        return best.lack <= enough and stranding.settled

    def useless(self, value: float) -> list[Key]:
        """Builds of ducts that no plan better than a value (minimised, SI) lays."""
        keys = [key for duct in self._stranding.stranded.ducts for _, key in duct.builds]
        beyond = self.bounds_where_laid() > value
        return [key for key, out in zip(keys, beyond.tolist(), strict=True) if out]

    def bounds_where_laid(self) -> Floats:
        """For each build of the ducts in turn, a bound on plans that lay it (minimised, SI).

        It is the best bound without the lack of the build's pipe, and more by what the build
        costs beyond what it collects (weak duality; see ``charges.openings``).
        """
        stranding = self._stranding
        step = stranding.solver_model.unscaled(1.0)
        if self.kept is None or step is None:
            return np.full(len(stranding.web.capacity), -np.inf)
        duals, web = self.kept.duals, stranding.web
        free, lacks = openings(web, duals.gains, duals.cost, self.kept.charges)
        pipe = np.repeat(web.pipe, np.diff(web.build))
        found: Floats = (self.kept.bound + lacks[pipe] + free) * step
        return found


def _over(ends: float | None) -> bool:
    return ends is not None and time.perf_counter() >= ends
