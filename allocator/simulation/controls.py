"""What the controls do between two events: the compiled decision of a simulation.

Every tank releases its own promised draw, no more. Beyond that, gas above a tank's reserve is
burnt in machine capacity that idles: clean ways first, up to what the bus could still use; what
clean power is left over throttles back promised emitting power. Where a tank is empty or too
many units are out of order, promised power is lost; surplus in other machines stands in for it, and
the rest is shed in the order of the loads. Promised units that are out burn no surplus, and what
they lost cannot be throttled.

Units with run and rest times come in *lots* that start and stop together. A lot starts when its
tank holds R + D T or more: R its reserve, T the longest run of the tank's lots, and D the most
that the tank can fall a second with all that burns then. So no run ends below the reserve. It
stays on for its run, at its least load where the tank is below R, and stops at the earliest then:
when the tank asks for it or nobody has a use for its power.
"""

from __future__ import annotations

import numpy as np

from allocator.base.compiling import compiled
from allocator.simulation.columns import (
    CLEAN,
    CLEAN_DIRECT,
    CLEAN_LOST,
    EMITTING,
    EMITTING_LOST,
    LEAST_SHARE,
    LEVEL,
    Array,
    Sums,
    Tables,
    UnitStates,
    Whole,
)
from allocator.simulation.compiled import inlined

NEGLIGIBLE = 1e-9
"""Power lost below this share of what is promised is the rounding of a sum."""


@inlined
def _serve(
    at: int,
    clean: bool,
    power: float,
    wanted: Array,
    room: Array,
    bus: Array,
    throttle: Array,
    saved: Array,
    most: Array,
    throttle_bus: Whole,
    throttle_tank: Whole,
    throttle_fuel: Array,
) -> None:
    """Hand power to a bus: what it wants, then, where it is clean, in place of emitting power.

    What is more than both has no use and is not counted.
    """
    direct = min(power, wanted[at])
    wanted[at] -= direct
    if clean:
        power = min(power, direct + room[at])
        bus[at, CLEAN] += power
        bus[at, CLEAN_DIRECT] += direct
        # What clean power is left over stands in for promised emitting power.
        power -= direct
        room[at] = max(0.0, room[at] - power)
        for i in range(len(throttle)):
            if power > 0.0 and throttle_bus[i] == at:
                cut = min(power, most[i] - throttle[i])
                if cut > 0.0:
                    throttle[i] += cut
                    power -= cut
                    if throttle_tank[i] >= 0:
                        saved[throttle_tank[i]] += cut * throttle_fuel[i]
    else:
        bus[at, EMITTING] += direct


