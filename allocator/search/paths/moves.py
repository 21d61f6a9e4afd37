"""Ruin and recreate on path flows: take some paths away, lay the sources concerned again.

After Schrimpf, Schneider, Stamm-Wilbrandt and Dueck, "Record breaking optimization results using
the ruin and recreate principle", Journal of Computational Physics 159, 2000. A move is kept as in
simulated annealing. The price of stock in a move is drawn at random around what the plan earns
with a stock, so that thrift and greed take turns.
"""

from __future__ import annotations

import math

import numpy as np

from allocator.search.paths.compiled import compiled, inlined
from allocator.search.paths.loads import carry, recount, value_of
from allocator.search.paths.pressing import bears, loosened
from allocator.search.paths.records import (
    BEHIND,
    HOPS,
    LENGTH,
    LOGGED,
    PATHS,
    SINK,
    STORE,
    Arrays,
    Floats,
    PathState,
    Room,
    Whole,
)
from allocator.search.paths.routes import cheapest_route, look_ahead, rise_of
from allocator.search.paths.ruin import ruin, shuffle
from allocator.search.paths.undo import (
    copy_line,
    copy_loads,
    free_slot,
    keep,
    note,
    save,
    take_back,
)

CHOICES = 48
"""Amounts at most that are tried along a route."""
FRESH, FRESH_A_SOURCE = 50, 0.2
"""Moves after which the prices ahead are estimated again, at the least, and by sources: each time
takes as long as the site is large. At 1,000 sources, mean, a move takes 62 microseconds with 200
moves, 80 with 50."""
AMOUNT = 0.25
"""Share of the mean rate of sources for which they are."""
SURE = 0.7
"""Share of them that counts. At 1,000 sources, firm, a search of ways looks at 55 nodes without, 45
with 0.3, 32 with 0.7, 25 with 1."""
REACH = 8.0
"""A way is sought up to a price of so many times the stock that is free: for less of it part of the
amount may go that way. Most searches of ways found none that the stock allows. At 300 sources, 20 s
of a core, two seeds each: 37.34 and 37.38 MW firm for 37.13 and 36.99 MW."""
SLACK = 1e-7
LESS = 3
"""Amounts that are tried of a path for which pressure is lacking, each half of the last one."""
LOOSENED = 0.5
"""Share of moves that, once they took paths away, decide the least builds of pipes again."""


@compiled
def _amounts(
    arrays: Arrays,
    state: PathState,
    rate: float,
    share: float,
    hops: Whole,
    count: int,
    sink: int,
    amounts: Floats,
) -> int:
    """Amounts at which a pipe or the machines along a route would need their next step."""
    amounts[0] = rate
    found = 1
    for i in range(count):
        pipe = hops[i] // 2
        factor = share * arrays.peak if hops[i] % 2 else 1.0
        for k in range(arrays.builds[pipe]):
            amount = (arrays.capacity[pipe, k] - state.load[pipe]) / factor
            if 1e-3 * rate < amount < rate and found < CHOICES:
                amounts[found] = amount
                found += 1
    unit = arrays.unit[sink]
    if unit > 0.0:
        load = state.park[sink] * arrays.peak
        full = max(1.0, math.ceil(load / unit - 1e-7))
        for more in range(3):
            amount = ((full + more) * unit - load) / (share * arrays.peak)
            if 1e-3 * rate < amount < rate and found < CHOICES:
                amounts[found] = amount
                found += 1
    return found


