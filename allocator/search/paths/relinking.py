"""Path relinking: what two good plans share is kept, one is turned into the other part by part.

After Glover, Laguna and Marti, "Fundamentals of scatter search and path relinking", Control and
Cybernetics 29, 2000 (from memory). Around a source drawn at random, a state takes over how another,
the guide, carries the sources there. What is then too much of a stock is taken from paths drawn
anywhere else, and what comes free goes to whoever can use it.
"""

from __future__ import annotations

import math

import numpy as np

from allocator.search.paths.compiled import compiled, inlined
from allocator.search.paths.loads import carry, recount, use_of, value_of
from allocator.search.paths.moves import SLACK, insert, total_of
from allocator.search.paths.pressing import bears
from allocator.search.paths.records import (
    HOPS,
    LENGTH,
    LOGGED,
    PATHS,
    Arrays,
    PathState,
    Room,
    Whole,
)
from allocator.search.paths.ruin import shuffle
from allocator.search.paths.undo import copy_paths

LARGEST = 0.4
"""Share of the sources that are taken over at once at most."""
MOST_FREED = 40
"""Paths that are taken away at most so that a stock is not passed."""


@compiled
def _without(arrays: Arrays, state: PathState, source: int) -> None:
    """Take all paths of a source away."""
    for p in range(source * PATHS, (source + 1) * PATHS):
        if state.active[p]:
            carry(arrays, state, p, source, -1.0)
            state.active[p] = False


@compiled
def _taken_over(arrays: Arrays, state: PathState, guide: PathState, source: int) -> None:
    """Carry a source as the guide does."""
    for p in range(source * PATHS, (source + 1) * PATHS):
        if guide.active[p]:
            state.rates[p, 0] = guide.rates[p, 0]
            state.rates[p, 1] = guide.rates[p, 1]
            for i in range(HOPS + guide.ways[p, LENGTH]):
                state.ways[p, i] = guide.ways[p, i]
            state.active[p] = True
            carry(arrays, state, p, source, 1.0)


@compiled
def _fits(arrays: Arrays, state: PathState) -> bool:
    use_of(arrays, state, state.used)
    for m in range(len(state.used)):
        if state.used[m] > 1.0 - 0.5 * SLACK:
            return False
    for pipe in range(len(state.load)):
        if state.load[pipe] > arrays.capacity[pipe, arrays.builds[pipe] - 1] + SLACK:
            return False
    return True


@compiled
def _freed(arrays: Arrays, state: PathState, touched: Whole, count: int) -> int:
    """Take sources away in random order until nothing is too much; how many were touched."""
    order = np.arange(len(arrays.most))
    shuffle(order, len(order))
    freed = 0
    for s in order:
        if freed == MOST_FREED or _fits(arrays, state):
            break
        if state.taken[s] > 0.0:
            _without(arrays, state, int(s))
            touched[count] = s
            count += 1
            freed += 1
    return count


@inlined
def relink(
    arrays: Arrays,
    state: PathState,
    guide: PathState,
    best: PathState,
    before: PathState,
    room: Room,
    seed: int,
    steps: int,
) -> float:
    """Some steps from a state towards a guide; the best value on the way.

    ``best`` holds the best state before and after, ``before`` is room to work in. A step that
    loses more than the share drawn for it is taken back.
    """
    np.random.seed(seed)
    sources = len(arrays.most)
    touched = np.empty(2 * sources + 16, dtype=np.int64)
    recount(arrays, state, PATHS)
    value, best_value = value_of(arrays, state), value_of(arrays, best)
    most = max(2, int(LARGEST * sources))
    for _ in range(steps):
        copy_paths(state, before)
        centre = np.random.randint(sources)
        size = 2 + int((most - 1) * np.random.random() ** 2)
        count = min(size, arrays.near.shape[1])
        for i in range(count):
            touched[i] = arrays.near[centre, i]
        for i in range(count):
            _without(arrays, state, touched[i])
        for i in range(count):
            _taken_over(arrays, state, guide, touched[i])
        recount(arrays, state, PATHS)
        count = _freed(arrays, state, touched, count)
        fits = _fits(arrays, state)
        if fits:
            rate = max(best_value, 1e-12) / total_of(arrays.weight)
            price = rate * math.exp(math.log(0.02) + np.random.random() * math.log(60.0))
            step = 1.0 - 0.7 * np.random.random() ** 2
            shuffle(touched, count)
            for i in range(count):
                insert(arrays, state, room, touched[i], price, step)
            for i in range(count):
                insert(arrays, state, room, touched[i], 0.01 * rate, 1.0)
            room.counts[LOGGED] = 0
            recount(arrays, state, PATHS)
            if arrays.pressed:
                fits = bears(arrays, state, room)
            fits = fits and _fits(arrays, state)
        found = value_of(arrays, state)
        if fits and found >= value - 2e-3 * np.random.random() * best_value:
            value = found
            if found > best_value * (1.0 + 1e-9):
                best_value = found
                copy_paths(state, best)
        else:
            copy_paths(before, state)
    return best_value
