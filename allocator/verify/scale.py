"""The largest flow of each fluid and the largest power: what tolerances are shares of."""

from __future__ import annotations

from collections.abc import Iterable

from allocator.site.records import POWER
from allocator.verify.case import BALANCE, Case
from allocator.verify.loads import given, taken, turnover


def fluid_tolerances(case: Case) -> dict[str, float]:
    """kg/s by fluid within which its balances must hold."""
    largest = dict.fromkeys(case.site.fluids, 0.0)

    def seen(fluid: str, rates: Iterable[float]) -> None:
        largest[fluid] = max(largest.get(fluid, 0.0), *map(abs, rates), 0.0)

    for source in case.plan.sources:
        fluid = case.site.sources[source.name].fluid
        seen(fluid, [*source.collect.values(), *source.direct.values()])
    for store in case.plan.stores:
        seen(store.holds, [*store.draw.values(), store.inflow])
    for run in case.plan.runs:
        seen(run.fluid, [flow.rate for flow in run.flows])
    for machine in case.plan.machines:
        for moved in (taken(case, machine), given(case, machine)):
            sums: dict[str, float] = {}
            for fluid, _, rate in moved:
                sums[fluid] = sums.get(fluid, 0.0) + rate
            for fluid, rate in sums.items():
                seen(fluid, [rate])
    for demand in case.plan.demands:
        if demand.wants != POWER:
            seen(demand.wants, [demand.clean_share * demand.mean])
    return {fluid: BALANCE * rate for fluid, rate in largest.items()}


def power_tolerance(case: Case) -> float:
    """W within which the balances of power must hold."""
    powers = [0.0]
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        powers.append((kind.power_out + kind.power_in) * sum(turnover(case, machine).values()))
    for battery in case.plan.batteries:
        powers += [power for released in battery.release.values() for power in released.values()]
    for line in case.plan.lines:
        powers += [flow[4] for flow in line.flows]
    for demand in case.plan.demands:
        if demand.wants == POWER:
            powers.append(demand.mean * max(demand.clean_share, demand.emitting_share))
    return BALANCE * max(powers)