@compiled
def insert(
    arrays: Arrays, state: PathState, room: Room, source: int, price: float, step: float
) -> bool:
    """Lay one more path for a source where that earns more than the stock it takes."""
    rest = arrays.most[source] - state.taken[source]
    slot = free_slot(state, source)
    if slot < 0 or rest <= 1e-6 * arrays.most[source]:
        return False
    stocks = len(arrays.weight)
    hops = np.empty(state.ways.shape[1] - HOPS, dtype=np.int64)
    amounts, rise = np.empty(CHOICES + 2), np.empty(stocks)
    open_value = arrays.wanted - value_of(arrays, state)
    dearest = 0.0
    for g in range(len(arrays.value)):
        dearest = max(dearest, arrays.value[g])
    modes = arrays.mode_first[source + 1] - arrays.mode_first[source]
    best, best_amount = 0.0, 0.0
    if modes == 0:
        return False
    chosen = np.random.randint(modes)
    mode = arrays.mode_first[source] + chosen
    share, through = arrays.mode_share[mode], arrays.mode_store[mode]
    rate = rest
    if share * rate * dearest > open_value:
        rate = max(1e-6 * rest, open_value / (share * dearest))
    free = 0.0
    for m in range(stocks):
        free += arrays.weight[m] * max(0.0, 1.0 - state.used[m])
    whole = rate
    for _ in range(4):
        limit = min(
            total_of(arrays.weight), REACH * free, dearest * share * rate / max(price, 1e-300)
        )
        count, store, sink = cheapest_route(
            arrays, state, room, source, rate, share, through, step, limit, hops
        )
        if count >= 0:
            break
        rate *= 0.5
    if count < 0:
        return False
    for turn in range(min(modes, 2)):
        if turn == 1:  # the same way with another share promised
            mode = arrays.mode_first[source] + (chosen + 1 + np.random.randint(modes - 1)) % modes
            share = arrays.mode_share[mode]
            if arrays.mode_store[mode] != through:
                break
        found = _amounts(arrays, state, whole, share, hops, count, sink, amounts)
        if rate < whole:
            amounts[found] = rate
            found += 1
        for i in range(found):
            amount = amounts[i]
            worth = min(open_value, arrays.value[sink] * share * amount)
            if worth <= best or not rise_of(
                arrays, state, source, amount, share, hops, count, store, sink, rise
            ):
                continue
            earned = worth
            fits = True
            for m in range(stocks):
                earned -= price * arrays.weight[m] * rise[m]
                fits = fits and state.used[m] + rise[m] <= 1.0 - SLACK
            if fits and earned > best:
                best, best_amount = earned, amount
                state.rates[slot, 1] = share
    if best_amount <= 0.0:
        return False
    state.ways[slot, STORE] = store
    state.ways[slot, SINK] = sink
    state.ways[slot, LENGTH] = count
    for h in range(count):
        state.ways[slot, HOPS + h] = hops[h]
    state.rates[slot, 0] = best_amount
    state.active[slot] = True
    if arrays.pressed:
        if not _pressed_in(arrays, state, room, slot, source, price, open_value):
            return False
    else:
        carry(arrays, state, slot, source, 1.0)
    note(room, slot, 1)
    return True


@compiled
def _pressed_in(
    arrays: Arrays,
    state: PathState,
    room: Room,
    slot: int,
    source: int,
    price: float,
    open_value: float,
) -> bool:
    """Carry a path, or less of it, with the builds and boosters that its pressure asks for.

    False, with nothing changed, where none of it earns more than the stock that takes.
    """
    copy_line(state.floor, room.held_floor)
    copy_line(state.boost, room.held_boost)
    copy_line(state.used, room.held_used)
    sink = state.ways[slot, SINK]
    for _ in range(LESS):
        carry(arrays, state, slot, source, 1.0)
        if bears(arrays, state, room):
            earned = min(
                open_value, arrays.value[sink] * state.rates[slot, 0] * state.rates[slot, 1]
            )
            fits = True
            for m in range(len(state.used)):
                earned -= price * arrays.weight[m] * (state.used[m] - room.held_used[m])
                fits = fits and state.used[m] <= 1.0 - SLACK
            if fits and earned > 0.0:
                return True
        carry(arrays, state, slot, source, -1.0)
        copy_line(room.held_floor, state.floor)
        copy_line(room.held_boost, state.boost)
        copy_line(room.held_used, state.used)
        state.rates[slot, 0] *= 0.5
    state.active[slot] = False
    return False


