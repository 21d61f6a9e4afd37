"""What a run lets go unburnt: the balance of each fluid that counts when it is vented."""

from __future__ import annotations

import math
from collections.abc import Mapping

from allocator.plans.records import MachineUse
from allocator.simulation.running import Finished
from allocator.simulation.trace import TankTrace
from allocator.verify.case import Case
from allocator.verify.loads import burst_terms, loads, turnover
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.venting import always_coming

Amounts = dict[str, float]


def turned_by(
    assembly: Assembly, run: Finished, means: Mapping[str, float], tanks: tuple[TankTrace, ...]
) -> Amounts:
    """Share of full-load takings of each group times seconds, in units, whatever it burns."""
    case, seconds = assembly.case, run.seconds
    turned = {
        m.name: (_at(turnover(case, m), means) + _bursts(case, m, means)) * seconds
        for m in case.plan.machines
    }
    for owner, share, units in zip(
        assembly.burner_of, assembly.burner_turnover, run.sums.burner, strict=True
    ):
        if owner is not None:
            turned[owner] += share * float(units)
    for throttle, energy in zip(run.circuit.throttles, run.sums.throttle, strict=True):
        machine = case.plan.machines[throttle.group]
        kind = case.machine_type(machine)
        turned[machine.name] -= (1.0 - kind.no_load) * float(energy) / kind.power_out
    for name, flared in _flared(case, tanks).items():
        turned[name] += flared
    return turned


def _at(shaped: Mapping[str, float], means: Mapping[str, float]) -> float:
    """The sum of amounts by shape, each at the mean of its shape over the run."""
    return math.fsum(value * means.get(f"shape:{shape}", 1.0) for shape, value in shaped.items())


def _bursts(case: Case, machine: MachineUse, means: Mapping[str, float]) -> float:
    return math.fsum(units * means.get(source, 1.0) for source, units in burst_terms(case, machine))


def _flared(case: Case, tanks: tuple[TankTrace, ...]) -> Amounts:
    """Units times seconds at which flares burn what did not fit into the stores they guard."""
    spilt = {tank.name: tank.spilt for tank in tanks}
    found = {}
    for machine in case.plan.machines:
        if machine.overflow:
            (rate,) = case.machine_type(machine).inputs.values()
            found[machine.name] = math.fsum(spilt.get(k, 0.0) for k in machine.overflow) / rate
    return found


def vented_kg(
    assembly: Assembly,
    run: Finished,
    means: Mapping[str, float],
    turned: Mapping[str, float],
    tanks: tuple[TankTrace, ...],
) -> Amounts:
    """kg of each fluid with a weight that was vented: what came, less what was burnt or served,

    and less what is more in the stores than at the start.
    """
    case, found = assembly.case, {}
    for name, fluid in case.site.fluids.items():
        if fluid.vented_weight:
            came = _came(assembly, run, means, name) + _made(assembly, run, means, tanks, name)
            used = [
                rate * turned[machine.name]
                for machine in case.plan.machines
                if (rate := case.machine_type(machine).inputs.get(name, 0.0))
            ]
            for use in case.plan.demands:
                if use.wants == name:
                    served = (use.clean_share + use.emitting_share) * use.mean * run.seconds
                    used.append(served * means.get(f"shape:{case.shape_of[use.name]}", 1.0))
            holds = {store.name for store in case.plan.stores if store.holds == name}
            # what was bought and had no room was not delivered
            held = [t.last - t.first + t.untaken for t in tanks if t.name in holds]
            found[name] = math.fsum([came, *(-kg for kg in (*used, *held))])
    return found


def _came(assembly: Assembly, run: Finished, means: Mapping[str, float], fluid: str) -> float:
    """kg that came out of sources: all of one that vents, what was taken of any other."""
    case = assembly.case
    pumped = {clock.name for clock in assembly.bursts}
    rates = [
        mean if name in pumped or name not in means else source.flow * means[name]
        for name, source, mean in always_coming(case, fluid)
    ]
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid and source.when_untapped != "vents":
            rates += [rate * means.get(use.name, 1.0) for rate in use.collect.values()]
            rates.append(_at(use.direct, means))
    return math.fsum(rates) * run.seconds


def _made(
    assembly: Assembly,
    run: Finished,
    means: Mapping[str, float],
    tanks: tuple[TankTrace, ...],
    fluid: str,
) -> float:
    """kg that machines gave: products are in step with the load."""
    case = assembly.case
    rates = {m.name: case.machine_type(m).outputs.get(fluid, 0.0) for m in case.plan.machines}
    if not any(rates.values()):
        return 0.0
    given = [
        rates[m.name] * (_at(loads(m), means) + _bursts(case, m, means)) * run.seconds
        for m in case.plan.machines
    ]
    given += [
        rates[owner] * float(units)
        for owner, units in zip(assembly.burner_of, run.sums.burner, strict=True)
        if owner is not None
    ]
    given += [rates[name] * flared for name, flared in _flared(case, tanks).items()]
    return math.fsum(given)
