"""How hard runs, lines and machines are worked at the busiest moment that the plan allows."""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.cycles import curve_of
from allocator.network.records import Arc, Network
from allocator.plans.records import FLAT, LineUse, MachineUse, Plan, Run
from allocator.site.records import POWER, MachineType, Site


def peak_factor(site: Network, shape: str) -> float:
    """Highest level of a supply shape of mean 1: 1 when it is flat, else its demand's peak."""
    if shape == FLAT:
        return 1.0
    profile = site.demands[shape].profile
    return 1.0 if profile is None else max(profile.levels)


def least_factor(site: Network, shape: str) -> float:
    """Lowest level of a supply shape of mean 1: 1 when it is flat, else its demand's lowest."""
    profile = None if shape == FLAT else site.demands[shape].profile
    return 1.0 if profile is None else min(profile.levels)


def served_in_shape(site: Site, plan: Plan) -> bool:
    """Whether a demand for power with a profile is served in part: that part has its shape."""
    return any(
        use.wants == POWER
        and use.clean_share + use.emitting_share < 1 - 1e-5
        and site.demands[use.name].profile is not None
        for use in plan.demands
    )


def runs_of_kind(site: Network, plan: Plan, kind: str) -> Iterator[Run]:
    """Runs that are a ``pipe``, a ``cooler`` or a heat ``sink``, not passages at a place."""
    for run in plan.runs:
        stream = site.routes[run.route].stream
        if kind == ("pipe" if stream is None else stream.kind):
            yield run


def corridor_of(route: Arc) -> str:
    """The name in the site file of what a route is, or is one temperature of."""
    return route.name if route.stream is None else route.stream.corridor


def run_peak(site: Network, run: Run) -> float:
    """Most that a pipe must carry, kg/s: ``collect + sum of peak * mean``, both ways added."""
    return sum(
        flow.rate if flow.layer == "collect" else flow.rate * peak_factor(site, flow.carries)
        for flow in run.flows
    )


def line_peak(site: Network, line: LineUse) -> float:
    """Most that a power line must carry, W, both ways added."""
    return sum(sent * peak_factor(site, shape) for _, _, _, shape, sent in line.flows)


def mean_load(machine: MachineUse) -> float:
    """Mean load of a machine group beside the bursts that it burns, in units at full load."""
    return machine.flat_load + sum(machine.following.values()) + machine.cycled


def burst_load(site: Site, plan: Plan, use: MachineUse) -> float:
    """Mean load of a group from gas that it takes direct from sources, in units; of a flare with

    what overflows of the stores that it guards."""
    taken = site.machines[use.type].inputs
    rate = math.fsum(taken.values())
    caught = math.fsum(
        flow * (curve_of(site.sources[source.name].stages).duty if plan.basis == "firm" else 1.0)
        for source in plan.sources
        for to, flow in source.collect.items()
        if to.startswith(f"burn:{use.name}>") or to == f"flare:{use.name}"
    )
    return math.fsum([caught, *use.overflow.values()]) / rate if rate > 0 else 0.0


def run_ends(site: Network, run: Run) -> tuple[str, str]:
    """From where to where most of a pipe's flow goes; the route's own ends when it is empty."""
    route = site.routes[run.route]
    ahead = sum(f.rate for f in run.flows if f.start == route.start)
    back = sum(f.rate for f in run.flows if f.start == route.end)
    return (route.end, route.start) if back > ahead else (route.start, route.end)


def turnover(plan: Plan, kind: MachineType, machine: MachineUse) -> dict[str, float]:
    """Mean share of full-load takings by supply shape, in units: affine in load.

    A unit that turns takes ``no_load`` at no load (nothing on the mean basis); one run on
    and off runs at full load.
    """
    idle = 0.0 if plan.basis == "mean" else kind.no_load
    found = {shape: (1.0 - idle) * load for shape, load in loads(machine).items()}
    found[FLAT] += idle * (machine.running + machine.cycled)
    return found


def loads(machine: MachineUse) -> dict[str, float]:
    """Mean load by supply shape, in units at full load, beside bursts."""
    found = {FLAT: machine.flat_load + machine.cycled}
    for shape, load in machine.following.items():
        found[shape] = found.get(shape, 0.0) + load
    return found


def given(site: Network, plan: Plan, machine: MachineUse) -> Iterator[tuple[str, str, float]]:
    """Fluid, supply shape and mean kg/s that a group gives: exhaust by takings, else by load."""
    kind = site.machines[machine.type]
    for fluid, rate in kind.outputs.items():
        exhaust = site.fluids[fluid].exhaust
        shares = turnover(plan, kind, machine) if exhaust else loads(machine)
        for shape, units in shares.items():
            yield fluid, shape, rate * units
