"""Numbers to run the site by: reserves of stores, and start and stop levels of cycled units.

A store whose worst window needs n holds its promise for ever from any level of n or more. What
it holds above that may be burnt at once, if there is a use for it; a reserve below n would break
the promise in the phases of that window.
"""

from __future__ import annotations

from collections.abc import Mapping

from allocator.plans.records import Plan
from allocator.simulation.accounts import levels_of, starts_of
from allocator.simulation.trace import DAY, CycleSetPoint, SetPoint
from allocator.verify.case import Case
from allocator.verify.tanks.circuit import Circuit
from allocator.verify.tanks.phases import WorstWindow
from allocator.verify.tanks.weakened import must_withstand

SAFE = 1e-6
"""Reserves are this share above the need: the worst window is found to 1e-7."""


def needed_levels(
    case: Case, circuit: Circuit, worst: Mapping[str, WorstWindow | None]
) -> dict[str, float]:
    """The least reserve of each tank that keeps its promise; its size where it is not known.

    Where the promise must withstand lost sources, what is held above the worst window with all
    of them replaces them: none of it is surplus.
    """
    found = {}
    for tank in circuit.kept:
        window = None if must_withstand(case) else worst.get(tank.name)
        need = tank.size if window is None else window.need * (1.0 + SAFE)
        found[tank.name] = min(tank.size, need)
    return found


def set_points(
    case: Case, circuit: Circuit, worst: Mapping[str, WorstWindow | None]
) -> tuple[SetPoint, ...]:
    """What a crew keeps in each tank, as the circuit has it, or what the promise needs."""
    needs = needed_levels(case, circuit, worst)
    return tuple(
        SetPoint(
            tank.name,
            tank.unit,
            tank.size,
            needs[tank.name] if tank.reserve is None else tank.reserve,
        )
        for tank in circuit.kept
    )


def unsafe_set_points(
    case: Case,
    circuit: Circuit,
    worst: Mapping[str, WorstWindow | None],
    reserves: Mapping[str, float],
) -> tuple[str, ...]:
    """Names of the reserves that would break a promise."""
    needs = needed_levels(case, circuit, worst)
    return tuple(
        tank.name
        for tank in circuit.kept
        if tank.name in reserves
        and (must_withstand(case) or worst.get(tank.name) is not None)
        and reserves[tank.name] < needs[tank.name] * (1.0 - 2 * SAFE)
    )


def cycle_points(case: Case) -> tuple[CycleSetPoint, ...]:
    """Start and stop levels of the units run on and off, and how often they start."""
    return tuple(
        CycleSetPoint(machine.name, *levels_of(case, machine), starts_of(case, machine, DAY))
        for machine in case.plan.machines
        if machine.cycled > 0
    )


def planned_reserves(plan: Plan) -> dict[str, float] | None:
    """The reserves that a plan sets, by tank; None where it sets none."""
    points = plan.set_points
    return None if points is None else {hold.store: hold.reserve for hold in points.stores}
