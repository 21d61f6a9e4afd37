"""Event to event, exact in between: the compiled loop of a simulation.

All of time is one order of (time, number): every clock, every tank and the sampler has one entry,
its next event, and its number settles ties, so runs repeat to the byte. A heap keeps the order,
or, where they are few, a look through all, which is quicker. Between its events a tank's level is
a straight line; it is brought up to date only when its own rates change. Times of clocks are
worked out from the number of the turn, never added up.

Import this module only where a simulation runs: it loads the compiler.
"""

from __future__ import annotations

import numpy as np

from allocator.base.compiling import compiled
from allocator.simulation.columns import (
    AIM,
    ASKED,
    ASKING_SECONDS,
    BURNT,
    EVENTS,
    HIGH,
    HIGHEST,
    LAST_SHORT,
    LEVEL,
    LOW,
    LOWEST,
    SAVED,
    SHORT,
    SHORT_SECONDS,
    SPILL,
    UNSERVED,
    Array,
    Flags,
    Sums,
    Tables,
    UnitStates,
    Whole,
)
from allocator.simulation.controls import decide
from allocator.simulation.event_order import first, move
from allocator.simulation.levels import aim, settle
from allocator.simulation.packed import PackedUnitStates

CHANGED, FILLED, UNFILLED, DRY, WET, STARTED, STOPPED = range(7)
"""Kinds of event in the book."""

FEW = 64
"""Up to so many entries a look through all of them is quicker than a heap."""

ROUNDED = 1e-9
"""Power not served below this share of what is demanded is the rounding of a sum."""


@compiled
def _rate(steady: Array, at: Whole, clock: Whole, weight: Array, value: Array, q: int) -> float:
    found = steady[q]
    for i in range(at[q], at[q + 1]):
        found += weight[i] * value[clock[i]]
    return float(found)


@compiled
def _write(s: Sums, row: int, now: float, kind: int, index: int, value: float) -> None:
    """Write down the event that was counted last in its half of the book.

    Call it only where there is room: to hand over all sums costs as much as an event.
    """
    room = len(s.event_time) // 2
    i = row * room + s.event_count[row] - 1
    s.event_time[i] = now
    s.event_kind[i] = kind
    s.event_index[i] = index
    s.event_number[i] = s.event_count[0] + s.event_count[1] - 1
    s.event_value[i] = value


@compiled
def _hold(x: UnitStates, s: Sums, now: float) -> None:
    """Add up what the last decision set, from then until now."""
    span = now - x.total[1]
    x.total[1] = now
    if span <= 0.0:
        return
    burner, throttle, load, bus = x.burner, x.throttle, x.load, x.bus
    burner_sums, throttle_sums, load_sums, bus_sums = s.burner, s.throttle, s.load, s.bus
    for i in range(len(burner)):
        burner_sums[i] += burner[i] * span
    for i in range(len(throttle)):
        throttle_sums[i] += throttle[i] * span
    for i in range(len(load)):
        load_sums[i] += load[i] * span
    for b in range(bus.shape[0]):
        for i in range(bus.shape[1]):
            bus_sums[b, i] += bus[b, i] * span
    if x.total[0] > 0.0:
        whole = s.whole
        whole[SHORT_SECONDS] += span
        whole[LAST_SHORT] = now
        whole[UNSERVED] += x.total[0] * span


@compiled
def _ask(rates: Array, wanted: Array, load_from: int, total: Array, s: Sums, now: float) -> None:
    """Add up what was demanded and not served until now; from now on it is ``wanted``, by bus."""
    span = now - total[3]
    if total[2] > 0.0:
        s.whole[ASKING_SECONDS] += span
        s.whole[ASKED] += total[2] * span
    total[2], total[3] = 0.0, now
    promised = 0.0
    for i in range(load_from, len(rates)):
        promised += rates[i]
    for b in range(len(wanted)):
        total[2] += max(0.0, wanted[b])
    if total[2] <= ROUNDED * (promised + total[2]):
        total[2] = 0.0


@compiled
def _stirred(
    tank: Array,
    rates: Array,
    has_arc: Flags,
    reserves: Array,
    spare: Array,
    failed_from: int,
    load_from: int,
    on: Whole,
    batches: Whole,
) -> bool:
    """True where a decision could set anything: a tank above its reserve or empty, units out,

    too little for the plant itself, or unit batches on.

    Levels need not be up to date: none passes its reserve or 0 without an event.
    """
    found = False
    for k in range(len(reserves)):
        level = tank[k, LEVEL]
        found |= level <= 0.0 or (has_arc[k] and level >= reserves[k])
    for g in range(len(spare)):
        found |= rates[failed_from + g] > spare[g]
    for q in range(failed_from + len(spare), load_from):
        found |= rates[q] > 0.0
    for i in batches:
        found |= on[i] >= 0
    return found


