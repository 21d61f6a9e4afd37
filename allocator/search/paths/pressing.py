"""Whether a state has the pressure it needs, and the cheapest builds and boosters that give it.

Potentials are those of :mod:`allocator.model.pressures`: each node has a low and a high header. A
state needs at each header at least what its ends need there, and what the pipes it feeds need
beyond their losses; so the least potentials that will do follow from the ends backwards:

    low_i >= high_j + loss - boost     a pipe of one direction from i to j,
    high_i >= high_j + loss            filling of a spur,    low_j >= low_i + loss its release,
    low_j >= end Q^2 - least           gas that is slow enough behind a pipe,    high_i >= low_i.

They will do if they pass neither a mouth of a source, nor what a store releases at, nor the widest
difference of all. Else the way from that header on to the end that asks for most is followed: one
of its pipes is enlarged, or a booster is placed there, whichever gives most of what is missing for
its stock; and so on until nothing is missing.
"""

from __future__ import annotations

import math

import numpy as np

from allocator.search.paths.compiled import compiled
from allocator.search.paths.loads import DUST, lay, level_of, place
from allocator.search.paths.records import (
    AIR,
    DRAWN,
    END,
    FACTOR,
    GROWTH,
    HEAD,
    HOPS,
    LAMINAR,
    LEAST,
    LENGTH,
    LINKS,
    LOGGED,
    MORE,
    QUEUED,
    REYNOLDS,
    ROUGH,
    ROUGHER,
    SWIFT,
    Arrays,
    PathState,
    Room,
)

MISSING = 1e-7
"""Share of the width: a potential that falls short by less is enough."""
TOO_MUCH = 4.0
"""Widths: a need above this is not followed any further, as ways form a cycle there."""
ENLARGED = 60
"""Enlargements at most for one path."""
LN10 = math.log(10.0)
SURE = 1.0005
"""Factor on losses, on the safe side: the one step of Newton's method errs by 4e-6 of them."""
OF_END, OF_LOW = -1, -2
"""Causes of a need: an end there; the low header of the same node. Below: -3 less the pipe times 2,
plus 1 against it, whose gas would be too fast. Others are links."""


@compiled
def loss_of(arrays: Arrays, pipe: int, back: int, level: int, flow: float) -> float:
    """Potential lost along a pipe: the larger of laminar loss and Colebrook's, and the head."""
    head: float = arrays.friction[pipe, back, level, HEAD]
    factor = arrays.friction[pipe, back, level, FACTOR]
    if factor <= 0.0 or flow <= 0.0:
        return head
    lost: float = arrays.friction[pipe, back, level, LAMINAR] * flow
    re = arrays.friction[pipe, back, level, REYNOLDS] * flow
    if re > 300.0:
        rough = arrays.friction[pipe, back, level, ROUGH]
        x = -1.8 * math.log10(arrays.friction[pipe, back, level, ROUGHER] + 6.9 / re)
        inner = rough + 2.51 * x / re  # one of Newton's steps from Haaland's start
        slope = 1.0 + 2.0 / LN10 * 2.51 / re / inner
        x -= (x + 2.0 * math.log10(inner)) / slope
        lost = max(lost, factor * flow * flow / (x * x))
    return SURE * lost + head


@compiled
def _known_loss(arrays: Arrays, room: Room, pipe: int, back: int, level: int, flow: float) -> float:
    """The same, looked up where it is that of the last time."""
    at = 2 * pipe + back
    if room.known_flow[at] != flow or room.known_level[at] != level:
        room.known_flow[at] = flow
        room.known_level[at] = level
        room.known_loss[at] = loss_of(arrays, pipe, back, level, flow)
    lost: float = room.known_loss[at]
    return lost


@compiled
def _raised(room: Room, header: int, value: float) -> bool:
    """Let a header need a potential, and its node's high one with it; whether that is more."""
    if value <= room.need[header] + 1e-12:
        return False
    count, size = len(room.need), room.counts[QUEUED]
    for h in range(header, header + 2 - header % 2):
        if value <= room.need[h] + 1e-12:
            break
        room.need[h] = value
        room.cause[h] = OF_LOW
        if not room.queued[h]:
            room.queued[h] = True
            room.queue[size % count] = h
            size += 1
    room.counts[QUEUED] = size
    return True


