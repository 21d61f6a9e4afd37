"""Branch and bound on pipes, with carrying rows at each node and a small integer program.

A *case* says of some pipes which builds they may have, and of some of these that one is laid. What
it shuts may not be laid; of a pipe that is laid the cheapest build is paid at once, so that

    sum over d, k of (a[d,k] - least of the pipe) * lay[d,k]  +  t  <=  n - sum of these leasts,

which is the limit of carrying rows (:mod:`allocator.search.bounds.carrying`) with other numbers:
all that is proven of them holds for the plans of the case. Two cases that split one pipe, laid or
not, or with a smaller or a larger build, hold all plans of the case that they came from. So the
bound is the worst of the cases that are left (branch and bound, Land and Doig 1960).

Each case is bounded by its own carrying rows, then by the integer program of what is left for a
cutoff (:mod:`allocator.search.bounds.reducer`): the deepest one for which few flows are left. Such
a program is proven out of reach in seconds. The worst case is split next, by the pipe that
raises the bounds of both parts most (strong branching: Applegate, Bixby, Chvatal & Cook 1995).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from allocator.base.clock import Clock
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model
from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.bounds.carrying_rows import LaidLimit
from allocator.search.bounds.mixed import Known, Mixed, MixedBound
from allocator.search.bounds.path_program import NEVER, Prices
from allocator.search.bounds.reducer import CarryingPrices, Reducer
from allocator.search.bounds.reduction import Reduction
from allocator.search.bounds.relaxation import Relaxation, StoreCuts
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings

LEAST_GAIN = 1e-6
"""Share of a bound that a split counts as gaining at the least."""
LOPSIDED = 20.0
"""Times what the worse part gains that the better part counts for at most."""
WHOLE = 0.02
"""A number of laid builds nearer to a whole number than this counts as whole."""


@dataclass(frozen=True, slots=True)
class BuildRange:
    """What a pipe may have: builds from one number up to another; ``laid``: it has one of them."""

    low: int
    high: int
    laid: bool


@dataclass(slots=True)
class PipeCase:
    """Some pipes with what they may have. ``bound``: proven (minimised, SI).

    ``relaxed``: by its carrying rows alone, of which ``prices`` is the best. ``laid``: by build,
    what the program on paths lays. ``centre``: prices to begin with.
    """

    spans: Mapping[int, BuildRange]
    bound: float
    relaxed: float
    prices: CarryingPrices | None
    laid: Floats
    centre: Prices | None
    scores: Mapping[int, float] = field(default_factory=dict)
    """What splitting pipes gained in the cases that it came from."""
    tried: bool = False
    """Whether its integer program was asked."""


@dataclass
class Branching:
    """Cases of a site, the worst first.

    ``better`` is called with each bound (minimised, SI), ``points`` with integers to try;
    ``latest`` gives the best plan.
    """

    carrying: CarryingBound
    full: Model
    sets: IndexSets
    store_cuts: StoreCuts
    settings: Settings
    clock: Clock
    better: Callable[[float], object]
    points: Callable[[MixedBound], object]
    latest: Callable[[], Known | None]
    _cases: list[PipeCase] = field(default_factory=list)
    _flows: float = BOUND.case_flows
    """Flows an origin up to which the next integer program is stated."""
    _depth: float = BOUND.case_depth
    """Last depth, as a share of a case's bound, for which few flows were left."""

    def __post_init__(self) -> None:
        self._net = self.carrying.network()
        regions = self._net.regions
        links = np.arange(len(regions.pipe))
        self._links: list[list[int]] = [[] for _ in range(self.carrying.pipes)]
        for link in links.tolist():
            self._links[int(regions.pipe[link])].append(link)
        self._root = self.carrying.limit
        self.settings = replace(self.settings, node_limit=BOUND.case_nodes)

    def run(self, ends: float | None) -> None:
        """Split and prove until a time of the clock, or until no plan is better than the best."""
        bound = self.carrying.bound
        if bound is None:
            return
        first = PipeCase({}, bound, bound, None, self.carrying.laid, self.carrying.centre)
        first.prices = self.carrying.alone()
        self._cases = [first]
        while not self._out(ends):
            worst = min(self._cases, key=lambda case: case.bound)
            if worst.bound >= self._enough():
                return
            if not worst.tried:
                self._prove(worst, ends)
            elif not self._split(worst, ends):
                return
            self.better(min(case.bound for case in self._cases))

    def _out(self, ends: float | None) -> bool:
        return self.clock.interrupted or (ends is not None and time.perf_counter() >= ends)

    def _enough(self) -> float:
        """The bound beyond which nothing is gained: the best plan less the gap that is asked."""
        known = self.latest()
        return np.inf if known is None else known.value - self.settings.gap * abs(known.value)

    def _prove(self, case: PipeCase, ends: float | None) -> None:
        """Ask the integer program of a case for a plan as good as a cutoff."""
        case.tried = True
        reduction = self._deepest(case)
        case.prices = None  # megabytes, of no more use
        if reduction is None or reduction.cutoff <= case.bound:
            return
        left = None if ends is None else max(BOUND.least_seconds, ends - time.perf_counter())
        relaxation = Relaxation(
            self.full,
            self.sets,
            self.store_cuts,
            self.settings,
            self.clock,
            reduction=reduction,
        )
        goal = goals_of(self.full, self.sets)[0]
        relaxation.aim(goal)
        relaxation.cut(None if left is None else time.perf_counter() + left)
        if relaxation.last is None:
            return
        mixed = Mixed(relaxation, self.full, self.store_cuts, self.settings, goal.scale)
        left = None if ends is None else max(BOUND.least_seconds, ends - time.perf_counter())
        found = mixed.prove(reduction.cutoff, (), left, self.latest, check=False)
        self._flows *= 1.0 / BOUND.case_regained if found.ended else BOUND.case_fewer
        if found.bound is not None:
            case.bound = max(case.bound, min(found.bound, reduction.cutoff))
        if found.columns is not None:
            self.points(found)

    def _deepest(self, case: PipeCase) -> Reduction | None:
        """What is left for the deepest cutoff for which few flows are."""
        if case.prices is None:
            return None
        reducer = Reducer(self._net, case.prices)
        must = self._must(case)
        enough = self._enough()
        low, high, depth, best = 0.0, np.inf, self._depth, None
        for _ in range(BOUND.case_tries):
            cutoff = min(case.relaxed + depth * abs(case.relaxed), enough)
            found = reducer.reduced(cutoff, BOUND.case_share, must)
            if found.flows > self._flows * len(self._net.origins):
                high = depth
            else:
                low, best = depth, found
                if cutoff == enough:
                    break
            depth = 1.3 * low if high == np.inf else 0.5 * (low + high)
        if best is not None:
            self._depth = low
        return best

    def _must(self, case: PipeCase) -> list[tuple[Key, ...]]:
        """Builds of pipes that are laid, pipe by pipe."""
        regions, found = self._net.regions, []
        for pipe, span in case.spans.items():
            if span.laid:
                first = int(regions.build[self._links[pipe][0]])
                found.append(tuple(self._net.laid[first + k] for k in range(span.low, span.high)))
        return found

    def _split(self, case: PipeCase, ends: float | None) -> bool:
        """Put two cases in the place of one; False where nothing can be split, or time is out."""
        best: tuple[float, list[PipeCase]] | None = None
        scores = dict(case.scores)
        least = LEAST_GAIN * abs(case.relaxed)
        for pipe, spans in self._choices(case):
            parts = []
            for span in spans:
                if self._out(ends):
                    return False
                parts.append(
                    self._bounded(case, {**case.spans, pipe: span}, ends, BOUND.case_looks)
                )
            lower, higher = sorted(max(part.relaxed - case.relaxed, least) for part in parts)
            scores[pipe] = lower * min(higher, LOPSIDED * lower)
            if best is None or scores[pipe] > best[0]:
                best = scores[pipe], parts
        if best is None:
            return False
        parts = [self._bounded(part, part.spans, ends, BOUND.case_turns) for part in best[1]]
        for part in parts:
            part.scores = scores
        self._cases = [one for one in self._cases if one is not case] + parts
        return True

    def _choices(self, case: PipeCase) -> list[tuple[int, tuple[BuildRange, BuildRange]]]:
        """Pipes that may be split, those with most at stake first."""
        regions = self._net.regions
        found = []
        for pipe, links in enumerate(self._links):
            ranges = [slice(int(regions.build[d]), int(regions.build[d + 1])) for d in links]
            if not ranges:
                continue
            laid = np.sum([case.laid[part] for part in ranges], axis=0)
            cost = self._root.cost[ranges[0]]
            total = float(laid.sum())
            span = case.spans.get(pipe, BuildRange(0, len(cost), False))
            if total <= WHOLE:
                continue
            if total < 1.0 - WHOLE and not span.laid:
                stake = min(total, 1.0 - total) * float(laid @ cost) / total
                parts = BuildRange(0, 0, False), replace(span, laid=True)
                found.append((stake, pipe, parts))
                continue
            # laid, but which build?
            below = np.cumsum(laid)[:-1]
            least = np.minimum(below, total - below) * np.diff(cost)
            at = int(np.argmax(least)) if len(least) else 0
            if len(least) and least[at] > WHOLE * cost[at]:
                parts = replace(span, high=at + 1), replace(span, low=at + 1, laid=True)
                if not span.laid:
                    parts = BuildRange(span.low, at + 1, False), parts[1]
                found.append((float(least[at]), pipe, parts))
        found.sort(key=lambda entry: (-entry[0], entry[1]))
        known = [entry for entry in found if entry[1] in case.scores]
        known.sort(key=lambda entry: -case.scores[entry[1]])
        new = [entry for entry in found if entry[1] not in case.scores]
        chosen = known[: BOUND.case_known] + new[: BOUND.case_new if known else BOUND.case_choices]
        return [(pipe, parts) for _, pipe, parts in chosen]

    def _bounded(
        self, case: PipeCase, spans: Mapping[int, BuildRange], ends: float | None, turns: int
    ) -> PipeCase:
        """A case within another, or the same again, bounded by some turns of carrying rows."""
        carrying = self.carrying
        carrying.change(self._limit(spans), case.centre)
        carrying.improve(ends, turns)
        bound = carrying.bound
        relaxed = case.relaxed if bound is None else max(case.relaxed, bound)
        # without a bound there is nothing to split by
        laid = np.zeros(len(case.laid)) if bound is None else carrying.laid
        centre = carrying.centre
        prices = carrying.alone()
        return PipeCase(spans, max(case.bound, relaxed), relaxed, prices, laid, centre)

    def _limit(self, spans: Mapping[int, BuildRange]) -> LaidLimit:
        """The limit of a case."""
        regions = self._net.regions
        cost, shares = self._root.cost.copy(), self._root.shares
        for pipe, span in spans.items():
            first = int(regions.build[self._links[pipe][0]])
            least = float(cost[first + span.low : first + span.high].min()) if span.laid else 0.0
            shares -= least
            for link in self._links[pipe]:
                low, high = int(regions.build[link]), int(regions.build[link + 1])
                cost[low:high] -= least
                cost[low : low + span.low] = NEVER
                cost[low + span.high : high] = NEVER
        return LaidLimit(cost, shares)
