"""Weights of regions raised by dual ascent, and the cheapest paths and broken cuts they come from.

Compiled loops of :mod:`allocator.search.bounds.carrying` over the arrays of
:mod:`allocator.search.bounds.regions`.
"""

from __future__ import annotations

import numpy as np

from allocator.search.bounds.arrays import Floats, Ints
from allocator.search.bounds.regions import Regions, payers, reached, room_for
from allocator.search.paths.compiled import compiled

LEAST = 1e-15
"""Share of a limit below which nothing is raised."""


@compiled
def filled(
    regions: Regions, weight: Floats, link: int, order: Ints, sums: Floats, last: Floats
) -> None:
    """By build of a link: what it collects, and the least weight of it if it is full.

    The weight of an origin may rise to that with no more being collected. Fills ``sums`` and
    ``last``.
    """
    count = payers(regions, weight, link, order)
    for k in range(regions.build[link], regions.build[link + 1]):
        left = regions.capacity[k]
        sums[k], last[k] = 0.0, 0.0
        for n in range(count):
            part = min(left, regions.most[regions.slot_origin[order[n]]])
            sums[k] += part * weight[order[n]]
            left -= part
            if left <= 0.0:
                last[k] = weight[order[n]]
                break


@compiled
def raised(regions: Regions, gain: Floats, cost: Floats, start: Floats, extra: Floats) -> Floats:
    """Weights raised, origin by origin, where a way is too cheap and no build collects too much.

    As ``multipliers.dual_ascent``, within regions. ``gain``: what flow is worth at an end, which
    the way to it should cost; ``extra``: what ways take by slot besides. With every weight raised
    as far as it may be, paths reach each node no cheaper than some value, and no node need be
    farther than what flow is worth there. Between the two, each arc is raised to the difference of
    its nodes.
    """
    room = room_for(regions)
    far = room[0]
    weight = start.copy()
    order = np.empty(len(regions.most), np.int64)
    sums, last = np.empty(len(regions.capacity)), np.empty(len(regions.capacity))
    for d in range(len(regions.pipe)):
        filled(regions, weight, d, order, sums, last)
    worth, price, near = np.empty(len(far)), np.empty(len(far)), np.empty(len(far))
    nowhere = np.full(len(far), -np.inf)
    way, roomy = weight + extra, weight + extra
    for o in range(len(regions.most)):
        first = regions.node_first[o]
        nodes = regions.node_first[o + 1] - first
        limit = 0.0
        worth[: nodes + 1] = 0.0
        for n in range(regions.end_first[o], regions.end_first[o + 1]):
            node = regions.end_node[n]
            limit = max(limit, gain[n])
            if node >= 0:
                worth[node] = max(worth[node], gain[n])
        worth[nodes] = limit  # a path that leaves may come back to any end
        reached(regions, way, o, nowhere, limit, room)
        short = False
        for node in range(nodes + 1):
            near[node] = far[node]
            if worth[node] > far[node] + LEAST:
                short = True
        if not short:
            continue
        for slot in range(regions.slot_first[o], regions.slot_first[o + 1]):
            d = regions.slot_link[slot]
            free = np.inf
            for k in range(regions.build[d], regions.build[d + 1]):
                part = min(regions.most[o], regions.capacity[k])
                if part > 0.0:
                    more = max(0.0, cost[k] - sums[k]) / part
                    free = min(free, max(0.0, last[k] - weight[slot]) + more)
            roomy[slot] = way[slot] + free
        reached(regions, roomy, o, nowhere, limit, room)
        grew = True
        while grew:
            grew = False
            for node in range(nodes):
                if near[node] > limit:
                    continue
                for arc in range(
                    regions.arc_first[first + node], regions.arc_first[first + node + 1]
                ):
                    other = regions.arc_end[arc]
                    if other < 0:
                        other = nodes
                    ahead = worth[other] - way[regions.arc_slot[arc]]
                    if ahead > worth[node] + LEAST:
                        worth[node] = ahead
                        grew = True
        for node in range(nodes + 1):
            price[node] = min(far[node], worth[node])
        for node in range(nodes):
            if near[node] > limit:
                continue
            for arc in range(regions.arc_first[first + node], regions.arc_first[first + node + 1]):
                other = regions.arc_end[arc]
                if other < 0:
                    other = nodes
                slot = regions.arc_slot[arc]
                wanted = price[other] - price[node]
                if wanted > way[slot]:
                    weight[slot] = weight[slot] + wanted - way[slot]
                    way[slot] = wanted
                    filled(regions, weight, regions.slot_link[slot], order, sums, last)
    return weight


