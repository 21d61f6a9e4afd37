"""Event to event, exact in between: the compiled loop of a simulation.

All of time is one heap of (time, number): every clock, every tank and the sampler has one entry,
its next event, and its number settles ties, so runs repeat to the byte. Between its events a
tank's level is a straight line; it is brought up to date only when its own rates change. Times
of clocks are worked out from the number of the turn, never added up.

Import this module only where a simulation runs: it loads the compiler.
"""

from __future__ import annotations

import numpy as np

from allocator.proof.simulation.columns import (
    AIM,
    AT,
    BURNT,
    EMPTY,
    EVENTS,
    FULL,
    HIGH,
    HIGHEST,
    LAST_SHORT,
    LEVEL,
    LOST,
    LOW,
    LOWEST,
    SAVED,
    SHORT,
    SHORT_SECONDS,
    SLOPE,
    SPILL,
    UNSERVED,
    UNTAKEN,
    Array,
    State,
    Sums,
    Tables,
    Whole,
)
from allocator.proof.simulation.compiled import compiled, inlined
from allocator.proof.simulation.controls import decide

CHANGED, FILLED, UNFILLED, DRY, WET = range(5)
"""Kinds of event in the book."""

ROUNDING = 1e-13
"""A net rate below this share of its terms is the rounding of a sum, and is 0."""


@compiled
def _before(key: Array, a: int, b: int) -> bool:
    return bool(key[a] < key[b] or (key[a] == key[b] and a < b))


@compiled
def _move(heap: Whole, place: Whole, key: Array, item: int) -> None:
    """Put an item whose key has changed where it belongs."""
    count = len(heap)
    i = place[item]
    while i > 0:
        above = (i - 1) >> 1
        if not _before(key, item, heap[above]):
            break
        heap[i] = heap[above]
        place[heap[i]] = i
        i = above
    while True:
        below = 2 * i + 1
        if below >= count:
            break
        if below + 1 < count and _before(key, heap[below + 1], heap[below]):
            below += 1
        if not _before(key, heap[below], item):
            break
        heap[i] = heap[below]
        place[heap[i]] = i
        i = below
    heap[i] = item
    place[item] = i


@inlined
def _rate(t: Tables, value: Array, q: int) -> float:
    found = t.steady[q]
    for i in range(t.term_at[q], t.term_at[q + 1]):
        found += t.term_weight[i] * value[t.term_clock[i]]
    return float(found)


@inlined
def _note(s: Sums, row: int, now: float, kind: int, index: int, value: float) -> None:
    """Write an event down while there is room in its half of the book."""
    room = len(s.event_time) // 2
    count = s.event_count[row]
    if count < room:
        i = row * room + count
        s.event_time[i] = now
        s.event_kind[i] = kind
        s.event_index[i] = index
        s.event_number[i] = s.event_count[0] + s.event_count[1]
        s.event_value[i] = value
    s.event_count[row] = count + 1


@inlined
def _settle(x: State, s: Sums, k: int, now: float) -> None:
    """Bring a tank up to date."""
    span = now - x.tank[k, AT]
    if span <= 0.0:
        return
    x.tank[k, LEVEL] += x.tank[k, SLOPE] * span
    for i in range(SPILL, UNTAKEN + 1):
        s.tank[k, i] += x.tank[k, i] * span
    x.tank[k, LOW] = min(x.tank[k, LOW], x.tank[k, LEVEL])
    x.tank[k, HIGH] = max(x.tank[k, HIGH], x.tank[k, LEVEL])
    x.tank[k, AT] = now