@compiled
def total_of(numbers: Floats) -> float:
    total = 0.0
    for number in numbers:
        total += number
    return total


@inlined
def construct(arrays: Arrays, state: PathState, room: Room, seed: int) -> float:
    """Lay every source once, in random order, at a random price; the value."""
    np.random.seed(seed)
    step = 0.3 + 0.5 * np.random.random()
    total = 0.0
    for g in range(len(arrays.value)):
        total = max(total, arrays.value[g])
    price = 0.5 * total * total_of(arrays.most) / total_of(arrays.weight) * np.random.random()
    for _ in range(3):
        order = np.arange(len(arrays.most))
        shuffle(order, len(order))
        for s in order:
            insert(arrays, state, room, int(s), price, step)
        room.counts[LOGGED] = 0
        recount(arrays, state, PATHS)
        price *= 0.3
    return value_of(arrays, state)


@inlined
def improve(
    arrays: Arrays,
    state: PathState,
    best: PathState,
    before: PathState,
    room: Room,
    seed: int,
    moves: int,
    hot: float,
    cold: float,
    thrift: float,
) -> float:
    """Some moves from a state, cooling from ``hot`` to ``cold`` (shares of the value).

    ``thrift``: what a move that saves stock may lose, as a share of what the plan earns with as
    much of it. ``best`` holds the best state before and after, ``before`` the loads before a move;
    returns the best value.
    """
    np.random.seed(seed)
    recount(arrays, state, PATHS)
    copy_loads(state, before)
    for slot in range(len(state.active)):
        room.stale[slot] = True
        room.behind[slot] = slot
    room.counts[LOGGED], room.counts[BEHIND] = 0, len(state.active)
    best_value = value_of(arrays, best)
    value = value_of(arrays, state)
    weight = total_of(arrays.weight)
    touched = room.touched
    usual = total_of(arrays.most) / len(arrays.most)
    fresh = max(FRESH, int(FRESH_A_SOURCE * len(arrays.most)))
    for move in range(moves):
        rate = max(best_value, 1e-12) / weight
        price = rate * math.exp(math.log(0.02) + np.random.random() * math.log(60.0))
        step = 1.0 - 0.7 * np.random.random() ** 2
        if move % fresh == 0:
            look_ahead(arrays, state, room, AMOUNT * usual, SURE)
        count = ruin(arrays, state, room)
        borne = True
        if arrays.pressed:
            loosened(arrays, state, room, LOOSENED)
            borne = bears(arrays, state, room)
        shuffle(touched, count if borne else 0)
        for i in range(count if borne else 0):
            for _ in range(3):
                if not insert(arrays, state, room, touched[i], price, step):
                    break
        # what is left goes to whoever can use it
        greedy = 0.01 * rate
        for i in range(count if borne else 0):
            insert(arrays, state, room, touched[i], greedy, 1.0)
        found = value_of(arrays, state)
        lost = value - found
        for m in range(len(state.used)):
            lost += thrift * rate * (state.used[m] - before.used[m]) * arrays.weight[m]
        heat = best_value * hot * (cold / hot) ** (move / moves)
        fits = borne
        for m in range(len(state.used)):
            fits = fits and state.used[m] <= 1.0 - 0.5 * SLACK
        if fits and (lost <= 0.0 or lost < -heat * math.log(np.random.random() + 1e-300)):
            keep(state, before, room)
            value = found
            if found > best_value * (1.0 + 1e-9):
                best_value = found
                save(state, room, best)
        else:
            take_back(state, before, room)
        if move % 500 == 499:
            recount(arrays, state, PATHS)
            copy_loads(state, before)
            value = value_of(arrays, state)
    recount(arrays, best, PATHS)
    return best_value
