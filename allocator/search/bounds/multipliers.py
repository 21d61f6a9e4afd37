"""Lagrange multipliers of the links, improved until hardly any dual infeasibility is left.

A relaxation on some path columns gives duals that are valid for these paths alone. They are made
duals of all paths by choosing again the multipliers ``w[o,d] >= 0`` of every link ``d`` on every
origin ``o``. What is then still wrong, the dual infeasibility (:mod:`dual_infeasibility`), is
convex and piecewise linear in w and not below 0: it is reduced by subgradient steps of the length
that would lead to 0 (Polyak 1969, from memory), each deflected where it would take back a part of
the one before. The bound less the dual infeasibility is valid for any w.
"""

from __future__ import annotations

import numpy as np

from allocator.search.bounds.arrays import EndArrays, Floats, Ints, NetworkArrays
from allocator.search.bounds.dual_infeasibility import excess_of, most_short, payers, reached
from allocator.search.bounds.packed import packed_ends, packed_net
from allocator.search.paths.compiled import compiled

DEFLECTED = 1.5
"""How much of a step back is deflected (Camerini, Fratta & Maffioli,
Mathematical Programming Study 3, 1975; from memory)."""


@compiled
def collect(
    net: NetworkArrays, multiplier: Floats, link: int, order: Ints, sums: Floats, last: Floats
) -> None:
    """By build of a link: what it collects, and the least multiplier of it if it is full.

    The multiplier of an origin may rise to that with no more being collected. Fills ``sums`` and
    ``last``.
    """
    count = payers(multiplier, order)
    for k in range(net.build[link], net.build[link + 1]):
        left = net.capacity[k]
        sums[k], last[k] = 0.0, 0.0
        for n in range(count):
            part = min(left, net.most[order[n]])
            sums[k] += part * multiplier[order[n]]
            left -= part
            if left <= 0.0:
                last[k] = multiplier[order[n]]
                break


@compiled
def dual_ascent(net: NetworkArrays, ends: EndArrays, cost: Floats, start: Floats) -> Floats:
    """Multipliers raised, origin by origin, where a path is too cheap and no build has an excess.

    With every link raised as far as it may be, ``roomy`` paths reach each place no cheaper than
    some value; and no place need be farther than what its flow is worth there. Between the two,
    each arc is raised to the difference of its places (dual ascent: Balakrishnan,
    Magnanti & Wong 1989, from memory).
    """
    origins, links = start.shape
    nodes, arcs = len(net.first) - 1, len(net.end)
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    order = np.empty(origins, np.int64)
    multipliers = start.copy()
    across = np.ascontiguousarray(multipliers.T)
    sums, last = np.empty(len(net.capacity)), np.empty(len(net.capacity))
    for d in range(links):
        collect(net, across[d], d, order, sums, last)
    roomy = np.empty(links)
    seen = np.full(links, -1, np.int64)
    nowhere = np.full(nodes, -np.inf)
    worth, price, roomy_far = np.empty(nodes), np.empty(nodes), np.empty(nodes)
    for o in range(origins):
        limit = -1.0
        worth[:] = 0.0
        for n in range(ends.first[o], ends.first[o + 1]):
            limit = max(limit, ends.gain[n])
            worth[ends.node[n]] = max(worth[ends.node[n]], ends.gain[n])
        reached(
            net, multipliers[o], net.home[o], nowhere, limit, far, by, heap_key, heap_node, done
        )
        if most_short(ends, o, far)[0] < 0:
            continue
        for node in range(nodes):
            if far[node] > limit:
                continue
            for arc in range(net.first[node], net.first[node + 1]):
                d = net.link[arc]
                if seen[d] == o:
                    continue
                seen[d] = o
                room = np.inf
                for k in range(net.build[d], net.build[d + 1]):
                    free = max(0.0, last[k] - multipliers[o, d])
                    part = min(net.most[o], net.capacity[k])
                    if part > 0.0:
                        room = min(room, free + max(0.0, cost[k] - sums[k]) / part)
                roomy[d] = multipliers[o, d] + room
        home = net.home[o]
        reached(net, roomy, home, nowhere, limit, roomy_far, by, heap_key, heap_node, done)
        grew = True
        while grew:
            grew = False
            for node in range(nodes):
                if far[node] > limit:
                    continue
                for arc in range(net.first[node], net.first[node + 1]):
                    ahead = worth[net.end[arc]] - multipliers[o, net.link[arc]]
                    if ahead > worth[node] + 1e-15:
                        worth[node] = ahead
                        grew = True
        for node in range(nodes):
            price[node] = min(roomy_far[node], worth[node])
        for node in range(nodes):
            if far[node] > limit:
                continue
            for arc in range(net.first[node], net.first[node + 1]):
                d = net.link[arc]
                wanted = price[net.end[arc]] - price[node]
                if wanted > multipliers[o, d]:
                    multipliers[o, d] = wanted
                    across[d, o] = wanted
                    collect(net, across[d], d, order, sums, last)
    return multipliers


