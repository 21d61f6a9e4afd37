"""A circuit as columns for the compiled loops, and where a run keeps its state and its sums."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.verify.tanks.circuit import Circuit, Rate

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]

LEVEL, SPILL, SHORT, LOST, BURNT, SAVED, UNTAKEN, SLOPE, AT, LOW, HIGH, AIM = range(12)
"""Columns of a tank's state: level, six rates, and what the next event needs. The first seven,

with lowest (7), highest (8), times full (9) and times empty (10), are the columns of its sums."""
LOWEST, HIGHEST, FULL, EMPTY = 7, 8, 9, 10
CLEAN, EMITTING, CLEAN_LOST, EMITTING_LOST, CLEAN_DIRECT = range(5)
SHORT_SECONDS, LEAST_SHARE, LAST_SHORT, EVENTS, UNSERVED, ASKING_SECONDS, ASKED = range(7)
"""Of all: against the promise, and the last two, s and J, against what is demanded."""


class Tables(NamedTuple):
    """Rates are numbered: tanks' net, tanks' bought arrivals, wants, burners' capacity,

    throttles, groups' power, groups' failed units, what the plant itself lacks by bus, loads. Rate
    q is ``steady[q]`` plus ``term_weight`` times the values of ``term_clock``, from ``term_at[q]``
    on. ``touched``: the rates that a clock is part of, from ``touched_at[clock]`` on. ``batches``:
    burners whose units start and stop together and keep run and rest times; ``burner_turns``: group
    of promised units that turn below full load, -1: another burner; ``group_batches``: units of a
    group in them; ``drains``: most that a tank falls a second without its batches; ``runs``:
    longest run of them. ``kept``: reserves from each sample of the run on, a column a tank; no
    rows: as they are.
    """

    node_at: Whole
    times: Array
    values: Array
    periods: Array
    offsets: Array
    steady: Array
    term_at: Whole
    term_clock: Whole
    term_weight: Array
    touched_at: Whole
    touched: Whole
    sizes: Array
    reserves: Array
    losses: Array
    firsts: Array
    has_arc: Flags
    tank_worth: Array
    tank_bus: Whole
    tank_clean: Flags
    burner_bus: Whole
    burner_clean: Flags
    burner_group: Whole
    burner_turns: Whole
    burner_power: Array
    burner_take: Array
    arc_tank: Whole
    arc_burner: Whole
    arc_most: Array
    throttle_bus: Whole
    throttle_group: Whole
    throttle_tank: Whole
    throttle_fuel: Array
    group_bus: Whole
    group_clean: Flags
    group_needed: Array
    group_spare: Array
    bought_from: int
    want_from: int
    burner_from: int
    throttle_from: int
    power_from: int
    failed_from: int
    load_from: int
    buses: int
    loads: int
    batches: Whole
    batch_run: Array
    batch_rest: Array
    batch_least: Array
    batch_power: Array
    batch_units: Array
    group_batches: Array
    drains: Array
    runs: Array
    kept: Array


class UnitStates(NamedTuple):
    """What holds between two events. ``bus`` columns: W of clean surplus burnt, of emitting

    surplus burnt, of clean and of emitting promised power lost, and of clean surplus that is
    used straight, beside what it saves of emitting power. ``total``: W unserved of the promise,
    since when; W unserved of what is demanded, since when.
    ``on``: the arc by which a burner's units are on, or -1; ``until``: s, to when they must stay
    so; ``most``: W of a throttle that may be throttled; ``lost``: share of a group's promised
    units that are out; ``turning``: units of a group that are on; ``fixed``: most that the lots of
    a tank take; ``starts``: the level of a tank at which its next lot may start.
    """

    rates: Array
    tank: Array
    burn: Array
    saved: Array
    burner: Array
    throttle: Array
    most: Array
    lost: Array
    load: Array
    bus: Array
    used: Array
    wanted: Array
    room: Array
    total: Array
    on: Whole
    until: Array
    turning: Array
    fixed: Array
    starts: Array


class Sums(NamedTuple):
    """What a run adds up: integrals of the state over time, samples, and a book of events.

    Samples are rows; ``low`` and ``high`` are since the sample before.
    The book has two halves: changes of clocks, and tanks that fill up or run dry.
    """

    tank: Array
    burner: Array
    throttle: Array
    load: Array
    bus: Array
    clock: Array
    whole: Array
    sample_level: Array
    sample_low: Array
    sample_high: Array
    sample_spill: Array
    event_time: Array
    event_kind: Whole
    event_index: Whole
    event_number: Whole
    event_value: Array
    event_count: Whole
    started: Whole


def tables_of(circuit: Circuit, phases: Mapping[str, float], kept: Array | None = None) -> Tables:
    """Columns of a circuit. ``phases``: s into its period at which each clock starts.

    ``kept``: a row a sample, a column a tank, where reserves change in the run.
    """
    clocks, tanks, burners = circuit.clocks, circuit.tanks, circuit.burners
    number = {clock.name: i for i, clock in enumerate(clocks)}
    parts: list[list[Rate]] = [
        [tank.net for tank in tanks],
        [tank.bought for tank in tanks],
        list(circuit.wants),
        [burner.capacity for burner in burners],
        [throttle.power for throttle in circuit.throttles],
        [group.power for group in circuit.groups],
        [group.failed for group in circuit.groups],
        list(circuit.own),
        [load.power for load in circuit.loads],
    ]
    rates = [rate for part in parts for rate in part]
    begins = np.cumsum([0, *(len(part) for part in parts)])
    touched: list[list[int]] = [[] for _ in clocks]
    for q, rate in enumerate(rates):
        for name, _ in rate.terms:
            if not touched[number[name]] or touched[number[name]][-1] != q:
                touched[number[name]].append(q)
    has_arc = np.zeros(len(tanks), np.bool_)
    has_arc[[arc.tank for arc in circuit.arcs]] = True
    return Tables(
        node_at=_starts(len(clock.times) for clock in clocks),
        times=_joined([clock.times for clock in clocks]),
        values=_joined([clock.values for clock in clocks]),
        periods=_floats(clock.period for clock in clocks),
        offsets=_floats(phases.get(clock.follows, 0.0) % clock.period for clock in clocks),
        steady=_floats(rate.steady for rate in rates),
        term_at=_starts(len(rate.terms) for rate in rates),
        term_clock=_wholes(number[name] for rate in rates for name, _ in rate.terms),
        term_weight=_floats(weight for rate in rates for _, weight in rate.terms),
        touched_at=_starts(len(found) for found in touched),
        touched=_wholes(q for found in touched for q in found),
        kept=np.zeros((0, len(tanks))) if kept is None else kept,
        sizes=_floats(tank.size for tank in tanks),
        reserves=_floats(t.size if t.reserve is None else min(t.reserve, t.size) for t in tanks),
        losses=_floats(tank.loss for tank in tanks),
        firsts=_floats(t.size if t.first is None else min(t.first, t.size) for t in tanks),
        has_arc=has_arc,
        tank_worth=_floats(tank.worth for tank in tanks),
        tank_bus=_wholes(tank.bus for tank in tanks),
        tank_clean=_flags(tank.clean for tank in tanks),
        burner_bus=_wholes(burner.bus for burner in burners),
        burner_clean=_flags(burner.clean for burner in burners),
        burner_group=_wholes(burner.group for burner in burners),
        burner_turns=_wholes(burner.turns for burner in burners),
        burner_power=_floats(burner.gain for burner in burners),
        burner_take=_floats(burner.take for burner in burners),
        arc_tank=_wholes(arc.tank for arc in circuit.arcs),
        arc_burner=_wholes(arc.burner for arc in circuit.arcs),
        arc_most=_floats(arc.most for arc in circuit.arcs),
        throttle_bus=_wholes(throttle.bus for throttle in circuit.throttles),
        throttle_group=_wholes(throttle.group for throttle in circuit.throttles),
        throttle_tank=_wholes(throttle.tank for throttle in circuit.throttles),
        throttle_fuel=_floats(throttle.fuel for throttle in circuit.throttles),
        group_bus=_wholes(group.bus for group in circuit.groups),
        group_clean=_flags(group.clean for group in circuit.groups),
        group_needed=_floats(group.needed for group in circuit.groups),
        group_spare=_floats(group.spare for group in circuit.groups),
        bought_from=int(begins[1]),
        want_from=int(begins[2]),
        burner_from=int(begins[3]),
        throttle_from=int(begins[4]),
        power_from=int(begins[5]),
        failed_from=int(begins[6]),
        load_from=int(begins[8]),
        buses=len(circuit.wants),
        loads=len(circuit.loads),
        batches=_wholes(i for i, burner in enumerate(burners) if burner.run > 0),
        batch_run=_floats(burner.run for burner in burners),
        batch_rest=_floats(burner.rest for burner in burners),
        batch_least=_floats(burner.least for burner in burners),
        batch_power=_floats(burner.least_power for burner in burners),
        batch_units=_floats(burner.capacity.steady for burner in burners),
        group_batches=_floats(
            sum(b.capacity.steady for b in burners if b.run > 0 and b.group == g)
            for g in range(len(circuit.groups))
        ),
        drains=_floats(_drain(circuit, k) for k in range(len(tanks))),
        runs=_floats(
            max(
                (burners[a.burner].run for a in circuit.arcs if a.tank == k),
                default=0.0,
            )
            for k in range(len(tanks))
        ),
    )


def empty_sums(circuit: Circuit, samples: int, book: int) -> Sums:
    """Sums of a run that has not begun, for ``samples`` samples and a book of ``book`` events."""
    tanks = len(circuit.tanks)
    whole = np.zeros(ASKED + 1)
    whole[LEAST_SHARE] = 1.0
    return Sums(
        tank=np.zeros((tanks, 11)),
        burner=np.zeros(len(circuit.burners)),
        throttle=np.zeros(len(circuit.throttles)),
        load=np.zeros(len(circuit.loads)),
        bus=np.zeros((len(circuit.buses), 5)),
        clock=np.zeros(len(circuit.clocks)),
        whole=whole,
        sample_level=np.zeros((samples + 1, tanks)),
        sample_low=np.zeros((samples + 1, tanks)),
        sample_high=np.zeros((samples + 1, tanks)),
        sample_spill=np.zeros((samples + 1, tanks)),
        event_time=np.zeros(2 * book),
        event_kind=np.zeros(2 * book, np.int64),
        event_index=np.zeros(2 * book, np.int64),
        event_number=np.zeros(2 * book, np.int64),
        event_value=np.zeros(2 * book),
        event_count=np.zeros(2, np.int64),
        started=np.zeros(len(circuit.burners), np.int64),
    )


def _drain(circuit: Circuit, k: int) -> float:
    """Most that a tank falls a second: loss, the peak of its draw less the guaranteed inflow,

    and all that burners without run times could take of it.
    """
    tank = circuit.tanks[k]
    free = 0.0
    for arc in circuit.arcs:
        burner = circuit.burners[arc.burner]
        if arc.tank == k and burner.run <= 0:
            free += min(arc.most, burner.take * max(0.0, -_least(circuit, burner.capacity, -1.0)))
    return tank.loss - _least(circuit, tank.net) + free


def _least(circuit: Circuit, rate: Rate, sign: float = 1.0) -> float:
    """The least that a rate, times ``sign``, can be, whatever the phases of its clocks."""
    values = {clock.name: clock.values for clock in circuit.clocks}
    ends = (float((sign * weight * values[name]).min()) for name, weight in rate.terms)
    return sign * rate.steady + sum(ends)


def _floats(values: Iterable[float]) -> Array:
    return np.array(list(values), np.float64)


def _wholes(values: Iterable[int]) -> Whole:
    return np.array(list(values), np.int64)


def _flags(values: Iterable[bool]) -> Flags:
    return np.array(list(values), np.bool_)


def _starts(lengths: Iterable[int]) -> Whole:
    return np.cumsum([0, *lengths]).astype(np.int64)


def _joined(arrays: list[Array]) -> Array:
    return np.concatenate([np.zeros(0), *arrays]).astype(np.float64)