@compiled
def _sample(x: UnitStates, s: Sums, row: int) -> None:
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
def _fresh(t: Tables) -> UnitStates:
    tank = np.zeros((len(t.sizes), AIM + 1))
    for k in range(len(t.sizes)):
        tank[k, LEVEL] = tank[k, LOW] = tank[k, HIGH] = t.firsts[k]
    return PackedUnitStates(
        np.zeros(len(t.steady)),
        tank,
        np.zeros(len(t.sizes)),
        np.zeros(len(t.sizes)),
        np.zeros(len(t.burner_bus)),
        np.zeros(len(t.throttle_bus)),
        np.zeros(len(t.throttle_bus)),
        np.zeros(len(t.group_bus)),
        np.zeros(t.loads),
        np.zeros((t.buses, 5)),
        np.zeros(len(t.burner_bus)),
        np.zeros(t.buses),
        np.zeros(t.buses),
        np.zeros(4),
        np.full(len(t.burner_bus), -1, np.int64),
        np.zeros(len(t.burner_bus)),
        np.zeros(len(t.group_bus)),
        np.zeros(len(t.sizes)),
        np.full(len(t.sizes), np.inf),
    )


@compiled
def run(t: Tables, s: Sums, end: float, samples: int, most: int) -> None:
    """Run from 0 to ``end`` s and leave everything in ``s``.

    Events at one instant are worked off by number: clocks, then tanks, then lots, then the sampler.
    Where there are more entries than ``most``, a heap finds the next; the answer is the same.
    """
    clocks, tanks = len(t.periods), len(t.sizes)
    batches = t.batches
    sampler = clocks + tanks + len(batches)
    key = np.full(sampler + 1, np.inf)
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
    # Taken out once: to fetch an array costs as much as to use it.
    tank, rates, tank_sums, clock_sums = x.tank, x.rates, s.tank, s.clock
    steady, term_at, term_clock = t.steady, t.term_at, t.term_clock
    term_weight, touched_at, touched = t.term_weight, t.touched_at, t.touched
    node_at, times, values, periods, offsets = t.node_at, t.times, t.values, t.periods, t.offsets
    has_arc, reserves, bought, want_from = t.has_arc, t.reserves, t.bought_from, t.want_from
    burn, saved, losses, sizes = x.burn, x.saved, t.losses, t.sizes
    # A tank whose surplus has no way to go has no reserve to aim at.
    for k in range(tanks):
        if len(t.kept) > 0:
            reserves[k] = t.kept[0, k]
    marks = np.empty(tanks)
    for k in range(tanks):
        marks[k] = reserves[k] if has_arc[k] else -1.0
    counts, room = s.event_count, len(s.event_time) // 2
    for q in range(len(rates)):
        rates[q] = _rate(steady, term_at, term_clock, term_weight, value, q)
    for k in range(tanks):
        tank_sums[k, LOWEST] = tank_sums[k, HIGHEST] = t.firsts[k]
    _sample(x, s, 0)
    key[sampler] = end / samples
    # In order of time, ties by number. (To sort takes seconds to compile.)
    heap, place = np.arange(sampler + 1), np.arange(sampler + 1)
    for i in range(sampler + 1):
        move(heap[: i + 1], place, key, i)
    few = sampler < most
    on, until, starts, started = x.on, x.until, x.starts, s.started
    was = np.zeros(len(batches), np.bool_)
    aimed = np.full(tanks, np.inf)
    row, now = 1, 0.0
    events = 0
    dirty = np.ones(tanks, np.bool_)
    deciding = stirring = True
    while True:
        if deciding:
            # Where nothing was set and nothing can be, the last decision stands.
            stirred = _stirred(
                tank,
                rates,
                has_arc,
                reserves,
                t.group_spare,
                t.failed_from,
                t.load_from,
                on,
                batches,
            )
            deciding = stirred or stirring
            stirring = stirred
            if not deciding:
                _ask(rates, rates[want_from : want_from + t.buses], t.load_from, x.total, s, now)
        if deciding:
            deciding = False
            _hold(x, s, now)
            for k in range(tanks):
                settle(tank, tank_sums, k, now)
            decide(t, x, s)
            _ask(rates, x.wanted, t.load_from, x.total, s, now)
            for k in range(tanks):
                if burn[k] != tank[k, BURNT] or saved[k] != tank[k, SAVED]:
                    dirty[k] = True
                if starts[k] != aimed[k]:
                    aimed[k] = starts[k]
                    dirty[k] = True
            for j in range(len(batches)):
                i, own = batches[j], clocks + tanks + j
                wake = until[i] if until[i] > now else np.inf
                if wake != key[own]:
                    key[own] = wake
                    if not few:
                        move(heap, place, key, own)
                if (on[i] >= 0) != was[j]:
                    was[j] = on[i] >= 0
                    started[i] += was[j]
                    if room > 0:
                        counts[1] += 1
                        if counts[1] <= room:
                            kind = STARTED if was[j] else STOPPED
                            _write(s, 1, now, kind, i, t.batch_units[i])
        for k in range(tanks):
            if dirty[k]:
                dirty[k] = False
                settle(tank, tank_sums, k, now)
                wait, filled, dried = aim(
                    tank,
                    tank_sums,
                    k,
                    rates[k],
                    rates[bought + k],
                    saved[k],
                    burn[k],
                    losses[k],
                    sizes[k],
                    marks[k],
                    starts[k],
                )
                key[clocks + k] = now + wait
                if not few:
                    move(heap, place, key, clocks + k)
                if filled:
                    counts[1] += 1
                    if counts[1] <= room:
                        kind = FILLED if tank[k, SPILL] > 0.0 else UNFILLED
                        _write(s, 1, now, kind, k, tank[k, LEVEL])
                if dried:
                    counts[1] += 1
                    if counts[1] <= room:
                        kind = DRY if tank[k, SHORT] > 0.0 else WET
                        _write(s, 1, now, kind, k, tank[k, LEVEL])
        item = first(key) if few else heap[0]
        if key[item] > end:
            break
        now = key[item]
        events += 1
        if item < clocks:
            c = item
            clock_sums[c] += value[c] * (now - since[c])
            since[c] = now
            node[c] += 1
            if node[c] == node_at[c + 1]:
                node[c] = node_at[c]
                turn[c] += 1
            value[c] = values[node[c]]
            if room > 0:
                counts[0] += 1
                if counts[0] <= room:
                    _write(s, 0, now, CHANGED, c, value[c])
            if node[c] + 1 < node_at[c + 1]:
                key[c] = turn[c] * periods[c] + times[node[c] + 1] - offsets[c]
            else:
                key[c] = (turn[c] + 1) * periods[c] - offsets[c]
            if not few:
                move(heap, place, key, c)
            for i in range(touched_at[c], touched_at[c + 1]):
                q = touched[i]
                rates[q] = _rate(steady, term_at, term_clock, term_weight, value, q)
                if q < tanks:
                    dirty[q] = True
                    settle(tank, tank_sums, q, now)
                    # What an empty tank, or one above its reserve, does affects the others.
                    # One that is held at its reserve may be a hair below it.
                    level = tank[q, LEVEL]
                    above = has_arc[q] and (level >= reserves[q] or burn[q] > 0.0)
                    if level <= 0.0 or above:
                        deciding = True
                elif q < want_from:
                    dirty[q - bought] = True
                else:
                    deciding = True
        elif item < clocks + tanks:
            k = item - clocks
            settle(tank, tank_sums, k, now)
            # It arrives at its mark: rounding must not leave it a hair beside it.
            tank[k, LEVEL] = tank[k, AIM]
            tank[k, LOW] = min(tank[k, LOW], tank[k, AIM])
            tank[k, HIGH] = max(tank[k, HIGH], tank[k, AIM])
            dirty[k] = True
            deciding = deciding or has_arc[k] or tank[k, AIM] <= 0.0
        elif item < sampler:
            key[item] = np.inf
            if not few:
                move(heap, place, key, item)
            deciding = True
        else:
            for k in range(tanks):
                settle(tank, tank_sums, k, now)
            _sample(x, s, row)
            if row < len(t.kept):
                for k in range(tanks):
                    reserves[k] = t.kept[row, k]
                    if has_arc[k]:
                        marks[k] = reserves[k]
                    dirty[k] = True
                deciding = True
            row += 1
            key[sampler] = end * (row / samples) if row < samples else end
            if row > samples:
                key[sampler] = np.inf
            if not few:
                move(heap, place, key, sampler)
    _hold(x, s, end)
    _ask(rates, x.wanted, t.load_from, x.total, s, end)
    for k in range(tanks):
        settle(tank, tank_sums, k, end)
        tank_sums[k, LEVEL] = tank[k, LEVEL]
        tank_sums[k, LOWEST] = min(tank_sums[k, LOWEST], tank[k, LOW])
        tank_sums[k, HIGHEST] = max(tank_sums[k, HIGHEST], tank[k, HIGH])
    for c in range(clocks):
        clock_sums[c] += value[c] * (end - since[c])
    s.whole[EVENTS] = events
