"""The multicommodity formulation at work: bounds on the goals in turn, and integers to try."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from allocator.base.clock import Clock
from allocator.model.goals import Goal
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Row, Terms
from allocator.search.bounds.column_generation import ColumnGeneration
from allocator.search.bounds.cutoffs import Cutoffs
from allocator.search.bounds.disaggregated import flow_variable_count
from allocator.search.bounds.mixed import Known, Mixed, MixedBound
from allocator.search.bounds.multicommodity import origins_of
from allocator.search.bounds.path_column_bounds import SPARE, STALE, PathColumnBounds
from allocator.search.bounds.probing import Probing
from allocator.search.bounds.relaxation import Optimum, Relaxation, StoreCuts
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings

Latest = Callable[[], Known | None]
"""Gives the best plan so far."""


class Prover:
    """The multicommodity formulation of a model, aimed at one goal after the other.

    Every bound that it gives is one of the model (``disaggregated.py``). A plan of the model must
    be a point of this formulation: that is checked with every plan it is given, and a formulation
    that lacks a plan, or values it worse, proves nothing from then on (``trusted``).
    """

    def __init__(
        self,
        full: Model,
        sets: IndexSets,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
        *,
        by_friction: bool = False,
        whole: Model | None = None,
    ) -> None:
        """``by_friction``: with what friction takes from the flow of each origin, all stated.

        ``whole``: the model of which plans are points, where ``full`` is a part of it.
        """
        self._full = full
        self._whole = full if whole is None else whole
        self._sets = sets
        self._store_cuts = store_cuts
        self._settings = settings
        self._clock = clock
        self._held: list[tuple[Goal, float, float]] = []
        self._goal: Goal | None = None
        self._relaxation: Relaxation | None = None
        self._generation: ColumnGeneration | None = None
        self._path_bounds: PathColumnBounds | None = None
        self._mixed: Mixed | None = None
        self._stated_for: float | None = None
        """Value as good as which all plans are in the relaxation; None for all there are."""
        self._by_friction = by_friction
        self._many = not by_friction and flow_variable_count(sets) > BOUND.flows
        self.trusted = True

    @property
    def uncut(self) -> bool:
        """True when all flows by origin are few enough to be stated at once, and need no cuts."""
        return not self._many and self._sets.lossless

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep an earlier goal between two values (SI)."""
        self._held.append((goal, low, high))
        for stated in (self._relaxation, self._generation):
            if stated is not None:
                stated.hold(goal, low, high)

    def aim(self, goal: Goal) -> None:
        """Make a goal the objective."""
        self._goal = goal
        self._mixed = None
        if self._many:
            self._relaxation = None  # what it left out was of no use for another goal
            if self._generation is None:
                self._generation = ColumnGeneration(
                    self._full, self._sets, self._store_cuts, self._settings, self._clock
                )
                for held, low, high in self._held:
                    self._generation.hold(held, low, high)
            self._generation.close(None)
            self._generation.aim(goal)
            self._path_bounds = PathColumnBounds(self._generation)
        elif self._relaxation is None:
            self._relaxation = self._stated(set())
        else:
            self._relaxation.aim(goal)

    def _stated(self, closed: set[Key], like: Relaxation | None = None) -> Relaxation:
        """All flows but those through what is closed, with the cuts of the path columns.

        ``like``: with those of another relaxation in their place.
        """
        assert self._goal is not None
        made = Relaxation(
            self._full,
            self._sets,
            self._store_cuts,
            self._settings,
            self._clock,
            closed,
            by_friction=self._by_friction,
        )
        for goal, low, high in self._held:
            made.hold(goal, low, high)
        known = like or self._generation
        if known is not None:
            made.add_store_cuts(known.store_rows)
            made.add_thresholds(known.thresholds)
        made.aim(self._goal)
        return made

    def take_store_cuts(self, other: Prover) -> None:
        """Begin with the store cuts of another model of the same promises."""
        assert self._relaxation is not None
        found = other._generation or other._relaxation
        if found is None:
            return
        rows: list[Row] = []
        for row in found.store_rows:
            columns = [found.model.columns[number] for number in row.columns]
            terms: Terms = [
                (value * row.scale / column.unit, column.key)
                for value, column in zip(row.coefficients, columns, strict=True)
            ]
            low, high = row.low * row.scale, row.high * row.scale
            made = self._relaxation.model.scaled_row(row.name, terms, low=low, high=high)
            rows += [] if made is None else [made]
        self._relaxation.add_store_cuts(rows)

    @property
    def uses_path_columns(self) -> bool:
        """True when bounds are by path columns, with multipliers by a compiled search."""
        return self._many

    @property
    def probes(self) -> bool:
        """True when builds are probed before a cutoff is asked (``probing.py``).

        Not on the mean basis: 40/80/6, seed 1, had 1.2 % after 42 s of a core, and without them
        0.7 % in a minute.
        """
        return self._many and not self._sets.lossless

    def relaxed(
        self,
        limit: float | None,
        known: Known | Latest | None = None,
        patience: int = STALE,
        hear: Callable[[float], object] | None = None,
    ) -> float | None:
        """The bound of the linear relaxation, cut round by round, within some seconds.

        ``known``: the best plan so far, or a function that gives it; the bound may then be that
        plan's own value, which bounds nothing beyond it, for what no better plan has is left out.
        ``patience``: rounds in turn that may improve little. ``hear`` is called with the bound of
        each round where all flows are stated.
        """
        ends = None if limit is None else time.perf_counter() + limit
        if not self.trusted:
            return None
        if self._path_bounds is None:
            assert self._relaxation is not None
            self._relaxation.cut(ends, hear)
            last = self._relaxation.last
            return None if last is None else last.bound

        latest = _latest(known)

        def value() -> float | None:
            best = latest()
            return None if best is None else best.value

        self._path_bounds.run(ends, value, patience)
        return self._path_bounds.bound()

    @property
    def relaxation(self) -> Relaxation:
        """The relaxation that states all flows, where one does."""
        assert self._relaxation is not None
        return self._relaxation

    def values_at(self, optimum: Optimum, keys: Sequence[Key]) -> list[float]:
        """Values of some columns (without unit) at a point of it."""
        return [float(optimum.point[self.relaxation.model.index(key)]) for key in keys]

    def holds(self, cutoff: float | None) -> bool:
        """Whether what is stated holds all plans as good as a cutoff (minimised, SI)."""
        if self._path_bounds is None:
            return True
        if self._relaxation is None:
            return False
        return self._stated_for is None or (cutoff is not None and cutoff <= self._stated_for)

    def within(self, cutoff: float) -> float:
        """A cutoff, or the deepest for which flows are stated where it is deeper than that."""
        if self._path_bounds is None or self._relaxation is None or self._stated_for is None:
            return cutoff
        return min(cutoff, self._stated_for)

    def stated(self, limit: float | None, cutoff: float | None = None) -> float | None:
        """State all flows that a plan as good as a cutoff (minimised, SI) may use; their bound.

        What is stated for one cutoff serves for all that are better. None where flows are too
        many, or the time too short. Without a cutoff all flows are stated.
        """
        if not self.holds(cutoff):
            self._state_for(limit, cutoff)
        last = None if self._relaxation is None else self._relaxation.last
        return None if last is None else last.bound

    def _state_for(self, limit: float | None, cutoff: float | None) -> None:
        assert self._generation is not None
        self._relaxation = self._mixed = None
        if cutoff is None:
            self._generation.close(None)
        closed = self._generation.closed | set(self._useless(cutoff))
        if flow_variable_count(self._sets, closed) > BOUND.stated_flows:
            return
        self._relaxation, self._stated_for = self._stated(closed), cutoff
        self._relaxation.cut(None if limit is None else time.perf_counter() + BOUND.root * limit)
        if self._relaxation.last is None:
            self._relaxation = None

    def mixed(
        self,
        limit: float | None,
        known: Known | Latest | None = None,
        cutoff: float | None = None,
        hear: Callable[[float], object] | None = None,
    ) -> MixedBound:
        """A bound by the integer model, within some seconds, or integers to try.

        ``known``: the best plan so far, or a function that gives it; the search ends when it is as
        good as the cutoff. ``cutoff``: a value (minimised, SI); is there a plan as good? The
        bound is the cutoff where there is none, and otherwise no better than it. Without a cutoff
        the best of all plans is asked for. Where flows are too many even without those that no
        such plan uses, all of the time goes to the path columns. ``hear`` is called with bounds on
        the way.
        """
        assert self._goal is not None
        began = time.perf_counter()

        def left() -> float | None:
            return (
                None
                if limit is None
                else max(BOUND.least_seconds, limit - (time.perf_counter() - began))
            )

        if not self.trusted:
            return MixedBound(None, None)
        self.stated(limit, cutoff)
        if self._relaxation is None:
            return MixedBound(self.relaxed(left(), known, BOUND.patient_rounds), None)
        if self._mixed is None:
            self._mixed = self._mixed_of(self._relaxation)
        if self.probes and self._stated_for is not None and cutoff is not None:
            found = self._probed(cutoff, left(), _latest(known), hear or (lambda bound: None))
        elif cutoff is None:
            found = self._mixed.solve(left())
        else:
            # what is stated for a cutoff lacks, and may lack, the plan that is worse
            whole = self._path_bounds is None or self._stated_for is None
            useless = self._useless(cutoff)
            found = self._mixed.prove(cutoff, useless, left(), _latest(known), check=whole)
        self.trusted = not found.lacking
        return found

    def _mixed_of(self, relaxation: Relaxation) -> Mixed:
        """The integer model of a relaxation."""
        assert self._goal is not None
        scale = self._goal.scale
        return Mixed(relaxation, self._whole, self._store_cuts, self._settings, scale)

    def _probed(
        self, cutoff: float, limit: float | None, latest: Latest, hear: Callable[[float], object]
    ) -> MixedBound:
        """Shut what no plan as good as a cutoff lays, then prove it out of reach with the rest."""
        stated = self._relaxation
        assert stated is not None
        ends = None if limit is None else time.perf_counter() + limit
        before, shut = stated.last, set(self._useless(cutoff))

        def out() -> bool:
            best = latest()
            return self._clock.interrupted or (best is not None and best.value <= cutoff)

        probing = Probing(stated, self._stated, cutoff, shut, hear, out)
        try:
            probing.run(ends)
            return self._proven(probing, cutoff, ends, latest, hear)
        finally:
            stated.solver_model.solver.fix(None)
            stated.last = before

    def _proven(
        self,
        probing: Probing,
        cutoff: float,
        ends: float | None,
        latest: Latest,
        hear: Callable[[float], object],
    ) -> MixedBound:
        """The integer program of what is left after probes, asked for cutoffs up to one.

        Builds that no plan as good as a cutoff lays, none lays that is better: so easier cutoffs
        may be asked of it as well, and are asked first, for a hard one may not end in time.
        """
        mixed = self._mixed if probing.relaxation is self._relaxation else None
        mixed = mixed or self._mixed_of(probing.relaxation)
        best, cutoffs = probing.bound, Cutoffs(self._settings.gap, BOUND.probed_depth)
        if best is not None:
            cutoffs.begin(best)
        found = MixedBound(best, None, ended=best is not None and best >= cutoff)
        while best is None or best < cutoff:
            began, known = time.perf_counter(), latest()
            value = None if known is None else known.value
            asked = cutoff if best is None else min(cutoff, cutoffs.next(value, best))
            if best is not None and asked <= best:
                asked = cutoff
            left = None if ends is None else max(BOUND.least_seconds, ends - began)
            found = mixed.prove(asked, probing.closed, left, latest, check=False)
            if found.bound is not None and (best is None or found.bound > best):
                best = found.bound
                hear(best)
            if not found.ended or found.columns is not None or asked >= cutoff:
                break
            took = time.perf_counter() - began
            cutoffs.settled(value, asked, took, None if left is None else max(0.0, left - took))
        return replace(found, bound=best)

    def _useless(self, cutoff: float | None) -> list[Key]:
        """Builds that no plan as good as a cutoff lays, by the multipliers."""
        if self._path_bounds is None or cutoff is None:
            return []
        return self._path_bounds.useless(cutoff + SPARE * abs(cutoff))


def _latest(known: Known | Latest | None) -> Latest:
    return known if callable(known) else lambda: known


def prover_of(
    full: Model, sets: IndexSets, store_cuts: StoreCuts, settings: Settings, clock: Clock
) -> Prover | None:
    """The prover of a model; None where flows by origin would be too many, or no pipes are."""
    size = flow_variable_count(sets)
    if settings.solver.lower() != "highs" or size == 0 or too_many_multipliers(sets):
        return None
    burdens = any(route.cost or route.energy for route in sets.site.routes.values())
    if size > BOUND.flows and burdens:
        return None  # multipliers know no burden of flow but that of the pipes
    return Prover(full, sets, store_cuts, settings, clock)


def too_many_multipliers(sets: IndexSets) -> bool:
    """True where a site is too large for a multiplier of each origin on each pipe."""
    return len(origins_of(sets)) * len(sets.pipes) > BOUND.multipliers
