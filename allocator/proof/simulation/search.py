"""A small search for better reserves: never below what a promise needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from allocator.plan import Plan
from allocator.proof.simulation.circuit import Tank
from allocator.proof.simulation.phases import worst_window
from allocator.proof.simulation.setpoints import needed_levels
from allocator.proof.simulation.simulate import assemble, simulate
from allocator.proof.simulation.trace import SimulationSettings, Trace
from allocator.site.records import Site

SHARES = (0.0, 0.5, 1.0)


@dataclass(frozen=True, slots=True)
class Reserves:
    """Levels to keep (kg or J by tank), and the means that the simulation finds with them, W."""

    levels: dict[str, float]
    mean_clean_w: float
    mean_total_w: float


def best_reserves(
    site: Site,
    plan: Plan,
    settings: SimulationSettings,
    shares: Sequence[float] = SHARES,
) -> Reserves:
    """The reserves, tank by tank, with the most clean and then the most total mean power.

    Each tank in turn is tried at ``shares`` of the way from what its promise needs to brim-full,
    the others as they are; a change that breaks a promise in any draw is not taken. It starts
    from brim-full stores, so it is never worse than they are.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
    """
    assembly = assemble(site, plan)
    tanks = assembly.circuit.tanks
    worst = {tank.name: worst_window(assembly.case, tank) for tank in tanks}
    needs = needed_levels(assembly.circuit, worst)
    plain = replace(settings, adversarial=False, from_now=False, foresight=0.0, samples=1, events=0)
    levels = {tank.name: tank.size for tank in tanks}
    best = _judged(simulate(site, plan, plain, levels))
    for tank in tanks:
        for share in shares:
            tried = {**levels, tank.name: _between(tank, needs[tank.name], share)}
            if tried == levels:
                continue
            trace = simulate(site, plan, plain, tried)
            if trace.kept and _judged(trace) > best:
                best, levels = _judged(trace), tried
    return Reserves(levels, *best)


def _between(tank: Tank, need: float, share: float) -> float:
    return need + share * (tank.size - need)


def _judged(trace: Trace) -> tuple[float, float]:
    return trace.mean("mean_clean_w"), trace.mean("mean_total_w")
