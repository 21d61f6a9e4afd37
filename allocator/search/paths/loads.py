"""What loads cost: builds by load, store sizes by their cuts, machines by the whole unit."""

from __future__ import annotations

import math

from allocator.search.paths.compiled import compiled, inlined
from allocator.search.paths.records import (
    COVERED,
    DRAWN,
    FED,
    HOPS,
    LENGTH,
    NEED,
    SINK,
    STORE,
    Arrays,
    Floats,
    PathState,
)

DUST = 1e-9
"""kg/s: a load that is none; also what a build may be over its capacity by rounding."""


@compiled
def level_of(arrays: Arrays, pipe: int, least: int, load: float) -> int:
    """The cheapest build that carries a load, no less than a level.

    -1 for no load, the number of builds for too much.
    """
    if load <= DUST:
        return -1
    count = arrays.builds[pipe]
    for k in range(least, count):
        if arrays.capacity[pipe, k] >= load - DUST:
            return k
    return int(count)


@inlined
def floor_of(arrays: Arrays, state: PathState, pipe: int) -> int:
    """The least level that a pipe is laid with."""
    return int(state.floor[pipe]) if arrays.pressed else 0


@compiled
def store_need(
    arrays: Arrays, state: PathState, store: int, source: int, rate: float, draw: float
) -> float:
    """Size, kg, that a store's windows ask for with one more source's rate and draw."""
    need = 0.0
    drawn = state.stores[store, DRAWN] + draw
    for w in range(len(arrays.windows)):
        fed = state.stores[store, COVERED + w] + rate * arrays.on_time[source, w]
        short = drawn * arrays.windows[w] - fed
        if short > need:
            need = short
    return need


@compiled
def store_passes(arrays: Arrays, state: PathState, store: int, rate: float, draw: float) -> bool:
    """Whether a store may be filled and emptied as fast as one more rate and draw ask."""
    if state.stores[store, FED] + rate > arrays.fill[store]:
        return False
    return bool((state.stores[store, DRAWN] + draw) * arrays.peak <= arrays.release[store])


@compiled
def store_use(arrays: Arrays, store: int, need: float, used: Floats, sign: float) -> None:
    """Add (or take away) what a store of a size takes of each stock."""
    new = need - arrays.store_existing[store]
    if new <= DUST:
        return
    for m in range(len(used)):
        used[m] += sign * new * arrays.store_mass[store, m]
        if arrays.store_existing[store] == 0.0:
            used[m] += sign * arrays.store_base[store, m]


@compiled
def units_for(arrays: Arrays, sink: int, load: float) -> int:
    """New machines for a mean load; none for a demand for a fluid."""
    if arrays.unit[sink] <= 0.0 or load <= DUST:
        return 0
    needed = math.ceil(load * arrays.peak / arrays.unit[sink] - 1e-7)
    new: int = max(0, int(needed) - arrays.sink_existing[sink])
    return new


@compiled
def sink_room(arrays: Arrays, state: PathState, sink: int) -> float:
    """Mean kg/s that a sink could still take with all machines that may stand there."""
    if arrays.unit[sink] <= 0.0:
        return math.inf
    most = float(arrays.sink_most[sink]) * arrays.unit[sink] / arrays.peak
    room: float = max(0.0, most - state.park[sink])
    return room


@compiled
def use_of(arrays: Arrays, state: PathState, used: Floats) -> None:
    """What a state takes of each stock, counted again."""
    count = len(used)
    for m in range(count):
        used[m] = 0.0
    for e in range(len(arrays.tail)):
        k = level_of(arrays, e, floor_of(arrays, state, e), state.load[e])
        if k >= 0:
            for m in range(count):
                used[m] += arrays.mass[e, min(k, arrays.builds[e] - 1), m]
    for b in range(len(state.boost)):
        for m in range(count):
            used[m] += state.boost[b] * arrays.booster_mass[b, m]
    for s in range(len(arrays.most)):
        if state.taken[s] > DUST:
            for m in range(count):
                used[m] += arrays.tap[s, m]
    for k in range(len(arrays.store_node)):
        if state.stores[k, DRAWN] > DUST:
            need = store_need(arrays, state, k, 0, 0.0, 0.0)
            store_use(arrays, k, need, used, 1.0)
    for g in range(len(arrays.sink_node)):
        units = units_for(arrays, g, state.park[g])
        for m in range(count):
            used[m] += units * arrays.unit_mass[g, m] + state.park[g] * arrays.load_mass[g, m]


@compiled
def value_of(arrays: Arrays, state: PathState) -> float:
    """What the sinks get, by value, at most what is wanted."""
    value = 0.0
    for g in range(len(arrays.sink_node)):
        value += arrays.value[g] * state.park[g]
    return min(value, arrays.wanted)