@compiled
def subgradient_steps(
    net: NetworkArrays, ends: EndArrays, cost: Floats, start: Floats, steps: int, tolerance: float
) -> tuple[float, Floats, Floats, int]:
    """The least dual infeasibility of some steps from ``start``, its multipliers, and steps taken.

    Multipliers are measured by what they bring when an origin sends its most, so that large and
    small origins move alike.
    """
    origins, links = start.shape
    nodes, arcs, pipes = len(net.first) - 1, len(net.end), net.pipe.max() + 1
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    order = np.empty(origins, np.int64)
    short_end = np.empty(origins, np.int64)
    path, path_first = np.empty(origins * nodes, np.int64), np.zeros(origins + 1, np.int64)
    stale = np.ones(links, np.bool_)
    excess, build_of = np.zeros(links), np.full(links, -1, np.int64)
    by_pipe, which = np.zeros(pipes), np.full(pipes, -1, np.int64)
    tail = np.empty(arcs, np.int64)
    for node in range(nodes):
        tail[net.first[node] : net.first[node + 1]] = node
    gain = np.full(nodes, -np.inf)
    multipliers, best = start.copy(), start.copy()
    drift, slope = np.zeros((origins, links)), np.zeros((origins, links))
    across = np.ascontiguousarray(multipliers.T)  # the same by link: each is read in a row
    least, factor, idle, taken = np.inf, 1.0, 0, 0
    while True:
        used, infeasibility = 0, 0.0
        for o in range(origins):
            limit = -1.0
            for n in range(ends.first[o], ends.first[o + 1]):
                limit = max(limit, ends.gain[n])
                gain[ends.node[n]] = max(gain[ends.node[n]], ends.gain[n])
            reached(
                net, multipliers[o], net.home[o], gain, limit, far, by, heap_key, heap_node, done
            )
            for n in range(ends.first[o], ends.first[o + 1]):
                gain[ends.node[n]] = -np.inf
            end, worst = most_short(ends, o, far)
            short_end[o] = end
            if end >= 0:
                infeasibility += worst * net.sends[o]
                node = ends.node[end]
                while by[node] >= 0:
                    path[used] = by[node]
                    used += 1
                    node = tail[by[node]]
            path_first[o + 1] = used
        by_pipe[:] = 0.0
        which[:] = -1
        for d in range(links):
            if stale[d]:
                count = payers(across[d], order)
                build_of[d], excess[d] = excess_of(net, cost, across[d], d, order, count)
                stale[d] = False
            if build_of[d] >= 0 and excess[d] > by_pipe[net.pipe[d]]:
                by_pipe[net.pipe[d]] = excess[d]
                which[net.pipe[d]] = d
        infeasibility += by_pipe.sum()
        if infeasibility < least:
            if infeasibility < 0.99 * least:
                idle = 0
            least = infeasibility
            for o in range(origins):  # a slice takes seconds to compile
                for d in range(links):
                    best[o, d] = multipliers[o, d]
        idle += 1
        if idle >= 12:
            factor, idle = 0.7 * factor, 0
        if least <= tolerance or taken == steps:
            break
        taken += 1
        # the subgradient, by what a multiplier brings when an origin sends its most
        slope[:] = 0.0
        for p in range(pipes):
            d = which[p]
            if d >= 0:
                count = payers(across[d], order)
                left = net.capacity[build_of[d]]
                for n in range(count):
                    part = min(left, net.most[order[n]])
                    slope[order[n], d] += part / net.scale[order[n]]
                    left -= part
                    if left <= 0.0:
                        break
        for o in range(origins):
            for n in range(path_first[o], path_first[o + 1]):
                slope[o, net.link[path[n]]] -= net.sends[o] / net.scale[o]
        inner, long = 0.0, 0.0
        for o in range(origins):
            for d in range(links):
                inner += slope[o, d] * drift[o, d]
                long += drift[o, d] * drift[o, d]
        beta = -DEFLECTED * inner / long if inner < 0.0 else 0.0
        size = 0.0
        for o in range(origins):
            for d in range(links):
                drift[o, d] = slope[o, d] + beta * drift[o, d]
                size += drift[o, d] * drift[o, d]
        if size <= 0.0:
            break
        step = factor * infeasibility / size
        for o in range(origins):
            for d in range(links):
                if drift[o, d] != 0.0:
                    new = max(0.0, multipliers[o, d] - step * drift[o, d] / net.scale[o])
                    if new != multipliers[o, d]:
                        multipliers[o, d] = new
                        across[d, o] = new
                        stale[d] = True
    return least, best, multipliers, taken


