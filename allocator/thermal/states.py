"""What flows where in a state of the plan: everything at its busiest, or quiet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from allocator.network.records import Network
from allocator.plans.records import FLAT, PipeFlow, Plan, Run

STATES = ("busiest", "quiet")


class Flow(NamedTuple):
    """kg/s along a run from ``start`` to ``end``."""

    run: Run
    start: str
    end: str
    rate: float


class Given(NamedTuple):
    """kg/s that come in at a place at a temperature (K); ``store``: what it came out of, if one."""

    place: str
    rate: float
    temperature: float
    store: str = ""


def peak_of(site: Network, shape: str) -> float:
    """Highest level of a shape of mean 1."""
    profile = None if shape == FLAT else site.demands[shape].profile
    return 1.0 if profile is None else max(profile.levels)


def flows_in(site: Network, plan: Plan, fluid: str, state: str) -> list[Flow]:
    """Flows of a fluid, each direction of a run by itself, both layers together."""
    found = []
    for run in plan.runs:
        if run.fluid != fluid:
            continue
        rates: dict[tuple[str, str], float] = {}
        for flow in run.flows:
            rate = _rate(flow, site, state)
            if rate > 0:
                key = (flow.start, flow.end)
                rates[key] = rates.get(key, 0.0) + rate
        found += [Flow(run, start, end, rate) for (start, end), rate in rates.items()]
    return found


def peak_of_flow(site: Network, flow: PipeFlow) -> float:
    """The highest that a flow comes to, in its rates of the plan."""
    return 1.0 if flow.layer == "collect" else peak_of(site, flow.carries)


def _rate(flow: PipeFlow, site: Network, state: str) -> float:
    if state == "busiest":
        return flow.rate * peak_of_flow(site, flow)
    return 0.0 if flow.layer == "collect" else flow.rate


def given_by_sources(site: Network, plan: Plan, fluid: str, state: str) -> list[Given]:
    """What sources give, at the temperature of their mouth."""
    found = []
    for name, rate in sent_by_sources(site, plan, fluid, state).items():
        source = site.sources[name]
        if rate > 0:
            kelvin = source.temperature or site.ambient.temperature
            found.append(Given(source.place, rate, kelvin))
    return found


def sent_by_sources(site: Network, plan: Plan, fluid: str, state: str) -> dict[str, float]:
    """kg/s that each source of a fluid sends."""
    found = {}
    for use in plan.sources:
        if site.sources[use.name].fluid == fluid:
            rate = sum(use.collect.values()) if state == "busiest" else 0.0
            found[use.name] = rate + _supplied(site, use.direct, state)
    return found


def given_by_machines(
    site: Network, plan: Plan, fluid: str, state: str, hottest: float
) -> list[Given]:
    """What machines give: at their outlet's temperature, or as hot as the fluid ever is.

    Exhaust is in step with what they take, all else with their load.
    """
    found = []
    for use in plan.machines:
        kind = site.machines[use.type]
        rate = kind.outputs.get(fluid, 0.0)
        if rate > 0:
            idle = kind.no_load if site.fluids[fluid].exhaust else 0.0
            if plan.basis == "mean":
                idle = 0.0
            load = (1 - idle) * (use.flat_load + _supplied(site, use.following, state))
            load += idle * use.running + use.cycled
            if load > 0:
                kelvin = hottest if kind.outlet_temperature is None else kind.outlet_temperature
                found.append(Given(use.place, rate * load, kelvin))
    return found


def drawn_from_stores(
    site: Network, plan: Plan, fluid: str, state: str
) -> list[tuple[str, str, float]]:
    """(store, place, kg/s) of what stores release."""
    return [
        (use.name, use.place, _supplied(site, use.draw, state))
        for use in plan.stores
        if use.holds == fluid and use.draw
    ]


def _supplied(site: Network, means: Mapping[str, float], state: str) -> float:
    peak = state == "busiest"
    return sum(mean * (peak_of(site, shape) if peak else 1.0) for shape, mean in means.items())
