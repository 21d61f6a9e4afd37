"""Many starts, then the best of them for longer: the basin that a search falls into decides.

A round runs some starts for a few moves, keeps the better half for twice as many, and so on.
Starts are tasks for any :class:`concurrent.futures.Executor`; what they give depends on their
seeds alone, so that the order in which they end does not matter.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, wait
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from allocator.search.paths.network import Candidate, Names, candidate_of
from allocator.search.paths.records import (
    Arrays,
    Floats,
    PathState,
    copied,
    empty_room,
    empty_state,
    steps_of,
    with_gaps,
    without_gaps,
)

HOT, COLD = 1e-2, 1e-4
"""Shares of the value: losses of about that size are kept at the beginning and at the end."""
SPREAD = 0.5
"""Spread of the logarithm of the prices of stocks among starts."""
STARTS = {"quick": 4, "normal": 8, "thorough": 16}
PATIENCE = {"quick": 2, "normal": 10, "thorough": 16}
"""Rounds without a better plan after which the search ends."""
MOVES_A_SOURCE = 8
"""Most moves of a start in its first turn, by sources."""
WINNERS = 3
"""Ends of rounds between which paths are linked again."""
RELINKING = 0.25
"""Steps from one to another as a share of the moves of a start."""
FEWEST = 20
"""Moves of a first try, which also tells how long a move takes."""
LEAST_ROUNDS, ROUNDS_A_SOURCE = 3, 0.3
"""Rounds without time for which there is one long start instead, at the least, and by sources. At
1,000 sources, firm, 20 s of a core: 109.5 MW by one start, 105.1 MW by rounds of eight; at 300
sources, firm, 36 s: 37.32 and 36.97 MW."""
LEAST_ROUNDS_PRESSED = 0.25
"""The same where pressures count. `networks/harbour.yaml`, three seeds, 2 s of a core:
363 kW by rounds, 336 kW by one start; 40/80/6, two seeds, 3 s: 5.41 and 5.33 MW."""
LONG_MOVES = 2000
"""Moves of a long start by sources; where the time is for more, others follow it. At 300 sources
starts of 12 to 45 s ended anywhere from 55.3 to 55.97 MW, mean, and 37.16 to 37.38 MW, firm: the
best of some is better than one that takes as long as they."""
MANY_SOURCES = 60
"""Sources above which long starts follow rounds that improve nothing."""
THRIFT, LONG_THRIFT = 0.08, 0.3
"""What a move that saves stock may lose, as a share of what the plan earns with as much of it; of a
long start. At 1,000 sources, firm, after 10 s: 109.7 MW with 0.3, 108.7 MW with 0.08, 108.9 MW with
0.6."""
LONG_HOT, LONG_COLD = 2.0, 0.01
"""As ``HOT`` and ``COLD``, of a long start: shares of what one source is worth on average."""
LONG_TURNS, LONG_TURN = 8, 4.0
"""Turns of a long start in the time of one run, at the least, and the seconds of one at the most;
each begins colder."""
EXCHANGE = 2
"""Turns after which the worst of several long starts goes on from the best."""
LOOK = 0.2
"""s between looks whether the user has ended the search while other processes work."""

Machines = frozenset[tuple[str, int]]
"""Machines of each group that a candidate has."""


@dataclass(frozen=True)
class PathStart:
    """A search that may be continued: its seed, its value, where it is, the best it has seen."""

    seed: int
    weight: Floats
    value: float
    state: PathState
    best: PathState

    def __reduce__(self) -> tuple[object, ...]:
        """As it is sent to other processes: empty slots are most of a state."""
        states = without_gaps(self.state), without_gaps(self.best)
        return _received, (self.seed, self.weight, self.value, *states)


def _received(
    seed: int, weight: Floats, value: float, state: tuple[Any, ...], best: tuple[Any, ...]
) -> PathStart:
    return PathStart(seed, weight, value, with_gaps(*state), with_gaps(*best))


def priced(arrays: Arrays, weight: Floats) -> Arrays:
    """The arrays with other prices of the stocks."""
    steps = steps_of(arrays.capacity, arrays.builds, arrays.mass @ weight)
    return arrays._replace(weight=weight, steps=steps)


def begun(arrays: Arrays, seed: int, weight: Floats) -> PathStart:
    """A new start: every source laid once."""
    from allocator.search.paths.entry import CONSTRUCT

    state = empty_state(arrays)
    value = _run(CONSTRUCT, priced(arrays, weight), state, state, state, seed)
    return PathStart(seed, weight, value, state, copied(state))


def continued(
    arrays: Arrays,
    start: PathStart,
    moves: int,
    turn: int,
    heat: tuple[float, float] | None = None,
) -> PathStart:
    """A start after some more moves.

    ``turn``: how often it has been continued; ``heat``: at the beginning and at the end, shares of
    the value.
    """
    from allocator.search.paths.entry import IMPROVE

    state, best = copied(start.state), copied(start.best)
    hot = HOT * 0.5**turn
    ends = heat or (hot, max(COLD, 0.1 * hot))
    seed = (start.seed * 7919 + turn) % 2**31
    thrift = THRIFT if heat is None else LONG_THRIFT
    weighted = priced(arrays, start.weight)
    value = _run(IMPROVE, weighted, state, best, best, seed, moves, (*ends, thrift))
    return PathStart(start.seed, start.weight, value, state, best)


def relinked(
    arrays: Arrays, start: PathStart, guide: PathStart, steps: int, turn: int
) -> PathStart:
    """A start turned part by part into another, from the best of both; then improved while cold."""
    from allocator.search.paths.entry import IMPROVE, RELINK

    weighted = priced(arrays, start.weight)
    state, best = copied(start.best), copied(start.best)
    seed = (start.seed * 7919 + guide.seed * 104729 + turn) % 2**31
    _run(RELINK, weighted, state, guide.best, best, seed, steps)
    state = copied(best)
    cooling = COLD * 10, COLD, THRIFT
    value = _run(IMPROVE, weighted, state, best, best, seed, 2 * steps, cooling)
    return PathStart(seed, start.weight, value, state, best)


def _run(
    kind: int,
    arrays: Arrays,
    state: PathState,
    guide: PathState,
    best: PathState,
    seed: int,
    moves: int = 0,
    cooling: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> float:
    """Run the compiled search on a state, with room of its own; the best value.

    ``cooling``: heat at the beginning and at the end, and thrift.
    """
    from allocator.search.paths.entry import run
    from allocator.search.paths.packed import packed, packed_room, packed_state

    return float(
        run(
            kind,
            packed(arrays),
            packed_state(state),
            packed_state(guide),
            packed_state(best),
            packed_state(empty_state(arrays)),
            packed_room(empty_room(arrays)),
            seed,
            moves,
            *cooling,
        )
    )


def _first(arrays: Arrays, seed: int, weight: Floats, moves: int) -> PathStart:
    return continued(arrays, begun(arrays, seed, weight), moves, 0)


@dataclass
class PathSearch:
    """Rounds of starts on a site. ``elite``: the best candidates, best first, no two the same.

    ``kinds``: the best candidate of each set of machines, for what paths do not know of may make
    another set the better one.
    """

    arrays: Arrays
    names: Names
    seed: int
    effort: str
    executor: Executor | None = None
    workers: int = 1
    keep: int = 12

    def __post_init__(self) -> None:
        self.elite: list[Candidate] = []
        self.kinds: dict[Machines, Candidate] = {}
        self.exhausted = False
        """Whether the last run ended because rounds improved nothing, not by time."""
        self._winners: list[PathStart] = []
        self._long: list[PathStart] = []
        self._stop: Callable[[], bool] = lambda: False
        self._long_turn = 0
        self._long_begun = 0
        self._chance = np.random.default_rng(self.seed)
        self._turn = 0
        self._each = 0.0
        """Seconds that a move takes."""

    def run(
        self,
        seconds: float | None,
        moves: int | None,
        stop: Callable[[], bool],
        hear: Callable[[Candidate, str], None],
    ) -> list[Candidate]:
        """Search for some seconds, or one round of ``moves`` a start; the elite.

        Another run goes on where the last one ended.
        """
        began = time.perf_counter()
        count = STARTS[self.effort]
        self._stop = stop

        def out() -> bool:
            late = seconds is not None and time.perf_counter() - began > seconds
            return stop() or late

        if not self.elite:
            self._begin(hear)
        most = max(FEWEST, MOVES_A_SOURCE * len(self.arrays.most))
        idle, first = 0, self._turn
        if seconds is not None and self._too_short(seconds, most):
            self._long_starts(seconds - (time.perf_counter() - began), out, hear)
            self.exhausted = False
            return self.elite
        while not out() and idle < PATIENCE[self.effort]:
            if seconds is not None:
                # a round takes about count * (1 + log2 count) shares; three rounds at least
                left = seconds - (time.perf_counter() - began)
                shares = count * (1 + np.log2(count))
                rounds = 3 - min(self._turn - first, 2)
                size = int(np.clip(left / rounds / self._each / shares, FEWEST, most))
            else:
                size = moves or 200
            before = self.elite[0].value
            self._round(self._chance, self._turn, count, size, out, hear)
            self._relink(self._turn, size, out, hear)
            better = self.elite[0].value > before * (1.0 + 1e-6)
            idle = 0 if better else idle + 1
            self._turn += 1
            if seconds is None:
                break
        self.exhausted = idle >= PATIENCE[self.effort]
        if self.exhausted and seconds is not None and len(self.arrays.most) > MANY_SOURCES:
            self._long_starts(seconds - (time.perf_counter() - began), out, hear)
        return self.elite

    def _begin(self, hear: Callable[[Candidate, str], None]) -> None:
        """A first candidate, and how long a move takes."""
        first = self._weights(self._chance, False)
        probe = _first(self.arrays, self.seed * 1009, first, 1)  # compiled by now
        self._take(probe, hear, "first candidate")
        tried = time.perf_counter()
        probe = continued(self.arrays, probe, FEWEST, 0)
        self._each = max((time.perf_counter() - tried) / FEWEST, 1e-6)
        self._take(probe, hear, "candidate")

    def _too_short(self, seconds: float, most: int) -> bool:
        """Whether the time is too short for some rounds of starts that are long enough."""
        count = STARTS[self.effort]
        least = max(LEAST_ROUNDS, ROUNDS_A_SOURCE * len(self.arrays.most))
        least = LEAST_ROUNDS_PRESSED if self.arrays.pressed else least
        rounds = least * most * count * (1 + np.log2(count))
        return bool(seconds < rounds * self._each)

    def _long_starts(
        self, seconds: float, out: Callable[[], bool], hear: Callable[[Candidate, str], None]
    ) -> None:
        """Starts that are long enough for the size of a site, one after another."""
        began = time.perf_counter()
        times = max(1, int(seconds / (LONG_MOVES * len(self.arrays.most) * self._each)))
        for number in range(times):
            if number > 0:
                self._long, self._long_turn = [], 0
            left = seconds - (time.perf_counter() - began)
            self._long_start(left / (times - number), out, hear)
            if out():
                return

    def _long_start(
        self, seconds: float, out: Callable[[], bool], hear: Callable[[Candidate, str], None]
    ) -> None:
        """One start for each worker for all of the time, turn by turn; another run goes on.

        Many starts that are too short for the size of a site are all bad.
        """
        began, sources = time.perf_counter(), len(self.arrays.most)
        if not self._long:
            weight = self._weights(self._chance, False)
            first = self.seed * 1009 + 1 + self._long_begun
            seeds = [(first + n) % 2**31 for n in range(self.workers)]
            self._long = [begun(self.arrays, seed, weight) for seed in seeds]
            self._long_begun += self.workers
        hot, cold = min(HOT, LONG_HOT / sources), min(COLD, LONG_COLD / sources)
        if self._long_turn:  # what was found is not to be lost
            hot = math.sqrt(hot * cold)
        turns = max(LONG_TURNS, math.ceil(seconds / LONG_TURN))
        for turn in range(turns):
            left = seconds - (time.perf_counter() - began)
            if out() or left < FEWEST * self._each:
                return
            moves = max(FEWEST, int(left / (turns - turn) / self._each))
            heat = [hot * (cold / hot) ** (n / turns) for n in (turn, turn + 1)]
            started = time.perf_counter()
            made = self._all(
                [
                    (continued, self.arrays, start, moves, self._long_turn, (heat[0], heat[1]))
                    for start in self._long
                ],
                self._stop,
            )
            self._each = (time.perf_counter() - started) / moves
            self._long_turn += 1
            known = {start.seed: start for start in (*self._long, *made)}
            self._long = [known[start.seed] for start in self._long]
            for start in made:
                self._take(start, hear, "candidate")
            if turn % EXCHANGE == EXCHANGE - 1:
                self._exchange()

    def _exchange(self) -> None:
        """Let the worst long start go on from the best, by its own seed."""
        values = [start.value for start in self._long]
        worst, best = values.index(min(values)), values.index(max(values))
        if worst != best:
            self._long[worst] = replace(self._long[best], seed=self._long[worst].seed)

    def _weights(self, chance: np.random.Generator, varied: bool) -> Floats:
        stocks = len(self.arrays.weight)
        if stocks == 1 or not varied:
            return np.ones(stocks)
        return np.exp(chance.normal(0.0, SPREAD, stocks))

    def _round(
        self,
        chance: np.random.Generator,
        turn: int,
        count: int,
        size: int,
        out: Callable[[], bool],
        hear: Callable[[Candidate, str], None],
    ) -> None:
        seeds = [(self.seed * 1009 + 1 + turn * count + n) % 2**31 for n in range(count)]
        weights = [self._weights(chance, n > 0 or turn > 0) for n in range(count)]
        tasks: Sequence[tuple[object, ...]] = [
            (_first, self.arrays, seed, weight, size)
            for seed, weight in zip(seeds, weights, strict=True)
        ]
        depth = 1
        while True:
            starts = self._all(tasks, out)
            for start in starts:
                self._take(start, hear, "candidate")
            if len(starts) < len(tasks) or len(starts) == 1:
                self._winners += starts
                break
            # the better half, a settled order; each for twice as long, in two turns
            ranked = sorted(starts, key=lambda s: (-s.value, s.seed))
            tasks = [
                (continued, self.arrays, start, size * 2**depth, depth)
                for start in ranked[: max(1, len(ranked) // 2)]
            ]
            depth += 1

    def _relink(
        self, turn: int, size: int, out: Callable[[], bool], hear: Callable[[Candidate, str], None]
    ) -> None:
        """Each of the best ends of rounds turned into the best of the others."""
        self._winners.sort(key=lambda s: (-s.value, s.seed))
        del self._winners[WINNERS:]
        pairs = [(a, b) for a in self._winners for b in self._winners if a is not b]
        tasks = [
            (relinked, self.arrays, a, b, max(FEWEST, int(RELINKING * size)), turn)
            for a, b in pairs
        ]
        made = self._all(tasks, out)
        for start in made:
            self._take(start, hear, "relinked candidate")
        self._winners += [s for s in made if s.value > self._winners[0].value * (1.0 + 1e-6)]

    def _all(self, tasks: Sequence[tuple[object, ...]], out: Callable[[], bool]) -> list[PathStart]:
        """What the tasks give, in order; some are left out where the time or the user ends it.

        What a lost worker had to do is done here, and all that comes after it.
        """
        futures: list[Future[PathStart]] = []
        if self.executor is not None and len(tasks) > 1:
            try:
                futures = [self.executor.submit(*task) for task in tasks]  # type: ignore[arg-type]
                while wait(futures, LOOK).not_done:
                    if self._stop():
                        break
            except Exception:  # whatever a pool or a cluster says when it is lost
                self.executor = None
        done = []
        for number, (function, *given) in enumerate(tasks):
            if number < len(futures):
                future = futures[number]
                if future.done() and not future.cancelled() and future.exception() is None:
                    done.append(future.result())
                    continue
                future.cancel()
                if not self._stop():
                    self.executor = None
            if out():
                break
            done.append(function(*given))  # type: ignore[operator]
        return done

    def _take(self, start: PathStart, hear: Callable[[Candidate, str], None], note: str) -> None:
        candidate = candidate_of(self.arrays, self.names, start.best, start.value)
        best = self.elite[0].value if self.elite else -math.inf
        same = [f for f in self.elite if f.pipes == candidate.pipes and f.taps == candidate.taps]
        if any(known.value >= candidate.value * (1.0 - 1e-9) for known in same):
            return
        self.elite = [f for f in self.elite if all(f is not known for known in same)]
        machines = frozenset(candidate.counts.items())
        if machines not in self.kinds or candidate.value > self.kinds[machines].value:
            self.kinds[machines] = candidate
        better = candidate.value > best * (1.0 + 1e-9)
        self.elite.append(candidate)
        self.elite.sort(key=lambda f: -f.value)
        del self.elite[self.keep :]
        if better:
            hear(candidate, note)
