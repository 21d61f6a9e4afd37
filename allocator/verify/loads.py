"""What machines take and give, in units at full load.

Fuel is affine in load: a unit that turns takes the share a of its full-load takings at no load,
and the rest in step with its load. A unit run on and off behind a battery runs at full load.
Products are in step with the load, and exhaust (an emission that does not burn) with what is taken:
a unit at no load takes, and gives exhaust alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.plans.records import FLAT, MachineUse
from allocator.verify.case import Case


def turnover(case: Case, machine: MachineUse) -> dict[str, float]:
    """Share of full-load takings in the supply layer by shape (means), in units."""
    idle = case.machine_type(machine).no_load
    found = {
        FLAT: math.fsum([idle * machine.running, (1.0 - idle) * machine.flat_load, machine.cycled])
    }
    for shape, load in machine.following.items():
        found[shape] = found.get(shape, 0.0) + (1.0 - idle) * load
    return found


def loads(machine: MachineUse) -> dict[str, float]:
    """Load in the supply layer by shape (means), in units."""
    found = {FLAT: math.fsum([machine.flat_load, machine.cycled])}
    for shape, load in machine.following.items():
        found[shape] = found.get(shape, 0.0) + load
    return found


def given(case: Case, machine: MachineUse) -> Iterator[tuple[str, str, float]]:
    """Fluid, shape and mean kg/s of what a group gives the supply layer."""
    for fluid, rate in case.machine_type(machine).outputs.items():
        record = case.site.fluids[fluid]
        burnt = record.emission in ("counted", "biogenic") and not record.heating_value
        for shape, units in (turnover(case, machine) if burnt else loads(machine)).items():
            yield fluid, shape, rate * units


def taken(case: Case, machine: MachineUse) -> Iterator[tuple[str, str, float]]:
    """Fluid, shape and mean kg/s of what a group takes from the supply layer."""
    for fluid, rate in case.machine_type(machine).inputs.items():
        for shape, units in turnover(case, machine).items():
            yield fluid, shape, rate * units


def burst_terms(case: Case, machine: MachineUse) -> Iterator[tuple[str, float]]:
    """Sources whose bursts a group burns: source, and units at full load while it is on."""
    for destination in case.bursts(machine):
        if destination.fluid is None:
            continue
        full = case.machine_type(machine).inputs[destination.fluid]
        for source, rate in case.collected(destination.name):
            yield source.name, rate / full


def mean_bursts(case: Case, machine: MachineUse) -> list[float]:
    """Mean load of a group from what it burns directly, in units, source by source."""
    return [units * case.duty(source) for source, units in burst_terms(case, machine)]


def flare_units(case: Case, machine: MachineUse) -> float:
    """Mean load of a flare from what overflows of stores, in units."""
    burnt = math.fsum(machine.overflow.values())
    return burnt / math.fsum(case.machine_type(machine).inputs.values()) if burnt else 0.0


def mean_turnover(case: Case, machine: MachineUse) -> float:
    """Mean share of full-load takings over both layers, in units."""
    beside = [*mean_bursts(case, machine), flare_units(case, machine)]
    return math.fsum([*turnover(case, machine).values(), *beside])
