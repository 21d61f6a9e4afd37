"""The most heat that what may be built lets into places: upper values, before a plan is known.

A pipe lets the half of its heat that is nearer to a place into that place, in still air. At any
point along a run the gas is the warmer the more flows and the hotter it enters, so the loss of
either half is greatest at full flow from the level at which it enters, without the film inside the
pipe; the second half is entered as hot as the first may end with that film. Full is what the bore
carries, or what all sources give at once where nothing else gives gas so hot: a wide pipe for a
small source counts with what can come. Surfaces of unknown emissivity are dull. A build whose
layers are not known in full counts with all the heat that its gas has above the surroundings, at
both ends.
A cooler rejects its duty, with the heat of what condenses, and the power of its pumps and fans; a
heat sink what it loses at its warmest, what its recovery takes, and what boils; a machine lets in
the ``heat`` that it gives, for nothing uses it; a store lets in what it takes above the temperature
around it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from allocator.network.coolers import heat_between
from allocator.network.insulation import pipe_of
from allocator.network.levels import SAME
from allocator.network.offers import Ask, ends_at_most, march
from allocator.network.records import Arc, Network
from allocator.network.wet_gas import heat_of_route
from allocator.plans.records import Plan
from allocator.site.enclosures import DULL
from allocator.thermal.states import peak_of_flow

ROOM = 1.0 + 1e-6
"""More than all sources give by this share: no rounding passes it."""


@dataclass
class Upper:
    """Heat let into one place: W by (route, build, fluid) that is laid, J/kg by route of a cooler,

    W by machine type for one unit, J/kg by ``type@place`` of a store.
    """

    pipes: dict[tuple[str, str, str], float] = field(default_factory=dict)
    coolers: dict[str, float] = field(default_factory=dict)
    machines: dict[str, float] = field(default_factory=dict)
    stores: dict[str, float] = field(default_factory=dict)


def upper_heat(site: Network) -> dict[str, Upper]:
    """What may let heat into each place that has a limit.

    Raises:
        PhysicsError: a property of a fluid is not known.
    """
    found = {name: Upper() for name, p in site.places.items() if p.heat_limit is not None}
    if not found:
        return found
    for machine in site.machines.values():
        for place in machine.places:
            if machine.heat_out > 0 and (ground := site.ground(place)) in found:
                found[ground].machines[machine.name] = machine.heat_out
    for route in site.routes.values():
        if route.stream is not None and route.stream.kind == "cooler":
            cooler = site.coolers[route.stream.corridor]
            place = rejects_at(site, route)
            if place in found:
                heat = heat_between(site, cooler.fluid, route.stream.inlet, cooler.set_point)
                heat += heat_of_route(site, route, route.stream.inlet)
                found[place].coolers[route.name] = heat * (1 + cooler.power_share)
        for build, fluid in route.capacities or {}:
            sink, place = site.pipes[build].sink, site.ground(route.start)
            if sink is not None and place in found:
                found[place].pipes[route.name, build, fluid] = sink.heat
    _stores(site, found)
    for fluid in site.fluids:
        _pipes(site, fluid, found)
    return found


def counted_heat(site: Network, plan: Plan, place: str, upper: Upper) -> float:
    """W let into a place as the program counts it, with what a plan lays, moves and stands."""
    heat = 0.0
    for run in plan.runs:
        heat += upper.pipes.get((run.route, run.build, run.fluid), 0.0)
        moved = sum(flow.rate * peak_of_flow(site, flow) for flow in run.flows)
        heat += upper.coolers.get(run.route, 0.0) * moved
    for machine in plan.machines:
        if site.ground(machine.place) == place:
            heat += upper.machines.get(machine.type, 0.0) * machine.count
    for store in plan.stores:
        burst = sum(use.collect.get(f"store:{store.name}", 0.0) for use in plan.sources)
        heat += upper.stores.get(store.name, 0.0) * (store.inflow + burst)
    return heat


def rejects_at(site: Network, route: Arc) -> str:
    """The place of the file into which a cooler's route lets its heat."""
    assert route.stream is not None
    return site.coolers[route.stream.corridor].rejects_at or site.ground(route.start)


