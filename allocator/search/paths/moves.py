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
    use_of,
    value_of,
)
from allocator.search.paths.records import (
    HOPS,
    LENGTH,
    PATHS,
    SINK,
    STORE,
    Arrays,
    Floats,
    PathState,
    Whole,
)
from allocator.search.paths.routes import cheapest_route, rise_of

CHOICES = 48
SLACK = 1e-7


@compiled
def _remove(arrays: Arrays, state: PathState, slot: int) -> None:
    """Take a path away, to come back if the move is not kept."""
    carry(arrays, state, slot, slot // PATHS, -1.0)
    state.active[slot] = False
    state.kept[slot] = True


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
def insert(arrays: Arrays, state: PathState, source: int, price: float, step: float) -> bool:
    """Lay one more path for a source where that earns more than the stock it takes."""
    rest = arrays.most[source] - state.taken[source]
    slot = _free_slot(state, source)
    if slot < 0 or rest <= 1e-6 * arrays.most[source]:
        return False
    stocks = len(arrays.weight)
    hops = np.empty(state.ways.shape[1] - HOPS, dtype=np.int64)
    amounts, rise, best_rise = np.empty(CHOICES + 1), np.empty(stocks), np.zeros(stocks)
    open_value = arrays.wanted - value_of(arrays, state)
    dearest = 0.0
    for g in range(len(arrays.value)):
        dearest = max(dearest, arrays.value[g])
    modes = arrays.mode_first[source + 1] - arrays.mode_first[source]
    best, best_amount = 0.0, 0.0
    for _ in range(min(modes, 2)):
        mode = arrays.mode_first[source] + np.random.randint(modes)
        share, through = arrays.mode_share[mode], arrays.mode_store[mode]
        rate = rest
        if share * rate * dearest > open_value:
            rate = max(1e-6 * rest, open_value / (share * dearest))
        for _ in range(4):
            limit = min(total_of(arrays.weight), dearest * share * rate / max(price, 1e-300))
            count, store, sink = cheapest_route(
                arrays, state, source, rate, share, through, step, limit, hops
            )
            if count >= 0:
                break
            rate *= 0.5
        if count < 0:
            continue
        found = _amounts(arrays, state, rate, share, hops, count, sink, amounts)
        for i in range(found):
            amount = amounts[i]
            if not rise_of(arrays, state, source, amount, share, hops, count, store, sink, rise):
                continue
            earned = min(open_value, arrays.value[sink] * share * amount)
            fits = True
            for m in range(stocks):
                earned -= price * arrays.weight[m] * rise[m]
                fits = fits and state.used[m] + rise[m] <= 1.0 - SLACK
            if fits and earned > best:
                best, best_amount = earned, amount
                for m in range(stocks):
                    best_rise[m] = rise[m]
                state.rates[slot, 1] = share
                state.ways[slot, STORE] = store
                state.ways[slot, SINK] = sink
                state.ways[slot, LENGTH] = count
                for h in range(count):
                    state.ways[slot, HOPS + h] = hops[h]
    if best_amount <= 0.0:
        return False
    state.rates[slot, 0] = best_amount
    state.active[slot] = True
    carry(arrays, state, slot, source, 1.0)
    for m in range(stocks):
        state.used[m] += best_rise[m]
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
def _ruin(arrays: Arrays, state: PathState, touched: Whole) -> int:
    """Take paths away in one of five ways; the sources to lay again, first those that lost."""
    sources = len(arrays.most)
    mark = np.zeros(sources, dtype=np.bool_)
    kind = np.random.random()
    centre = np.random.randint(sources)
    most = max(2, min(14, sources // 2))
    size = 1 + int(most * np.random.random() ** 2)
    if kind < 0.45:  # around a source
        for i in range(min(size, arrays.near.shape[1])):
            mark[arrays.near[centre, i]] = True
    elif kind < 0.55:  # anywhere
        for _ in range(size):
            mark[np.random.randint(sources)] = True
    else:
        tapped = 0
        for p in range(len(state.active)):
            tapped += 1 if state.active[p] and state.ways[p, LENGTH] > 0 else 0
        if tapped == 0:
            mark[centre] = True
        else:
            pick = np.random.randint(tapped)
            chosen = 0
            for p in range(len(state.active)):
                if state.active[p] and state.ways[p, LENGTH] > 0:
                    if pick == 0:
                        chosen = p
                        break
                    pick -= 1
            centre = chosen // PATHS
            pipe = state.ways[chosen, HOPS + np.random.randint(state.ways[chosen, LENGTH])] // 2
            below = -1.0
            if kind > 0.75:  # trim the pipe to the build below
                k = level_of(arrays, pipe, state.load[pipe])
                below = arrays.capacity[pipe, k - 1] if k >= 1 else 0.0
            order = np.arange(sources)
            shuffle(order, sources)
            limit = size if kind < 0.75 else sources
            for s in order:
                if limit <= 0 or (below >= 0.0 and state.load[pipe] <= below + DUST):
                    break
                for p in range(s * PATHS, (s + 1) * PATHS):
                    if not state.active[p] or state.load[pipe] <= max(below, 0.0) + DUST:
                        continue
                    for i in range(state.ways[p, LENGTH]):
                        if state.ways[p, HOPS + i] // 2 == pipe:
                            over = state.load[pipe] - below
                            factor = (
                                state.rates[p, 1] * arrays.peak
                                if state.ways[p, HOPS + i] % 2
                                else 1.0
                            )
                            _remove(arrays, state, p)
                            if not mark[s]:
                                limit -= 1
                            if below >= 0.0 and over < state.rates[p, 0] * factor:
                                _lessen(arrays, state, p, state.rates[p, 0] - over / factor)
                            else:
                                mark[s] = True
                            break
    count = 0
    for s in range(sources):  # type: ignore[assignment]
        if mark[s]:
            for p in range(s * PATHS, (s + 1) * PATHS):
                if state.active[p]:
                    _remove(arrays, state, p)
            touched[count] = s
            count += 1
    # neighbours that are not wholly used may take what came free
    more = 2 + np.random.randint(8)
    for i in range(arrays.near.shape[1]):
        s = arrays.near[centre, i]
        if more == 0:
            break
        if not mark[s] and state.taken[s] < arrays.most[s] * (1.0 - 1e-6):
            touched[count] = s
            count += 1
            more -= 1
    return count


@compiled
def _lessen(arrays: Arrays, state: PathState, slot: int, amount: float) -> None:
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


@compiled
def _copy_line(line: Floats, into: Floats) -> None:
    for i in range(len(line)):
        into[i] = line[i]


@compiled
def copy_paths(state: PathState, into: PathState) -> None:
    """Copy all of a state; what could come back is forgotten."""
    for p in range(len(state.active)):
        into.active[p] = state.active[p]
        into.kept[p] = False
        if state.active[p]:
            into.rates[p, 0] = state.rates[p, 0]
            into.rates[p, 1] = state.rates[p, 1]
            for i in range(HOPS + state.ways[p, LENGTH]):
                into.ways[p, i] = state.ways[p, i]
    _copy_loads(state, into)


@compiled
def _copy_loads(state: PathState, into: PathState) -> None:
    """Copy what paths amount to."""
    for p in range(len(state.active)):
        into.active[p] = state.active[p]
    _copy_line(state.load, into.load)
    for k in range(len(state.stores)):
        _copy_line(state.stores[k], into.stores[k])
    _copy_line(state.park, into.park)
    _copy_line(state.taken, into.taken)
    _copy_line(state.used, into.used)


@compiled
def _forget(state: PathState) -> None:
    """Nothing may come back any more."""
    for p in range(len(state.kept)):
        state.kept[p] = False


@compiled
def construct(arrays: Arrays, state: PathState, seed: int) -> float:
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
            insert(arrays, state, int(s), price, step)
        recount(arrays, state, PATHS)
        price *= 0.3
    return value_of(arrays, state)


@compiled
def improve(
    arrays: Arrays,
    state: PathState,
    best: PathState,
    before: PathState,
    seed: int,
    moves: int,
    hot: float,
    cold: float,
) -> float:
    """Some moves from a state, cooling from ``hot`` to ``cold`` (shares of the value).

    ``best`` holds the best state before and after, ``before`` is room to work in; returns the best
    value.
    """
    np.random.seed(seed)
    sources = len(arrays.most)
    touched = np.empty(2 * sources + 16, dtype=np.int64)
    recount(arrays, state, PATHS)
    best_value = value_of(arrays, best)
    value = value_of(arrays, state)
    weight = total_of(arrays.weight)
    thrift = 0.08
    for move in range(moves):
        _copy_loads(state, before)
        rate = max(best_value, 1e-12) / weight
        price = rate * math.exp(math.log(0.02) + np.random.random() * math.log(60.0))
        step = 1.0 - 0.7 * np.random.random() ** 2
        count = _ruin(arrays, state, touched)
        use_of(arrays, state, state.used)
        shuffle(touched, count)
        for i in range(count):
            for _ in range(3):
                if not insert(arrays, state, touched[i], price, step):
                    break
        # what is left goes to whoever can use it
        greedy = 0.01 * rate
        for i in range(count):
            insert(arrays, state, touched[i], greedy, 1.0)
        use_of(arrays, state, state.used)
        found = value_of(arrays, state)
        lost = value - found
        for m in range(len(state.used)):
            lost += thrift * rate * (state.used[m] - before.used[m]) * arrays.weight[m]
        heat = best_value * hot * (cold / hot) ** (move / moves)
        fits = True
        for m in range(len(state.used)):
            fits = fits and state.used[m] <= 1.0 - 0.5 * SLACK
        if fits and (lost <= 0.0 or lost < -heat * math.log(np.random.random() + 1e-300)):
            value = found
            if found > best_value * (1.0 + 1e-9):
                best_value = found
                copy_paths(state, best)
        else:
            _copy_loads(before, state)
        _forget(state)
        if move % 500 == 499:
            recount(arrays, state, PATHS)
            value = value_of(arrays, state)
    return best_value
