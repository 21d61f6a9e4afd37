"""Weights of regions improved by subgradient steps: cheap ones, for a beginning."""

from __future__ import annotations

import numpy as np

from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.regions import Regions, collected, payers, reached, room_for
from allocator.search.paths.compiled import compiled

DEFLECTED = 1.5
"""As in :mod:`allocator.search.bounds.multipliers`."""
PART = 2.0
"""Share of the value by which a step tries to lower it, at first. Fitted to a generated site of 100
sources: with 0.1 the bound stayed above 27 MW there, with this it came to 23.6 MW."""
PATIENCE, SHORTER = 10, 0.7
"""After so many steps without a better value steps become shorter by this factor."""


@compiled
def stepped(
    regions: Regions, gain: Floats, cost: Floats, start: Floats, steps: int
) -> tuple[Floats, Floats]:
    """Subgradient steps: the weights of the least value, and the mean of the later half.

    The value is the sum over origins of what they send times the most that an end is worth
    (``gain``) beyond the way to it, and over pipes of the most that a build collects beyond its
    ``cost``: what a Lagrangian bound with these prices falls by when it is lowered. Steps have the
    length that would lead to ``part`` of the best value below it, were it a plane. At first that
    is more than there is to gain: short steps stay near the weights they began with.
    """
    room, part = room_for(regions), PART
    far, by = room[0], room[1]
    origins, links, slots = len(regions.most), len(regions.pipe), len(start)
    pipes = regions.pipe.max() + 1
    tail = np.empty(len(regions.arc_end), np.int64)
    for o in range(origins):
        for node in range(regions.node_first[o], regions.node_first[o + 1]):
            for arc in range(regions.arc_first[node], regions.arc_first[node + 1]):
                tail[arc] = node - regions.node_first[o]
    worth = np.full(len(far), -np.inf)
    order = np.empty(origins, np.int64)
    stale = np.ones(links, np.bool_)
    excess, build_of = np.zeros(links), np.full(links, -1, np.int64)
    by_pipe, which = np.zeros(pipes), np.full(pipes, -1, np.int64)
    weight, best, mean = start.copy(), start.copy(), np.zeros(slots)
    half, counted = steps // 2, 0
    drift, slope = np.zeros(slots), np.zeros(slots)
    least, idle = np.inf, 0
    for turn in range(steps):
        slope[:] = 0.0
        value = 0.0
        for o in range(origins):
            nodes = regions.node_first[o + 1] - regions.node_first[o]
            worth[: nodes + 1] = -np.inf
            limit = -1.0
            for n in range(regions.end_first[o], regions.end_first[o + 1]):
                node = regions.end_node[n]
                if node < 0:
                    node = nodes
                worth[node] = max(worth[node], gain[n])
                limit = max(limit, gain[n])
            worth[nodes] = limit  # a path that leaves may come back to any end
            reached(regions, weight, o, worth, limit, room)
            end, short = -1, 0.0
            for n in range(regions.end_first[o], regions.end_first[o + 1]):
                node = regions.end_node[n]
                if node >= 0 and gain[n] - far[node] > short:
                    end, short = node, gain[n] - far[node]
            if limit - far[nodes] > short:
                end, short = nodes, limit - far[nodes]
            if end >= 0:
                value += short * regions.sends[o]
                while by[end] >= 0:
                    arc = by[end]
                    slope[regions.arc_slot[arc]] -= regions.sends[o] / regions.scale[o]
                    end = tail[arc]
        by_pipe[:] = 0.0
        which[:] = -1
        for d in range(links):
            if stale[d]:
                count = payers(regions, weight, d, order)
                excess[d], build_of[d] = 0.0, -1
                for k in range(regions.build[d], regions.build[d + 1]):
                    more = collected(regions, weight, order, count, k) - cost[k]
                    if more > excess[d]:
                        excess[d], build_of[d] = more, k
                stale[d] = False
            if build_of[d] >= 0 and excess[d] > by_pipe[regions.pipe[d]]:
                by_pipe[regions.pipe[d]] = excess[d]
                which[regions.pipe[d]] = d
        value += by_pipe.sum()
        if value < least:
            if value < least - 0.01 * part * abs(least):
                idle = 0
            least = value
            best[:] = weight
        idle += 1
        if idle >= PATIENCE:
            part, idle = SHORTER * part, 0
        for p in range(pipes):
            d = which[p]
            if d >= 0:
                count = payers(regions, weight, d, order)
                left = regions.capacity[build_of[d]]
                for n in range(count):
                    o = regions.slot_origin[order[n]]
                    share = min(left, regions.most[o])
                    slope[order[n]] += share / regions.scale[o]
                    left -= share
                    if left <= 0.0:
                        break
        inner, long = 0.0, 0.0
        for n in range(slots):
            inner += slope[n] * drift[n]
            long += drift[n] * drift[n]
        beta = -DEFLECTED * inner / long if inner < 0.0 else 0.0
        size = 0.0
        for n in range(slots):
            drift[n] = slope[n] + beta * drift[n]
            size += drift[n] * drift[n]
        if size <= 0.0:
            break
        step = (value - (1.0 - part) * least) / size
        for n in range(slots):
            if drift[n] != 0.0:
                new = max(0.0, weight[n] - step * drift[n] / regions.scale[regions.slot_origin[n]])
                if new != weight[n]:
                    weight[n] = new
                    stale[regions.slot_link[n]] = True
        if turn >= half:
            counted += 1
            for n in range(slots):
                mean[n] += weight[n]
    if counted > 0:
        mean /= counted
    return best, mean
