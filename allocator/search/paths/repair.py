"""The candidate pool of a site, and fix and repair: pipes of a candidate fixed, the rest exact.

Path moves know pipes, stores and machines, but not batteries behind bursts, lines, least loads or
what stores save together. So the model is solved with the pipes of a candidate fixed (a small
integer model), store cuts are added until its promises hold, and once more with the corridors of
all the best candidates open and all others closed.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from allocator.base.clock import Clock, crowding
from allocator.model.growth import least_growth
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model
from allocator.model.pressures import boost
from allocator.network.records import Network
from allocator.search.directions import paths_directed
from allocator.search.paths.network import Candidate, first_service, path_network_of
from allocator.search.paths.starts import PathSearch
from allocator.search.paths.uncompiled import UncompiledSearch
from allocator.search.paths.warming import Warming
from allocator.search.strategy.budgets import CANDIDATES, GOAL
from allocator.solver.interface import Solved
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

LONGEST = 600.0
"""Seconds of the uncompiled path search at the most."""
LAID = ("lay", "directed", "spur", "boost")
"""Columns of what is laid where pressures count."""
MISJUDGED = 1e-3
"""Share of its value that a candidate may lose or gain where it is repaired."""


def point_of(model: Model, sets: IndexSets, candidate: Candidate) -> np.ndarray:
    """The integers of a candidate as a point of the model; all else is at its lower bound."""
    point = np.array([column.low for column in model.columns])

    def put(key: Key, value: float) -> None:
        if model.has(key):
            point[model.index(key)] = value

    sinks = set()
    for (route, fluid), build in candidate.pipes.items():
        sink = sets.site.pipes[build].sink
        if sink is not None and sink.heat_sink in sinks:
            continue  # paths do not know that a heat sink has one mass
        if sink is not None:
            sinks.add(sink.heat_sink)
        put(("lay", route, build, fluid), 1.0)
    for source in candidate.taps:
        put(("tap", source), 1.0)
    for group, units in candidate.counts.items():
        put(("count", group), float(units))
        put(("running", group), float(units + sets.groups[group].existing))
        put(("takes", group), 1.0)
    for store in candidate.stores:
        put(("stand", store), 1.0)
        put(("promises", store), 1.0)
        put(("holds", store), 1.0)
        there, size = sets.fluid_stores[store], candidate.sizes.get(store, 0.0)
        unit, new = there.type.unit, size - there.existing
        put(("grows", store), float(0.0 < least_growth(there) <= new))
        if unit is not None:
            put(("units", store), float(max(0, math.ceil(new / unit - 1e-6))))
    routes = sets.site.routes
    flows = [
        (route, fluid, routes[route].start if forth else routes[route].end, collect)
        for route, fluid, forth, collect in candidate.flows
    ]
    for key, value in paths_directed(sets, candidate.pipes, flows).items():
        put(key, value)
    for source in candidate.taps:
        put(("drawn", source), 1.0)
    for option in candidate.boosters:
        put(boost(option), 1.0)
    return point


def pipe_columns(model: Model) -> np.ndarray:
    """The columns that say what is laid."""
    return np.array(
        [
            number
            for number, column in enumerate(model.columns)
            if isinstance(column.key, tuple) and column.key[0] == "lay"
        ],
        dtype=np.int64,
    )


def laid_columns(model: Model) -> np.ndarray:
    """The columns that say what is laid, which way, and where boosters stand."""
    return np.array(
        [
            number
            for number, column in enumerate(model.columns)
            if isinstance(column.key, tuple) and column.key[0] in LAID
        ],
        dtype=np.int64,
    )


def fixed_and_repaired(
    solver_model: SolverModel,
    held: np.ndarray,
    point: np.ndarray,
    gap: float,
    left: Callable[[float], float | None],
) -> Iterator[Solved]:
    """Sound points with some integers fixed and the others decided, again while cuts are new."""
    for _ in range(CANDIDATES.repair_rounds):
        before = solver_model.cuts
        near = solver_model.near(point, held, left(GOAL.repair_near), gap)
        if near.point is None:
            return
        solved = solver_model.repaired(near.point, left(GOAL.repair_candidate))
        point = near.point
        if solved.point is not None:
            yield solved
            point = solved.point
        if solver_model.cuts == before or solver_model.clock.interrupted:
            return


@dataclass
class CandidatePool:
    """The path search of a site and its best candidates.

    ``share``: of a goal's time that it takes. ``moves``: of a start, where nodes are limited.
    """

    sets: IndexSets
    paths: PathSearch
    clock: Clock
    moves: int | None
    share: float
    warming: Warming | None = None
    uncompiled: UncompiledSearch | None = None

    @property
    def pressed(self) -> bool:
        """Whether pressures count."""
        return self.sets.pressures is not None

    def ready(self, seconds: float) -> bool:
        """True when the search can begin at once, after at most some seconds of waiting."""
        ready = bool(self.candidates) or self.warming is None or self.warming.done(seconds)
        if ready:
            self.end_uncompiled()
        return ready

    def search_uncompiled(self, seed: int) -> None:
        """Begin the uncompiled search beside all else, where compiling will take long.

        That is on a crowded machine: elsewhere it would only take a core from the compiler.
        """
        if self.warming is None or self.ready(0.0):
            return
        if crowding() >= CANDIDATES.crowded:
            left = self.clock.left()
            seconds = LONGEST if left is None else left
            self.uncompiled = UncompiledSearch(self.paths.arrays, self.paths.names, seed, seconds)

    def end_uncompiled(self) -> None:
        """End the uncompiled search, where there is one."""
        if self.uncompiled is not None:
            self.uncompiled.end()
            self.uncompiled = None

    def search(self, seconds: float | None, hear: Callable[[Candidate, str], None]) -> None:
        """Search for candidates, once."""
        if not self.candidates:
            self.resume(seconds, hear)

    def resume(self, seconds: float | None, hear: Callable[[Candidate, str], None]) -> None:
        """Search for candidates, and go on where that was ended."""
        began = time.perf_counter()
        self.paths.run(seconds, self.moves, lambda: self.clock.interrupted, hear)
        self.clock.spend("paths", time.perf_counter() - began)

    def point(self, solver_model: SolverModel, candidate: Candidate) -> np.ndarray:
        """The integers of a candidate as a point of a model."""
        return point_of(solver_model.model, self.sets, candidate)

    @property
    def candidates(self) -> list[Candidate]:
        """The best candidates, best first."""
        return self.paths.elite

    def points(
        self,
        solver_model: SolverModel,
        gap: float,
        left: Callable[[float], float | None],
        out: Callable[[], bool],
    ) -> Iterator[np.ndarray]:
        """Sound points: of the best candidates; where paths misjudge those, of others too.

        The others are the best candidates with other machines.
        """
        best = self.candidates[: CANDIDATES.repaired]
        others = sorted(self.paths.kinds.values(), key=lambda one: -one.value)
        others = [one for one in others if one not in best][: CANDIDATES.repaired_others]
        misjudged = False
        for number, candidate in enumerate([*best, *others]):
            if out() or (number == len(best) and not misjudged):
                return
            for solved in self._repaired(solver_model, candidate, gap, left):
                assert solved.point is not None
                misjudged |= not self._as_judged(solver_model, candidate, solved)
                yield solved.point

    def _repaired(
        self,
        solver_model: SolverModel,
        candidate: Candidate,
        gap: float,
        left: Callable[[float], float | None],
    ) -> Iterator[Solved]:
        """The sound points of a candidate."""
        point = point_of(solver_model.model, self.sets, candidate)
        if self.sets.lossless:
            solved = solver_model.repaired(point, left(GOAL.repair_near))
            if solved.point is not None:
                yield solved
                return
        held = laid_columns if self.pressed else pipe_columns
        yield from fixed_and_repaired(solver_model, held(solver_model.model), point, gap, left)

    def _as_judged(self, solver_model: SolverModel, candidate: Candidate, solved: Solved) -> bool:
        """Whether the path search judged the value of a candidate rightly.

        Not asked where moves are limited: such runs are kept short.
        """
        if self.moves is not None:
            return True
        value = solver_model.unscaled(solved.value)
        return value is not None and abs(-value - candidate.value) <= MISJUDGED * abs(
            candidate.value
        )

    def other_corridors(self, model: Model, point: np.ndarray) -> np.ndarray:
        """The pipe columns outside the corridors of the candidates and of a point."""
        lay = pipe_columns(model)
        known = {pipe for candidate in self.candidates for pipe in candidate.pipes}
        held = []
        laid = set()
        for number in lay:
            _, route, _, fluid = model.columns[number].key
            if point[number] > 0.5:
                laid.add((route, fluid))
        for number in lay:
            _, route, _, fluid = model.columns[number].key
            if (route, fluid) not in known and (route, fluid) not in laid:
                held.append(number)
        return np.array(held, dtype=np.int64)


def has_path_search(sets: IndexSets) -> bool:
    """True where a site is large enough to be searched by paths, and its goal one for it."""
    if sets.pressures is not None:
        few = len(sets.sources) < CANDIDATES.pressed_sources
    else:
        few = len(sets.sources) < CANDIDATES.sources if sets.lossless else is_small(sets.site)
    return not few and first_service(sets) is not None


def is_small(site: Network) -> bool:
    """True where a site has few sources: HiGHS proves the best firm plan of its model by itself."""
    sources = site.own_sources
    steady = all(source.steady for source in sources.values())
    return len(sources) < (CANDIDATES.steady_sources if steady else CANDIDATES.sources)


def candidate_pool_of(
    sets: IndexSets, settings: Settings, clock: Clock, executor: Executor | None
) -> CandidatePool | None:
    """The candidate pool of a site; None where the model is small or paths do not apply."""
    goal = first_service(sets)
    if goal is None or not has_path_search(sets):
        return None
    made = path_network_of(sets, goal)
    if made is None:
        return None
    arrays, names = made
    moves = None if settings.node_limit is None else min(settings.node_limit, CANDIDATES.moves)
    few = len(sets.sources) <= CANDIDATES.many_sources
    share = CANDIDATES.search if few else CANDIDATES.search_many
    workers = 1 if executor is None else settings.workers
    search = PathSearch(arrays, names, settings.seed, settings.effort, executor, workers)
    # with a node limit the search is always waited for: the same plan, warm or cold
    own = executor is None or settings.workers > 1
    warming = Warming(arrays) if moves is None and own else None
    return CandidatePool(sets, search, clock, moves, share, warming)
