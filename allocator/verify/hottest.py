"""Rules of the hottest that gas can be, whichever sources are on: what every limit depends on.

A plan tells temperatures in two states, and with other sources on gas may be hotter. The network
says of each route how hot gas enters it at the most (``Stream.inlet``). Here this is a claim that
is held against the file along the flows of the plan: no source, no machine, no route and no
booster at its inlet gives hotter gas where the route starts. A mixture is no hotter than the
hottest of it, and gas leaves a pipe no hotter than with a film inside that is no better than the
real one, the hottest of all flows up to the greatest, and the hotter it enters; so, from flow to
flow, nothing is ever hotter than claimed. Limits of machines, stores, demands, pipes, surfaces,
layers and places are then held at what is claimed, in still air and at the greatest flow.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from allocator.network.records import Arc
from allocator.plans.records import FlowHeat, Run
from allocator.verify.case import Case
from allocator.verify.heat import (
    KELVINS,
    SAME,
    SHARE,
    check_hottest,
    coldest_end,
    equipment_at,
    limits_of_flow,
    planned_fluids,
    rates_in,
)
from allocator.verify.heat_released import heat_released
from allocator.verify.inner_film import Film
from allocator.verify.pipe_model import PipeModel, end_and_surface, faces_of
from allocator.verify.properties import heat_between, specific_heat
from allocator.verify.report import Findings

MODELS = 1e-3
"""Share of what a fluid is hotter than its surroundings by which two models of the layers around
it may differ in the temperature of a face."""
LOSSES = 5e-3
"""Share by which they may differ in the heat that is lost."""
BEYOND = 25.0
"""K beyond the ends of its table to which the site file's documentation trusts a conductivity."""

Given = dict[str, list[tuple[str, float, float]]]
"""Place -> what gives gas there, K of it at the most, and K by which two models may differ."""


def check_hottest_gas(case: Case, findings: Findings) -> None:
    """Rules ``level``, ``layer_hottest``, ``layer_known``, ``let_in_hottest``; limits anew."""
    planned = planned_fluids(case)
    all_flows: list[FlowHeat] = []
    for fluid in planned:
        flows = [
            _hottest(case, fluid, key, rate)
            for key, rate in rates_in(case, fluid, "busiest").items()
        ]
        given = _given(case, fluid, flows)
        _levels(case, findings, flows, given)
        _limits(case, findings, fluid, flows, given)
        all_flows += flows
    for name, place in case.site.places.items():
        if place.heat_limit is not None:
            heat = math.fsum(let.heat for let in heat_released(case, "busiest", all_flows, name))
            most, room = place.heat_limit, LOSSES * heat
            what = "heat released by gas at its hottest"
            findings.at_most("let_in_hottest", f"place {name!r}", heat, most, "W", what, room)
    for source in case.site.sources.values():
        if source.temperature is not None and source.fluid not in planned:
            check_hottest(case, findings, source.fluid)
    for run in case.plan.runs:
        route = case.site.routes[run.route]
        if route.stream is None or route.stream.kind == "pipe":
            _layers(case, findings, run, route)


def _hottest(case: Case, fluid: str, key: tuple[str, str, str], rate: float) -> FlowHeat:
    """A flow as hot as its route claims, along the audit's own model."""
    name, start, build = key
    site, route = case.site, case.site.routes[name]
    stream = route.stream
    inlet = _most_known(case, fluid) if stream is None else stream.inlet
    outlet, surface = inlet, None
    if stream is not None and stream.kind == "cooler":
        outlet = min(inlet, site.coolers[stream.corridor].set_point)
    elif (sink := site.pipes[build].sink) is not None:
        outlet = min(inlet, sink.outlet)
    elif stream is not None and stream.kind == "passage":
        outlet = max(inlet, stream.outlet)
    else:
        model = PipeModel.of(site, route, build)
        surface = inlet
        if model is not None:
            outlet, surface = end_and_surface(
                model,
                inlet,
                rate,
                lambda kelvin: specific_heat(case, fluid, kelvin),
                Film.of(case, fluid, model.bore, rate, inlet),
            )
    flow = FlowHeat(name, build, fluid, start, "busiest", rate, inlet, outlet, 0.0, surface)
    end = coldest_end(case, flow)
    return (
        flow if end >= inlet else replace(flow, loss=rate * heat_between(case, fluid, end, inlet))
    )


def _most_known(case: Case, fluid: str) -> float:
    """K of the hottest source of a fluid without levels; the surroundings' where none is known."""
    known = [s.temperature for s in case.site.sources.values() if s.fluid == fluid]
    return max([k for k in known if k is not None], default=case.site.ambient.temperature)


