"""One relaxation for each choice of the nodes at which boosters run; the bound is the worst.

Every plan runs boosters at some nodes, S, and at no others. With S given, boosters elsewhere are
left out: nothing beyond is then higher than what sources give, so pipes carry less and no flow is
counted as boosted; and where S is one node, friction counts behind its boosters too
(:mod:`.friction`). Plans with boosters at S are points of the relaxation of S, which asks that at
least one runs at each of them (``state_tightened``). So the worst bound of all choices is a bound
of all plans, and a cutoff that none of them reaches is one that no plan reaches.

No choice has more nodes than boosters may run in all: a kind of boosters with a most has no more of
them than that (``boosters_of``). Where there would be too many choices, all boosters are in one.

All relaxations are solved once; then that with the worst bound is cut until it hardly improves, and
split where a booster of it runs in part: into plans in which that booster runs, and others. Where
the integer program of a case is small enough for the solver, next comes the build of the pipe
behind a booster that runs, as a little of a wide build carries all; else what raises both bounds
most: a pipe laid or not, a smaller or a larger build, a whole number (:mod:`.splits`). All parts of
a choice are one program with other ranges of some columns, so that cuts serve all of them, and each
begins from the basis of what it was split from. A part that is far better than the worst is solved
no further than that is known: the value of a dual point bounds it (weak duality).

Where a site has parts that share nothing but power and stock, what small ones of them cost at the
least is added once all cases are relaxed (:mod:`.parts`): to all of them, unless boosters may stand
in the part, whose rows are then those of the choice alone.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import combinations

import numpy as np

from allocator.base.clock import Clock
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Key
from allocator.model.pressures import Node, boost, boosters_by_node, directed
from allocator.model.stating import state_tightened
from allocator.network.records import Network
from allocator.search.bounds.mixed import Known, MixedBound
from allocator.search.bounds.parts import Parts
from allocator.search.bounds.proving import Latest, Prover
from allocator.search.bounds.relaxation import Optimum, Ranges, StoreCuts
from allocator.search.bounds.splits import Splits
from allocator.search.strategy.budgets import BOUND
from allocator.solver.bases import Basis
from allocator.solver.settings import Settings

LATE, LITTLE = 2, 1e-4
"""A case is cut no further when so many rounds of it in turn each improve its bound by less than
this share of it."""
SPLIT = 1e-2
"""The same share for one round of a case that can be split."""
ENOUGH, PASSES = 0.012, 4
"""Share of its bound by which a round improves a large case at the most, where it has more to
gain: others are worse by then. After so many rounds of that it is solved to its end."""
PART = 1e-3
"""A booster that runs by so much more than not at all, and less than whole, runs in part; so with
builds that are laid."""


def choices(sets: IndexSets) -> tuple[frozenset[Node] | None, ...]:
    """The sets of nodes at which boosters may run; one None where there are none or too many."""
    if sets.pressures is None:
        return (None,)
    by_node = boosters_by_node(sets.pressures)
    kinds = {option.booster for option in sets.pressures.boosters}
    limits = [sets.site.boosters[kind].max_units for kind in kinds]
    most = min(len(by_node), sum(len(by_node) if most is None else most for most in limits))
    if not by_node or sum(math.comb(len(by_node), n) for n in range(most + 1)) > BOUND.choices:
        return (None,)
    return tuple(
        frozenset(nodes) for number in range(most + 1) for nodes in combinations(by_node, number)
    )


@dataclass
class _Case:
    """Plans of one choice, with some boosters held running or not: their bound (minimised, SI).

    ``boosters``: of each, the columns of the builds of the pipe behind it. ``late``: rounds in turn
    that gave little; ``ended``: it is cut no further; ``part``: the booster that runs in part, or
    the build that is laid so, most of all; ``splits``: what else it may be split by; ``basis``: to
    begin from; ``passes``: rounds in turn that were ended as it was better than others by much;
    ``exhausted``: it has no more cuts that help; ``whole``: there was nothing to split.
    """

    running: frozenset[Node] | None
    prover: Prover
    boosters: Mapping[Key, tuple[Key, ...]]
    splits: Splits | None = None
    held: Ranges = field(default_factory=dict)
    bound: float | None = None
    late: int = 0
    ended: bool = False
    part: Key | None = None
    optimum: Optimum | None = None
    basis: Basis = None
    passes: int = 0
    exhausted: bool = False
    whole: bool = False

    @property
    def splittable(self) -> bool:
        """Whether it may be split where it ended."""
        return self.part is not None or (self.splits is not None and self.bound != math.inf)

    def cut(self, ends: float | None) -> bool:
        """Cut it for one round until a time of the clock; False where there was no time for that.

        A case that is far better than the worst is solved no further than that is known.
        """
        enough = None
        if self.splits is not None and self.bound and self.passes < PASSES:
            enough = self.bound + ENOUGH * abs(self.bound)
        went = self.prover.relaxation.cut_once(ends, self.held, self.basis, enough)
        if went.impossible:
            self.bound, self.part = math.inf, None
            self.ended = self.exhausted = True
            return True
        if went.passed and enough is not None:
            self.bound, self.basis, self.passes = enough, went.basis, self.passes + 1
            return True
        self.passes = 0
        if went.optimum is None:
            return False
        self.optimum, self.basis = went.optimum, went.basis
        found, before = went.optimum.bound, self.bound
        self.bound = found if before is None else max(before, found)
        self.part = self._part_of(went.optimum)
        gained = math.inf if before is None else found - before
        self.late = self.late + 1 if gained <= LITTLE * abs(found) else 0
        split = self.splittable and not self.whole and gained <= SPLIT * abs(found)
        self.exhausted = went.done or self.late >= LATE
        self.ended = split or self.exhausted
        return True

    def _part_of(self, optimum: Optimum) -> Key | None:
        """What to split at a point: a booster, or else a build behind one that runs."""
        boosters = list(self.boosters)
        shares = self.prover.values_at(optimum, boosters)
        part = _most_in_part(boosters, shares)
        if part is not None or self.splits is not None:
            return part
        runs = [key for key, x in zip(boosters, shares, strict=True) if x >= 1.0 - PART]
        builds = [build for key in runs for build in self.boosters[key]]
        return _most_in_part(builds, self.prover.values_at(optimum, builds))

    def split(self) -> list[_Case]:
        """Two cases that hold all of its plans; none where there is nothing to split."""
        if self.part is not None:
            held = dict(self.held)
            parts: Sequence[Ranges] = [{**held, self.part: (x, x)} for x in (1.0, 0.0)]
        elif self.splits is not None and self.optimum is not None and self.bound != math.inf:
            relaxation = self.prover.relaxation
            found = self.splits.best(relaxation, self.optimum, self.held, self.basis)
            parts = [] if found is None else found
        else:
            parts = []
        fresh = replace(self, late=0, ended=False, part=None, passes=0, whole=False)
        return [replace(fresh, held=part) for part in parts]


def _most_in_part(keys: Sequence[Key], shares: Sequence[float]) -> Key | None:
    """The column that is furthest from 0 of those that are neither 0 nor 1."""
    parts = [(x, key) for x, key in zip(shares, keys, strict=True) if PART < x < 1.0 - PART]
    return max(parts, key=_share)[1] if parts else None


def _share(part: tuple[float, Key]) -> float:
    return part[0]


class BoosterCases:
    """The relaxations of all choices of a site under pressure, for its first goal.

    It gives bounds as :class:`allocator.search.bounds.proving.Prover` does.
    """

    def __init__(
        self,
        site: Network,
        settings: Settings,
        clock: Clock,
        store_cuts_of: Callable[[IndexSets], StoreCuts],
        bare: Prover | None = None,
    ) -> None:
        """``bare``: of the site without pressures, whose store cuts are known."""
        whole, sets = state_tightened(site, settings.basis, settings.robustness)
        self._boosts = {
            node: np.array([whole.index(boost(option)) for option in options])
            for node, options in (
                {} if sets.pressures is None else boosters_by_node(sets.pressures)
            ).items()
        }
        options = () if sets.pressures is None else sets.pressures.boosters
        self._boosted = frozenset(option.fluid for option in options)
        """Fluids for which there may be boosters."""
        self._settings, self._clock = settings, clock
        self._asked_parts = False
        self._cases: list[_Case] = []
        splits = Splits()
        for running in choices(sets):
            model, some = whole, sets
            if running is not None:
                model, some = state_tightened(site, settings.basis, settings.robustness, running)
            prover = Prover(
                model, some, store_cuts_of(some), settings, clock, by_friction=True, whole=whole
            )
            prover.aim(goals_of(model, some)[0])
            if bare is not None:
                prover.take_store_cuts(bare)
            large = len(prover.relaxation.model.columns) > BOUND.case_columns
            self._cases.append(_Case(running, prover, _boosters(some), splits if large else None))

    @property
    def trusted(self) -> bool:
        """False where a choice lacks a plan that was found."""
        return all(case.prover.trusted for case in self._cases)

    def bound(self) -> float | None:
        """The worst bound (minimised, SI); None until all have one."""
        bounds = [case.bound for case in self._cases if case.bound is not None]
        return min(bounds) if len(bounds) == len(self._cases) else None

    def relaxed(self, limit: float | None, hear: Callable[[float | None], object]) -> None:
        """Cut the relaxations within some seconds; ``hear`` is called with better bounds."""
        ends = None if limit is None else time.perf_counter() + limit
        while self._goes_on(ends):
            case = min(self._cases, key=_worst_first)
            if not self._asked_parts and self.bound() is not None and case.optimum is not None:
                self._asked_parts = True
                if self._add_parts(case, case.optimum, _left(ends)):
                    continue
            if case.ended:
                parts = case.split()
                if not parts and case.exhausted:
                    return
                if not parts:
                    case.whole, case.ended = True, False
                    continue
                at = self._cases.index(case)
                self._cases[at : at + 1] = parts
                continue
            first = case.bound is None
            while first or not (case.ended or self._leaves(case)):
                if not case.cut(ends):
                    return
                hear(self.bound())
                if first:
                    break

    def _goes_on(self, ends: float | None) -> bool:
        late = ends is not None and time.perf_counter() >= ends
        return not late and not self._clock.interrupted

    def _add_parts(self, case: _Case, optimum: Optimum, limit: float | None) -> bool:
        """Add what small parts of the site cost at the least; False where that is nothing."""
        ends = None if limit is None else time.perf_counter() + BOUND.part_share * limit
        parts = Parts(case.prover.relaxation, self._settings, self._clock)
        found = parts.cuts(optimum, BOUND.part_nodes, ends)
        for cut in found:
            own = bool(self._boosted.intersection(_words(cut.keys)))
            for one in self._cases:  # each is a choice of its own by now
                relaxation = one.prover.relaxation
                if own and one is not case:
                    continue
                if all(relaxation.model.has(key) for key in cut.keys):
                    row = relaxation.model.scaled_row("part", cut.terms, low=cut.low)
                    relaxation.add([] if row is None else [row])
        for one in self._cases if found else ():
            one.ended, one.late = one.bound == math.inf, 0
        return bool(found)

    def _leaves(self, case: _Case) -> bool:
        """Whether another case is worse by much, or by anything where it can be cut no further.

        Each change of cases costs some steps of the solver.
        """
        assert case.bound is not None
        for other in self._cases:
            if other is not case and other.bound is not None:
                worse = case.bound - other.bound
                final = other.ended and not other.splittable
                if worse > (0.0 if final else SPLIT * abs(other.bound)):
                    return True
        return False

    def holds(self, cutoff: float | None) -> bool:
        """All plans are stated."""
        return True

    def within(self, cutoff: float) -> float:
        """Any cutoff may be asked for."""
        return cutoff

    def stated(self, limit: float | None, cutoff: float | None = None) -> float | None:
        """The worst bound."""
        return self.bound()

    @property
    def probes(self) -> bool:
        """Never: builds of a choice are none of another."""
        return False

    def mixed(
        self,
        limit: float | None,
        known: Known | Latest | None = None,
        cutoff: float | None = None,
        hear: Callable[[float], object] | None = None,
    ) -> MixedBound:
        """A bound by the integer models, the worst choice first, or integers to try.

        Choices whose bound is beyond the cutoff (minimised, SI) have no plan as good. Bounds on the
        way are not told: they are of one choice alone.
        """
        del hear
        ends = None if limit is None else time.perf_counter() + limit
        columns, value, all_ended = None, None, True
        for case in self._by_choice():
            if cutoff is not None and case.bound is not None and case.bound >= cutoff:
                continue
            left = _left(ends)
            if left is not None and left < BOUND.least_seconds:
                all_ended = False
                break
            found = case.prover.mixed(left, partial(self._of, case, known), cutoff)
            if found.lacking:
                return found
            if found.bound is not None:
                self._raise(case.prover, found.bound)
            all_ended = all_ended and found.ended
            if found.value is not None and (value is None or found.value < value):
                columns, value = found.columns, found.value
                if cutoff is not None and value <= cutoff:
                    break
        bound = self.bound()
        if bound is not None and cutoff is not None:
            bound = min(bound, cutoff)
        return MixedBound(bound, columns, value, all_ended)

    def _by_choice(self) -> list[_Case]:
        """The worst case of each choice, the worst first."""
        found: dict[Prover, _Case] = {}
        for case in sorted(self._cases, key=_worst_first):
            found.setdefault(case.prover, case)
        return list(found.values())

    def _raise(self, prover: Prover, bound: float) -> None:
        """Take a bound of all plans of a choice."""
        for case in self._cases:
            if case.prover is prover:
                case.bound = bound if case.bound is None else max(case.bound, bound)

    def _of(self, case: _Case, known: Known | Latest | None) -> Known | None:
        """The best plan, with its columns only where it is a plan of that choice."""
        best = known() if callable(known) else known
        if best is None or best.columns is None or case.running is None:
            return best
        columns = best.columns
        runs = {node for node, some in self._boosts.items() if (columns[some] > 0.5).any()}
        return best if runs == case.running else Known(best.value, None)


def _boosters(sets: IndexSets) -> dict[Key, tuple[Key, ...]]:
    """The columns of all boosters, each with those of the builds of the pipe behind it."""
    pressures, found = sets.pressures, dict[Key, tuple[Key, ...]]()
    if pressures is None:
        return found
    for at, options in pressures.boosters_at.items():
        builds: tuple[Key, ...] = ()
        if isinstance(at, PipeArc):
            builds = tuple(directed(at, build) for build in pressures.losses[at])
        found |= {boost(option): builds for option in options}
    return found


def _words(keys: Iterable[Key]) -> set[Key]:
    """All words of some keys."""
    return {word for key in keys if isinstance(key, tuple) for word in key}


def _worst_first(case: _Case) -> float:
    return -math.inf if case.bound is None else case.bound


def _left(ends: float | None) -> float | None:
    return None if ends is None else max(0.0, ends - time.perf_counter())
