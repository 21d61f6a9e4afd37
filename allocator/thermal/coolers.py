"""What coolers do in a plan: duty, power for it, and power recovered from it on the mean."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from allocator.network.records import Network
from allocator.physics.recovery import recovered_power
from allocator.plans.records import CoolerHeat, Plan
from allocator.thermal.enthalpy import Enthalpy
from allocator.thermal.states import STATES
from allocator.thermal.temperatures import FoundTemperatures


def coolers_in(
    site: Network,
    plan: Plan,
    states: Mapping[str, Sequence[FoundTemperatures]],
    enthalpies: Mapping[str, Enthalpy],
) -> tuple[CoolerHeat, ...]:
    """Coolers of a plan with their duties."""
    found = []
    for run in plan.runs:
        route = site.routes[run.route]
        if route.stream is None or route.stream.kind != "cooler" or run.fluid not in states:
            continue
        busiest = states[run.fluid][STATES.index("busiest")]
        mine = [c for c in busiest.carried if c.flow.run is run]
        duty = sum(c.loss for c in mine)
        power = sum(c.flow.rate for c in mine) * route.energy
        cooler = site.coolers[route.stream.corridor]
        mean, credit = _mean_duty(site, plan, run.route, route.start, enthalpies[run.fluid])
        cold = site.ambient.temperature if cooler.coolant is None else cooler.coolant
        recovered = 0.0
        if cooler.recovery > 0 and credit is not None:
            recovered = recovered_power(mean, credit, cold, cooler.recovery, cooler.threshold)
        found.append(CoolerHeat(run.route, run.build, duty, power, mean, recovered))
    return tuple(found)


def _mean_duty(
    site: Network, plan: Plan, name: str, place: str, enthalpy: Enthalpy
) -> tuple[float, float | None]:
    """Mean W, and the temperature (K) that recovery may count on: the coldest source's.

    Credit is given only where nothing but sources feeds the cooler's place, so that no pipe and
    no other stream can bring it colder gas; else the mean duty counts the coldest arrivals as
    without heat, and there is no credit.
    """
    stream = site.routes[name].stream
    assert stream is not None
    here = [u for u in plan.sources if site.sources[u.name].place == place]
    fed = any(f.end == place for run in plan.runs for f in run.flows)
    cold = float(enthalpy.of(site.coolers[stream.corridor].set_point))
    through = [f for run in plan.runs if run.route == name for f in run.flows]
    cooled = sum(f.rate for f in through)
    sent = sum(sum(u.collect.values()) + sum(u.direct.values()) for u in here)
    if fed or not here or sent <= 0:
        return 0.0, None
    mean = 0.0
    coldest = None
    for use in here:
        source = site.sources[use.name]
        rate = sum(use.collect.values()) * _duty(site, use.name) + sum(use.direct.values())
        if rate <= 0 or source.temperature is None:
            continue
        mean += rate * max(0.0, float(enthalpy.of(source.temperature)) - cold)
        coldest = min(source.temperature, coldest or source.temperature)
    return mean * min(1.0, cooled / sent), coldest


def _duty(site: Network, source: str) -> float:
    """Share of time that a source is on: by the ratios of its stages, the low estimate that

    holds where inner periods do not divide the outer on-time is not needed for a mean."""
    share = 1.0
    for stage in site.sources[source].stages:
        share *= stage.on / stage.every
    return share
