"""Many starts, then the best of them for longer: the basin that a search falls into decides.

A round runs some starts for a few moves, keeps the better half for twice as many, and so on.
Starts are tasks for any :class:`concurrent.futures.Executor`; what they give depends on their
seeds alone, so that the order in which they end does not matter.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass

import numpy as np

from allocator.search.paths.network import Candidate, Names, candidate_of
from allocator.search.paths.records import Arrays, Floats, PathState, copied, empty_state

HOT, COLD = 1e-2, 1e-4
"""Shares of the value: losses of about that size are kept at the beginning and at the end."""
SPREAD = 0.5
"""Spread of the logarithm of the prices of stocks among starts."""
STARTS = {"quick": 4, "normal": 8, "thorough": 16}
PATIENCE = {"quick": 2, "normal": 6, "thorough": 16}
"""Rounds without a better plan after which the search ends."""
MOVES_A_SOURCE = 8
"""Most moves of a start in its first turn, by sources."""
WINNERS = 3
"""Ends of rounds between which paths are linked again."""
RELINKING = 0.25
"""Steps from one to another as a share of the moves of a start."""
FEWEST = 20
"""Moves of a first try, which also tells how long a move takes."""
LEAST_ROUNDS = 3
"""Rounds without time for which there is one long start instead. At 1,000 sources, firm, 20 s of a
core: 109.5 MW by one start, 105.1 MW by rounds of eight."""
COLDEST = 9
"""Times that a long start begins colder."""
LONG_TURNS = (1, 4, 8, 16, 32)
"""Moves of the turns of a long start, by sources; the last one again and again."""

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


def priced(arrays: Arrays, weight: Floats) -> Arrays:
    """The arrays with other prices of the stocks."""
    price = arrays.mass @ weight
    rates = np.where(arrays.capacity > 0, arrays.capacity, np.inf)
    slope = np.where(arrays.capacity > 0, price / rates, np.inf).min(axis=1, initial=np.inf)
    return arrays._replace(weight=weight, price=price, slope=slope)


def begun(arrays: Arrays, seed: int, weight: Floats) -> PathStart:
    """A new start: every source laid once."""
    from allocator.search.paths.moves import construct
    from allocator.search.paths.packed import packed, packed_state

    state = empty_state(arrays)
    value = float(construct(packed(priced(arrays, weight)), packed_state(state), seed))
    return PathStart(seed, weight, value, state, copied(state))


def continued(arrays: Arrays, start: PathStart, moves: int, turn: int) -> PathStart:
    """A start after some more moves. ``turn``: how often it has been continued."""
    from allocator.search.paths.moves import improve
    from allocator.search.paths.packed import packed, packed_state

    state, best = copied(start.state), copied(start.best)
    hot = HOT * 0.5**turn
    value = improve(
        packed(priced(arrays, start.weight)),
        packed_state(state),
        packed_state(best),
        packed_state(empty_state(arrays)),
        (start.seed * 7919 + turn) % 2**31,
        moves,
        hot,
        max(COLD, 0.1 * hot),
    )
    return PathStart(start.seed, start.weight, float(value), state, best)


def relinked(
    arrays: Arrays, start: PathStart, guide: PathStart, steps: int, turn: int
) -> PathStart:
    """A start turned part by part into another, from the best of both; then improved while cold."""
    from allocator.search.paths.moves import improve
    from allocator.search.paths.packed import packed, packed_state
    from allocator.search.paths.relinking import relink

    weighted = packed(priced(arrays, start.weight))
    state, best = copied(start.best), copied(start.best)
    room, into = packed_state(empty_state(arrays)), packed_state(best)
    seed = (start.seed * 7919 + guide.seed * 104729 + turn) % 2**31
    relink(weighted, packed_state(state), packed_state(guide.best), into, room, seed, steps)
    state = copied(best)
    cold = COLD * 10, COLD
    value = improve(weighted, packed_state(state), into, room, seed, 2 * steps, *cold)
    return PathStart(seed, start.weight, float(value), state, best)


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
    keep: int = 12

    def __post_init__(self) -> None:
        self.elite: list[Candidate] = []
        self.kinds: dict[Machines, Candidate] = {}
        self.exhausted = False
        """Whether the last run ended because rounds improved nothing, not by time."""
        self._winners: list[PathStart] = []
        self._long: PathStart | None = None
        self._long_turn = 0
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

        def out() -> bool:
            late = seconds is not None and time.perf_counter() - began > seconds
            return stop() or late

        if not self.elite:
            self._begin(hear)
        # small rounds: what many short ones do not find, few long ones do not either
        most = max(FEWEST, MOVES_A_SOURCE * len(self.arrays.most))
        idle, first = 0, self._turn
        if seconds is not None and self._too_short(seconds, most):
            self._one_long_start(seconds - (time.perf_counter() - began), out, hear)
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
        rounds = LEAST_ROUNDS * most * count * (1 + np.log2(count))
        return bool(seconds < rounds * self._each)

    def _one_long_start(
        self, seconds: float, out: Callable[[], bool], hear: Callable[[Candidate, str], None]
    ) -> None:
        """One start for all of the time, turn by turn; another run goes on with it.

        Many starts that are too short for the size of a site are all bad.
        """
        began, sources = time.perf_counter(), len(self.arrays.most)
        if self._long is None:
            self._long = begun(
                self.arrays, self.seed * 1009 + 1, self._weights(self._chance, False)
            )
        while not out():
            left = seconds - (time.perf_counter() - began)
            turn = min(self._long_turn, len(LONG_TURNS) - 1)
            moves = min(LONG_TURNS[turn] * sources, int(left / self._each))
            if moves < FEWEST:
                return
            started = time.perf_counter()
            self._long = continued(self.arrays, self._long, moves, min(self._long_turn, COLDEST))
            self._each = (time.perf_counter() - started) / moves
            self._long_turn += 1
            self._take(self._long, hear, "candidate")

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
        if self.executor is None:
            done = []
            for function, *given in tasks:
                if out():
                    break
                done.append(function(*given))  # type: ignore[operator]
            return done
        waiting: list[Future[PathStart]] = [self.executor.submit(*task) for task in tasks]  # type: ignore[arg-type]
        return [future.result() for future in waiting]

    def _take(self, start: PathStart, hear: Callable[[Candidate, str], None], note: str) -> None:
        candidate = candidate_of(self.arrays, self.names, start.best, start.value)
        if any(
            candidate.pipes == known.pipes and candidate.taps == known.taps for known in self.elite
        ):
            return
        machines = frozenset(candidate.counts.items())
        if machines not in self.kinds or candidate.value > self.kinds[machines].value:
            self.kinds[machines] = candidate
        better = not self.elite or candidate.value > self.elite[0].value * (1.0 + 1e-9)
        self.elite.append(candidate)
        self.elite.sort(key=lambda f: -f.value)
        del self.elite[self.keep :]
        if better:
            hear(candidate, note)
