"""Taking paths away: around a source, anywhere, or off a pipe."""

from __future__ import annotations

import numpy as np

from allocator.search.paths.compiled import compiled
from allocator.search.paths.loads import DUST, carry, floor_of, level_of
from allocator.search.paths.records import (
    HOPS,
    LENGTH,
    PATHS,
    SINK,
    STORE,
    Arrays,
    PathState,
    Room,
    Whole,
)
from allocator.search.paths.undo import free_slot, note, remove

TRIES = 400
"""Slots that are drawn at most to find a path."""


@compiled
def shuffle(numbers: Whole, count: int) -> None:
    """Put the first numbers into random order."""
    for i in range(count - 1, 0, -1):
        j = np.random.randint(i + 1)
        numbers[i], numbers[j] = numbers[j], numbers[i]


@compiled
def ruin(arrays: Arrays, state: PathState, room: Room) -> int:
    """Take paths away in one of five ways; how many sources, in ``touched``, to lay again."""
    sources = len(arrays.most)
    kind = np.random.random()
    centre = np.random.randint(sources)
    most = max(2, min(14, sources // 2))
    size = 1 + int(most * np.random.random() ** 2)
    count = 0
    if kind < 0.45:  # around a source
        for i in range(min(size, arrays.near.shape[1])):
            count = _marked(room, arrays.near[centre, i], count)
    elif kind < 0.55:  # anywhere
        for _ in range(size):
            count = _marked(room, np.random.randint(sources), count)
    else:
        chosen = _any_path(state)
        if chosen < 0:
            count = _marked(room, centre, count)
        else:
            centre = chosen // PATHS
            pipe = state.ways[chosen, HOPS + np.random.randint(state.ways[chosen, LENGTH])] // 2
            count = _off_pipe(arrays, state, room, centre, pipe, size, kind > 0.75)
    for i in range(count):
        s = room.touched[i]
        for p in range(s * PATHS, (s + 1) * PATHS):
            if state.active[p]:
                remove(arrays, state, room, p)
    # neighbours that are not wholly used may take what came free
    more = 2 + np.random.randint(8)
    ruined = count
    for i in range(arrays.near.shape[1]):
        s = arrays.near[centre, i]
        if more == 0:
            break
        if not room.mark[s] and state.taken[s] < arrays.most[s] * (1.0 - 1e-6):
            room.touched[count] = s
            count += 1
            more -= 1
    for i in range(ruined):
        room.mark[room.touched[i]] = False
    return count


@compiled
def _marked(room: Room, source: int, count: int) -> int:
    """Mark a source once; how many there are."""
    if room.mark[source]:
        return count
    room.mark[source] = True
    room.touched[count] = source
    return count + 1


@compiled
def _any_path(state: PathState) -> int:
    """The slot of a path with a pipe, drawn at random; -1 where hardly any is found."""
    for _ in range(TRIES):
        p = np.random.randint(len(state.active))
        if state.active[p] and state.ways[p, LENGTH] > 0:
            return int(p)
    return -1


@compiled
def _off_pipe(
    arrays: Arrays,
    state: PathState,
    room: Room,
    centre: int,
    pipe: int,
    size: int,
    trim: bool,
) -> int:
    """Take paths of sources around a centre off a pipe, or trim it to the build below."""
    below = -1.0
    if trim:
        k = level_of(arrays, pipe, floor_of(arrays, state, pipe), state.load[pipe])
        below = arrays.capacity[pipe, k - 1] if k >= 1 else 0.0
    order = arrays.near[centre].copy()
    shuffle(order, len(order))
    limit = len(order) if trim else size
    count = 0
    for s in order:
        if limit <= 0 or (below >= 0.0 and state.load[pipe] <= below + DUST):
            break
        for p in range(s * PATHS, (s + 1) * PATHS):
            if not state.active[p] or state.load[pipe] <= max(below, 0.0) + DUST:
                continue
            for i in range(state.ways[p, LENGTH]):
                if state.ways[p, HOPS + i] // 2 == pipe:
                    over = state.load[pipe] - below
                    supply = state.ways[p, HOPS + i] % 2 == 1
                    factor = state.rates[p, 1] * arrays.peak if supply else 1.0
                    remove(arrays, state, room, p)
                    if not room.mark[s]:
                        limit -= 1
                    if below >= 0.0 and over < state.rates[p, 0] * factor:
                        _lessen(arrays, state, room, p, state.rates[p, 0] - over / factor)
                    else:
                        count = _marked(room, s, count)
                    break
    return count


@compiled
def _lessen(arrays: Arrays, state: PathState, room: Room, slot: int, amount: float) -> None:
    """Bring a removed path back with a smaller amount, in a slot of its own."""
    source = slot // PATHS
    free = free_slot(state, source)
    if free < 0 or amount <= DUST:
        return
    state.rates[free, 0] = amount
    state.rates[free, 1] = state.rates[slot, 1]
    state.ways[free, STORE] = state.ways[slot, STORE]
    state.ways[free, SINK] = state.ways[slot, SINK]
    state.ways[free, LENGTH] = state.ways[slot, LENGTH]
    for i in range(state.ways[slot, LENGTH]):
        state.ways[free, HOPS + i] = state.ways[slot, HOPS + i]
    state.active[free] = True
    carry(arrays, state, free, source, 1.0)
    note(room, free, 1)
