"""Weights of pipes by origin, kept only near each origin.

A *region* of an origin is the nodes nearest to it. It has a weight for each link that begins in its
region; on all other links its weight is 0, so that a path out of the region costs no more once it
is outside (its *exit*). That keeps a thousand origins among ten thousand pipes small, and holds for
any regions (:mod:`allocator.search.bounds.carrying` says what weights prove).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.base.packing import Pointer, PointerType, define
from allocator.search.bounds.arrays import EndArrays, Floats, Ints, NetworkArrays
from allocator.search.paths.compiled import compiled
from allocator.search.paths.heap import drop_first, push

REGION = 160
"""Nodes of a region at most."""
LOWERED = 1.0 - 1e-9
"""What weights are lowered by, beyond what a build gives up: rounding of their sums."""

Room = tuple[Floats, Ints, NDArray[np.bool_], Floats, Ints]
"""Arrays for paths in the largest region: ``far``, ``by``, ``done``, and a heap."""


class Regions(NamedTuple):
    """Regions of all origins, one after the other.

    By origin: ``node_first``, ``slot_first``, ``end_first``; ``most`` and ``scale`` as in
    :class:`NetworkArrays`; ``sends``. ``arc_first`` by node of a region; by arc ``arc_end`` (number
    in the region, -1 outside), ``arc_slot``, and ``arc_number`` among all arcs. A *slot* is a link
    of a region: ``slot_origin``, ``slot_link``; ``link_first`` and ``link_slot`` list them by link.
    ``end_node``: number of each end in the region, -1 outside. ``pipe`` by link, ``build`` where
    its builds begin, ``capacity``.
    """

    node_first: Ints
    arc_first: Ints
    arc_end: Ints
    arc_slot: Ints
    arc_number: Ints
    slot_first: Ints
    slot_origin: Ints
    slot_link: Ints
    link_first: Ints
    link_slot: Ints
    end_first: Ints
    end_node: Ints
    most: Floats
    sends: Floats
    scale: Floats
    pipe: Ints
    build: Ints
    capacity: Floats


class _RegionsType(PointerType):
    """Of :class:`Regions`."""


class PackedRegions(Pointer):
    """What compiled loops see of :class:`Regions`."""


define(PackedRegions, _RegionsType, Regions)


@compiled
def packed_regions(regions: Regions) -> Regions:
    """The same arrays behind a pointer."""
    return PackedRegions(
        regions.node_first,
        regions.arc_first,
        regions.arc_end,
        regions.arc_slot,
        regions.arc_number,
        regions.slot_first,
        regions.slot_origin,
        regions.slot_link,
        regions.link_first,
        regions.link_slot,
        regions.end_first,
        regions.end_node,
        regions.most,
        regions.sends,
        regions.scale,
        regions.pipe,
        regions.build,
        regions.capacity,
    )


def regions_of(net: NetworkArrays, ends: EndArrays, length: Floats, most: int = REGION) -> Regions:
    """The regions of all origins: nodes nearest by a length of each link."""
    nodes, origins, links = len(net.first) - 1, len(net.home), len(net.pipe)
    arc_first: list[Ints] = []
    arc_end: list[Ints] = []
    arc_slot: list[Ints] = []
    arc_number: list[Ints] = []
    slot_origin: list[Ints] = []
    slot_link: list[Ints] = []
    arc_count = 0
    node_first, slot_first = [0], [0]
    end_node = np.full(len(ends.node), -1, dtype=np.int64)
    place = np.full(nodes, -1, dtype=np.int64)
    for origin in range(origins):
        near = _nearest(net.first, net.end, net.link, length, int(net.home[origin]), most)
        place[near] = np.arange(len(near))
        counts = net.first[near + 1] - net.first[near]
        begins = np.cumsum(counts) - counts
        arcs = np.repeat(net.first[near] - begins, counts) + np.arange(int(counts.sum()))
        mine, slot = np.unique(net.link[arcs], return_inverse=True)
        arc_first.append(begins + arc_count)
        arc_count += len(arcs)
        arc_end.append(place[net.end[arcs]])
        arc_number.append(arcs)
        arc_slot.append(slot.reshape(-1) + slot_first[-1])
        slot_link.append(mine)
        slot_origin.append(np.full(len(mine), origin, dtype=np.int64))
        node_first.append(node_first[-1] + len(near))
        slot_first.append(slot_first[-1] + len(mine))
        span = slice(ends.first[origin], ends.first[origin + 1])
        end_node[span] = place[ends.node[span]]
        place[near] = -1
    link = _joined(slot_link)
    by_link = np.argsort(link, kind="stable").astype(np.int64)
    return Regions(
        np.array(node_first, dtype=np.int64),
        np.append(_joined(arc_first), arc_count).astype(np.int64),
        _joined(arc_end),
        _joined(arc_slot),
        _joined(arc_number),
        np.array(slot_first, dtype=np.int64),
        _joined(slot_origin),
        link,
        np.searchsorted(link[by_link], np.arange(links + 1)).astype(np.int64),
        by_link,
        ends.first,
        end_node,
        net.most,
        net.sends,
        net.scale,
        net.pipe,
        net.build,
        net.capacity,
    )


def _joined(parts: list[Ints]) -> Ints:
    whole: Ints = np.concatenate([*parts, np.zeros(0, dtype=np.int64)]).astype(np.int64)
    return whole


@compiled
def _nearest(first: Ints, end: Ints, link: Ints, length: Floats, home: int, most: int) -> Ints:
    """The nodes nearest to one, itself first, by the lengths of links."""
    nodes = len(first) - 1
    far, done = np.full(nodes, np.inf), np.zeros(nodes, np.bool_)
    key, held = np.empty(len(end) + 2), np.empty(len(end) + 2, np.int64)
    found, count = np.empty(min(most, nodes), np.int64), 0
    far[home] = 0.0
    key[0], held[0], size = 0.0, home, 1
    while size > 0 and count < len(found):
        node = int(held[0])
        size = drop_first(key, held, size)
        if done[node]:
            continue
        done[node] = True
        found[count] = node
        count += 1
        for arc in range(first[node], first[node + 1]):
            way = far[node] + length[link[arc]]
            if way < far[end[arc]]:
                far[end[arc]] = way
                size = push(key, held, size, way, end[arc])
    return found[:count]


@compiled
def reached(
    regions: Regions, weight: Floats, origin: int, worth: Floats, limit: float, room: Room
) -> None:
    """Cheapest paths in a region: ``far`` and the arc ``by`` which each node, and the exit, is met.

    ``worth``: of each node, the exit last (minus infinity: none); nodes farther than the largest
    worth (``limit``) less the shortfall met so far are not looked at.
    """
    far, by, done, key, held = room
    first = regions.node_first[origin]
    nodes = regions.node_first[origin + 1] - first
    far[: nodes + 1] = np.inf
    by[: nodes + 1] = -1
    done[: nodes + 1] = False
    far[0] = 0.0
    key[0], held[0], size, worst = 0.0, 0, 1, 0.0
    while size > 0:
        near = key[0]
        node = int(held[0])
        size = drop_first(key, held, size)
        if done[node]:
            continue
        if near > limit - worst:
            break
        done[node] = True
        worst = max(worst, worth[node] - near)
        if node == nodes:
            continue
        for arc in range(regions.arc_first[first + node], regions.arc_first[first + node + 1]):
            other = regions.arc_end[arc]
            if other < 0:
                other = nodes
            way = near + weight[regions.arc_slot[arc]]
            if way < far[other] and not done[other]:
                far[other] = way
                by[other] = arc
                size = push(key, held, size, way, other)


@compiled
def room_for(regions: Regions) -> Room:
    """Arrays for the largest region."""
    origins = len(regions.most)
    nodes, arcs = 0, 0
    for o in range(origins):
        low, high = regions.node_first[o], regions.node_first[o + 1]
        nodes = max(nodes, high - low)
        arcs = max(arcs, regions.arc_first[high] - regions.arc_first[low])
    return (
        np.empty(nodes + 1),
        np.empty(nodes + 1, np.int64),
        np.empty(nodes + 1, np.bool_),
        np.empty(arcs + 2),
        np.empty(arcs + 2, np.int64),
    )


@compiled
def payers(regions: Regions, weight: Floats, link: int, order: Ints) -> int:
    """Slots of a link with a weight, by falling weight, into ``order``; their number."""
    count = 0
    for n in range(regions.link_first[link], regions.link_first[link + 1]):
        slot = regions.link_slot[n]
        if weight[slot] > 0.0:
            place = count
            count += 1
            while place > 0 and weight[order[place - 1]] < weight[slot]:
                order[place] = order[place - 1]
                place -= 1
            order[place] = slot
    return count


@compiled
def collected(regions: Regions, weight: Floats, order: Ints, count: int, build: int) -> float:
    """The most that the payers of a build can bring together: those with most weight first."""
    left, total = regions.capacity[build], 0.0
    for n in range(count):
        part = min(left, regions.most[regions.slot_origin[order[n]]])
        total += part * weight[order[n]]
        left -= part
        if left <= 0.0:
            break
    return total


@compiled
def lowered(regions: Regions, cost: Floats, weight: Floats) -> Floats:
    """The weights, lowered link by link, so that no build collects more than it costs."""
    found, order = weight.copy(), np.empty(len(regions.most), np.int64)
    for d in range(len(regions.pipe)):
        count = payers(regions, weight, d, order)
        factor = 1.0
        for k in range(regions.build[d], regions.build[d + 1]):
            brought = collected(regions, weight, order, count, k)
            if brought * factor > cost[k]:
                factor = cost[k] / brought
        for n in range(count):
            found[order[n]] = weight[order[n]] * factor * LOWERED
    return found


@compiled
def distances(regions: Regions, weight: Floats) -> Floats:
    """By end: the weight of the cheapest path to it; outside a region, that of the exit."""
    room = room_for(regions)
    far = room[0]
    worth = np.full(len(far), -np.inf)
    found = np.empty(len(regions.end_node))
    for o in range(len(regions.most)):
        reached(regions, weight, o, worth, np.inf, room)
        nodes = regions.node_first[o + 1] - regions.node_first[o]
        for n in range(regions.end_first[o], regions.end_first[o + 1]):
            node = regions.end_node[n]
            # the exit may be nearer: outside, nothing is known of the way back
            found[n] = far[nodes] if node < 0 else min(far[node], far[nodes])
    return found