@compiled
def _link(
    arrays: Arrays,
    state: PathState,
    room: Room,
    start: int,
    end: int,
    way: int,
    flow: float,
) -> None:
    """Add the link of a flow along a way of a pipe, and what keeps it slow enough at its end."""
    pipe, back, link = way // 2, way % 2, room.counts[LINKS]
    level = level_of(arrays, pipe, int(state.floor[pipe]), state.load[pipe])
    room.link_from[link], room.link_to[link] = start, end
    room.link_pipe[link] = way
    room.link_flow[link] = flow
    room.link_loss[link] = _known_loss(arrays, room, pipe, back, level, flow)
    room.link_gain[link] = 0.0
    room.link_next[link] = room.into[end]
    room.into[end] = link
    room.counts[LINKS] = link + 1
    needed = (
        arrays.friction[pipe, back, level, END] * flow * flow
        - arrays.friction[pipe, back, level, LEAST]
    )
    if _raised(room, end - end % 2, needed):
        room.cause[end - end % 2] = -3 - way


@compiled
def _before(arrays: Arrays, state: PathState, room: Room, link: int) -> float:
    """What is needed at the start of a link, by ``PipeLoss.before``, less what boosters add."""
    end, flow = room.need[room.link_to[link]], room.link_flow[link]
    pipe, back = room.link_pipe[link] // 2, room.link_pipe[link] % 2
    level = level_of(arrays, pipe, int(state.floor[pipe]), state.load[pipe])
    swift = arrays.friction[pipe, back, level, SWIFT] * flow * flow
    slower = end + arrays.friction[pipe, back, level, LEAST] - swift
    if swift > 0.0 and slower <= 0.0:
        return TOO_MUCH + 1.0
    head = arrays.friction[pipe, back, level, HEAD]
    need: float = end + room.link_loss[link]
    if swift > 0.0:
        need += (room.link_loss[link] + room.link_gain[link] - head) * swift / slower
    growth = arrays.friction[pipe, back, level, GROWTH]
    if growth <= 0.0:
        return need
    if growth >= 1.0:
        return TOO_MUCH + 1.0
    air, gain = arrays.friction[pipe, back, level, AIR], room.link_gain[link]
    more = arrays.friction[pipe, back, level, MORE]
    behind = need + gain - head
    squared = air * air + 4.0 * (1.0 - growth) * max(0.0, behind + more)
    root = (math.sqrt(squared) - air) / (2.0 * (1.0 - growth))
    risen: float = root * root - more - gain
    return max(need, risen)


