"""From empty stores: when firm supply is first reached, and what bridges the wait."""

from __future__ import annotations

from dataclasses import replace

from allocator.simulation.columns import SHORT
from allocator.simulation.running import run_circuit
from allocator.simulation.trace import Draw, StartLevels
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Circuit, Tank
from allocator.verify.tanks.phases import Phases

HALVINGS = 20


def start_of(assembly: Assembly, empty: Circuit, phases: Phases, draw: Draw) -> StartLevels:
    """What the run from empty stores says about the wait for firm supply."""
    reached = draw.last_short_s if draw.last_short_s < draw.seconds else None
    bridge = {
        tank.name: bridging_level(empty, tank, phases, draw.seconds)
        for tank, trace in zip(empty.tanks, draw.tanks, strict=True)
        if trace.short > 0
    }
    fuel = {}
    for source in assembly.case.site.sources.values():
        if source.delivered or source.price > 0:
            best = max(
                (
                    machine.power_out / machine.inputs[source.fluid]
                    for machine in assembly.case.site.machines.values()
                    if set(machine.inputs) == {source.fluid}
                ),
                default=0.0,
            )
            if best > 0:
                fuel[source.fluid] = draw.unserved_j / best
    return StartLevels(reached, draw.unserved_j, bridge, fuel)


def bridging_level(circuit: Circuit, tank: Tank, phases: Phases, seconds: float) -> float:
    """The least level at the start from which a tank is never short (its size if none is).

    A higher start never makes a tank shorter, so the least one is found by halving.
    """
    names = {name for name, _ in tank.net.terms}
    clocks = tuple(clock for clock in circuit.clocks if clock.name in names)

    def short(first: float) -> float:
        alone = Circuit(clocks, (replace(tank, first=first),))
        return float(run_circuit(alone, phases, seconds).sums.tank[0, SHORT])

    low, high = 0.0, tank.size
    if short(high) > 0:
        return tank.size
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if short(middle) > 0:
            low = middle
        else:
            high = middle
        if high - low <= 1e-5 * tank.size:
            break
    return high