def above_ambient(site: Network, fluid: str, kelvin: float) -> float:
    """J/kg that a fluid has above the surroundings; 0 where it is no warmer."""
    around = site.ambient.temperature
    return heat_between(site, fluid, kelvin, around) if kelvin > around else 0.0


def _stores(site: Network, found: dict[str, Upper]) -> None:
    for store in site.storage.values():
        for place in store.places:
            ground = site.ground(place)
            if ground not in found:
                continue
            levels = [
                route.stream.inlet
                for route in site.routes.values()
                if route.stream is not None
                and route.stream.kind == "passage"
                and route.stream.fluid == store.holds
                and place in (route.start, route.end)
            ]
            if levels:
                heat = above_ambient(site, store.holds, max(levels))
                if heat > 0:
                    found[ground].stores[f"{store.name}@{place}"] = heat


def _pipes(site: Network, fluid: str, found: dict[str, Upper]) -> None:
    asks = [
        Ask(route, site.pipes[build], fluid, route.stream.inlet)
        for route in site.routes.values()
        if route.stream is not None and route.stream.kind == "pipe" and route.stream.fluid == fluid
        if site.ground(route.start) in found or site.ground(route.end) in found
        for build, carried in (route.capacities or {})
        if carried == fluid
    ]
    if not asks:
        return
    rates = [
        min(site.capacity(a.route.name, a.build.name, fluid), most_through(site, fluid, a.inlet))
        for a in asks
    ]
    first, second = halves(site, fluid, asks, rates)
    for k, ask in enumerate(asks):
        route = ask.route
        either = not route.one_way
        for place, heat in (
            (site.ground(route.start), first[k]),
            (site.ground(route.end), max(first[k], second[k]) if either else second[k]),
        ):
            if place in found and heat > 0:
                key = (route.name, ask.build.name, fluid)
                mine = found[place].pipes
                mine[key] = mine.get(key, 0.0) + heat


def most_through(site: Network, fluid: str, kelvin: float) -> float:
    """kg/s that can flow at a level: of all sources at once; no bound where others give it so hot.

    A source gives what is collected and what is supplied at its peak within its flow, and neither
    layer makes gas on its way. A store gives no gas hotter than it takes in, but may give it at a
    peak; so may a machine. Colder gas never comes to a hotter level.
    """
    stores = [s for s in site.storage.values() if s.holds == fluid]
    if any(
        s.max_inlet_temperature is None or s.max_inlet_temperature >= kelvin - SAME for s in stores
    ):
        return math.inf
    machines = [m for m in site.machines.values() if fluid in m.outputs]
    if any(m.outlet_temperature is None or m.outlet_temperature >= kelvin - SAME for m in machines):
        return math.inf
    sources = [s for s in site.sources.values() if s.fluid == fluid]
    return ROOM * math.fsum(source.flow for source in sources)


def halves(
    site: Network, fluid: str, asks: list[Ask], rates: list[float]
) -> tuple[list[float], list[float]]:
    """W that the halves of runs lose at most, the one at the inlet first; none where it warms.

    A half loses the most without the film inside, and the second the more, the hotter the first
    ends: so each is an upper bound, and both together may be more than the whole can lose. Each
    half of a build whose layers are not known counts with all the heat that may be lost.
    """
    flows = np.array(rates)
    short = [ask._replace(route=replace(ask.route, length=ask.route.length / 2)) for ask in asks]
    near = march(site, fluid, short, flows)
    middle = ends_at_most(site, fluid, short, flows, near.end)
    near = march(site, fluid, short, flows, DULL)
    hot = [ask._replace(inlet=float(kelvin)) for ask, kelvin in zip(short, middle, strict=True)]
    far = march(site, fluid, hot, flows, DULL).heat_loss
    first, second = [], []
    for k, ask in enumerate(asks):
        if pipe_of(site, ask.build) is None:
            most = rates[k] * above_ambient(site, fluid, ask.inlet)
            first.append(most)
            second.append(most)
        else:
            first.append(max(0.0, float(near.heat_loss[k])))
            second.append(max(0.0, float(far[k])))
    return first, second
