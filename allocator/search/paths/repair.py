"""What the path search finds, taken over by the program: pipes held, all else decided exactly.

Path moves know pipes, stores and machines, but not batteries behind bursts, lines, least loads or
what stores save together. So the program is solved with the pipes of a find held (a small integer
program), its promises are cut until they hold, and once more with the corridors of all the best
finds open and all others held.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from allocator.base.clock import Clock
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model
from allocator.search.paths.network import Candidate, first_service, path_network_of
from allocator.search.paths.starts import PathSearch
from allocator.search.paths.warming import Warming
from allocator.solver.interface import Solved
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

FEW = 12
"""Sources below which the plain program closes by itself."""
MANY = 60
"""Sources above which the search gets more of the time."""
MOST_MOVES = 200
"""Moves of a start where nodes, not seconds, are limited."""
ROUNDS = 4
TRIED = 4
"""Finds that are taken over after a run of the search."""
MORE_TRIED = 12
"""Finds with other machines that are taken over after them, where paths misjudge a find."""
MISJUDGED = 1e-3
"""Share of its value that a find may lose or gain where it is taken over."""


def point_of(model: Model, sets: IndexSets, find: Candidate) -> np.ndarray:
    """The integers of a find as a point of the program; everything else is at its least."""
    point = np.array([column.low for column in model.columns])

    def put(key: Key, value: float) -> None:
        if model.has(key):
            point[model.index(key)] = value

    sinks = set()
    for (route, fluid), build in find.pipes.items():
        sink = sets.site.pipes[build].sink
        if sink is not None and sink.bath in sinks:
            continue  # paths do not know that a heat sink has one mass
        if sink is not None:
            sinks.add(sink.bath)
        put(("lay", route, build, fluid), 1.0)
    for source in find.taps:
        put(("tap", source), 1.0)
    for group, units in find.counts.items():
        put(("count", group), float(units))
        put(("running", group), float(units + sets.groups[group].standing))
    for store in find.stores:
        put(("stand", store), 1.0)
        put(("promises", store), 1.0)
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


def landed(
    solver_model: SolverModel,
    held: np.ndarray,
    point: np.ndarray,
    gap: float,
    left: Callable[[float], float | None],
) -> Iterator[Solved]:
    """Points to be judged: some integers held, the others decided, again while cuts are new."""
    for _ in range(ROUNDS):
        before = solver_model.cuts
        near = solver_model.near(point, held, left(0.3), gap)
        if near.point is None:
            return
        solved = solver_model.repaired(near.point, left(0.5))
        point = near.point
        if solved.point is not None:
            yield solved
            point = solved.point
        if solver_model.cuts == before or solver_model.clock.interrupted:
            return


@dataclass
class CandidatePool:
    """The path search of a site and its best finds. ``share`` of a goal's time that it takes."""

    sets: IndexSets
    paths: PathSearch
    clock: Clock
    moves: int | None
    share: float
    warming: Warming | None = None
    done: bool = False

    def ready(self, seconds: float) -> bool:
        """True when the search can begin at once, after at most some seconds of waiting."""
        return self.done or self.warming is None or self.warming.done(seconds)

    def search(self, seconds: float | None, told: Callable[[Candidate, str], None]) -> None:
        """Look for finds, once."""
        if not self.done:
            self.more(seconds, told)

    def more(self, seconds: float | None, told: Callable[[Candidate, str], None]) -> None:
        """Look for finds, and go on where that was ended."""
        self.done = True
        began = time.perf_counter()
        self.paths.run(seconds, self.moves, lambda: self.clock.interrupted, told)
        self.clock.spend("paths", time.perf_counter() - began)

    def point(self, solver_model: SolverModel, find: Candidate) -> np.ndarray:
        """The whole numbers of a find as a point of a program."""
        return point_of(solver_model.model, self.sets, find)

    @property
    def finds(self) -> list[Candidate]:
        """The best finds, best first."""
        return self.paths.elite

    def points(
        self,
        solver_model: SolverModel,
        gap: float,
        left: Callable[[float], float | None],
        out: Callable[[], bool],
    ) -> Iterator[np.ndarray]:
        """Points to be judged: from the best finds; where paths misjudge those, from others too.

        The others are the best finds with other machines.
        """
        best = self.finds[:TRIED]
        others = sorted(self.paths.kinds.values(), key=lambda find: -find.value)
        others = [find for find in others if find not in best][:MORE_TRIED]
        misjudged = False
        for number, find in enumerate([*best, *others]):
            if out() or (number == len(best) and not misjudged):
                return
            for solved in self._landed(solver_model, find, gap, left):
                assert solved.point is not None
                misjudged |= not self._as_judged(solver_model, find, solved)
                yield solved.point

    def _landed(
        self,
        solver_model: SolverModel,
        find: Candidate,
        gap: float,
        left: Callable[[float], float | None],
    ) -> Iterator[Solved]:
        """The sound points of a find."""
        point = point_of(solver_model.model, self.sets, find)
        if self.sets.lossless:
            solved = solver_model.repaired(point, left(0.3))
            if solved.point is not None:
                yield solved
                return
        yield from landed(solver_model, pipe_columns(solver_model.model), point, gap, left)

    def _as_judged(self, solver_model: SolverModel, find: Candidate, solved: Solved) -> bool:
        """Whether a find is worth what paths say.

        Not asked where moves are limited: such runs are kept short.
        """
        if self.moves is not None:
            return True
        value = solver_model.unscaled(solved.value)
        return value is not None and abs(-value - find.value) <= MISJUDGED * abs(find.value)

    def corridors(self, model: Model, point: np.ndarray) -> np.ndarray:
        """The pipe columns outside the corridors of the finds and of a point."""
        lay = pipe_columns(model)
        known = {pipe for find in self.finds for pipe in find.pipes}
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


def ideas_are_due(sets: IndexSets) -> bool:
    """True where a site is large enough to be searched by paths, and its goal one for it."""
    return len(sets.sources) >= FEW and first_service(sets) is not None


def ideas_of(
    sets: IndexSets, settings: Settings, clock: Clock, executor: Executor | None
) -> CandidatePool | None:
    """The path search of a site; None where the plain program is enough, or paths say nothing."""
    goal = first_service(sets)
    if goal is None or not ideas_are_due(sets):
        return None
    made = path_network_of(sets, goal)
    if made is None:
        return None
    arrays, names = made
    moves = None if settings.node_limit is None else min(settings.node_limit, MOST_MOVES)
    share = 0.2 if len(sets.sources) <= MANY else 0.45
    search = PathSearch(arrays, names, settings.seed, settings.effort, executor)
    # with a node limit the search is always waited for: the same plan, warm or cold
    warming = Warming(arrays) if moves is None and executor is None else None
    return CandidatePool(sets, search, clock, moves, share, warming)