@inlined
def _aim(t: Tables, x: State, s: Sums, k: int) -> float:
    """New rates of a tank that is up to date; seconds to its next mark."""
    tank = x.tank
    inward, outward = x.rates[k] + x.saved[k], t.losses[k] + x.burn[k]
    net = inward - outward
    if abs(net) <= ROUNDING * (abs(inward) + outward):
        net = 0.0
    was_full = tank[k, SPILL] > 0.0
    was_dry = tank[k, SHORT] > 0.0
    tank[k, SPILL], tank[k, SHORT], tank[k, UNTAKEN] = 0.0, 0.0, 0.0
    tank[k, LOST], tank[k, BURNT], tank[k, SAVED] = t.losses[k], x.burn[k], x.saved[k]
    tank[k, SLOPE] = net
    level = tank[k, LEVEL]
    wait = np.inf
    if level >= t.sizes[k] and net >= 0.0:
        tank[k, SLOPE] = 0.0
        tank[k, SPILL] = net
        tank[k, UNTAKEN] = min(net, x.rates[t.bought_from + k])
    elif level <= 0.0 and net <= 0.0:
        # What is empty loses nothing: the loss gives way first.
        tank[k, SLOPE] = 0.0
        tank[k, SHORT] = max(0.0, -net - t.losses[k])
        tank[k, LOST] = max(0.0, t.losses[k] + net)
    elif net > 0.0:
        tank[k, AIM] = t.sizes[k]
        if t.has_arc[k] and level < t.reserves[k]:
            tank[k, AIM] = t.reserves[k]
        wait = (tank[k, AIM] - level) / net
    elif net < 0.0:
        tank[k, AIM] = 0.0
        if t.has_arc[k] and level > t.reserves[k]:
            tank[k, AIM] = t.reserves[k]
        wait = (tank[k, AIM] - level) / net
    if (tank[k, SPILL] > 0.0) != was_full:
        s.tank[k, FULL] += 0.0 if was_full else 1.0
        _note(s, 1, tank[k, AT], UNFILLED if was_full else FILLED, k, level)
    if (tank[k, SHORT] > 0.0) != was_dry:
        s.tank[k, EMPTY] += 0.0 if was_dry else 1.0
        _note(s, 1, tank[k, AT], WET if was_dry else DRY, k, level)
    return wait


@inlined
def _hold(x: State, s: Sums, now: float) -> None:
    """Add up what the last decision set, from then until now."""
    span = now - x.total[1]
    x.total[1] = now
    if span <= 0.0:
        return
    for i in range(len(x.burner)):
        s.burner[i] += x.burner[i] * span
    for i in range(len(x.throttle)):
        s.throttle[i] += x.throttle[i] * span
    for i in range(len(x.load)):
        s.load[i] += x.load[i] * span
    for b in range(x.bus.shape[0]):
        for i in range(x.bus.shape[1]):
            s.bus[b, i] += x.bus[b, i] * span
    if x.total[0] > 0.0:
        s.whole[SHORT_SECONDS] += span
        s.whole[LAST_SHORT] = now
        s.whole[UNSERVED] += x.total[0] * span


@compiled
def _sample(x: State, s: Sums, row: int) -> None:
    for k in range(x.tank.shape[0]):
        s.sample_level[row, k] = x.tank[k, LEVEL]
        s.sample_low[row, k] = x.tank[k, LOW]
        s.sample_high[row, k] = x.tank[k, HIGH]
        s.sample_spill[row, k] = s.tank[k, SPILL]
        s.tank[k, LOWEST] = min(s.tank[k, LOWEST], x.tank[k, LOW])
        s.tank[k, HIGHEST] = max(s.tank[k, HIGHEST], x.tank[k, HIGH])
        x.tank[k, LOW] = x.tank[k, LEVEL]
        x.tank[k, HIGH] = x.tank[k, LEVEL]


@compiled
def _fresh(t: Tables) -> State:
    tank = np.zeros((len(t.sizes), AIM + 1))
    for column in (LEVEL, LOW, HIGH):
        tank[:, column] = t.firsts
    return State(
        np.zeros(len(t.steady)),
        tank,
        np.zeros(len(t.sizes)),
        np.zeros(len(t.sizes)),
        np.zeros(len(t.burner_bus)),
        np.zeros(len(t.throttle_bus)),
        np.zeros(t.loads),
        np.zeros((t.buses, 5)),
        np.zeros(len(t.burner_bus)),
        np.zeros(t.buses),
        np.zeros(t.buses),
        np.zeros(2),
    )


