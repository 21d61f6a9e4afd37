"""What a move does is logged, so that it can be taken back, and the best state follows."""

from __future__ import annotations

from allocator.search.paths.compiled import compiled
from allocator.search.paths.loads import carry
from allocator.search.paths.records import (
    BEHIND,
    HOPS,
    LENGTH,
    LOGGED,
    PATHS,
    SINK,
    STORE,
    Arrays,
    Floats,
    PathState,
    Room,
)


@compiled
def note(room: Room, slot: int, filled: int) -> None:
    """Note what a move does to a slot."""
    room.log[room.counts[LOGGED]] = 2 * slot + filled
    room.counts[LOGGED] += 1


@compiled
def remove(arrays: Arrays, state: PathState, room: Room, slot: int) -> None:
    """Take a path away, to come back if the move is not kept."""
    carry(arrays, state, slot, slot // PATHS, -1.0)
    state.active[slot] = False
    state.kept[slot] = True
    note(room, slot, 0)


@compiled
def free_slot(state: PathState, source: int) -> int:
    for slot in range(source * PATHS, (source + 1) * PATHS):
        if not state.active[slot] and not state.kept[slot]:
            return slot
    return -1


@compiled
def copy_line(line: Floats, into: Floats) -> None:
    """Copy one array into another."""
    for i in range(len(line)):
        into[i] = line[i]


@compiled
def copy_paths(state: PathState, into: PathState) -> None:
    """Copy all of a state; what could come back is forgotten."""
    for p in range(len(state.active)):
        _copy_path(state, into, p)
        into.kept[p] = False
    copy_loads(state, into)


@compiled
def _copy_path(state: PathState, into: PathState, slot: int) -> None:
    into.active[slot] = state.active[slot]
    if state.active[slot]:
        into.rates[slot, 0] = state.rates[slot, 0]
        into.rates[slot, 1] = state.rates[slot, 1]
        for i in range(HOPS + state.ways[slot, LENGTH]):
            into.ways[slot, i] = state.ways[slot, i]


@compiled
def copy_loads(state: PathState, into: PathState) -> None:
    """Copy what paths amount to."""
    copy_line(state.load, into.load)
    for k in range(len(state.stores)):
        copy_line(state.stores[k], into.stores[k])
    copy_line(state.park, into.park)
    copy_line(state.taken, into.taken)
    copy_line(state.used, into.used)
    copy_line(state.flow, into.flow)
    copy_laid(state, into)


@compiled
def copy_laid(state: PathState, into: PathState) -> None:
    """Copy floors and boosters."""
    copy_line(state.floor, into.floor)
    copy_line(state.boost, into.boost)


@compiled
def _copy_logged(state: PathState, room: Room, source: PathState, into: PathState) -> None:
    """Copy what the paths of the move amount to."""
    pressed = len(source.flow) > 0
    for n in range(room.counts[LOGGED]):
        slot = room.log[n] // 2
        for i in range(state.ways[slot, LENGTH]):
            pipe = state.ways[slot, HOPS + i] // 2
            into.load[pipe] = source.load[pipe]
            if pressed:
                for k in range(4 * pipe, 4 * pipe + 4):
                    into.flow[k] = source.flow[k]
        store, sink = state.ways[slot, STORE], state.ways[slot, SINK]
        if store >= 0:
            copy_line(source.stores[store], into.stores[store])
        into.park[sink] = source.park[sink]
        into.taken[slot // PATHS] = source.taken[slot // PATHS]
    copy_line(source.used, into.used)
    copy_laid(source, into)


@compiled
def keep(state: PathState, before: PathState, room: Room) -> None:
    """Let the move stand."""
    _copy_logged(state, room, state, before)
    for n in range(room.counts[LOGGED]):
        slot = room.log[n] // 2
        state.kept[slot] = False
        if not room.stale[slot]:
            room.stale[slot] = True
            room.behind[room.counts[BEHIND]] = slot
            room.counts[BEHIND] += 1
    room.counts[LOGGED] = 0


@compiled
def take_back(state: PathState, before: PathState, room: Room) -> None:
    """Undo the move, last step first: what it took away is there again, what it laid is not."""
    _copy_logged(state, room, before, state)
    for n in range(room.counts[LOGGED] - 1, -1, -1):
        slot = room.log[n] // 2
        state.active[slot] = room.log[n] % 2 == 0
        state.kept[slot] = False
    room.counts[LOGGED] = 0


@compiled
def save(state: PathState, room: Room, best: PathState) -> None:
    """Make the best state the present one; its loads are counted when the search ends."""
    for n in range(room.counts[BEHIND]):
        slot = room.behind[n]
        _copy_path(state, best, slot)
        room.stale[slot] = False
    copy_laid(state, best)
    room.counts[BEHIND] = 0
