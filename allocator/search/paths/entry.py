"""The one way from Python into the compiled path search.

Each function that Python calls is compiled with all that it calls. So there is one, and what it
begins is compiled into it.
"""

from __future__ import annotations

from allocator.search.paths.compiled import compiled
from allocator.search.paths.moves import construct, improve
from allocator.search.paths.records import Arrays, PathState, Room
from allocator.search.paths.relinking import relink

CONSTRUCT, IMPROVE, RELINK = 0, 1, 2


@compiled
def run(
    kind: int,
    arrays: Arrays,
    state: PathState,
    guide: PathState,
    best: PathState,
    before: PathState,
    room: Room,
    seed: int,
    moves: int,
    hot: float,
    cold: float,
    thrift: float,
) -> float:
    """Construct, improve or relink a state; the best value.

    ``before`` is room to work in; what a kind does not take is not looked at.
    """
    if kind == CONSTRUCT:
        value = construct(arrays, state, room, seed)
    elif kind == IMPROVE:
        value = improve(arrays, state, best, before, room, seed, moves, hot, cold, thrift)
    else:
        value = relink(arrays, state, guide, best, before, room, seed, moves)
    return value