@compiled
def run(t: Tables, s: Sums, end: float, samples: int) -> None:
    """Run from 0 to ``end`` s and leave everything in ``s``.

    Events at one instant are worked off by number: clocks, then tanks, then the sampler.
    """
    clocks, tanks = len(t.periods), len(t.sizes)
    sampler = clocks + tanks
    key = np.full(sampler + 1, np.inf)
    heap, place = np.arange(sampler + 1), np.arange(sampler + 1)
    node, turn = np.zeros(clocks, np.int64), np.zeros(clocks, np.int64)
    value, since = np.zeros(clocks), np.zeros(clocks)
    for c in range(clocks):
        node[c] = t.node_at[c]
        while node[c] + 1 < t.node_at[c + 1] and t.times[node[c] + 1] <= t.offsets[c]:
            node[c] += 1
        value[c] = t.values[node[c]]
        if t.node_at[c + 1] - t.node_at[c] > 1:
            last = node[c] + 1 == t.node_at[c + 1]
            key[c] = (t.periods[c] if last else t.times[node[c] + 1]) - t.offsets[c]
    x = _fresh(t)
    for q in range(len(x.rates)):
        x.rates[q] = _rate(t, value, q)
    for k in range(tanks):
        s.tank[k, LOWEST] = s.tank[k, HIGHEST] = t.firsts[k]
    _sample(x, s, 0)
    key[sampler] = end / samples
    for item in range(sampler + 1):
        _move(heap, place, key, item)
    row, now = 1, 0.0
    events = 0
    dirty = np.ones(tanks, np.bool_)
    deciding = True
    while True:
        if deciding:
            deciding = False
            _hold(x, s, now)
            for k in range(tanks):
                _settle(x, s, k, now)
            decide(t, x, s)
            for k in range(tanks):
                if x.burn[k] != x.tank[k, BURNT] or x.saved[k] != x.tank[k, SAVED]:
                    dirty[k] = True
        for k in range(tanks):
            if dirty[k]:
                dirty[k] = False
                _settle(x, s, k, now)
                key[clocks + k] = now + _aim(t, x, s, k)
                _move(heap, place, key, clocks + k)
        item = heap[0]
        if key[item] > end:
            break
        now = key[item]
        events += 1
        if item < clocks:
            c = item
            s.clock[c] += value[c] * (now - since[c])
            since[c] = now
            node[c] += 1
            if node[c] == t.node_at[c + 1]:
                node[c] = t.node_at[c]
                turn[c] += 1
            value[c] = t.values[node[c]]
            _note(s, 0, now, CHANGED, c, value[c])
            if node[c] + 1 < t.node_at[c + 1]:
                key[c] = turn[c] * t.periods[c] + t.times[node[c] + 1] - t.offsets[c]
            else:
                key[c] = (turn[c] + 1) * t.periods[c] - t.offsets[c]
            _move(heap, place, key, c)
            for i in range(t.touched_at[c], t.touched_at[c + 1]):
                q = t.touched[i]
                x.rates[q] = _rate(t, value, q)
                if q < tanks:
                    dirty[q] = True
                    _settle(x, s, q, now)
                    # What an empty tank, or one with gas to spare, does touches the others.
                    level = x.tank[q, LEVEL]
                    if level <= 0.0 or (t.has_arc[q] and level >= t.reserves[q]):
                        deciding = True
                elif q < t.want_from:
                    dirty[q - t.bought_from] = True
                else:
                    deciding = True
        elif item < sampler:
            k = item - clocks
            _settle(x, s, k, now)
            # It arrives at its mark: rounding must not leave it a hair beside it.
            x.tank[k, LEVEL] = x.tank[k, AIM]
            x.tank[k, LOW] = min(x.tank[k, LOW], x.tank[k, AIM])
            x.tank[k, HIGH] = max(x.tank[k, HIGH], x.tank[k, AIM])
            dirty[k] = True
            deciding = deciding or t.has_arc[k] or x.tank[k, AIM] <= 0.0
        else:
            for k in range(tanks):
                _settle(x, s, k, now)
            _sample(x, s, row)
            row += 1
            key[sampler] = end * (row / samples) if row < samples else end
            if row > samples:
                key[sampler] = np.inf
            _move(heap, place, key, sampler)
    _hold(x, s, end)
    for k in range(tanks):
        _settle(x, s, k, end)
        s.tank[k, LEVEL] = x.tank[k, LEVEL]
        s.tank[k, LOWEST] = min(s.tank[k, LOWEST], x.tank[k, LOW])
        s.tank[k, HIGHEST] = max(s.tank[k, HIGHEST], x.tank[k, HIGH])
    for c in range(clocks):
        s.clock[c] += value[c] * (end - since[c])
    s.whole[EVENTS] = events
