"""The cheapest way for one more amount, at what the next builds cost over the present ones."""

from __future__ import annotations

import math

import numpy as np

from allocator.search.paths.compiled import compiled
from allocator.search.paths.heap import drop_first, push
from allocator.search.paths.loads import (
    DUST,
    floor_of,
    level_of,
    sink_room,
    store_need,
    store_passes,
    store_use,
    units_for,
)
from allocator.search.paths.records import DRAWN, NEED, Arrays, Floats, PathState, Room, Whole


@compiled
def step_price(arrays: Arrays, state: PathState, pipe: int, amount: float, step: float) -> float:
    """Price of one more amount on a pipe: ``step`` of it at the next build's price, the rest at

    the price a kg/s of the best build, as if the build were shared out."""
    load, most = state.load[pipe], arrays.capacity.shape[1]
    k, before, after = floor_of(arrays, state, pipe), 0.0, 0.0
    if load > DUST:
        while k < most and arrays.steps[pipe, 1 + k] < load - DUST:
            k += 1
        before = arrays.steps[pipe, 1 + most + k]
    load += amount
    if load > DUST:
        while k < most and arrays.steps[pipe, 1 + k] < load - DUST:
            k += 1
        after = arrays.steps[pipe, 1 + most + k]
    rise = after - before
    smooth = amount * arrays.steps[pipe, 0]
    if rise <= 0.0:
        price: float = 0.02 * smooth
    else:
        price = step * rise + (1.02 - step) * smooth
    return price


