"""The heat of a plan: what :mod:`allocator.plans.records` records of temperatures."""

from __future__ import annotations

from allocator.network.insulation import pipe_of
from allocator.network.records import Network
from allocator.physics.faults import PhysicsError
from allocator.plans.records import FlowHeat, Heat, Plan
from allocator.thermal.coolers import coolers_in
from allocator.thermal.enthalpy import Enthalpy, enthalpy_of
from allocator.thermal.heat_released import heat_released
from allocator.thermal.limits import limits_met
from allocator.thermal.states import (
    STATES,
    Given,
    drawn_from_stores,
    flows_in,
    given_by_machines,
    given_by_sources,
)
from allocator.thermal.temperatures import FoundTemperatures, temperatures
from allocator.thermal.wet import wet_notes


def heat_of(site: Network, plan: Plan) -> Heat | None:
    """True temperatures of a plan; None where nothing is known or asked of them.

    A fluid is followed where a source of it has a temperature and either streams are planned or a
    pipe that carries it is known well enough. Fluids of unknown heat capacity are left out; where
    streams are planned it is known.
    """
    states: dict[str, list[FoundTemperatures]] = {}
    enthalpies: dict[str, Enthalpy] = {}
    coldest: dict[str, list[FoundTemperatures]] = {}
    for fluid in site.fluids:
        hottest = _hottest(site, fluid)
        if hottest is None or not _worth(site, plan, fluid):
            continue
        try:
            streams = [arc.stream for arc in site.routes.values() if arc.stream is not None]
            levels = [stream.outlet for stream in streams if stream.fluid == fluid]
            enthalpy = enthalpy_of(site, fluid, _coldest(site, fluid), max([hottest, *levels]))
            states[fluid] = _states(site, plan, fluid, enthalpy, hottest)
            if any(s.fluid == fluid and s.water for s in site.sources.values()):
                coldest[fluid] = _states(site, plan, fluid, enthalpy, hottest, coldest=True)
        except PhysicsError:
            continue
        enthalpies[fluid] = enthalpy
    rooms = heat_released(site, plan, states)
    if not states and not rooms:
        return None
    flows = tuple(
        FlowHeat(
            c.flow.run.route,
            c.flow.run.build,
            fluid,
            c.flow.start,
            state,
            c.flow.rate,
            c.inlet,
            c.outlet,
            c.loss,
            c.surface,
        )
        for fluid, founds in states.items()
        for state, found in zip(STATES, founds, strict=True)
        for c in found.carried
    )
    return Heat(
        flows,
        coolers_in(site, plan, states, enthalpies),
        (*limits_met(site, plan, states), *rooms),
        *wet_notes(site, plan, states, coldest),
    )


def _hottest(site: Network, fluid: str) -> float | None:
    """The hottest that a fluid may be, or None where no source of it has a temperature."""
    known = [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    if not known:
        return None
    known += [
        m.outlet_temperature
        for m in site.machines.values()
        if fluid in m.outputs and m.outlet_temperature is not None
    ]
    return max([*known, site.ambient.temperature])


def _coldest(site: Network, fluid: str) -> float:
    """K below which a fluid never is: of its sources, coolers, machines and the surroundings."""
    found = [site.ambient.temperature]
    found += [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    found += [c.set_point for c in site.coolers.values() if c.fluid == fluid]
    found += [
        m.outlet_temperature
        for m in site.machines.values()
        if fluid in m.outputs and m.outlet_temperature is not None
    ]
    return min(found)


def _worth(site: Network, plan: Plan, fluid: str) -> bool:
    for run in plan.runs:
        if run.fluid == fluid:
            if site.routes[run.route].stream is not None:
                return True
            if pipe_of(site, site.pipes[run.build]) is not None:
                return True
    return False


def _states(
    site: Network,
    plan: Plan,
    fluid: str,
    enthalpy: Enthalpy,
    hottest: float,
    *,
    coldest: bool = False,
) -> list[FoundTemperatures]:
    """What is found in each state; ``coldest``: without the film inside pipes.

    A store gives at the temperature of what it was filled with in the busiest one: heat that it
    loses is not counted on.
    """
    stored: dict[str, float] = {}
    founds = []
    for state in STATES:
        flows = flows_in(site, plan, fluid, state)
        given = given_by_sources(site, plan, fluid, state)
        given += given_by_machines(site, plan, fluid, state, hottest)
        drawn = drawn_from_stores(site, plan, fluid, state)
        filled = {flow.end for flow in flows} | {g.place for g in given}
        given += [
            Given(place, rate, stored.get(store, site.ambient.temperature), store)
            for store, place, rate in drawn
            if state == "quiet" or place not in filled
        ]
        found = temperatures(site, fluid, enthalpy, flows, given, coldest=coldest)
        if state == "busiest":
            stored = {s: found.at[p] for s, p, _ in drawn if p in found.at}
        founds.append(found)
    return founds