def _given(case: Case, fluid: str, flows: Iterable[FlowHeat]) -> Given:
    """What sources, machines and routes give at each place, as hot as it can be."""
    site, found = case.site, Given()
    around = site.ambient.temperature
    for use in case.plan.sources:
        source = site.sources[use.name]
        if source.fluid == fluid and (any(use.collect.values()) or any(use.direct.values())):
            kelvin = source.temperature or around
            found.setdefault(source.place, []).append((f"source {use.name!r}", kelvin, SAME))
    outlets = [m.outlet_temperature for m in site.machines.values() if fluid in m.outputs]
    hottest = max([_most_known(case, fluid), *(k for k in outlets if k is not None)])
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        if fluid in kind.outputs and machine.count:
            kelvin = hottest if kind.outlet_temperature is None else kind.outlet_temperature
            found.setdefault(machine.place, []).append((f"machine {machine.name!r}", kelvin, SAME))
    for flow in flows:
        route = site.routes[flow.route]
        end = route.end if flow.start == route.start else route.start
        piped = route.stream is None or route.stream.kind == "pipe"
        room = KELVINS + SHARE * abs(flow.inlet - flow.outlet) if piped else SAME
        # gas colder than its surroundings warms, to their temperature where little flows
        kelvin = max(flow.outlet, around) if piped and flow.inlet < around else flow.outlet
        found.setdefault(end, []).append((f"run {flow.route!r}", kelvin, room))
    return found


def _levels(case: Case, findings: Findings, flows: Iterable[FlowHeat], given: Given) -> None:
    """``what comes to where a route starts <= the hottest that the network says enters it``."""
    for flow in flows:
        for subject, kelvin, room in given.get(flow.start, ()):
            what = f"what enters {flow.route!r}"
            findings.at_most("level", subject, kelvin, flow.inlet, "K", what, room)
    hot = {(flow.route, flow.start): flow.inlet for flow in flows}
    for use in case.plan.boosters:
        most = hot.get((use.route, use.start))
        blown = case.site.boosters[use.booster].discharge_temperature
        if most is not None and blown is not None:
            what = f"what it gives into {use.route!r}"
            findings.at_most("level", f"booster {use.booster!r}", blown, most, "K", what, SAME)


def _limits(
    case: Case, findings: Findings, fluid: str, flows: Iterable[FlowHeat], given: Given
) -> None:
    around = case.site.ambient.temperature
    for flow in flows:
        room = SAME + MODELS * abs(flow.inlet - around)
        rooms = {"max_surface_temperature": room, "route_heat_limit": LOSSES * flow.loss}
        for rule, subject, what, limit in limits_of_flow(case, flow):
            if rule != "max_inlet_temperature":  # below, with all else that comes there
                told = (limit.value, limit.most, limit.unit, f"{what}, as hot as it can be,")
                findings.at_most(rule, subject, *told, rooms.get(rule, SAME))
    for place, comes in given.items():
        for name, most in equipment_at(case, place, fluid):
            for subject, kelvin, room in comes:
                what = f"the {fluid} that may come in from {subject}"
                findings.at_most("max_inlet_temperature", name, kelvin, most, "K", what, room)


def _layers(case: Case, findings: Findings, run: Run, route: Arc) -> None:
    """``warmest of each layer <= what its material bears``, at the inlet of the run.

    A layer is warmest at its inner face; that of the innermost is as warm as the fluid, as all are
    where the layers are not known well enough. A conductivity must be known as warm as a layer is.
    """
    site, build = case.site, case.site.pipes[run.build]
    fluid = _most_known(case, run.fluid) if route.stream is None else route.stream.inlet
    model = PipeModel.of(site, route, run.build)
    faces = [fluid] * (len(build.layers) + 1) if model is None else faces_of(model, fluid)
    room = SAME + MODELS * abs(fluid - site.ambient.temperature)
    for number, layer in enumerate(build.layers):
        material, subject = site.materials[layer.material], f"run {run.route!r}"
        sides = faces[number : number + 2]
        warmest, coldest = max(sides), min(sides)
        what = f"its layer of {material.name}, where gas is as hot as it can be,"
        if material.max_temperature is not None:
            exact = warmest == fluid
            said = (warmest, material.max_temperature, "K", what, SAME if exact else room)
            findings.at_most("layer_hottest", subject, *said)
        if model is not None and len(material.conductivity) > 1:
            low, high = material.conductivity[0][0], material.conductivity[-1][0]
            said = (warmest, high + BEYOND, "K", f"the known conductivity of {what}", room)
            findings.at_most("layer_known", subject, *said)
            findings.at_least("layer_known", subject, coldest, low - BEYOND, "K", said[3], room)
