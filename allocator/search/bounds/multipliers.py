"""What the ducts charge the origins, bettered until little is lacking: duals without a solver.

A relaxation on some paths leaves duals that speak of these paths alone. They are made duals of
all paths by choosing anew the charges ``w[o,d] >= 0`` of every duct ``d`` on every origin ``o``:

* An origin whose flow is worth ``D[o,e]`` more at an end ``e`` than at home must find no way there
  that is charged less. Where it does, the bound falls by the most that it sends times what is
  short (weak duality; what it sends is the sum of its paths).
* A build of a duct carries flow of all origins, none above the most that it sends, in all no more
  than its capacity: it collects at most ``h[d,k] = sum of w[o,d] * f[o]``, f greedy by falling
  charges (the flows are a polymatroid: Edmonds 1970, from memory). A pipe has one build in one
  way, so the bound falls by the largest excess of ``h[d,k]`` over what the build costs, pipe by
  pipe. All threshold cuts of a duct together say the same.

The sum of both lacks is convex and piecewise linear in w and cannot fall below 0: it is lessened by
subgradient steps of the length that would lead to 0 (Polyak 1969, from memory), each turned aside
where it would take back a part of the one before. Whatever w they end at, the bound less the lack
stands.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from allocator.search.bounds.arrays import CutoffArrays, Floats, Web, Whole
from allocator.search.paths.compiled import compiled

Marks = NDArray[np.bool_]
DEFLECTED = 1.5
"""How much of a step back is turned aside (Camerini, Fratta & Maffioli,
Mathematical Programming Study 3, 1975; from memory)."""


@compiled
def reached(
    web: Web,
    charged: Floats,
    home: int,
    gain: Floats,
    limit: float,
    far: Floats,
    by: Whole,
    heap_key: Floats,
    heap_node: Whole,
    done: Marks,
) -> None:
    """Least charged ways from a place to all that is no farther than a limit.

    ``charged``: by duct. ``gain``: of going to each place (minus infinity: none). The limit is the
    most of them at first, and falls by what is short at some place: no place farther can be short
    of more. (All of ``gain`` minus infinity: to the limit.) Fills ``far``, and ``by``, the arc by
    which each place is reached.
    """
    far[:] = np.inf
    by[:] = -1
    done[:] = False
    far[home] = 0.0
    size, worst = 1, 0.0
    heap_key[0], heap_node[0] = 0.0, home
    while size > 0:
        key, node = heap_key[0], heap_node[0]
        size -= 1
        last_key, last_node = heap_key[size], heap_node[size]
        place = 0
        while True:
            child = 2 * place + 1
            if child >= size:
                break
            if child + 1 < size and heap_key[child + 1] < heap_key[child]:
                child += 1
            if heap_key[child] >= last_key:
                break
            heap_key[place], heap_node[place] = heap_key[child], heap_node[child]
            place = child
        heap_key[place], heap_node[place] = last_key, last_node
        if done[node]:
            continue
        if key > limit - worst:
            break
        done[node] = True
        worst = max(worst, gain[node] - key)
        for arc in range(web.first[node], web.first[node + 1]):
            other = web.end[arc]
            if done[other]:
                continue
            way = key + charged[web.duct[arc]]
            if way < far[other]:
                far[other] = way
                by[other] = arc
                place = size
                size += 1
                while place > 0:
                    parent = (place - 1) // 2
                    if heap_key[parent] <= way:
                        break
                    heap_key[place], heap_node[place] = heap_key[parent], heap_node[parent]
                    place = parent
                heap_key[place], heap_node[place] = way, other


@compiled
def most_short(targets: CutoffArrays, origin: int, far: Floats) -> tuple[int, float]:
    """The end that gains most beyond its way (-1 for none), and how much."""
    best, worst = -1, 0.0
    for n in range(targets.first[origin], targets.first[origin + 1]):
        short = targets.gain[n] - far[targets.node[n]]
        if short > worst:
            worst, best = short, n
    return best, worst


@compiled
def payers(charged: Floats, order: Whole) -> int:
    """Origins that a duct charges, by falling charge, into ``order``; how many there are."""
    count = 0
    for o in range(len(charged)):
        charge = charged[o]
        if charge > 0.0:
            place = count
            count += 1
            while place > 0 and charged[order[place - 1]] < charge:
                order[place] = order[place - 1]
                place -= 1
            order[place] = o
    return count


@compiled
def excess_of(
    web: Web, cost: Floats, charged: Floats, duct: int, order: Whole, count: int
) -> tuple[int, float]:
    """The build of a duct that collects most beyond its cost (-1 for none), and by how much."""
    best, worst = -1, 0.0
    for k in range(web.build[duct], web.build[duct + 1]):
        left, collected = web.capacity[k], 0.0
        for n in range(count):
            part = min(left, web.most[order[n]])
            collected += part * charged[order[n]]
            left -= part
            if left <= 0.0:
                break
        if collected - cost[k] > worst:
            worst, best = collected - cost[k], k
    return best, worst


@compiled
def collect(web: Web, charged: Floats, duct: int, order: Whole, sums: Floats, last: Floats) -> None:
    """By build of a duct: what it collects, and the least charge that it collects if it is full.

    An origin may be charged up to that at no more being collected. Fills ``sums`` and ``last``.
    """
    count = payers(charged, order)
    for k in range(web.build[duct], web.build[duct + 1]):
        left = web.capacity[k]
        sums[k], last[k] = 0.0, 0.0
        for n in range(count):
            part = min(left, web.most[order[n]])
            sums[k] += part * charged[order[n]]
            left -= part
            if left <= 0.0:
                last[k] = charged[order[n]]
                break


@compiled
def ascended(web: Web, targets: CutoffArrays, cost: Floats, start: Floats) -> Floats:
    """Charges raised, origin by origin, where it is short and no build comes to lack anything.

    With every duct raised as far as it may be, ``roomy`` ways reach each place no sooner than some
    value; on the other hand no place need be farther than what its flow is worth there. Between
    the two, each arc is raised to the difference of its places (dual ascent: Balakrishnan,
    Magnanti & Wong 1989, from memory).
    """
    origins, ducts = start.shape
    nodes, arcs = len(web.first) - 1, len(web.end)
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    order = np.empty(origins, np.int64)
    charges = start.copy()
    across = np.ascontiguousarray(charges.T)
    sums, last = np.empty(len(web.capacity)), np.empty(len(web.capacity))
    for d in range(ducts):
        collect(web, across[d], d, order, sums, last)
    roomy = np.empty(ducts)
    seen = np.full(ducts, -1, np.int64)
    nowhere = np.full(nodes, -np.inf)
    worth, price, roomy_far = np.empty(nodes), np.empty(nodes), np.empty(nodes)
    for o in range(origins):
        limit = -1.0
        worth[:] = 0.0
        for n in range(targets.first[o], targets.first[o + 1]):
            limit = max(limit, targets.gain[n])
            worth[targets.node[n]] = max(worth[targets.node[n]], targets.gain[n])
        reached(web, charges[o], web.home[o], nowhere, limit, far, by, heap_key, heap_node, done)
        if most_short(targets, o, far)[0] < 0:
            continue
        for node in range(nodes):
            if far[node] > limit:
                continue
            for arc in range(web.first[node], web.first[node + 1]):
                d = web.duct[arc]
                if seen[d] == o:
                    continue
                seen[d] = o
                room = np.inf
                for k in range(web.build[d], web.build[d + 1]):
                    free = max(0.0, last[k] - charges[o, d])
                    part = min(web.most[o], web.capacity[k])
                    if part > 0.0:
                        room = min(room, free + max(0.0, cost[k] - sums[k]) / part)
                roomy[d] = charges[o, d] + room
        home = web.home[o]
        reached(web, roomy, home, nowhere, limit, roomy_far, by, heap_key, heap_node, done)
        grew = True
        while grew:
            grew = False
            for node in range(nodes):
                if far[node] > limit:
                    continue
                for arc in range(web.first[node], web.first[node + 1]):
                    ahead = worth[web.end[arc]] - charges[o, web.duct[arc]]
                    if ahead > worth[node] + 1e-15:
                        worth[node] = ahead
                        grew = True
        for node in range(nodes):
            price[node] = min(roomy_far[node], worth[node])
        for node in range(nodes):
            if far[node] > limit:
                continue
            for arc in range(web.first[node], web.first[node + 1]):
                d = web.duct[arc]
                wanted = price[web.end[arc]] - price[node]
                if wanted > charges[o, d]:
                    charges[o, d] = wanted
                    across[d, o] = wanted
                    collect(web, across[d], d, order, sums, last)
    return charges


@compiled
def bettered(
    web: Web, targets: CutoffArrays, cost: Floats, start: Floats, steps: int, tolerance: float
) -> tuple[float, Floats, Floats, int]:
    """The least lack that some steps from charges ``start`` find, its charges, and steps taken.

    Charges are measured by what they bring when an origin sends its most, so that large and small
    origins move alike.
    """
    origins, ducts = start.shape
    nodes, arcs, pipes = len(web.first) - 1, len(web.end), web.pipe.max() + 1
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    order = np.empty(origins, np.int64)
    short_end = np.empty(origins, np.int64)
    path, path_first = np.empty(origins * nodes, np.int64), np.zeros(origins + 1, np.int64)
    stale = np.ones(ducts, np.bool_)
    excess, build_of = np.zeros(ducts), np.full(ducts, -1, np.int64)
    by_pipe, which = np.zeros(pipes), np.full(pipes, -1, np.int64)
    tail = np.empty(arcs, np.int64)
    for node in range(nodes):
        tail[web.first[node] : web.first[node + 1]] = node
    gain = np.full(nodes, -np.inf)
    charges, best = start.copy(), start.copy()
    drift, slope = np.zeros((origins, ducts)), np.zeros((origins, ducts))
    across = np.ascontiguousarray(charges.T)  # the same by duct: each way is read in a row
    least, factor, idle, taken = np.inf, 1.0, 0, 0
    while True:
        used, lack = 0, 0.0
        for o in range(origins):
            limit = -1.0
            for n in range(targets.first[o], targets.first[o + 1]):
                limit = max(limit, targets.gain[n])
                gain[targets.node[n]] = max(gain[targets.node[n]], targets.gain[n])
            reached(web, charges[o], web.home[o], gain, limit, far, by, heap_key, heap_node, done)
            for n in range(targets.first[o], targets.first[o + 1]):
                gain[targets.node[n]] = -np.inf
            end, worst = most_short(targets, o, far)
            short_end[o] = end
            if end >= 0:
                lack += worst * web.sends[o]
                node = targets.node[end]
                while by[node] >= 0:
                    path[used] = by[node]
                    used += 1
                    node = tail[by[node]]
            path_first[o + 1] = used
        by_pipe[:] = 0.0
        which[:] = -1
        for d in range(ducts):
            if stale[d]:
                count = payers(across[d], order)
                build_of[d], excess[d] = excess_of(web, cost, across[d], d, order, count)
                stale[d] = False
            if build_of[d] >= 0 and excess[d] > by_pipe[web.pipe[d]]:
                by_pipe[web.pipe[d]] = excess[d]
                which[web.pipe[d]] = d
        lack += by_pipe.sum()
        if lack < least:
            if lack < 0.99 * least:
                idle = 0
            least = lack
            best[:] = charges
        idle += 1
        if idle >= 12:
            factor, idle = 0.7 * factor, 0
        if least <= tolerance or taken == steps:
            break
        taken += 1
        # the subgradient, by what a charge brings when an origin sends its most
        slope[:] = 0.0
        for p in range(pipes):
            d = which[p]
            if d >= 0:
                count = payers(across[d], order)
                left = web.capacity[build_of[d]]
                for n in range(count):
                    part = min(left, web.most[order[n]])
                    slope[order[n], d] += part / web.scale[order[n]]
                    left -= part
                    if left <= 0.0:
                        break
        for o in range(origins):
            for n in range(path_first[o], path_first[o + 1]):
                slope[o, web.duct[path[n]]] -= web.sends[o] / web.scale[o]
        inner, long = 0.0, 0.0
        for o in range(origins):
            for d in range(ducts):
                inner += slope[o, d] * drift[o, d]
                long += drift[o, d] * drift[o, d]
        beta = -DEFLECTED * inner / long if inner < 0.0 else 0.0
        size = 0.0
        for o in range(origins):
            for d in range(ducts):
                drift[o, d] = slope[o, d] + beta * drift[o, d]
                size += drift[o, d] * drift[o, d]
        if size <= 0.0:
            break
        step = factor * lack / size
        for o in range(origins):
            for d in range(ducts):
                if drift[o, d] != 0.0:
                    new = max(0.0, charges[o, d] - step * drift[o, d] / web.scale[o])
                    if new != charges[o, d]:
                        charges[o, d] = new
                        across[d, o] = new
                        stale[d] = True
    return least, best, charges, taken


@compiled
def ways(
    web: Web, targets: CutoffArrays, charges: Floats, origin: int
) -> tuple[Whole, Whole, Floats]:
    """The least charged way of an origin to each of its ends, and what is gained less charges.

    Arcs from the end back to its place, where those of each end begin, and the gains (minus
    infinity where there is no way).
    """
    nodes, arcs = len(web.first) - 1, len(web.end)
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    low, high = targets.first[origin], targets.first[origin + 1]
    nowhere = np.full(nodes, -np.inf)
    home = web.home[origin]
    reached(web, charges[origin], home, nowhere, np.inf, far, by, heap_key, heap_node, done)
    first = np.zeros(high - low + 1, np.int64)
    gain = np.full(high - low, -np.inf)
    path = np.empty((high - low) * nodes, np.int64)
    used = 0
    for n in range(low, high):
        node = targets.node[n]
        if far[node] < np.inf:
            gain[n - low] = targets.gain[n] - far[node]
            while by[node] >= 0:
                path[used] = by[node]
                used += 1
                node = np.searchsorted(web.first, by[node], side="right") - 1
        first[n - low + 1] = used
    return first, path[:used], gain


@compiled
def openings(
    web: Web, targets: CutoffArrays, cost: Floats, charges: Floats
) -> tuple[Floats, Floats]:
    """By build: its cost less what it collects, charged no more than this duct alone needs.

    And by pipe what is lacking there with the charges as they are.

    All other ducts keep their charges, and what is short stays so: each origin's gains are
    lowered to its ways. A duct then need charge an origin only what its way there, and on to an
    end, lacks of the gain.
    """
    origins, ducts = charges.shape
    nodes, arcs = len(web.first) - 1, len(web.end)
    far, by = np.empty(nodes), np.empty(nodes, np.int64)
    heap_key, heap_node = np.empty(arcs + 2), np.empty(arcs + 2, np.int64)
    done = np.empty(nodes, np.bool_)
    order = np.empty(origins, np.int64)
    needed = np.zeros((origins, ducts))
    worth = np.empty(nodes)
    for o in range(origins):
        low, high = targets.first[o], targets.first[o + 1]
        limit = -1.0
        for n in range(low, high):
            limit = max(limit, targets.gain[n])
        worth[:] = -np.inf
        reached(web, charges[o], web.home[o], worth, limit, far, by, heap_key, heap_node, done)
        for n in range(low, high):
            node = targets.node[n]
            worth[node] = max(worth[node], min(targets.gain[n], far[node]))
        # what flow is worth at a place: least charged ways to the ends, by repeated passes
        grew = True
        while grew:
            grew = False
            for node in range(nodes):
                for arc in range(web.first[node], web.first[node + 1]):
                    ahead = worth[web.end[arc]] - charges[o, web.duct[arc]]
                    if ahead > worth[node] + 1e-15 and ahead > 0.0:
                        worth[node] = ahead
                        grew = True
        for node in range(nodes):
            if far[node] < np.inf:
                for arc in range(web.first[node], web.first[node + 1]):
                    need = worth[web.end[arc]] - far[node]
                    d = web.duct[arc]
                    if need > needed[o, d]:
                        needed[o, d] = min(need, charges[o, d])
    free = np.empty(len(web.capacity))
    lacks = np.zeros(web.pipe.max() + 1)
    for d in range(ducts):
        charged = np.ascontiguousarray(charges[:, d])
        count = payers(charged, order)
        _, excess = excess_of(web, cost, charged, d, order, count)
        lacks[web.pipe[d]] = max(lacks[web.pipe[d]], excess)
        count = payers(np.ascontiguousarray(needed[:, d]), order)
        for k in range(web.build[d], web.build[d + 1]):
            left, collected = web.capacity[k], 0.0
            for n in range(count):
                part = min(left, web.most[order[n]])
                collected += part * needed[order[n], d]
                left -= part
                if left <= 0.0:
                    break
            free[k] = cost[k] - collected
    return free, lacks


def warmed() -> None:
    """Compile all of it, on one source, one pipe and one taker."""
    whole, one = np.zeros(1, dtype=np.int64), np.ones(1)
    steps = np.array([0, 1], dtype=np.int64)
    first = np.array([0, 1, 1], dtype=np.int64)
    web = Web(first, whole + 1, whole, whole, one, one, one, whole, steps, one)
    gains = CutoffArrays(steps, whole + 1, one)
    _, charges, _, _ = bettered(web, gains, one, np.ones((1, 1)), 1, 0.0)
    openings(web, gains, one, ascended(web, gains, one, charges))
    ways(web, gains, charges, 0)
