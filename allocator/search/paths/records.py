"""What the path search works on: a site as flat arrays, and the state of one search.

A *pipe* is a fluid on a route, a *node* a place for a fluid. What a source gives goes along
*paths*: collect pipes to a store, then supply pipes to a *sink* (machines, or a demand for a
fluid); without a store the whole path is supply. The loads on pipes decide which builds are laid.
Materials are shares of their stocks, so that every stock is 1.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]

PATHS = 8
"""Paths that a source may have at once, those of the present move included."""


class Arrays(NamedTuple):
    """A site for the path search. Rates kg/s, sizes kg, windows s; masses as shares of stock.

    Pipes e: ``tail``, ``head`` (nodes), ``one_way``; ``builds[e]`` of them, by rising capacity in
    ``capacity[e, k]`` and ``mass[e, k, m]``; ``steps[e]``: what a search of ways asks of them
    (:func:`steps_of`). ``first[n]:first[n+1]`` are the entries of ``edge`` and ``other`` at node n
    (pipes that may be left that way).
    Sources s: ``source_node``, ``most`` rate, ``tap[s, m]``; modes
    ``mode_first[s]:mode_first[s+1]`` with ``mode_store`` (through a store or straight) and
    ``mode_share`` (promised a kg/s captured).
    Stores k: ``store_node``, ``store_mass[k, m]`` a kg, ``store_base[k, m]``, ``store_most``,
    ``store_existing``, ``fill``, ``release``; ``windows`` and ``on_time[s, w]`` state their cuts.
    Sinks g: ``sink_node``, ``unit`` (kg/s of one machine), ``unit_mass[g, m]``, ``sink_existing``
    and ``sink_most`` units, ``value`` a kg/s, ``load_mass[g, m]`` a kg/s. ``peak``: pipe and
    machine taken by a mean kg/s of supply. ``wanted``: value beyond which nothing counts.
    ``weight[m]``: price of a stock. ``near[s]``: the sources nearest to each source, itself first.
    ``sink_first[n]``, ``store_first[n]``: the first sink and store at node n, or -1;
    ``sink_next[g]``, ``store_next[k]``: the next one at the same node. ``into_first``,
    ``into_edge``, ``into_other``: as ``first``, ``edge``, ``other``, of pipes that lead to a node.
    ``longest``: hops that a path has at most.

    Where pressures count (``pressed``): ``potential[n]`` of node n or -1; ``friction[e, back, k]``:
    (loss per Q^2 and friction factor, laminar loss per Q, Reynolds number of 1 kg/s, two terms of
    its roughness, head, what gas needs at its end per Q^2, least potential); ``spur[e, back]``:
    whether it may be filled that way; ``mouth[s]``, ``filled[k]``, ``released[k]`` and ``inlet[g]``
    are potentials of ends. Boosters b stand at ``booster_at[b]`` (pipe times 2, plus 1 against it;
    then stores), listed by ``booster_first`` and ``booster_next``; of each of its two groups
    ``booster_group[b]`` there are ``group_most``.
    """

    tail: Whole
    head: Whole
    one_way: Flags
    builds: Whole
    capacity: Floats
    mass: Floats
    steps: Floats
    first: Whole
    edge: Whole
    other: Whole
    source_node: Whole
    most: Floats
    tap: Floats
    mode_first: Whole
    mode_store: Flags
    mode_share: Floats
    store_node: Whole
    store_mass: Floats
    store_base: Floats
    store_most: Floats
    store_existing: Floats
    fill: Floats
    release: Floats
    windows: Floats
    on_time: Floats
    sink_node: Whole
    unit: Floats
    unit_mass: Floats
    sink_existing: Whole
    sink_most: Whole
    value: Floats
    load_mass: Floats
    peak: float
    wanted: float
    weight: Floats
    near: Whole
    sink_first: Whole
    sink_next: Whole
    store_first: Whole
    store_next: Whole
    into_first: Whole
    into_edge: Whole
    into_other: Whole
    longest: int
    pressed: bool
    potential: Whole
    friction: Floats
    spur: Whole
    mouth: Floats
    filled: Floats
    released: Floats
    inlet: Floats
    booster_first: Whole
    booster_next: Whole
    booster_at: Whole
    booster_gain: Floats
    booster_inlet: Floats
    booster_most: Floats
    booster_mass: Floats
    booster_group: Whole
    group_most: Floats


class PathState(NamedTuple):
    """One search, changed in place. Paths are kept by slot, ``PATHS`` a source.

    ``active``: the slot holds a path; ``kept``: its path may come back after this move.
    ``rates[p]``: (amount, share promised). ``ways[p]``: (store or -1, sink, number of hops, hops);
    a hop is a pipe times 2, plus 1 where it is supply. ``load`` by pipe; ``stores[k]``: (fed,
    drawn, kg needed, covered in each window); ``park`` load by sink; ``taken`` by source; ``used``
    by stock. Where pressures count: ``flow[4 * e + 2 * back + supply]``; ``floor[e]``: the least
    level that pipe e is laid with; ``boost[b]``: 1 where booster b stands.
    """

    active: Flags
    kept: Flags
    rates: Floats
    ways: Whole
    load: Floats
    stores: Floats
    park: Floats
    taken: Floats
    used: Floats
    flow: Floats
    floor: Floats
    boost: Floats


class Room(NamedTuple):
    """Room for a search to work in, so that a move costs what it changes and not the whole site.

    ``far``, ``back``, ``via``, ``keys``, ``names``, ``reached``: a search of cheapest ways, by
    nodes of both layers; ``far`` is infinite between two of them. ``ahead[n]``: about what a kg/s
    costs from a node of a layer to a sink.
    ``log``: what a move does, each a slot times 2, plus 1 where it was filled. ``stale``: slots
    that differ from the best state, listed in ``behind``. ``counts``: how many are in ``log``,
    in ``behind``, were in ``queue``, and links. ``mark``, ``touched``: sources.
    ``need``, ``cause``, ``queue``, ``queued``, ``into``: by header, low ones even, high ones odd:
    potential needed there, the link that asks for it, links that end there. ``link_from``,
    ``link_to``, ``link_loss``, ``link_pipe``, ``link_flow``, ``link_next``: one way of a pipe;
    ``link_gain``: of boosters at its inlet, which its loss is less. ``known_flow``,
    ``known_level``, ``known_loss``: its last loss. ``held_floor``, ``held_boost``, ``held_used``:
    of the state before a path is laid.
    """

    far: Floats
    back: Whole
    via: Whole
    keys: Floats
    names: Whole
    reached: Whole
    ahead: Floats
    log: Whole
    stale: Flags
    behind: Whole
    counts: Whole
    mark: Flags
    touched: Whole
    need: Floats
    cause: Whole
    queue: Whole
    queued: Flags
    into: Whole
    link_from: Whole
    link_to: Whole
    link_pipe: Whole
    link_next: Whole
    link_loss: Floats
    link_gain: Floats
    link_flow: Floats
    known_flow: Floats
    known_level: Whole
    known_loss: Floats
    held_floor: Floats
    held_boost: Floats
    held_used: Floats


LOGGED, BEHIND, QUEUED, LINKS = range(4)
"""Places in ``counts``."""
STORE, SINK, LENGTH, HOPS = 0, 1, 2, 3
"""Columns of ``ways``."""
FED, DRAWN, NEED, COVERED = 0, 1, 2, 3
"""Columns of ``stores``."""
FACTOR, LAMINAR, REYNOLDS, ROUGH, ROUGHER, HEAD, END, LEAST, GROWTH, AIR, MORE, SWIFT = range(12)
FRICTION = 12
"""Columns of ``friction``, and how many there are."""


def steps_of(capacity: Floats, builds: Whole, price: Floats) -> Floats:
    """Builds by pipe in one row each, so that a search of ways reads one place a pipe.

    A row: the least price a kg/s of any build, the capacities, the prices, and the price of more
    than the largest build carries. What a pipe does not have is infinite.
    """
    pipes, most = capacity.shape
    offered = np.arange(most) < builds[:, None]
    steps = np.full((pipes, 2 * most + 2), np.inf)
    steps[:, 1 : 1 + most] = np.where(offered, capacity, np.inf)
    steps[:, 1 + most : 1 + 2 * most] = np.where(offered, price, np.inf)
    rates = np.where(offered & (capacity > 0.0), capacity, np.inf)
    each = np.where(np.isfinite(rates), price / rates, np.inf)
    steps[:, 0] = each.min(axis=1, initial=np.inf)
    return steps


def empty_state(arrays: Arrays) -> PathState:
    """A state without paths."""
    slots = len(arrays.most) * PATHS
    pressed = len(arrays.tail) if arrays.pressed else 0
    return PathState(
        np.zeros(slots, dtype=np.bool_),
        np.zeros(slots, dtype=np.bool_),
        np.zeros((slots, 2)),
        np.zeros((slots, HOPS + arrays.longest), dtype=np.int64),
        np.zeros(len(arrays.tail)),
        np.zeros((len(arrays.store_node), COVERED + len(arrays.windows))),
        np.zeros(len(arrays.sink_node)),
        np.zeros(len(arrays.most)),
        np.zeros(len(arrays.weight)),
        np.zeros(4 * pressed),
        np.zeros(pressed),
        np.zeros(len(arrays.booster_at)),
    )


def empty_room(arrays: Arrays) -> Room:
    """Room for one search on a site."""
    nodes, sources = 2 * (len(arrays.first) - 1), len(arrays.most)
    heap, slots = 4 * len(arrays.tail) + nodes + 16, sources * PATHS
    headers, links = 2 * (int(arrays.potential.max(initial=-1)) + 1), 0
    if arrays.pressed:
        links = 2 * len(arrays.tail)
    return Room(
        np.full(nodes, np.inf),
        np.full(nodes, -1, dtype=np.int64),
        np.full(nodes, -1, dtype=np.int64),
        np.empty(heap),
        np.empty(heap, dtype=np.int64),
        np.empty(nodes, dtype=np.int64),
        np.zeros(nodes),
        np.empty(2 * slots, dtype=np.int64),
        np.zeros(slots, dtype=np.bool_),
        np.empty(slots, dtype=np.int64),
        np.zeros(4, dtype=np.int64),
        np.zeros(sources, dtype=np.bool_),
        np.empty(2 * sources + 16, dtype=np.int64),
        np.zeros(headers),
        np.zeros(headers, dtype=np.int64),
        np.zeros(headers, dtype=np.int64),
        np.zeros(headers, dtype=np.bool_),
        np.zeros(headers, dtype=np.int64),
        np.zeros(links, dtype=np.int64),
        np.zeros(links, dtype=np.int64),
        np.zeros(links, dtype=np.int64),
        np.zeros(links, dtype=np.int64),
        np.zeros(links),
        np.zeros(links),
        np.zeros(links),
        np.full(links, -1.0),
        np.zeros(links, dtype=np.int64),
        np.zeros(links),
        np.zeros(links // 2),
        np.zeros(len(arrays.booster_at)),
        np.zeros(len(arrays.weight)),
    )


def copied(state: PathState) -> PathState:
    """A state of its own with the same paths."""
    return PathState(*(array.copy() for array in state))  # type: ignore[arg-type]


def without_gaps(state: PathState) -> tuple[object, ...]:
    """A state without its empty slots, to be sent to another process."""
    filled = np.nonzero(state.active)[0]
    width = HOPS + int(state.ways[filled, LENGTH].max(initial=0))
    ways = state.ways[filled, :width]
    return (state.ways.shape, filled, state.rates[filled], ways, *state[-8:])


def with_gaps(
    shape: tuple[int, int], filled: Whole, rates: Floats, ways: Whole, *loads: Floats
) -> PathState:
    """The state of :func:`without_gaps`."""
    state = PathState(
        np.zeros(shape[0], dtype=np.bool_),
        np.zeros(shape[0], dtype=np.bool_),
        np.zeros((shape[0], 2)),
        np.zeros(shape, dtype=np.int64),
        *loads,
    )
    state.active[filled] = True
    state.rates[filled] = rates
    state.ways[filled, : ways.shape[1]] = ways
    return state