@compiled
def needs(arrays: Arrays, state: PathState, room: Room) -> bool:
    """Find what each header needs; False where flows or boosters are none that can be."""
    headers = len(room.need)
    for h in range(headers):
        room.need[h], room.cause[h], room.into[h] = 0.0, OF_END, -1
        room.queued[h] = False
    room.counts[QUEUED], room.counts[LINKS] = 0, 0
    for g in range(len(arrays.sink_node)):
        if state.park[g] > DUST and arrays.inlet[g] > 0.0:
            h = 2 * arrays.potential[arrays.sink_node[g]]
            if _raised(room, h, arrays.inlet[g]):
                room.cause[h] = OF_END
    for k in range(len(arrays.store_node)):
        if state.stores[k, DRAWN] > DUST and arrays.filled[k] > 0.0:
            needed = arrays.filled[k]
            b = arrays.booster_first[2 * len(arrays.tail) + k]
            while b >= 0:
                if state.boost[b] > 0.5:
                    needed = max(needed - arrays.booster_gain[b], arrays.booster_inlet[b])
                b = arrays.booster_next[b]
            h = 2 * arrays.potential[arrays.store_node[k]] + 1
            if _raised(room, h, needed):
                room.cause[h] = OF_END
    for e in range(len(arrays.tail)):
        if state.load[e] <= DUST:
            continue
        i, j = 2 * arrays.potential[arrays.tail[e]], 2 * arrays.potential[arrays.head[e]]
        if i < 0 or i == j:
            continue
        if level_of(arrays, e, int(state.floor[e]), state.load[e]) >= arrays.builds[e]:
            return False
        forth = state.flow[4 * e] + state.flow[4 * e + 1]
        against = state.flow[4 * e + 2] + state.flow[4 * e + 3]
        spur = forth > DUST and against > DUST
        back = 0 if (state.flow[4 * e] if spur else forth) > DUST else 1
        way = 2 * e + back
        if back:
            i, j = j, i
        if spur:
            filled, released = state.flow[2 * way], state.flow[4 * e + 3 - 2 * back]
            if forth + against - filled - released > DUST or arrays.spur[e, back] == 0:
                return False
            _link(arrays, state, room, i + 1, j + 1, way, filled)
            _link(arrays, state, room, j, i, 4 * e + 1 - way, released)
            continue
        _link(arrays, state, room, i, j + 1, way, max(forth, against))
        b = arrays.booster_first[way]
        while b >= 0:
            if state.boost[b] > 0.5:
                if max(forth, against) > arrays.booster_most[b]:
                    return False
                room.link_loss[room.counts[LINKS] - 1] -= arrays.booster_gain[b]
                room.link_gain[room.counts[LINKS] - 1] += arrays.booster_gain[b]
                if _raised(room, i, arrays.booster_inlet[b]):
                    room.cause[i] = OF_END
            b = arrays.booster_next[b]
    for r in range(room.counts[LINKS]):  # no potential is below 0
        h = room.link_from[r]
        if _raised(room, h, _before(arrays, state, room, r)):
            room.cause[h] = r
    at = 0
    while at < room.counts[QUEUED]:
        h = room.queue[at % headers]
        at += 1
        room.queued[h] = False
        if room.need[h] > TOO_MUCH or at > 40 * headers:
            return False
        r = room.into[h]
        while r >= 0:
            if _raised(room, room.link_from[r], _before(arrays, state, room, r)):
                room.cause[room.link_from[r]] = r
            r = room.link_next[r]
    return True


@compiled
def _furthest(arrays: Arrays, state: PathState, room: Room) -> tuple[int, float]:
    """The header that lacks most, and how much; -1 where nothing is lacking."""
    worst, most = -1, MISSING
    for h in range(len(room.need)):
        if room.need[h] - 1.0 > most:
            worst, most = h, room.need[h] - 1.0
    for s in range(len(arrays.most)):
        if state.taken[s] > DUST:
            p = arrays.potential[arrays.source_node[s]]
            if p >= 0 and room.need[2 * p + 1] - arrays.mouth[s] > most:
                worst, most = 2 * p + 1, room.need[2 * p + 1] - arrays.mouth[s]
    for k in range(len(arrays.store_node)):
        if state.stores[k, DRAWN] > DUST:
            p = arrays.potential[arrays.store_node[k]]
            if p >= 0 and room.need[2 * p] - arrays.released[k] > most:
                worst, most = 2 * p, room.need[2 * p] - arrays.released[k]
    return worst, most


@compiled
def _may_stand(arrays: Arrays, state: PathState, booster: int) -> bool:
    """Whether one more booster is within what there may be of its kind and at its place."""
    if state.boost[booster] > 0.5:
        return False
    for turn in range(2):
        group = arrays.booster_group[booster, turn]
        standing = 1.0
        for b in range(len(state.boost)):
            if arrays.booster_group[b, turn] == group:
                standing += state.boost[b]
        if standing > arrays.group_most[group] + 0.5:
            return False
    return True