@compiled
def region_paths(
    regions: Regions, weight: Floats, gain: Floats, least: float, count: int
) -> tuple[Ints, Ints, Ints]:
    """Cheapest paths to ends that gain ``least`` or more beyond their weights, some of each origin.

    At most ``count`` of an origin, those with the most gain. The end of each path, where its slots
    begin, and the slots, from the end back to its origin; a path to an end outside the region ends
    at the exit.
    """
    room = room_for(regions)
    far, by = room[0], room[1]
    origins, width = len(regions.most), len(far)
    nowhere = np.full(width, -np.inf)
    tail = np.empty(len(regions.arc_end), np.int64)
    for o in range(origins):
        for node in range(regions.node_first[o], regions.node_first[o + 1]):
            for arc in range(regions.arc_first[node], regions.arc_first[node + 1]):
                tail[arc] = node - regions.node_first[o]
    ends = np.empty(origins * count, np.int64)
    first = np.zeros(origins * count + 1, np.int64)
    slots = np.empty(origins * count * width, np.int64)
    found, used = 0, 0
    for o in range(origins):
        reached(regions, weight, o, nowhere, np.inf, room)
        nodes = regions.node_first[o + 1] - regions.node_first[o]
        low, high = regions.end_first[o], regions.end_first[o + 1]
        at = np.empty(high - low, np.int64)
        more = np.full(high - low, -np.inf)
        for n in range(low, high):
            node = regions.end_node[n]
            if node < 0 or far[nodes] < far[node]:
                node = nodes
            at[n - low] = node
            if far[node] < np.inf:
                more[n - low] = gain[n] - far[node]
        for _ in range(min(count, high - low)):
            best = np.argmax(more)
            if not more[best] >= least or more[best] == -np.inf:
                break
            more[best] = -np.inf
            node = at[best]
            while by[node] >= 0:
                slots[used] = regions.arc_slot[by[node]]
                used += 1
                node = tail[by[node]]
            ends[found] = best + low
            found += 1
            first[found] = used
    return ends[:found], first[: found + 1], slots[:used]


@compiled
def broken_cuts(
    regions: Regions, flow: Floats, laid: Floats, tolerance: float
) -> tuple[Ints, Ints, Ints]:
    """The worst threshold cut of each link that flows by slot break: links, and slots of each cut.

    As ``thresholds.broken_thresholds``: for each number of builds that count with their capacity
    the best set of origins is known.
    """
    links = len(regions.pipe)
    cut = np.empty(links, np.int64)
    first = np.zeros(links + 1, np.int64)
    chosen = np.empty(len(flow), np.int64)
    found, used = 0, 0
    for d in range(links):
        low, high = regions.build[d], regions.build[d + 1]
        best, rest_of_best = 0.0, -1.0
        for number in range(high - low + 1):
            excess, rest = 0.0, 0.0
            for k in range(low, high):
                if k < low + number:
                    excess -= regions.capacity[k] * laid[k]
                else:
                    rest += laid[k]
            for n in range(regions.link_first[d], regions.link_first[d + 1]):
                slot = regions.link_slot[n]
                most = regions.most[regions.slot_origin[slot]]
                if flow[slot] > 0.0 and most < np.inf and flow[slot] > most * rest:
                    excess += flow[slot] - most * rest
            if excess > best:
                best, rest_of_best = excess, rest
        if rest_of_best < 0.0:
            continue
        together, begin = 0.0, used
        for n in range(regions.link_first[d], regions.link_first[d + 1]):
            slot = regions.link_slot[n]
            most = regions.most[regions.slot_origin[slot]]
            if flow[slot] > 0.0 and most < np.inf and flow[slot] > most * rest_of_best:
                chosen[used] = slot
                used += 1
                together += most
        if best <= tolerance * together:
            used = begin
            continue
        cut[found] = d
        found += 1
        first[found] = used
    return cut[:found], first[: found + 1], chosen[:used]
