"""Ruin and recreate on path flows: take some paths away, lay the sources concerned again.

After Schrimpf, Schneider, Stamm-Wilbrandt and Dueck, "Record breaking optimization results using
the ruin and recreate principle", Journal of Computational Physics 159, 2000. A move is kept as in
simulated annealing. The price of stock in a move is drawn at random around what the plan earns
with a stock, so that thrift and greed take turns.
"""

from __future__ import annotations

import math

import numpy as np

from allocator.search.paths.compiled import compiled
from allocator.search.paths.loads import (
    DUST,
    carry,
    level_of,
    recount,
    value_of,
)
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

CHOICES = 48
"""Amounts at most that are tried along a route."""
TRIES = 400
"""Slots that are drawn at most to find a path."""
FRESH = 50
"""Moves after which the prices ahead are estimated again."""
AMOUNT = 0.25
"""Share of the mean rate of sources for which they are."""
SURE = 0.7
"""Share of them that counts. At 1,000 sources, firm, a search of ways looks at 55 nodes without, 45
with 0.3, 32 with 0.7, 25 with 1."""
SLACK = 1e-7


@compiled
def _note(room: Room, slot: int, filled: int) -> None:
    """Note what a move does to a slot."""
    room.log[room.counts[LOGGED]] = 2 * slot + filled
    room.counts[LOGGED] += 1


