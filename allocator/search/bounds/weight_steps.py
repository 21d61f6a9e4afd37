"""Weights of regions improved by subgradient steps: cheap ones, for a beginning.

With a price p of the limit, in shares of the price that it had, and what weights take at it
(``taken = p * weight``), a Lagrangian bound falls by

    p * left  +  sum over origins of sends * (most that an end gains beyond the way to it)
              +  sum over pipes of the most that a build collects beyond p * cost,

convex in p and ``taken`` together. So p is one more variable of the steps: were it held, the best
weights would be those of a price that the next turn changes. What else takes from the limit is held
at what it took last (``left`` is the rest). All of that only says which weights to try: what they
prove is a carrying row (:mod:`allocator.search.bounds.carrying`).

A step goes along a mean of the slopes so far, each part of it divided by the root of the mean of
its squares: weights near an origin are on nearly every way, others seldom (adaptive subgradient
steps, Duchi, Hazan & Singer 2011, from memory). Its length is the one that would lead to a target
below the best value so far, were the value a plane (Polyak 1969, from memory).
"""

from __future__ import annotations

import numpy as np

from allocator.search.bounds.arrays import Floats, Ints
from allocator.search.bounds.regions import Regions, collected, payers, reached, room_for
from allocator.search.paths.compiled import compiled

NEW = 0.3
"""Share of the last slope in the direction. Fitted, as all of these, to a generated site of 300
sources: with 1.0 the bound there was 62.5 MW after 8 s, with this 60.5 MW; with 0.1 it stalled."""
REMEMBERED = 0.95
"""Share of the former squares in their mean."""
LEAST_SQUARE = 1e-4
"""Added to that mean, for what is seldom on any way."""
PATIENCE, SHORTER = 10, 0.7
"""After so many steps without a better value steps become shorter by this factor."""
LITTLE = 0.01
"""Share of the way to the target that a value must be better by to count."""
SPENT = 0.9
"""Share of ``left`` that the value is measured from: it never comes to less than about that."""
LEAST_PRICE = 0.3
"""Least price, as a share of the price that the limit had."""


@compiled
def sent(regions: Regions, gain: Floats, taken: Floats, slope: Floats) -> float:
    """What all origins gain beyond their ways. Takes what they send from ``slope``, by slot."""
    room = room_for(regions)
    far, by = room[0], room[1]
    worth = np.empty(len(far))
    value = 0.0
    for o in range(len(regions.most)):
        first = regions.node_first[o]
        nodes = regions.node_first[o + 1] - first
        worth[: nodes + 1] = -np.inf
        limit = -1.0
        for n in range(regions.end_first[o], regions.end_first[o + 1]):
            node = regions.end_node[n]
            if node >= 0:
                worth[node] = max(worth[node], gain[n])
            limit = max(limit, gain[n])
        worth[nodes] = limit  # a path that leaves may come back to any end
        reached(regions, taken, o, worth, limit, room)
        end, short = -1, 0.0
        for node in range(nodes + 1):
            if worth[node] - far[node] > short:
                end, short = node, worth[node] - far[node]
        value += short * regions.sends[o]
        while end >= 0 and by[end] >= 0:
            slope[regions.arc_slot[by[end]]] -= regions.sends[o]
            low, high = first, first + nodes  # the node at which the arc begins
            while high - low > 1:
                middle = (low + high) // 2
                if regions.arc_first[middle] <= by[end]:
                    low = middle
                else:
                    high = middle
            end = low - first
    return value


@compiled
def beyond_cost(
    regions: Regions, cost: Floats, price: float, taken: Floats, order: Ints, slope: Floats
) -> tuple[float, float]:
    """What builds collect beyond their cost, and the cost of those that do.

    Adds what these carry to ``slope``. ``order``: slots by link; nearly by falling weight, which
    makes it quick to put them so.
    """
    excess = np.zeros(regions.pipe.max() + 1)
    best = np.full(len(excess), -1, np.int64)
    link_of = np.full(len(excess), -1, np.int64)
    for d in range(len(regions.pipe)):
        low, high = regions.link_first[d], regions.link_first[d + 1]
        for n in range(low + 1, high):
            slot, place = order[n], n
            while place > low and taken[order[place - 1]] < taken[slot]:
                order[place] = order[place - 1]
                place -= 1
            order[place] = slot
        for k in range(regions.build[d], regions.build[d + 1]):
            left, more = regions.capacity[k], -price * cost[k]
            for n in range(low, high):
                if left <= 0.0 or taken[order[n]] <= 0.0:
                    break
                part = min(left, regions.most[regions.slot_origin[order[n]]])
                more += part * taken[order[n]]
                left -= part
            if more > excess[regions.pipe[d]]:
                excess[regions.pipe[d]] = more
                best[regions.pipe[d]] = k
                link_of[regions.pipe[d]] = d
    value, paid = 0.0, 0.0
    for p in range(len(excess)):
        d = link_of[p]
        if d < 0:
            continue
        value += excess[p]
        paid += cost[best[p]]
        left = regions.capacity[best[p]]
        for n in range(regions.link_first[d], regions.link_first[d + 1]):
            if left <= 0.0 or taken[order[n]] <= 0.0:
                break
            part = min(left, regions.most[regions.slot_origin[order[n]]])
            slope[order[n]] += part
            left -= part
    return value, paid