@compiled
def cheapest_paths(
    net: NetworkArrays, ends: EndArrays, multipliers: Floats, origin: int
) -> tuple[Ints, Ints, Floats]:
    """The cheapest path of an origin to each of its ends, and the gain less its multipliers.

    Arcs from the end back to its place, where those of each end begin, and the gains (minus
    infinity where there is no path).
    """
    nodes, arcs = len(net.first) - 1, len(net.end)
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    low, high = ends.first[origin], ends.first[origin + 1]
    nowhere = np.full(nodes, -np.inf)
    home = net.home[origin]
    reached(net, multipliers[origin], home, nowhere, np.inf, far, by, heap_key, heap_node, done)
    first = np.zeros(high - low + 1, np.int64)
    gain = np.full(high - low, -np.inf)
    path = np.empty((high - low) * nodes, np.int64)
    used = 0
    for n in range(low, high):
        node = ends.node[n]
        if far[node] < np.inf:
            gain[n - low] = ends.gain[n] - far[node]
            while by[node] >= 0:
                path[used] = by[node]
                used += 1
                node = np.searchsorted(net.first, by[node], side="right") - 1
        first[n - low + 1] = used
    return first, path[:used], gain


@compiled
def openings(
    net: NetworkArrays, ends: EndArrays, cost: Floats, multipliers: Floats
) -> tuple[Floats, Floats]:
    """By build: its cost less what it collects, with multipliers that this link alone needs.

    And by pipe the excess there with the multipliers as they are.

    All other links keep their multipliers, and each shortfall stays: each origin's gains are
    lowered to its paths. A link then needs a multiplier on an origin only for what its path there,
    and on to an end, is short of the gain.
    """
    origins, links = multipliers.shape
    nodes, arcs = len(net.first) - 1, len(net.end)
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    order = np.empty(origins, np.int64)
    needed = np.zeros((origins, links))
    worth = np.empty(nodes)
    for o in range(origins):
        low, high = ends.first[o], ends.first[o + 1]
        limit = -1.0
        for n in range(low, high):
            limit = max(limit, ends.gain[n])
        worth[:] = -np.inf
        reached(net, multipliers[o], net.home[o], worth, limit, far, by, heap_key, heap_node, done)
        for n in range(low, high):
            node = ends.node[n]
            worth[node] = max(worth[node], min(ends.gain[n], far[node]))
        # what flow is worth at a place: cheapest paths to the ends, by repeated passes
        grew = True
        while grew:
            grew = False
            for node in range(nodes):
                for arc in range(net.first[node], net.first[node + 1]):
                    ahead = worth[net.end[arc]] - multipliers[o, net.link[arc]]
                    if ahead > worth[node] + 1e-15 and ahead > 0.0:
                        worth[node] = ahead
                        grew = True
        for node in range(nodes):
            if far[node] < np.inf:
                for arc in range(net.first[node], net.first[node + 1]):
                    need = worth[net.end[arc]] - far[node]
                    d = net.link[arc]
                    if need > needed[o, d]:
                        needed[o, d] = min(need, multipliers[o, d])
    free = np.empty(len(net.capacity))
    infeasibilities = np.zeros(net.pipe.max() + 1)
    for d in range(links):
        multiplier = np.ascontiguousarray(multipliers[:, d])
        count = payers(multiplier, order)
        _, excess = excess_of(net, cost, multiplier, d, order, count)
        infeasibilities[net.pipe[d]] = max(infeasibilities[net.pipe[d]], excess)
        count = payers(np.ascontiguousarray(needed[:, d]), order)
        for k in range(net.build[d], net.build[d + 1]):
            left, collected = net.capacity[k], 0.0
            for n in range(count):
                part = min(left, net.most[order[n]])
                collected += part * needed[order[n], d]
                left -= part
                if left <= 0.0:
                    break
            free[k] = cost[k] - collected
    return free, infeasibilities


def warmed() -> None:
    """Compile all of it, on one source, one pipe and one taker."""
    whole, one = np.zeros(1, dtype=np.int64), np.ones(1)
    steps = np.array([0, 1], dtype=np.int64)
    first = np.array([0, 1, 1], dtype=np.int64)
    made = NetworkArrays(first, whole + 1, whole, whole, one, one, one, whole, steps, one)
    net, gains = packed_net(made), packed_ends(EndArrays(steps, whole + 1, one))
    _, multipliers, _, _ = subgradient_steps(net, gains, one, np.ones((1, 1)), 1, 0.0)
    openings(net, gains, one, dual_ascent(net, gains, one, multipliers))
    cheapest_paths(net, gains, multipliers, 0)