@compiled
def carry(arrays: Arrays, state: PathState, slot: int, source: int, sign: float) -> None:
    """Add (or take away) the loads of a path, and what they take of each stock."""
    rate = sign * state.rates[slot, 0]
    draw = rate * state.rates[slot, 1]
    stocks = len(state.used)
    node = arrays.source_node[source]
    for i in range(state.ways[slot, LENGTH]):
        hop = state.ways[slot, HOPS + i]
        pipe = hop // 2
        amount = draw * arrays.peak if hop % 2 else rate
        least = floor_of(arrays, state, pipe)
        before = level_of(arrays, pipe, least, state.load[pipe])
        state.load[pipe] += amount
        if state.load[pipe] < DUST:
            state.load[pipe] = max(0.0, state.load[pipe])
        after = level_of(arrays, pipe, least, state.load[pipe])
        if after != before:
            lay(arrays, state, pipe, before, -1.0)
            lay(arrays, state, pipe, after, 1.0)
        if arrays.pressed:
            back = 0 if arrays.tail[pipe] == node else 1
            node = arrays.tail[pipe] if back else arrays.head[pipe]
            at = 4 * pipe + 2 * back + hop % 2
            state.flow[at] += amount
            if state.flow[at] < DUST:
                state.flow[at] = 0.0
            if sign < 0.0:
                if after < 0:
                    state.floor[pipe] = 0.0
                if state.flow[at - hop % 2] + state.flow[at - hop % 2 + 1] <= DUST:
                    still(arrays, state, 2 * pipe + back)
    store = state.ways[slot, STORE]
    if store >= 0:
        _hold(arrays, state, store, -1.0)
        state.stores[store, FED] += rate
        state.stores[store, DRAWN] += draw
        for w in range(len(arrays.windows)):
            state.stores[store, COVERED + w] += rate * arrays.on_time[source, w]
        state.stores[store, NEED] = store_need(arrays, state, store, 0, 0.0, 0.0)
        _hold(arrays, state, store, 1.0)
        if arrays.pressed and state.stores[store, DRAWN] <= DUST:
            still(arrays, state, 2 * len(arrays.tail) + store)
    sink = state.ways[slot, SINK]
    units = -units_for(arrays, sink, state.park[sink])
    state.park[sink] += draw
    units += units_for(arrays, sink, state.park[sink])
    tapped = state.taken[source] > DUST
    state.taken[source] += rate
    taps = int(state.taken[source] > DUST) - int(tapped)
    for m in range(stocks):
        state.used[m] += units * arrays.unit_mass[sink, m] + draw * arrays.load_mass[sink, m]
        state.used[m] += taps * arrays.tap[source, m]


@compiled
def still(arrays: Arrays, state: PathState, inlet: int) -> None:
    """Take the boosters at an inlet away."""
    b = arrays.booster_first[inlet]
    while b >= 0:
        if state.boost[b] > 0.5:
            place(arrays, state, b, -1.0)
        b = arrays.booster_next[b]


@compiled
def place(arrays: Arrays, state: PathState, booster: int, sign: float) -> None:
    """Add (or take away) a booster, and what it takes of each stock."""
    state.boost[booster] += sign
    for m in range(len(state.used)):
        state.used[m] += sign * arrays.booster_mass[booster, m]


@compiled
def lay(arrays: Arrays, state: PathState, pipe: int, level: int, sign: float) -> None:
    """Add (or take away) what a build takes of each stock."""
    if level >= 0:
        for m in range(len(state.used)):
            state.used[m] += sign * arrays.mass[pipe, min(level, arrays.builds[pipe] - 1), m]


@compiled
def _hold(arrays: Arrays, state: PathState, store: int, sign: float) -> None:
    """Add (or take away) what a store takes of each stock."""
    if state.stores[store, DRAWN] > DUST:
        store_use(arrays, store, state.stores[store, NEED], state.used, sign)


@compiled
def recount(arrays: Arrays, state: PathState, per_source: int) -> None:
    """All loads again from the paths, so that rounding does not add up."""
    for e in range(len(state.load)):
        state.load[e] = 0.0
    for i in range(len(state.flow)):
        state.flow[i] = 0.0
    for k in range(state.stores.shape[0]):
        for w in range(state.stores.shape[1]):
            state.stores[k, w] = 0.0
    for g in range(len(state.park)):
        state.park[g] = 0.0
    for s in range(len(state.taken)):
        state.taken[s] = 0.0
    for m in range(len(state.used)):
        state.used[m] = 0.0
    for slot in range(len(state.active)):
        if state.active[slot]:
            carry(arrays, state, slot, slot // per_source, 1.0)
    use_of(arrays, state, state.used)
