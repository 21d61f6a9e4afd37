"""Rules of temperature: the plan's figures against a model of their own, then every limit.

Nothing here comes from planning or from its physics but the look-up of a fluid's properties. A
pipe is walked in small plain steps, its surface found by false position, the mean conductivity by
Simpson's rule. The plan must give the temperatures of every flow that needs them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from allocator.base.errors import AllocatorError
from allocator.plans.records import FlowHeat, HeatLimit
from allocator.verify.case import Case
from allocator.verify.inner_film import Film
from allocator.verify.pipe_model import PipeModel, end_and_surface
from allocator.verify.properties import INTEGRALS, heat_between, mixed, specific_heat
from allocator.verify.report import Findings
from allocator.verify.wet_gas import condensed_heat

KELVINS = 0.25
"""K by which two models of one pipe may differ, beside a share of what it cools or loses."""

SHARE = 1e-2
MIXED, SPREAD = 5e-3, 1e-4
"""K, and share of the spread of what mixes, by which two mixtures may differ."""
SAME = 1e-6
"""K between temperatures that are one."""
BALANCE = 1e-6
"""Rates and heat balances hold to this share."""

RULE = "heat_given"


def check_heat(case: Case, findings: Findings) -> None:
    """Temperatures of flows, mixing, coolers, limits; all in the states that the plan tells."""
    planned = planned_fluids(case)
    heat = case.plan.heat
    stays = [fluid for fluid in planned if _stays(case, fluid)]
    for fluid in stays:
        check_hottest(case, findings, fluid)
    planned = [fluid for fluid in planned if fluid not in stays]
    if heat is None:
        for fluid in planned:
            moved = any(run.fluid == fluid and run.flows for run in case.plan.runs)
            findings.holds(RULE, f"fluid {fluid!r}", not moved, "no temperatures are given")
        return
    for state in ("busiest", "quiet"):
        flows = [f for f in heat.flows if f.state == state]
        for fluid in dict.fromkeys((*planned, *(f.fluid for f in flows))):
            mine = [f for f in flows if f.fluid == fluid]
            if _all_there(case, findings, fluid, state, mine):
                _mixing(case, findings, fluid, state, mine)
                for flow in mine:
                    _along(case, findings, flow)
                    _loss(case, findings, flow)
    _limits(case, findings)


def planned_fluids(case: Case) -> list[str]:
    return list(
        dict.fromkeys(
            route.stream.fluid
            for route in case.site.routes.values()
            if route.stream is not None and route.stream.fluid
        )
    )


def _stays(case: Case, fluid: str) -> bool:
    """True for a fluid of unknown heat capacity that no pipe and no cooler of the plan moves."""
    try:
        specific_heat(case, fluid, case.site.ambient.temperature)
    except AllocatorError:  # a property that is not known
        streams = [case.site.routes[r.route].stream for r in case.plan.runs if r.fluid == fluid]
        return all(stream is not None and stream.kind == "passage" for stream in streams)
    return False


def check_hottest(case: Case, findings: Findings, fluid: str) -> None:
    """No equipment takes in what may be as hot as the hottest that comes to its place.

    A mixture is no hotter than what is mixed: this needs no heat capacity.
    """
    known = [s.temperature for s in case.site.sources.values() if s.fluid == fluid]
    hottest = max((k for k in known if k), default=case.site.ambient.temperature)
    hot: dict[str, float] = {}
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid and (any(use.collect.values()) or any(use.direct.values())):
            kelvin = source.temperature or case.site.ambient.temperature
            hot[source.place] = max(kelvin, hot.get(source.place, 0.0))
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        if fluid in kind.outputs:
            kelvin = hottest if kind.outlet_temperature is None else kind.outlet_temperature
            hot[machine.place] = max(kelvin, hot.get(machine.place, 0.0))
    ways = [(f.start, f.end) for r in case.plan.runs if r.fluid == fluid for f in r.flows]
    for _ in ways:
        for start, end in ways:
            hot[end] = max(hot.get(start, 0.0), hot.get(end, 0.0))
    for place, kelvin in hot.items():
        for name, most in equipment_at(case, place, fluid):
            findings.at_most(
                "max_inlet_temperature", name, kelvin, most, "K", f"the {fluid} taken in"
            )


def rates_in(case: Case, fluid: str, state: str) -> dict[tuple[str, str, str], float]:
    """(route, start, build) -> kg/s in a state, by the flows of the plan."""
    found: dict[tuple[str, str, str], float] = {}
    for run in case.plan.runs:
        if run.fluid != fluid:
            continue
        for flow in run.flows:
            if flow.layer == "collect":
                rate = flow.rate if state == "busiest" else 0.0
            else:
                rate = flow.rate * (case.peak(flow.carries) if state == "busiest" else 1.0)
            if rate > 0:
                key = (run.route, flow.start, run.build)
                found[key] = found.get(key, 0.0) + rate
    return found


def _all_there(
    case: Case, findings: Findings, fluid: str, state: str, flows: list[FlowHeat]
) -> bool:
    expected = rates_in(case, fluid, state)
    given = {(f.route, f.start, f.build): f.rate for f in flows}
    same = expected.keys() == given.keys() and all(
        abs(given[key] - rate) <= BALANCE * rate for key, rate in expected.items()
    )
    return findings.holds(
        RULE,
        f"fluid {fluid!r}, {state}",
        same and len(given) == len(flows),
        "the flows with temperatures are not those of the plan",
    )


Arrivals = dict[str, list[tuple[float, float]]]
"""Place -> (kg/s, K) of what comes there."""


def arriving(
    case: Case, fluid: str, state: str, flows: list[FlowHeat]
) -> tuple[Arrivals, set[str]]:
    """What pipes and sources bring to each place; the places at which equipment gives as well."""
    found: Arrivals = {}
    for flow in flows:
        route = case.site.routes[flow.route]
        end = route.end if flow.start == route.start else route.start
        found.setdefault(end, []).append((flow.rate, flow.outlet))
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid:
            rate = sum(use.collect.values()) if state == "busiest" else 0.0
            rate += _shaped(case, use.direct, state)
            if rate > 0:
                kelvin = source.temperature or case.site.ambient.temperature
                found.setdefault(source.place, []).append((rate, kelvin))
    unknown = {m.place for m in case.plan.machines if fluid in case.machine_type(m).outputs}
    unknown |= {s.place for s in case.plan.stores if s.holds == fluid and s.draw}
    return found, unknown


def _mixing(case: Case, findings: Findings, fluid: str, state: str, flows: list[FlowHeat]) -> None:
    """What leaves a place is no hotter and no colder than the mixture of what arrives there."""
    arrivals, unknown = arriving(case, fluid, state, flows)
    for flow in flows:
        came = arrivals.get(flow.start, [])
        if flow.start in unknown or not came:
            _from_equipment(case, findings, fluid, flow, came)
            continue
        mixture = mixed(case, fluid, came)
        findings.equals(
            "heat_mixing",
            f"run {flow.route!r}",
            flow.inlet,
            mixture,
            "K",
            "the temperature at its inlet",
            MIXED + SPREAD * (max(k for _, k in came) - min(k for _, k in came)),
        )


def _from_equipment(
    case: Case, findings: Findings, fluid: str, flow: FlowHeat, came: list[tuple[float, float]]
) -> None:
    """Where machines and stores give, no colder than the coldest that can be there."""
    possible = [kelvin for _, kelvin in came]
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        if (
            machine.place == flow.start
            and fluid in kind.outputs
            and kind.outlet_temperature is not None
        ):
            possible.append(kind.outlet_temperature)
    low = min(possible, default=case.site.ambient.temperature)
    low = min(low, case.site.ambient.temperature) if flow.state == "quiet" else low
    findings.at_least(
        "heat_mixing", f"run {flow.route!r}", flow.inlet, low, "K", "the inlet's temperature", MIXED
    )


def _shaped(case: Case, means: Mapping[str, float], state: str) -> float:
    return math.fsum(
        mean * (case.peak(shape) if state == "busiest" else 1.0) for shape, mean in means.items()
    )


def _along(case: Case, findings: Findings, flow: FlowHeat) -> None:
    site = case.site
    route, subject = site.routes[flow.route], f"run {flow.route!r} ({flow.state})"
    stream = route.stream
    piped = stream is None or stream.kind == "pipe"
    if not findings.holds(
        "heat_surface",
        subject,
        piped == (flow.surface is not None),
        "the surface is stated for pipes, and for nothing else",
    ):
        return
    if stream is not None and stream.kind == "cooler":
        expected = min(flow.inlet, site.coolers[stream.corridor].set_point)
        findings.equals("cooler_outlet", subject, flow.outlet, expected, "K", "its outlet", SAME)
        coolant = site.coolers[stream.corridor].coolant
        if coolant is not None and flow.outlet < flow.inlet:
            findings.at_least(
                "colder_than_coolant", subject, flow.outlet, coolant, "K", "its outlet"
            )
        return
    if (sink := site.pipes[flow.build].sink) is not None:
        expected = min(flow.inlet, sink.outlet)
        findings.equals("heat_along", subject, flow.outlet, expected, "K", "its outlet", SAME)
        return
    model = PipeModel.of(site, route, flow.build)
    if model is None or (stream is not None and stream.kind == "passage"):
        # up to the level of what a booster gives, gas counts as hot as that
        rises = stream is not None and not piped and stream.outlet > stream.inlet
        expected = max(flow.inlet, stream.outlet) if stream is not None and rises else flow.inlet
        findings.equals("heat_along", subject, flow.outlet, expected, "K", "its end", SAME)
        if flow.surface is not None:  # what is not known well enough counts as bare
            said = (flow.surface, flow.inlet, "K", "its surface", SAME)
            findings.equals("heat_surface", subject, *said)
        return
    end, surface = end_and_surface(
        model,
        flow.inlet,
        flow.rate,
        lambda kelvin: specific_heat(case, flow.fluid, kelvin),
        Film.of(case, flow.fluid, model.bore, flow.rate, flow.inlet),
    )
    if flow.inlet < site.ambient.temperature:  # it warms by all that may come in
        end = coldest_end(case, flow)
    room = KELVINS + SHARE * abs(flow.inlet - end)
    findings.equals(
        "heat_along", subject, flow.outlet, end, "K", "the temperature at its end", room
    )
    assert flow.surface is not None
    room = KELVINS + SHARE * abs(flow.inlet - site.ambient.temperature)
    findings.equals("heat_surface", subject, flow.surface, surface, "K", "its surface", room)


def _loss(case: Case, findings: Findings, flow: FlowHeat) -> None:
    """The heat that is lost is what the fluid has less at the end, of a pipe the coldest end."""
    end = coldest_end(case, flow)
    warm, cold = max(flow.inlet, end), min(flow.inlet, end)
    lost = flow.rate * heat_between(case, flow.fluid, cold, warm)
    lost = lost if flow.inlet >= end else -lost
    route = case.site.routes[flow.route]
    if route.stream is not None and route.stream.kind == "cooler":
        lost += flow.rate * condensed_heat(case, route, flow.inlet, flow.outlet)
    room = INTEGRALS * abs(lost) + 1e-3 * flow.rate * specific_heat(case, flow.fluid, flow.inlet)
    if end != flow.outlet:  # by two models of the pipe
        kelvins = KELVINS + SHARE * abs(flow.inlet - end)
        room += kelvins * flow.rate * specific_heat(case, flow.fluid, end)
    subject = f"run {flow.route!r} ({flow.state})"
    findings.equals("heat_loss", subject, flow.loss, lost, "W", "the heat that it loses", room)


def coldest_end(case: Case, flow: FlowHeat) -> float:
    """K at the end by which a flow's loss counts: of a known pipe that without the film inside."""
    route = case.site.routes[flow.route]
    sink = case.site.pipes[flow.build].sink
    model = PipeModel.of(case.site, route, flow.build, dull=True)
    piped = route.stream is None or route.stream.kind == "pipe"
    if model is None or sink is not None or not piped:
        return flow.outlet
    return end_and_surface(
        model, flow.inlet, flow.rate, lambda kelvin: specific_heat(case, flow.fluid, kelvin)
    )[0]


