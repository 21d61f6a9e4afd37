"""A small search for better reserves: never below what a promise needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from allocator.network.records import Network
from allocator.plans.records import ChamberHold, Plan, RunLevels, SetPoints, StoreHold
from allocator.simulation.setpoints import needed_levels
from allocator.simulation.trace import SimulationSettings, Trace
from allocator.simulation.tracing import assemble, simulated_levels
from allocator.verify.case import class_of
from allocator.verify.running import swing_of
from allocator.verify.tanks.circuit import Tank
from allocator.verify.tanks.phases import Worst, worst_windows

SHARES = (0.0, 0.5, 1.0)


@dataclass(frozen=True, slots=True)
class Reserves:
    """Levels to keep (kg or J by tank), and the means that the simulation finds with them, W."""

    levels: dict[str, float]
    mean_clean_w: float
    mean_total_w: float


def best_reserves(
    site: Network,
    plan: Plan,
    settings: SimulationSettings,
    shares: Sequence[float] = SHARES,
    worst: Worst | None = None,
) -> Reserves:
    """The reserves, tank by tank, with the most clean and then the most total mean power.

    Each tank in turn is tried at ``shares`` of the way from what its promise needs to brim-full,
    the others as they are; a change that breaks a promise in any draw is not taken. It starts
    from brim-full stores, so it is never worse than they are.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
    """
    plain = _plain(settings)
    tanks, needs, worst = _needs(site, plan, worst)
    levels = {tank.name: tank.size for tank in tanks}
    best = _judged(simulated_levels(site, plan, plain, levels, worst))
    for tank in tanks:
        for share in shares:
            tried = {**levels, tank.name: _between(tank, needs[tank.name], share)}
            if tried == levels:
                continue
            trace = simulated_levels(site, plan, plain, tried, worst)
            if trace.kept and _judged(trace) > best:
                best, levels = _judged(trace), tried
    return Reserves(levels, *best)


def quick_reserves(
    site: Network, plan: Plan, settings: SimulationSettings, worst: Worst | None = None
) -> Reserves:
    """The better of two: all stores brim-full, or all no fuller than their promises need.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
    """
    tanks, needs, worst = _needs(site, plan, worst)
    full = {tank.name: tank.size for tank in tanks}
    found = []
    for levels in (full, needs):
        trace = simulated_levels(site, plan, _plain(settings), levels, worst)
        found.append(Reserves(levels, *_judged(trace)))
        if needs == full or not trace.kept:
            break
    return max(found, key=lambda r: (r.mean_clean_w, r.mean_total_w))


def set_points_of(site: Network, plan: Plan, reserves: Mapping[str, float]) -> SetPoints:
    """Reserves with the rest of what a crew sets: run levels, and the order of starting.

    Units run on and off swing from empty to full, which makes the fewest starts; clean groups
    start before others.
    """
    assembly = assemble(site, plan)
    case = assembly.case
    givers = [m for m in plan.machines if case.machine_type(m).power_out > 0]
    clean = [class_of(site, case.machine_type(m)) == "clean" for m in givers]
    order = sorted(range(len(givers)), key=lambda i: (not clean[i], i))
    return SetPoints(
        stores=tuple(
            StoreHold(tank.name, tank.unit, reserves.get(tank.name, tank.size))
            for tank in assembly.circuit.kept
        ),
        cycled=tuple(
            RunLevels(machine.name, 0.0, swing_of(case, machine))
            for machine in plan.machines
            if machine.cycled > 0
        ),
        start_order=tuple(givers[i].name for i in order),
        chambers=tuple(
            ChamberHold(name, pump.chamber.min_pressure)
            for name in assembly.chambers
            if (pump := site.sources[name].pump) is not None and pump.chamber is not None
        ),
    )


def _plain(settings: SimulationSettings) -> SimulationSettings:
    return replace(settings, adversarial=False, from_now=False, foresight=0.0, samples=1, events=0)


def _needs(
    site: Network, plan: Plan, worst: Worst | None
) -> tuple[tuple[Tank, ...], dict[str, float], Worst]:
    assembly = assemble(site, plan)
    if worst is None:
        worst = worst_windows(assembly.case, assembly.circuit)
    return assembly.circuit.kept, needed_levels(assembly.case, assembly.circuit, worst), worst


def _between(tank: Tank, need: float, share: float) -> float:
    return need + share * (tank.size - need)


def _judged(trace: Trace) -> tuple[float, float]:
    return trace.mean("mean_clean_w"), trace.mean("mean_total_w")
