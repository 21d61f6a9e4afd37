"""The statement by origin at work: bounds on the goals in turn, and whole numbers worth trying."""

from __future__ import annotations

import time
from collections.abc import Mapping

from allocator.planning.bounds.lean import lean_size
from allocator.planning.bounds.mixed import Found, Known, Mixed
from allocator.planning.bounds.origins import Origin, origins_of, takers, useful_arcs
from allocator.planning.bounds.pricing import near_paths
from allocator.planning.bounds.relaxation import Relaxation, StoreCuts
from allocator.planning.choices import Arc, Choices
from allocator.planning.clock import Clock
from allocator.planning.goals import Goal
from allocator.planning.settings import Settings
from allocator.planning.statement import Statement

FEW_COLUMNS = 10_000
"""Flow variables up to which all are stated at once."""
ALL_COLUMNS = 40_000
"""Up to here all are stated in the end, with the cuts that statements on some of them found: the
first bound is then near the last. Above, what is left out is priced until that adds nothing."""
WARMING_ROUNDS = 2
MOST_COLUMNS = 400_000
"""Flow variables above which the statement by origin is not built: it would not be solved."""
STRETCH = 1.25
"""A way at first stated is no longer than this many times the way to the nearest end."""
PRICING_ROUNDS = 20
PRICED = 1e-4
"""Pricing ends when what is left out could add no more than this share of the bound."""


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
        self._allowed: dict[str, set[Arc]] | None = None
        self._size = lean_size(choices)
        if self._size > FEW_COLUMNS:
            self._allowed = _near(choices)
        self.trusted = True

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep an earlier goal between two values (SI)."""
        self._held.append((goal, low, high))
        if self._relaxation is not None:
            self._relaxation.hold(goal, low, high)

    def aim(self, goal: Goal) -> None:
        """Make a goal the objective."""
        self._goal = goal
        if self._relaxation is None:
            self._relaxation = self._stated()
        else:
            self._relaxation.aim(goal)

    def _stated(self) -> Relaxation:
        """State the program by origin, with the cuts of the statement before."""
        assert self._goal is not None
        made = Relaxation(
            self._full,
            self._choices,
            self._store_cuts,
            self._settings,
            self._clock,
            self._allowed,
        )
        for goal, low, high in self._held:
            made.hold(goal, low, high)
        if self._relaxation is not None:
            made.add_store_cuts(self._relaxation.store_rows)
            made.add_thresholds(self._relaxation.thresholds)
        made.aim(self._goal)
        return made

    def relaxed(self, limit: float | None) -> float | None:
        """The bound of the linear relaxation, cut round by round, within some seconds."""
        assert self._relaxation is not None
        ends = None if limit is None else time.perf_counter() + limit
        if self._allowed is not None:
            return self._priced(ends)
        self._relaxation.cut(ends)
        last = self._relaxation.last
        return None if last is None or not self.trusted else last.bound

    def _priced(self, ends: float | None) -> float | None:
        """The best bound of relaxations on some flows, each with what the others could add."""
        assert self._relaxation is not None
        assert self._allowed is not None
        best: float | None = None
        for turn in range(PRICING_ROUNDS):
            if turn >= WARMING_ROUNDS and self._states_all():
                self._allowed = None
                self._relaxation = self._stated()
                self._relaxation.cut(ends)
                last = self._relaxation.last
                if last is not None:
                    best = last.bound if best is None else max(best, last.bound)
                break
            self._relaxation.cut(ends)
            last, priced = self._relaxation.last, self._relaxation.priced()
            if last is None or priced is None:
                break
            bound = last.bound - priced.lack
            best = bound if best is None else max(best, bound)
            if priced.lack <= PRICED * abs(last.bound) or not self._allow(priced.missing):
                break
            if self._clock.interrupted or (ends is not None and time.perf_counter() >= ends):
                break
            if turn + 1 < WARMING_ROUNDS or not self._states_all():
                self._relaxation = self._stated()
        return best if self.trusted else None

    def _states_all(self) -> bool:
        return self._size <= ALL_COLUMNS

    def _allow(self, missing: Mapping[str, set[Arc]]) -> bool:
        """Allow flows that pricing asks for; False if there are none new."""
        assert self._allowed is not None
        grew = False
        for name, arcs in missing.items():
            grew = grew or not arcs <= self._allowed[name]
            self._allowed[name] |= arcs
        return grew

    def mixed(self, limit: float | None, known: Known | None) -> Found:
        """The bound of the integer program, within some seconds, and its whole numbers.

        ``known``: the best plan so far. Where flows are left out the integer program bounds
        nothing, and is not solved.
        """
        assert self._relaxation is not None
        assert self._goal is not None
        if self._allowed is not None or not self.trusted:
            return Found(None, None)
        mixed = Mixed(self._relaxation, self._full, self._store_cuts, self._settings)
        found = mixed.solve(limit, known, self._goal.scale)
        self.trusted = not found.lacking
        return found


def prover_of(
    full: Statement, choices: Choices, store_cuts: StoreCuts, settings: Settings, clock: Clock
) -> Prover | None:
    """The prover of a program; None where flows by origin would be too many, or no pipes are."""
    size = lean_size(choices)
    if settings.solver.lower() != "highs" or not 0 < size <= MOST_COLUMNS:
        return None
    burdens = any(route.cost or route.energy for route in choices.site.routes.values())
    if size > FEW_COLUMNS and burdens:
        return None  # pricing knows no burden of flow but that of the pipes
    return Prover(full, choices, store_cuts, settings, clock)


def _near(choices: Choices) -> dict[str, set[Arc]]:
    """Flows to begin with: those on ways that are not much longer than the nearest."""
    length = {name: route.length for name, route in choices.site.routes.items()}
    found = {}
    for origin in origins_of(choices):
        ends = _ends(choices, origin)
        arcs = useful_arcs(choices, origin, ends)
        found[origin.name] = near_paths(origin, arcs, ends, length, STRETCH)
    return found


def _ends(choices: Choices, origin: Origin) -> set[str]:
    return set(takers(choices, origin.fluid)) | set(origin.ends)