@compiled
def decide(t: Tables, x: UnitStates, s: Sums) -> None:
    """Set the rates that hold from now on; tanks must be up to date.

    Arrays are taken out of their tuples once: to fetch one costs as much as to use it often.
    """
    rates, tank, burn, saved, bus = x.rates, x.tank, x.burn, x.saved, x.bus
    burner, throttle, load, used = x.burner, x.throttle, x.load, x.used
    wanted, room, reserves, losses = x.wanted, x.room, t.reserves, t.losses
    throttle_bus, throttle_tank, throttle_fuel = t.throttle_bus, t.throttle_tank, t.throttle_fuel
    arc_tank, arc_burner, arc_most = t.arc_tank, t.arc_burner, t.arc_most
    burner_bus, burner_clean, burner_group = t.burner_bus, t.burner_clean, t.burner_group
    burner_power, burner_take = t.burner_power, t.burner_take
    throttle_group, burner_turns = t.throttle_group, t.burner_turns
    throttle_from, burner_from, failed_from = t.throttle_from, t.burner_from, t.failed_from
    for i in range(len(burner)):
        burner[i] = 0.0
        used[i] = 0.0
    for k in range(len(burn)):
        burn[k] = 0.0
        saved[k] = 0.0
    for b in range(len(room)):
        room[b] = 0.0
        for i in range(bus.shape[1]):
            bus[b, i] = 0.0
    most, out = x.most, x.lost
    _lose(t, rates, tank, bus, out)
    for i in range(len(throttle)):
        throttle[i] = 0.0
        most[i] = rates[throttle_from + i] * (1.0 - out[throttle_group[i]])
        room[throttle_bus[i]] += most[i]
    for b in range(len(wanted)):
        lost = bus[b, CLEAN_LOST] + bus[b, EMITTING_LOST]
        wanted[b] = max(0.0, rates[t.want_from + b]) + lost
    on, until, turning, fixed, starts = x.on, x.until, x.turning, x.fixed, x.starts
    batches, run, units_of, group_batches = t.batches, t.batch_run, t.batch_units, t.group_batches
    batch_rest, batch_least, batch_power, drains, runs = (
        t.batch_rest,
        t.batch_least,
        t.batch_power,
        t.drains,
        t.runs,
    )
    now = x.total[1]
    if len(batches) > 0:
        turning[:] = 0.0
        fixed[:] = 0.0
        starts[:] = np.inf
    for i in batches:
        arc = on[i]
        if arc < 0:
            continue
        k, g, at, units = arc_tank[arc], burner_group[i], burner_bus[i], units_of[i]
        level, least = tank[k, LEVEL], batch_least[i] * units
        stops = level <= 0.0 or turning[g] + units > group_batches[g] - rates[failed_from + g]
        if not stops and now >= until[i]:
            aim = wanted[at] + (room[at] if burner_clean[i] else 0.0)
            stops = level < reserves[k] or aim <= 0.0 or aim < batch_power[i] * units
            if level == reserves[k]:
                can = rates[k] - losses[k] - burn[k]
                stops = stops or can <= 0.0 or can < least * burner_take[i]
        if stops:
            on[i] = -1
            until[i] = now + batch_rest[i]
            continue
        turning[g] += units
        fixed[k] += min(arc_most[arc], units * burner_take[i])
        used[i] = burner[i] = least
        burn[k] += least * burner_take[i]
        _serve(
            at,
            burner_clean[i],
            batch_power[i] * units,
            wanted,
            room,
            bus,
            throttle,
            saved,
            most,
            throttle_bus,
            throttle_tank,
            throttle_fuel,
        )
    for arc in range(len(arc_tank)):
        k, number = arc_tank[arc], arc_burner[arc]
        level, reserve = tank[k, LEVEL], reserves[k]
        if level < reserve:
            continue
        at, clean = burner_bus[number], burner_clean[number]
        aim = wanted[at]
        if clean:
            aim += room[at]
        if aim <= 0.0:
            continue
        # What one way can take of what is above the reserve.
        can = arc_most[arc]
        if level == reserve:
            can = min(can, rates[k] - losses[k] - burn[k])
        if can <= 0.0:
            continue
        capacity = rates[burner_from + number]
        begun = 0.0
        if run[number] > 0.0:
            g = burner_group[number]
            if on[number] < 0:
                if (
                    now < until[number]
                    or turning[g] + capacity > group_batches[g] - rates[failed_from + g]
                    or aim < batch_power[number] * capacity
                ):
                    continue
                taken = min(arc_most[arc], capacity * burner_take[number])
                falls = max(0.0, drains[k] + fixed[k] + taken)
                start = reserve + falls * runs[k]
                if level < start:
                    starts[k] = min(starts[k], start)
                    continue
                on[number] = arc
                until[number] = now + run[number]
                turning[g] += capacity
                fixed[k] += taken
                begun = batch_least[number] * capacity
                used[number] = burner[number] = begun
                burn[k] += begun * burner_take[number]
                begun = batch_power[number] * capacity
                aim -= begun
                can -= used[number] * burner_take[number]
            elif on[number] != arc:
                continue
            else:
                can = min(can, arc_most[arc] - used[number] * burner_take[number])
        elif burner_group[number] >= 0:
            capacity -= rates[failed_from + burner_group[number]]
        elif burner_turns[number] >= 0:
            capacity *= 1.0 - out[burner_turns[number]]
        units = 0.0
        if burner_power[number] > 0.0:
            units = min(
                can / burner_take[number], capacity - used[number], aim / burner_power[number]
            )
        if units > 0.0:
            used[number] += units
            burner[number] += units
            burn[k] += units * burner_take[number]
            begun += units * burner_power[number]
        if begun > 0.0:
            _serve(
                at,
                clean,
                begun,
                wanted,
                room,
                bus,
                throttle,
                saved,
                most,
                throttle_bus,
                throttle_tank,
                throttle_fuel,
            )
    _shed(rates, load, bus, t.load_from, x.total, s.whole)


@inlined
def _lose(t: Tables, rates: Array, tank: Array, bus: Array, out: Array) -> None:
    """Promised power that is not there: empty tanks, more units out than are spare, and what the

    plant itself takes beyond what it has for that. ``out`` is set to the share of each group's
    promised units that is out.
    """
    tank_clean, tank_bus, tank_worth = t.tank_clean, t.tank_bus, t.tank_worth
    for k in range(len(tank_bus)):
        if tank[k, LEVEL] <= 0.0 and rates[k] < 0.0:
            column = CLEAN_LOST if tank_clean[k] else EMITTING_LOST
            bus[tank_bus[k], column] += -rates[k] * tank_worth[k]
    group_bus, group_spare, group_needed = t.group_bus, t.group_spare, t.group_needed
    failed_from, power_from, group_clean = t.failed_from, t.power_from, t.group_clean
    for g in range(len(group_bus)):
        failed = rates[failed_from + g] - group_spare[g]
        out[g] = 0.0
        if failed > 0.0 and group_needed[g] > 0.0:
            column = CLEAN_LOST if group_clean[g] else EMITTING_LOST
            out[g] = min(1.0, failed / group_needed[g])
            bus[group_bus[g], column] += out[g] * rates[power_from + g]
    own_from = failed_from + len(group_bus)
    for b in range(t.load_from - own_from):
        bus[b, CLEAN_LOST] += max(0.0, rates[own_from + b])


@inlined
def _shed(
    rates: Array, load: Array, bus: Array, load_from: int, total: Array, whole: Array
) -> None:
    """Shed loads, in their order, by what surplus does not make good."""
    promised = 0.0
    for i in range(len(load)):
        load[i] = 0.0
        promised += rates[load_from + i]
    left, unserved = 0.0, 0.0
    for b in range(bus.shape[0]):
        lost = bus[b, CLEAN_LOST] + bus[b, EMITTING_LOST]
        left += max(0.0, lost - bus[b, CLEAN_DIRECT] - bus[b, EMITTING])
    if left > NEGLIGIBLE * promised:
        for i in range(len(load)):
            cut = min(left, rates[load_from + i])
            load[i] = cut
            unserved += cut
            left -= cut
    total[0] = unserved
    if promised > 0.0:
        whole[LEAST_SHARE] = min(whole[LEAST_SHARE], 1.0 - unserved / promised)