@compiled
def _helped(arrays: Arrays, state: PathState, room: Room, header: int, missing: float) -> bool:
    """Enlarge the pipe, or place the booster, that gives most for its stock from a header on."""
    best, chosen, chosen_level, ended = 0.0, -1, -1, False
    pipes = len(arrays.tail)
    for _ in range(2 * len(room.need)):
        cause = room.cause[header]
        if cause == OF_LOW:
            header -= 1
            continue
        at = -1  # the inlet at which boosters are looked for
        if cause == OF_END:
            for k in range(len(arrays.store_node)):
                p = arrays.potential[arrays.store_node[k]]
                if header == 2 * p + 1 and arrays.filled[k] == room.need[header]:
                    at = 2 * pipes + k
        else:
            way = room.link_pipe[cause] if cause >= 0 else -3 - cause
            pipe, back = way // 2, way % 2
            flow = (
                room.link_flow[cause]
                if cause >= 0
                else max(state.flow[2 * way] + state.flow[2 * way + 1], 0.0)
            )
            level = level_of(arrays, pipe, int(state.floor[pipe]), state.load[pipe])
            for k in range(level + 1, arrays.builds[pipe]):
                if cause >= 0:
                    gain = _known_loss(arrays, room, pipe, back, level, flow) - loss_of(
                        arrays, pipe, back, k, flow
                    )
                else:
                    gain = (
                        flow
                        * flow
                        * (
                            arrays.friction[pipe, back, level, END]
                            - arrays.friction[pipe, back, k, END]
                        )
                    )
                prices = 1 + arrays.capacity.shape[1]
                dearer = arrays.steps[pipe, prices + k] - arrays.steps[pipe, prices + level]
                if min(gain, missing) > best * (dearer + 1e-9):
                    best, chosen = min(gain, missing) / (dearer + 1e-9), pipe
                    chosen_level = k
            if cause >= 0 and room.link_from[cause] % 2 == 0 and room.link_to[cause] % 2 == 1:
                at = way
        if at >= 0:
            b = arrays.booster_first[at]
            while b >= 0:
                moved = 0.0
                if at < 2 * pipes:
                    moved = state.flow[2 * at] + state.flow[2 * at + 1]
                if moved <= arrays.booster_most[b] and _may_stand(arrays, state, b):
                    gain = min(arrays.booster_gain[b], room.need[header] - arrays.booster_inlet[b])
                    dearer = 1e-9
                    for m in range(len(arrays.weight)):
                        dearer += arrays.weight[m] * arrays.booster_mass[b, m]
                    if min(gain, missing) > best * dearer:
                        best, chosen = min(gain, missing) / dearer, pipes + b
                b = arrays.booster_next[b]
        if cause < 0:
            ended = True
            break
        header = room.link_to[cause]
    if chosen < 0 or not ended:
        return False
    if chosen >= pipes:
        place(arrays, state, chosen - pipes, 1.0)
        return True
    lay(
        arrays,
        state,
        chosen,
        level_of(arrays, chosen, int(state.floor[chosen]), state.load[chosen]),
        -1.0,
    )
    state.floor[chosen] = float(chosen_level)
    lay(arrays, state, chosen, chosen_level, 1.0)
    return True


@compiled
def bears(arrays: Arrays, state: PathState, room: Room) -> bool:
    """Give a state the pressure it needs; False where that cannot be, or takes too much stock."""
    for _ in range(ENLARGED):
        if not needs(arrays, state, room):
            return False
        header, missing = _furthest(arrays, state, room)
        if header < 0:
            return True
        if not _helped(arrays, state, room, header, missing):
            return False
        for m in range(len(state.used)):
            if state.used[m] > 1.0:
                return False
    return False


@compiled
def loosened(arrays: Arrays, state: PathState, room: Room, share: float) -> None:
    """Let some of the pipes be decided again from which the move has taken paths away."""
    for n in range(room.counts[LOGGED]):
        slot = room.log[n] // 2
        for i in range(state.ways[slot, LENGTH]):
            pipe = state.ways[slot, HOPS + i] // 2
            if state.floor[pipe] > 0.5 and np.random.random() < share:
                lay(
                    arrays,
                    state,
                    pipe,
                    level_of(arrays, pipe, int(state.floor[pipe]), state.load[pipe]),
                    -1.0,
                )
                state.floor[pipe] = 0.0
                lay(
                    arrays,
                    state,
                    pipe,
                    level_of(arrays, pipe, int(state.floor[pipe]), state.load[pipe]),
                    1.0,
                )