@compiled
def excess_by_pipe(regions: Regions, cost: Floats, weight: Floats) -> Floats:
    """The most that a build of each pipe collects beyond its cost."""
    found = np.zeros(regions.pipe.max() + 1)
    order = np.empty(len(regions.most), np.int64)
    for d in range(len(regions.pipe)):
        count = payers(regions, weight, d, order)
        for k in range(regions.build[d], regions.build[d + 1]):
            more = collected(regions, weight, order, count, k) - cost[k]
            found[regions.pipe[d]] = max(found[regions.pipe[d]], more)
    return found


@compiled
def stepped(
    regions: Regions,
    gain: Floats,
    cost: Floats,
    left: float,
    start: Floats,
    steps: int,
    target: float,
    priced: bool,
) -> tuple[Floats, Floats]:
    """Subgradient steps: the weights of the least value, and the mean of the later half.

    ``gain``: what flow is worth at an end; ``left``: what pipes may take of the limit. ``target``:
    how far below the best value steps lead at first, as a share of what it is above ``SPENT``.
    ``priced``: the price of the limit moves as well.
    """
    slots = len(start)
    order = regions.link_slot.copy()
    taken, best, mean = start.copy(), start.copy(), np.zeros(slots)
    slope, direction, square = np.zeros(slots), np.zeros(slots), np.zeros(slots)
    price, price_direction, price_square = 1.0, 0.0, 0.0
    # weights are of the size of costs
    unit = 1.0 / max(np.median(cost), 1e-12) if priced else 0.0
    most = max(0.0, np.max(gain))  # no link need take more: no way is worth more
    least, idle, counted = np.inf, 0, 0
    for turn in range(steps):
        slope[:] = 0.0
        gained = sent(regions, gain, taken, slope)
        excess, paid = beyond_cost(regions, cost, price, taken, order, slope)
        value = price * left + gained + excess
        if value < least:
            if value < least - LITTLE * target * abs(least - SPENT * left):
                idle = 0
            least = value
            for n in range(slots):
                best[n] = taken[n] / price
        idle += 1
        if idle >= PATIENCE:
            target, idle = SHORTER * target, 0
        size = 0.0
        for n in range(slots):
            along = slope[n] / regions.scale[regions.slot_origin[n]]
            square[n] = REMEMBERED * square[n] + (1.0 - REMEMBERED) * along * along
            direction[n] = NEW * along + (1.0 - NEW) * direction[n]
            size += direction[n] * direction[n] / np.sqrt(square[n] + LEAST_SQUARE)
        along = unit * (left - paid)
        price_square = REMEMBERED * price_square + (1.0 - REMEMBERED) * along * along
        price_direction = NEW * along + (1.0 - NEW) * price_direction
        size += price_direction * price_direction / np.sqrt(price_square + LEAST_SQUARE)
        if size <= 0.0:
            break
        step = (value - least + target * abs(least - SPENT * left)) / size
        for n in range(slots):
            if direction[n] != 0.0:
                scale = regions.scale[regions.slot_origin[n]] * np.sqrt(square[n] + LEAST_SQUARE)
                taken[n] = min(most, max(0.0, taken[n] - step * direction[n] / scale))
        change = unit * step * price_direction / np.sqrt(price_square + LEAST_SQUARE)
        price = max(LEAST_PRICE, price - change)
        if turn >= steps // 2:
            counted += 1
            for n in range(slots):
                mean[n] += taken[n] / price
    if counted > 0:
        mean /= counted
    return best, mean
