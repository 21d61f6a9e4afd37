"""What the controls do between two events: the compiled decision of a simulation.

Every tank releases its own promised draw, no more. Beyond that, gas above a tank's reserve is
burnt in machine capacity that idles: clean ways first, up to what the bus could still use; what
clean power is left over throttles back promised emitting power. Where a tank is empty or too
many units are out of order, promised power is lost; surplus stands in for it, and the rest is
shed in the order of the loads.
"""

from __future__ import annotations

from allocator.proof.simulation.columns import (
    CLEAN,
    CLEAN_DIRECT,
    CLEAN_LOST,
    EMITTING,
    EMITTING_LOST,
    LEAST_SHARE,
    LEVEL,
    State,
    Sums,
    Tables,
)
from allocator.proof.simulation.compiled import compiled, inlined

NEGLIGIBLE = 1e-9
"""Power lost below this share of what is promised is the rounding of a sum."""


@compiled
def decide(t: Tables, x: State, s: Sums) -> None:
    """Set the rates that hold from now on; tanks must be up to date."""
    for state in (x.burner, x.throttle, x.load, x.used, x.burn, x.saved, x.room):
        state[:] = 0.0
    x.bus[:, :] = 0.0
    _losses(t, x)
    for i in range(len(t.throttle_bus)):
        x.room[t.throttle_bus[i]] += x.rates[t.throttle_from + i]
    for b in range(len(x.wanted)):
        lost = x.bus[b, CLEAN_LOST] + x.bus[b, EMITTING_LOST]
        x.wanted[b] = max(0.0, x.rates[t.want_from + b]) + lost
    for arc in range(len(t.arc_tank)):
        _burn(t, x, arc)
    _shed(t, x, s)


@inlined
def _losses(t: Tables, x: State) -> None:
    """Promised power that is not there: empty tanks, and more units out than are spare."""
    for k in range(len(t.sizes)):
        if x.tank[k, LEVEL] <= 0.0 and x.rates[k] < 0.0:
            column = CLEAN_LOST if t.tank_clean[k] else EMITTING_LOST
            x.bus[t.tank_bus[k], column] += -x.rates[k] * t.tank_worth[k]
    for g in range(len(t.group_bus)):
        failed = x.rates[t.failed_from + g] - t.group_spare[g]
        if failed > 0.0 and t.group_needed[g] > 0.0:
            column = CLEAN_LOST if t.group_clean[g] else EMITTING_LOST
            share = min(1.0, failed / t.group_needed[g])
            x.bus[t.group_bus[g], column] += share * x.rates[t.power_from + g]


@inlined
def _burn(t: Tables, x: State, arc: int) -> None:
    """Burn what one way can take of what is above the reserve."""
    k, burner = t.arc_tank[arc], t.arc_burner[arc]
    level, reserve = x.tank[k, LEVEL], t.reserves[k]
    if level < reserve:
        return
    bus, clean = t.burner_bus[burner], t.burner_clean[burner]
    aim = x.wanted[bus]
    if clean:
        aim += x.room[bus]
    if aim <= 0.0:
        return
    can = t.arc_most[arc]
    if level == reserve:
        can = min(can, x.rates[k] - t.losses[k] - x.burn[k])
    capacity = x.rates[t.burner_from + burner]
    if t.burner_group[burner] >= 0:
        capacity -= x.rates[t.failed_from + t.burner_group[burner]]
    units = min(
        can / t.burner_take[burner],
        capacity - x.used[burner],
        aim / t.burner_power[burner],
    )
    if units <= 0.0:
        return
    x.used[burner] += units
    x.burner[burner] += units
    x.burn[k] += units * t.burner_take[burner]
    power = units * t.burner_power[burner]
    direct = min(power, x.wanted[bus])
    x.wanted[bus] -= direct
    if clean:
        x.bus[bus, CLEAN] += power
        x.bus[bus, CLEAN_DIRECT] += direct
        _throttle(t, x, bus, power - direct)
    else:
        x.bus[bus, EMITTING] += power


@inlined
def _throttle(t: Tables, x: State, bus: int, power: float) -> None:
    """Let clean power stand in for promised emitting power."""
    x.room[bus] = max(0.0, x.room[bus] - power)
    for i in range(len(t.throttle_bus)):
        if power <= 0.0:
            return
        if t.throttle_bus[i] == bus:
            cut = min(power, x.rates[t.throttle_from + i] - x.throttle[i])
            if cut > 0.0:
                x.throttle[i] += cut
                power -= cut
                if t.throttle_tank[i] >= 0:
                    x.saved[t.throttle_tank[i]] += cut * t.throttle_fuel[i]


@inlined
def _shed(t: Tables, x: State, s: Sums) -> None:
    """Shed loads, in their order, by what surplus does not make good."""
    promised = 0.0
    for i in range(len(x.load)):
        promised += x.rates[t.load_from + i]
    left, unserved = 0.0, 0.0
    for b in range(len(x.wanted)):
        lost = x.bus[b, CLEAN_LOST] + x.bus[b, EMITTING_LOST]
        left += max(0.0, lost - x.bus[b, CLEAN_DIRECT] - x.bus[b, EMITTING])
    if left > NEGLIGIBLE * promised:
        for i in range(len(x.load)):
            cut = min(left, x.rates[t.load_from + i])
            x.load[i] = cut
            unserved += cut
            left -= cut
    x.total[0] = unserved
    if promised > 0.0:
        s.whole[LEAST_SHARE] = min(s.whole[LEAST_SHARE], 1.0 - unserved / promised)