def _limits(case: Case, findings: Findings) -> None:
    """Every limit of the site by the temperatures of the flows, with no tolerance."""
    assert case.plan.heat is not None
    told = {(limit.subject, limit.what): limit for limit in case.plan.heat.limits}
    for flow in case.plan.heat.flows:
        for rule, subject, what, limit in limits_of_flow(case, flow):
            findings.at_most(rule, subject, limit.value, limit.most, limit.unit, what)
    for limit in told.values():
        findings.at_most(
            "heat_limit_told", limit.subject, limit.value, limit.most, limit.unit, limit.what
        )


def limits_of_flow(case: Case, flow: FlowHeat) -> Iterator[tuple[str, str, str, HeatLimit]]:
    site = case.site
    route, build = site.routes[flow.route], site.pipes[flow.build]
    subject = f"run {flow.route!r}"
    piped = route.stream is None or route.stream.kind == "pipe"
    if piped and route.max_surface_temperature is not None and flow.surface is not None:
        limit = HeatLimit(subject, "surface", "K", flow.surface, route.max_surface_temperature)
        yield "max_surface_temperature", subject, "its surface", limit
    if piped and route.heat_limit is not None:
        limit = HeatLimit(subject, "heat", "W", flow.loss, route.heat_limit)
        yield "route_heat_limit", subject, "the heat that it releases", limit
    if piped and build.max_temperature is not None:
        limit = HeatLimit(subject, "inlet", "K", flow.inlet, build.max_temperature)
        yield "build_hottest", subject, "what it carries", limit
    end = route.end if flow.start == route.start else route.start
    for name, most in equipment_at(case, end, flow.fluid):
        limit = HeatLimit(name, "inlet", "K", flow.outlet, most)
        yield (
            "max_inlet_temperature",
            name,
            f"the {flow.fluid} that may come in by {flow.route!r}",
            limit,
        )


def equipment_at(case: Case, place: str, fluid: str) -> Iterator[tuple[str, float]]:
    """Limits of what takes a fluid at a place; each stream that comes there must keep them."""
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        used = machine.running or machine.cycled or machine.flat_load or any(machine.burst.values())
        if machine.place == place and fluid in kind.inputs and used and kind.max_inlet_temperature:
            yield f"machine {machine.name!r}", kind.max_inlet_temperature
    for store in case.plan.stores:
        most = case.site.storage[store.type].max_inlet_temperature
        if store.place == place and store.holds == fluid and most is not None:
            yield f"store {store.name!r}", most
    for use in case.plan.demands:
        demand = case.site.demands[use.name]
        served = use.clean_share + use.emitting_share > 0
        if (
            demand.place == place
            and demand.wants == fluid
            and served
            and demand.max_inlet_temperature
        ):
            yield f"demand {use.name!r}", demand.max_inlet_temperature