@compiled
def cheapest_route(
    arrays: Arrays,
    state: PathState,
    room: Room,
    source: int,
    rate: float,
    share: float,
    through_store: bool,
    step: float,
    limit: float,
    hops: Whole,
) -> tuple[int, int, int]:
    """The cheapest way of a rate to any sink, below a price: (hops, store, sink).

    Fills ``hops``; -1 hops where there is none. Over two layers of nodes, collect and supply,
    best first by the price so far and about what is ahead (Hart, Nilsson and Raphael, "A formal
    basis for the heuristic determination of minimum cost paths", IEEE Transactions on Systems
    Science and Cybernetics 4, 1968). That is an estimate, so a way may be a little dearer than the
    cheapest.
    """
    nodes = len(arrays.first) - 1
    weights = arrays.weight
    far, back, via, reached, ahead = room.far, room.back, room.via, room.reached, room.ahead
    keys, names = room.keys, room.names
    draw = rate * share
    mean = draw * arrays.peak
    start = arrays.source_node[source] + (0 if through_store else nodes)
    far[start], back[start] = 0.0, -1
    reached[0], known = start, 1
    if ahead[start] == math.inf:
        return -1, -1, -1
    size = push(keys, names, 0, (rate if through_store else mean) * ahead[start], start)
    best, best_sink, best_node = limit, -1, -1
    taken = np.zeros(len(weights))
    while size > 0:
        at, key = names[0], keys[0]
        size = drop_first(keys, names, size)
        if key >= best:
            break
        supply = at >= nodes
        node = at - nodes if supply else at
        here = far[at]
        amount = mean if supply else rate
        if key > here + amount * ahead[at]:
            continue
        if supply:
            g = arrays.sink_first[node]
            while g >= 0:
                this, g = g, arrays.sink_next[g]
                if sink_room(arrays, state, this) < draw - DUST:
                    continue
                units = units_for(arrays, this, state.park[this] + draw) - units_for(
                    arrays, this, state.park[this]
                )
                price = 0.0
                for m in range(len(weights)):
                    price += weights[m] * draw * arrays.load_mass[this, m]
                    if arrays.unit[this] > 0.0:
                        smooth = mean / arrays.unit[this] if units > 0 else 0.0
                        count = step * units + (1.0 - step) * smooth
                        price += weights[m] * count * arrays.unit_mass[this, m]
                if here + price < best:
                    best, best_sink, best_node = here + price, this, at
        else:
            following = arrays.store_first[node]
            while following >= 0:
                k, following = following, arrays.store_next[following]
                if not store_passes(arrays, state, k, rate, draw):
                    continue
                need = store_need(arrays, state, k, source, rate, draw)
                if need > arrays.store_most[k]:
                    continue
                for m in range(len(weights)):
                    taken[m] = 0.0
                store_use(arrays, k, need, taken, 1.0)
                store_use(arrays, k, state.stores[k, NEED], taken, -1.0)
                price = here
                for m in range(len(weights)):
                    price += weights[m] * max(0.0, taken[m])
                if price < far[node + nodes]:
                    if far[node + nodes] == math.inf:
                        reached[known] = node + nodes
                        known += 1
                    far[node + nodes] = price
                    back[node + nodes] = at
                    via[node + nodes] = -2 - k
                    size = push(keys, names, size, price + mean * ahead[node + nodes], node + nodes)
        for i in range(arrays.first[node], arrays.first[node + 1]):
            other = arrays.other[i] + (nodes if supply else 0)
            rest = amount * ahead[other]
            if far[other] <= here or here + rest >= best:
                continue
            pipe = arrays.edge[i]
            if arrays.pressed and _against(arrays, state, pipe, node, supply):
                continue
            price = here + step_price(arrays, state, pipe, amount, step)
            if price < far[other] and price + rest < best:
                if far[other] == math.inf:
                    reached[known] = other
                    known += 1
                far[other] = price
                back[other] = at
                via[other] = pipe
                if size < len(keys):
                    size = push(keys, names, size, price + rest, other)
    for i in range(known):
        far[reached[i]] = math.inf
    if best_sink < 0:
        return -1, -1, -1
    count, store, at = 0, -1, best_node
    while back[at] >= 0:
        if via[at] <= -2:
            store = -2 - via[at]
        else:
            if count == len(hops):
                return -1, -1, -1
            hops[count] = 2 * via[at] + (1 if at >= nodes else 0)
            count += 1
        at = back[at]
    for i in range(count // 2):
        hops[i], hops[count - 1 - i] = hops[count - 1 - i], hops[i]
    return count, store, best_sink


@compiled
def _against(arrays: Arrays, state: PathState, pipe: int, node: int, supply: bool) -> bool:
    """Whether a pipe entered at a node has flow the other way that forbids flow of a layer.

    Only a spur flows both ways: collect flow as it is filled, supply flow as it gives back.
    """
    back = 0 if arrays.tail[pipe] == node else 1
    other = 4 * pipe + 2 * (1 - back)
    collected, supplied = state.flow[other], state.flow[other + 1]
    if collected <= DUST and supplied <= DUST:
        return False
    way, same = (1 - back, supplied) if supply else (back, collected)
    against: bool = same > DUST or arrays.spur[pipe, way] == 0
    return against


@compiled
def look_ahead(arrays: Arrays, state: PathState, room: Room, amount: float, sure: float) -> None:
    """Estimate what a kg/s costs from each node to a sink, in both layers, as pipes are now.

    ``amount``: for which prices are taken; ``sure``: share of them that counts, so that ways are
    seldom missed. In the collect layer a way leads to a store, and on with what it promises.
    """
    keys, names, ahead = room.keys, room.names, room.ahead
    nodes = len(arrays.first) - 1
    size = 0
    for n in range(len(ahead)):
        ahead[n] = math.inf
    for g in range(len(arrays.sink_node)):
        node = nodes + arrays.sink_node[g]
        if ahead[node] > 0.0:
            ahead[node] = 0.0
            size = push(keys, names, size, 0.0, node)
    _spread(arrays, state, room, size, nodes, amount, sure)
    share = arrays.peak * _usual_share(arrays)
    size = 0
    for k in range(len(arrays.store_node)):
        node = arrays.store_node[k]
        if share * ahead[nodes + node] < ahead[node]:
            ahead[node] = share * ahead[nodes + node]
            size = push(keys, names, size, ahead[node], node)
    _spread(arrays, state, room, size, 0, amount, sure)


@compiled
def _usual_share(arrays: Arrays) -> float:
    """What a kg/s through a store promises on average."""
    total, count = 0.0, 0
    for mode in range(len(arrays.mode_share)):
        if arrays.mode_store[mode]:
            total += arrays.mode_share[mode]
            count += 1
    return total / max(count, 1)


@compiled
def _spread(
    arrays: Arrays,
    state: PathState,
    room: Room,
    size: int,
    base: int,
    amount: float,
    sure: float,
) -> None:
    """Estimate prices ahead from what is on the heap against the flow, in the layer from a base."""
    keys, names, ahead = room.keys, room.names, room.ahead
    while size > 0:
        at, here = names[0], keys[0]
        size = drop_first(keys, names, size)
        if here > ahead[at]:
            continue
        node = at - base
        for i in range(arrays.into_first[node], arrays.into_first[node + 1]):
            other, pipe = base + arrays.into_other[i], arrays.into_edge[i]
            if ahead[other] <= here:
                continue
            price = step_price(arrays, state, pipe, amount, 0.65) / amount
            if price == math.inf:
                price = arrays.steps[pipe, 0]
            if here + sure * price < ahead[other]:
                ahead[other] = here + sure * price
                size = push(keys, names, size, ahead[other], other)


@compiled
def rise_of(
    arrays: Arrays,
    state: PathState,
    source: int,
    rate: float,
    share: float,
    hops: Whole,
    count: int,
    store: int,
    sink: int,
    rise: Floats,
) -> bool:
    """What one more rate along a route takes of each stock, exactly; False where it cannot be."""
    draw = rate * share
    for m in range(len(rise)):
        rise[m] = draw * arrays.load_mass[sink, m]
        if state.taken[source] <= DUST:
            rise[m] += arrays.tap[source, m]
    if sink_room(arrays, state, sink) < draw - DUST:
        return False
    if store >= 0 and not store_passes(arrays, state, store, rate, draw):
        return False
    possible, passed = True, 0
    while possible and passed < count:
        pipe = hops[passed] // 2
        amount = draw * arrays.peak if hops[passed] % 2 else rate
        least = floor_of(arrays, state, pipe)
        before = level_of(arrays, pipe, least, state.load[pipe])
        after = level_of(arrays, pipe, least, state.load[pipe] + amount)
        state.load[pipe] += amount  # a pipe may be used by both layers
        passed += 1
        if after >= arrays.builds[pipe]:
            possible = False
        elif after != before:
            for m in range(len(rise)):
                rise[m] += arrays.mass[pipe, after, m]
                if before >= 0:
                    rise[m] -= arrays.mass[pipe, before, m]
    for i in range(passed):
        state.load[hops[i] // 2] -= draw * arrays.peak if hops[i] % 2 else rate
    if not possible:
        return False
    if store >= 0:
        need = store_need(arrays, state, store, source, rate, draw)
        possible = need <= arrays.store_most[store]
        store_use(arrays, store, need, rise, 1.0)
        if state.stores[store, DRAWN] > DUST:
            store_use(arrays, store, state.stores[store, NEED], rise, -1.0)
    units = units_for(arrays, sink, state.park[sink] + draw) - units_for(
        arrays, sink, state.park[sink]
    )
    for m in range(len(rise)):
        rise[m] += units * arrays.unit_mass[sink, m]
    return possible