@compiled
def _remove(arrays: Arrays, state: PathState, room: Room, slot: int) -> None:
    """Take a path away, to come back if the move is not kept."""
    carry(arrays, state, slot, slot // PATHS, -1.0)
    state.active[slot] = False
    state.kept[slot] = True
    _note(room, slot, 0)


@compiled
def _free_slot(state: PathState, source: int) -> int:
    for slot in range(source * PATHS, (source + 1) * PATHS):
        if not state.active[slot] and not state.kept[slot]:
            return slot
    return -1


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
    slot = _free_slot(state, source)
    if slot < 0 or rest <= 1e-6 * arrays.most[source]:
        return False
    stocks = len(arrays.weight)
    hops = np.empty(state.ways.shape[1] - HOPS, dtype=np.int64)
    amounts, rise = np.empty(CHOICES + 1), np.empty(stocks)
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
    for _ in range(4):
        limit = min(total_of(arrays.weight), dearest * share * rate / max(price, 1e-300))
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
        found = _amounts(arrays, state, rate, share, hops, count, sink, amounts)
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
    carry(arrays, state, slot, source, 1.0)
    _note(room, slot, 1)
    return True


@compiled
def shuffle(numbers: Whole, count: int) -> None:
    """Put the first numbers into random order."""
    for i in range(count - 1, 0, -1):
        j = np.random.randint(i + 1)
        numbers[i], numbers[j] = numbers[j], numbers[i]


@compiled
def total_of(numbers: Floats) -> float:
    total = 0.0
    for number in numbers:
        total += number
    return total


@compiled
def _ruin(arrays: Arrays, state: PathState, room: Room) -> int:
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
                _remove(arrays, state, room, p)
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
        k = level_of(arrays, pipe, state.load[pipe])
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
                    _remove(arrays, state, room, p)
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
    free = _free_slot(state, source)
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
    _note(room, free, 1)


@compiled
def _copy_line(line: Floats, into: Floats) -> None:
    for i in range(len(line)):
        into[i] = line[i]


@compiled
def copy_paths(state: PathState, into: PathState) -> None:
    """Copy all of a state; what could come back is forgotten."""
    for p in range(len(state.active)):
        _copy_path(state, into, p)
        into.kept[p] = False
    _copy_loads(state, into)


@compiled
def _copy_path(state: PathState, into: PathState, slot: int) -> None:
    into.active[slot] = state.active[slot]
    if state.active[slot]:
        into.rates[slot, 0] = state.rates[slot, 0]
        into.rates[slot, 1] = state.rates[slot, 1]
        for i in range(HOPS + state.ways[slot, LENGTH]):
            into.ways[slot, i] = state.ways[slot, i]


@compiled
def _copy_loads(state: PathState | Room, into: PathState | Room) -> None:
    """Copy what paths amount to."""
    _copy_line(state.load, into.load)
    for k in range(len(state.stores)):
        _copy_line(state.stores[k], into.stores[k])
    _copy_line(state.park, into.park)
    _copy_line(state.taken, into.taken)
    _copy_line(state.used, into.used)


@compiled
def _copy_logged(
    state: PathState, room: Room, source: PathState | Room, into: PathState | Room
) -> None:
    """Copy what the paths of the move amount to."""
    for n in range(room.counts[LOGGED]):
        slot = room.log[n] // 2
        for i in range(state.ways[slot, LENGTH]):
            pipe = state.ways[slot, HOPS + i] // 2
            into.load[pipe] = source.load[pipe]
        store, sink = state.ways[slot, STORE], state.ways[slot, SINK]
        if store >= 0:
            _copy_line(source.stores[store], into.stores[store])
        into.park[sink] = source.park[sink]
        into.taken[slot // PATHS] = source.taken[slot // PATHS]
    _copy_line(source.used, into.used)


@compiled
def _keep(state: PathState, room: Room) -> None:
    """Let the move stand."""
    _copy_logged(state, room, state, room)
    for n in range(room.counts[LOGGED]):
        slot = room.log[n] // 2
        state.kept[slot] = False
        if not room.stale[slot]:
            room.stale[slot] = True
            room.behind[room.counts[BEHIND]] = slot
            room.counts[BEHIND] += 1
    room.counts[LOGGED] = 0


@compiled
def _take_back(state: PathState, room: Room) -> None:
    """Undo the move, last step first: what it took away is there again, what it laid is not."""
    _copy_logged(state, room, room, state)
    for n in range(room.counts[LOGGED] - 1, -1, -1):
        slot = room.log[n] // 2
        state.active[slot] = room.log[n] % 2 == 0
        state.kept[slot] = False
    room.counts[LOGGED] = 0


@compiled
def _save(state: PathState, room: Room, best: PathState) -> None:
    """Make the best state the present one; its loads are counted when the search ends."""
    for n in range(room.counts[BEHIND]):
        slot = room.behind[n]
        _copy_path(state, best, slot)
        room.stale[slot] = False
    room.counts[BEHIND] = 0


@compiled
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


@compiled
def improve(
    arrays: Arrays,
    state: PathState,
    best: PathState,
    room: Room,
    seed: int,
    moves: int,
    hot: float,
    cold: float,
    thrift: float,
) -> float:
    """Some moves from a state, cooling from ``hot`` to ``cold`` (shares of the value).

    ``thrift``: what a move that saves stock may lose, as a share of what the plan earns with as
    much of it. ``best`` holds the best state before and after; returns the best value.
    """
    np.random.seed(seed)
    recount(arrays, state, PATHS)
    _copy_loads(state, room)
    for slot in range(len(state.active)):
        room.stale[slot] = True
        room.behind[slot] = slot
    room.counts[LOGGED], room.counts[BEHIND] = 0, len(state.active)
    best_value = value_of(arrays, best)
    value = value_of(arrays, state)
    weight = total_of(arrays.weight)
    touched = room.touched
    usual = total_of(arrays.most) / len(arrays.most)
    for move in range(moves):
        rate = max(best_value, 1e-12) / weight
        price = rate * math.exp(math.log(0.02) + np.random.random() * math.log(60.0))
        step = 1.0 - 0.7 * np.random.random() ** 2
        if move % FRESH == 0:
            look_ahead(arrays, state, room, AMOUNT * usual, SURE)
        count = _ruin(arrays, state, room)
        shuffle(touched, count)
        for i in range(count):
            for _ in range(3):
                if not insert(arrays, state, room, touched[i], price, step):
                    break
        # what is left goes to whoever can use it
        greedy = 0.01 * rate
        for i in range(count):
            insert(arrays, state, room, touched[i], greedy, 1.0)
        found = value_of(arrays, state)
        lost = value - found
        for m in range(len(state.used)):
            lost += thrift * rate * (state.used[m] - room.used[m]) * arrays.weight[m]
        heat = best_value * hot * (cold / hot) ** (move / moves)
        fits = True
        for m in range(len(state.used)):
            fits = fits and state.used[m] <= 1.0 - 0.5 * SLACK
        if fits and (lost <= 0.0 or lost < -heat * math.log(np.random.random() + 1e-300)):
            _keep(state, room)
            value = found
            if found > best_value * (1.0 + 1e-9):
                best_value = found
                _save(state, room, best)
        else:
            _take_back(state, room)
        if move % 500 == 499:
            recount(arrays, state, PATHS)
            _copy_loads(state, room)
            value = value_of(arrays, state)
    recount(arrays, best, PATHS)
    return best_value
