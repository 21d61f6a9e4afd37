"""Excesses of ways and of builds under carrying weights: compiled loops over regions.

Notation of :mod:`allocator.search.bounds.carrying`; :mod:`allocator.search.bounds.reducer` says
what follows. A link that is not laid has an infinite weight here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.regions import Regions, collected, payers, reached, room_for
from allocator.search.paths.compiled import compiled

Marks = NDArray[np.bool_]


@compiled
def excesses(regions: Regions, weight: Floats, extra: Floats) -> tuple[Floats, Floats]:
    """By arc, how much the cheapest way through it weighs with the ``extra`` of its end; by origin,
    the same of a way that leaves its region.

    Beyond the region nothing has a weight, and a way may come back from there to any node.
    """
    room = room_for(regions)
    far, width = room[0], len(room[0])
    nowhere = np.full(width, -np.inf)
    found, leaving = np.full(len(regions.arc_end), np.inf), np.full(len(regions.most), np.inf)
    onward = np.empty(width)
    for o in range(len(regions.most)):
        first = regions.node_first[o]
        nodes = regions.node_first[o + 1] - first
        reached(regions, weight, o, nowhere, np.inf, room)
        onward[: nodes + 1] = np.inf
        for n in range(regions.end_first[o], regions.end_first[o + 1]):
            onward[nodes] = min(onward[nodes], extra[n])
            node = regions.end_node[n]
            if node >= 0:
                onward[node] = min(onward[node], extra[n])
        leaving[o] = far[nodes] + onward[nodes]
        fell = True
        while fell:
            fell = False
            for node in range(nodes - 1, -1, -1):
                for arc in range(
                    regions.arc_first[first + node], regions.arc_first[first + node + 1]
                ):
                    other = regions.arc_end[arc]
                    if other < 0:
                        other = nodes
                    way = weight[regions.arc_slot[arc]] + onward[other]
                    if way < onward[node]:
                        onward[node] = way
                        fell = True
        for node in range(nodes):
            near = min(far[node], far[nodes])
            for arc in range(regions.arc_first[first + node], regions.arc_first[first + node + 1]):
                other = regions.arc_end[arc]
                if other < 0:
                    other = nodes
                found[arc] = near + weight[regions.arc_slot[arc]] + onward[other]
    return found, leaving


@compiled
def costs_beyond(regions: Regions, needed: Floats, cost: Floats) -> Floats:
    """By build, its cost less the most that it can collect by some weights."""
    order = np.empty(len(regions.most), np.int64)
    found = np.empty(len(regions.capacity))
    for d in range(len(regions.pipe)):
        count = payers(regions, needed, d, order)
        for k in range(regions.build[d], regions.build[d + 1]):
            found[k] = cost[k] - collected(regions, needed, order, count, k)
    return found


@compiled
def detours(regions: Regions, weight: Floats, kept: Marks) -> Floats:
    """By end, the cheapest way to it that uses an arc which is not kept, or leaves the region."""
    room = room_for(regions)
    far, width = room[0], len(room[0])
    nowhere, around = np.full(width, -np.inf), np.empty(width)
    found = np.full(len(regions.end_node), np.inf)
    for o in range(len(regions.most)):
        first = regions.node_first[o]
        nodes = regions.node_first[o + 1] - first
        reached(regions, weight, o, nowhere, np.inf, room)
        around[: nodes + 1] = far[nodes]
        fell = True
        while fell:
            fell = False
            for node in range(nodes):
                for arc in range(
                    regions.arc_first[first + node], regions.arc_first[first + node + 1]
                ):
                    other = regions.arc_end[arc]
                    if other < 0:
                        continue
                    before = around[node] if kept[arc] else far[node]
                    way = before + weight[regions.arc_slot[arc]]
                    if way < around[other]:
                        around[other] = way
                        fell = True
        for n in range(regions.end_first[o], regions.end_first[o + 1]):
            node = regions.end_node[n]
            found[n] = around[nodes] if node < 0 else around[node]
    return found
