"""The statement by origin at work: bounds on the goals in turn, and whole numbers worth trying."""

from __future__ import annotations

import time

from allocator.planning.bounds.lean import lean_size
from allocator.planning.bounds.mixed import Found, Known, Mixed
from allocator.planning.bounds.origins import origins_of
from allocator.planning.bounds.relaxation import Relaxation, StoreCuts
from allocator.planning.bounds.strand_bounds import STALE, StrandBounds
from allocator.planning.bounds.stranding import Stranding
from allocator.planning.choices import Choices
from allocator.planning.clock import Clock
from allocator.planning.goals import Goal
from allocator.planning.settings import Settings
from allocator.planning.statement import Key, Statement

FEW_COLUMNS = 10_000
"""Flow variables up to which all are stated at once. Above, strands come first (``strands.py``)."""
ALL_COLUMNS = 40_000
"""Up to here all that are left are stated for the integer program, once strands gave a bound."""
MOST_CHARGES = 4_000_000
"""Origins times pipes above which nothing is bounded by origin: charges would fill the memory."""
PATIENT = 20
"""Rounds in turn that may better little where nothing else is left to do."""
RELAXING = 0.5
"""Share of the time of the integer program that its own relaxation may take."""


class Prover:
    """The statement by origin of a program, aimed at one goal after the other.

    Every bound that it gives stands for the program (see ``lean.py``). A plan of the program must
    be a point of this statement: that is checked with every plan it is given, and a statement
    that lacks a plan, or values it worse, proves nothing from then on (``trusted``).
    """

    def __init__(
        self,
        full: Statement,
        choices: Choices,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
    ) -> None:
        self._full = full
        self._choices = choices
        self._store_cuts = store_cuts
        self._settings = settings
        self._clock = clock
        self._held: list[tuple[Goal, float, float]] = []
        self._goal: Goal | None = None
        self._relaxation: Relaxation | None = None
        self._stranding: Stranding | None = None
        self._strands: StrandBounds | None = None
        self._many = lean_size(choices) > FEW_COLUMNS
        self.trusted = True

    @property
    def uncut(self) -> bool:
        """True when all flows by origin are few enough to be stated at once, and need no cuts."""
        return not self._many and self._choices.lossless

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep an earlier goal between two values (SI)."""
        self._held.append((goal, low, high))
        for stated in (self._relaxation, self._stranding):
            if stated is not None:
                stated.hold(goal, low, high)

    def aim(self, goal: Goal) -> None:
        """Make a goal the objective."""
        self._goal = goal
        if self._many:
            self._relaxation = None  # what it left out was of no use for another goal
            if self._stranding is None:
                self._stranding = Stranding(
                    self._full, self._choices, self._store_cuts, self._settings, self._clock
                )
                for held, low, high in self._held:
                    self._stranding.hold(held, low, high)
            self._stranding.close(None)
            self._stranding.aim(goal)
            self._strands = StrandBounds(self._stranding)
        elif self._relaxation is None:
            self._relaxation = self._stated(set())
        else:
            self._relaxation.aim(goal)

    def _stated(self, closed: set[Key]) -> Relaxation:
        """All flows by origin but those through what is closed, with the cuts of the strands."""
        assert self._goal is not None
        made = Relaxation(
            self._full, self._choices, self._store_cuts, self._settings, self._clock, closed
        )
        for goal, low, high in self._held:
            made.hold(goal, low, high)
        if self._stranding is not None:
            made.add_store_cuts(self._stranding.store_rows)
            made.add_thresholds(self._stranding.thresholds)
        made.aim(self._goal)
        return made

    def relaxed(
        self, limit: float | None, known: Known | None = None, patience: int = STALE
    ) -> float | None:
        """The bound of the linear relaxation, cut round by round, within some seconds.

        ``known``: the best plan so far; the bound may then be that plan's own value, which
        bounds nothing beyond it, for what no better plan has is left out. ``patience``: rounds
        in turn that may better little.
        """
        ends = None if limit is None else time.perf_counter() + limit
        if not self.trusted:
            return None
        if self._strands is None:
            assert self._relaxation is not None
            self._relaxation.cut(ends)
            last = self._relaxation.last
            return None if last is None else last.bound
        self._strands.run(ends, None if known is None else known.value, patience)
        return self._strands.bound()

    def mixed(self, limit: float | None, known: Known | None) -> Found:
        """The bound of the integer program, within some seconds, and its whole numbers.

        ``known``: the best plan so far. Where flows are too many even without those that no
        better plan uses, the integer program is not solved.
        """
        assert self._goal is not None
        began = time.perf_counter()
        if not self.trusted:
            return Found(None, None)
        bound: float | None = None
        if self._strands is not None:
            bound = self._all_stated(limit, known)
        if self._relaxation is None:  # too many flows: all of the time for the strands
            left = None if limit is None else max(0.0, limit - (time.perf_counter() - began))
            return Found(self.relaxed(left, known, PATIENT), None)
        left = None if limit is None else max(0.1, limit - (time.perf_counter() - began))
        mixed = Mixed(self._relaxation, self._full, self._store_cuts, self._settings)
        found = mixed.solve(left, known, self._goal.scale)
        self.trusted = not found.lacking
        if not self.trusted or self._strands is None:
            return found
        bounds = [b for b in (bound, found.bound) if b is not None]
        return Found(self._strands.capped(max(bounds)) if bounds else None, found.columns)

    def _all_stated(self, limit: float | None, known: Known | None) -> float | None:
        """State all flows that a better plan may use, where they are not too many; their bound."""
        assert self._stranding is not None
        assert self._strands is not None
        if self._relaxation is None:
            if known is not None:
                self._strands.leave_out(known.value)
            closed = self._stranding.closed
            if lean_size(self._choices, closed) > ALL_COLUMNS:
                return None
            self._relaxation = self._stated(closed)
        ends = None if limit is None else time.perf_counter() + RELAXING * limit
        self._relaxation.cut(ends)
        last = self._relaxation.last
        if last is None:
            self._relaxation = None
            return None
        return self._strands.capped(last.bound)


def prover_of(
    full: Statement, choices: Choices, store_cuts: StoreCuts, settings: Settings, clock: Clock
) -> Prover | None:
    """The prover of a program; None where flows by origin would be too many, or no pipes are."""
    size = lean_size(choices)
    charges = len(origins_of(choices)) * len(choices.pipes)
    if settings.solver.lower() != "highs" or size == 0 or charges > MOST_CHARGES:
        return None
    burdens = any(route.cost or route.energy for route in choices.site.routes.values())
    if size > FEW_COLUMNS and burdens:
        return None  # charges know no burden of flow but that of the pipes
    return Prover(full, choices, store_cuts, settings, clock)
