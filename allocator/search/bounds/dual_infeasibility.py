"""What is wrong with multipliers: paths that are too cheap, and builds that collect too much.

Of multipliers ``w[o,d]`` of links ``d`` on origins ``o``:

* An origin whose flow is worth ``D[o,e]`` more at an end ``e`` than at home must have no path
  there whose multipliers sum to less. Where it has one, the bound falls by the most that it sends
  times the shortfall (weak duality; what it sends is the sum of its paths).
* A build of a link carries flow of all origins, none above the most that it sends, in all no more
  than its capacity: it collects at most ``h[d,k] = sum of w[o,d] * f[o]``, f greedy by falling
  multipliers (the flows are a polymatroid: Edmonds 1970, from memory). A pipe has one build in one
  direction, so the bound falls by the largest excess of ``h[d,k]`` over what the build costs, pipe
  by pipe. All threshold cuts of a link together say the same.

The sum of both is the dual infeasibility. The bound less that is valid for any multipliers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from allocator.search.bounds.arrays import EndArrays, Floats, Ints, NetworkArrays
from allocator.search.paths.compiled import compiled
from allocator.search.paths.heap import drop_first, push

Marks = NDArray[np.bool_]


@compiled
def reached(
    net: NetworkArrays,
    multiplier: Floats,
    home: int,
    gain: Floats,
    limit: float,
    far: Floats,
    by: Ints,
    heap_key: Floats,
    heap_node: Ints,
    done: Marks,
) -> None:
    """Cheapest paths, by multipliers, from a place to all that is no farther than a limit.

    ``multiplier``: by link. ``gain``: of going to each place (minus infinity: none). The limit
    is the largest gain at first, and falls by the shortfall at some place: no farther place can
    have a larger one. (All of ``gain`` minus infinity: to the limit.) Fills ``far``, and ``by``,
    the arc by which each place is reached.
    """
    far[:] = np.inf
    by[:] = -1
    done[:] = False
    far[home] = 0.0
    size, worst = 1, 0.0
    heap_key[0], heap_node[0] = 0.0, home
    while size > 0:
        key, node = heap_key[0], int(heap_node[0])
        size = drop_first(heap_key, heap_node, size)
        if done[node]:
            continue
        if key > limit - worst:
            break
        done[node] = True
        worst = max(worst, gain[node] - key)
        for arc in range(net.first[node], net.first[node + 1]):
            other = net.end[arc]
            if done[other]:
                continue
            way = key + multiplier[net.link[arc]]
            if way < far[other]:
                far[other] = way
                by[other] = arc
                size = push(heap_key, heap_node, size, way, other)


@compiled
def most_short(ends: EndArrays, origin: int, far: Floats) -> tuple[int, float]:
    """The end with the largest gain beyond its path (-1 for none), and how much."""
    best, worst = -1, 0.0
    for n in range(ends.first[origin], ends.first[origin + 1]):
        short = ends.gain[n] - far[ends.node[n]]
        if short > worst:
            worst, best = short, n
    return best, worst


@compiled
def payers(multiplier: Floats, order: Ints) -> int:
    """Origins with a multiplier on a link, by falling multiplier, into ``order``; their number."""
    count = 0
    for o in range(len(multiplier)):
        rate = multiplier[o]
        if rate > 0.0:
            place = count
            count += 1
            while place > 0 and multiplier[order[place - 1]] < rate:
                order[place] = order[place - 1]
                place -= 1
            order[place] = o
    return count


@compiled
def excess_of(
    net: NetworkArrays, cost: Floats, multiplier: Floats, link: int, order: Ints, count: int
) -> tuple[int, float]:
    """The build of a link with the largest excess over its cost (-1 for none), and that excess."""
    best, worst = -1, 0.0
    for k in range(net.build[link], net.build[link + 1]):
        left, collected = net.capacity[k], 0.0
        for n in range(count):
            part = min(left, net.most[order[n]])
            collected += part * multiplier[order[n]]
            left -= part
            if left <= 0.0:
                break
        if collected - cost[k] > worst:
            worst, best = collected - cost[k], k
    return best, worst
