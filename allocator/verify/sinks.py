"""Rules of heat sinks: what each guarantees of its gas, by stepping its equation through time.

The audit's own bound: the settled cycle at full flow, with the greatest mean specific heat of the
gas and the least of the filling within the sink's limits, and what the sink may be warmer at its
start than the coldest of that cycle added; all at the end of the source's ranges at which most gas
comes. It holds for every phase and for less flow, since the heat that a sink takes up falls as it
gets warmer, and two solutions of one equation never cross.
"""

from __future__ import annotations

import math
from dataclasses import replace

from allocator.network.records import Sink
from allocator.physics.substances import saturation_temperature, value
from allocator.plans.records import Run
from allocator.site.records import HeatSink, Stage
from allocator.verify.case import Case
from allocator.verify.cycle import source_cycle
from allocator.verify.heat import SAME
from allocator.verify.properties import INTEGRALS, substance_of
from allocator.verify.report import LIMIT, Findings
from allocator.verify.sink_states import (
    KELVINS,
    SHARE,
    STEPS,
    WATER,
    body_of,
    coldest,
    hottest_within,
    marched,
    most_heat,
    outside,
)
from allocator.verify.sure_clocks import is_exact


def check_sinks(case: Case, findings: Findings) -> None:
    """Each heat sink that a plan uses is one that the site offers, and cools as it is told."""
    seen: set[str] = set()
    for run in case.plan.runs:
        sink = case.site.pipes[run.build].sink
        stream = case.site.routes[run.route].stream
        if sink is None:
            piped = stream is None or stream.kind != "sink"
            findings.holds("sink_told", f"run {run.route!r}", piped, "is no heat sink")
            continue
        subject = f"heat sink {sink.heat_sink!r}"
        findings.holds("one_sink", subject, sink.heat_sink not in seen, "has more than one mass")
        seen.add(sink.heat_sink)
        if findings.holds(
            "sink_told", subject, sink.heat_sink in case.whole.heat_sinks, "is unknown"
        ):
            heat_sink = case.whole.heat_sinks[sink.heat_sink]
            _offered(case, findings, heat_sink, sink, run)
            _cools(case, findings, heat_sink, sink, run)
    for use in case.plan.heat_sinks:
        subject, same = f"heat sink {use.name!r}", use.used == (use.name in seen)
        findings.holds("sink_used", subject, same, "whether it is used is stated wrongly")


def _offered(case: Case, findings: Findings, heat_sink: HeatSink, sink: Sink, run: Run) -> None:
    """Mass, recovery, what it takes, its source alone before it, and what the plan tells of it."""
    subject, site = f"heat sink {heat_sink.name!r}", case.site
    offered = sink.mass in (heat_sink.masses or (heat_sink.mass,))
    offered = offered and (heat_sink.recovery is not None or not sink.recovery)
    findings.holds("sink_offered", subject, offered, "the site offers no such heat sink")
    route, build = site.routes[run.route], site.pipes[run.build]
    taken: dict[str, float] = {}
    for layer in build.layers:
        taken[layer.material] = taken.get(layer.material, 0.0) + layer.mass * route.length
    for name in {*heat_sink.materials, *heat_sink.base_materials, *taken}:
        kg = heat_sink.materials.get(name, 0.0) * sink.mass + heat_sink.base_materials.get(
            name, 0.0
        )
        room = LIMIT * kg
        findings.equals("sink_takes", subject, taken.get(name, 0.0), kg, "kg", f"its {name}", room)
    money = heat_sink.price * sink.mass + heat_sink.base_price
    price = build.price * route.length
    findings.equals("sink_takes", subject, price, money, "", "its price", LIMIT * money)
    same = build.life == heat_sink.life
    findings.holds("sink_takes", subject, same, "lasts another time than the site says")
    source = site.sources[heat_sink.source]
    # what its pump draws through pauses out of a chamber came through the sink as it burst
    others = [
        s.name
        for s in site.sources.values()
        if s.place == route.start and source.name not in (s.name, s.part_of)
    ]
    others += [
        other.name
        for other in site.routes.values()
        if other.end == route.start or (other.start == route.start and not other.one_way)
    ]
    alone = source.place == route.start and source.fluid == run.fluid and not others
    findings.holds("sink_source", subject, alone, "it takes more than its source's gas")
    findings.at_most(
        "sink_flow",
        subject,
        site.capacity(run.route, run.build, run.fluid),
        _most_gas(case, heat_sink.source)[0],
        "kg/s",
        "what it is offered for",
    )
    told = [
        (use.mass, use.recovery, use.cooler, use.guaranteed)
        for use in case.plan.heat_sinks
        if use.name == heat_sink.name
    ]
    same = told == [(sink.mass, sink.recovery, False, sink.outlet)]
    findings.holds("sink_told", subject, same, "the plan states another one for it")


def _cools(case: Case, findings: Findings, heat_sink: HeatSink, sink: Sink, run: Run) -> None:
    """The bound by the audit's own model, and the sink's limits and its gas's water under it."""
    subject, site = f"heat sink {heat_sink.name!r}", case.whole
    source = site.sources[heat_sink.source]
    hot = source.temperature
    known = hot is not None and heat_sink.heat_while_on is None
    if not findings.holds("sink_known", subject, known, "no temperature of its gas follows"):
        return
    assert hot is not None
    room = KELVINS + SHARE * max(0.0, hot - site.ambient.temperature)
    high, low, heat = warmest(case, replace(heat_sink, mass=sink.mass), sink.recovery)
    outlet = hot - heat_sink.effectiveness * (hot - high)
    what = "the temperature at which its gas leaves"
    findings.at_least("sink_outlet", subject, sink.outlet, outlet, "K", what)
    findings.at_most("sink_outlet", subject, sink.outlet, outlet + 2 * room, "K", what)
    stream = case.site.routes[run.route].stream
    level = -math.inf if stream is None else stream.outlet
    findings.at_least("sink_outlet", subject, level, sink.outlet, "K", "the level behind it", SAME)
    findings.at_least(
        "sink_heat", subject, sink.heat, heat, "W", "the heat it releases", INTEGRALS * heat
    )
    findings.at_most(
        "sink_hottest", subject, high, heat_sink.max_temperature, "K", "the warmest it may be"
    )
    if heat_sink.max_outlet_temperature is not None:
        findings.at_most(
            "sink_hottest", subject, sink.outlet, heat_sink.max_outlet_temperature, "K", "its gas"
        )
    if source.water:
        dew = saturation_temperature(
            "Water", source.water * (source.pressure or site.ambient.pressure)
        )
        if not is_exact(site, source):
            low = coldest(case, heat_sink)
        findings.at_least("sink_wet", subject, low, dew, "K", "the coldest of it, in wet gas")


def warmest(case: Case, heat_sink: HeatSink, recovery: bool) -> tuple[float, float, float]:
    """K that a sink never passes, whatever the phase and the flow; its coldest, settled; and W

    that it lets into its place at the most: lost, taken by recovery, boiled."""
    site = case.whole
    source = site.sources[heat_sink.source]
    assert source.temperature is not None
    flow, stages = _most_gas(case, heat_sink.source)
    hot, around = source.temperature, outside(case, heat_sink)
    body = body_of(case, heat_sink, recovery, 0.0)
    boils = min((above for above, most in body.draws if math.isinf(most)), default=math.inf)
    lowest, top = coldest(case, heat_sink), hottest_within(case, heat_sink, body)
    grid = [top + (lowest - top) * i / STEPS for i in range(STEPS + 1)]
    body = replace(body, capacity=body.capacity * _least_share(case, heat_sink, grid, boils))
    heat = most_heat(case, heat_sink, lowest, top)
    contact = heat_sink.effectiveness * flow * heat
    found = marched(heat_sink, body, source_cycle(stages), (0.0, contact, hot))
    high = found.settled_high + max(0.0, heat_sink.initial_temperature - found.settled_low)
    high = max(found.high, min(high, boils, max(hot, heat_sink.initial_temperature)))
    heat_released = heat_sink.loss_conductance * max(0.0, high - around)
    heat_released += heat_sink.recovery.duty if recovery and heat_sink.recovery is not None else 0.0
    heat_released += contact * (hot - boils) if high >= boils - 1e-6 else 0.0
    return high, found.settled_low, heat_released


def _most_gas(case: Case, name: str) -> tuple[float, tuple[Stage, ...]]:
    """Flow and stages of a source where its ranges bring most: longest on, no pause in what has

    a period that is not known."""
    source, spreads = case.whole.sources[name], case.whole.spreads
    high = {
        address.removeprefix(f"sources.{name}."): spread.high for address, spread in spreads.items()
    }
    varied = [k for k in range(len(source.stages)) if f"cycle[{k + 1}].every" in high]
    first = varied[-1] + 1 if varied else 0
    if {"delivery.every", "delivery.batch"} & set(high):
        first = len(source.stages)
    if source.drift or source.jitter:
        first = len(source.stages)  # it may be on longer, or bursts may follow each other at once
    stages = tuple(
        Stage(min(stage.every, max(stage.on, high.get(f"cycle[{k + 1}].on", 0.0))), stage.every)
        for k, stage in enumerate(source.stages)
        if k >= first
    )
    return max(source.flow, high.get("flow", 0.0)), stages


def _least_share(case: Case, heat_sink: HeatSink, grid: list[float], boils: float) -> float:
    """The least specific heat of a filling in what its body counts with."""
    if heat_sink.fluid is None or "specific_heat" in case.whole.fluids[heat_sink.fluid].constants:
        return 1.0
    fluid = case.whole.fluids[heat_sink.fluid]
    library = fluid.substance or ""
    freezes = 273.16 if library.lower() in WATER else 0.0
    within = [min(max(kelvin, freezes), boils - 0.1) for kelvin in grid]
    substance = substance_of(case, heat_sink.fluid, dry=True)
    counted = body_of(case, replace(heat_sink, mass=1.0), False, 0.0).capacity
    heats = [float(value(substance, "specific_heat", k, heat_sink.pressure)) for k in within]
    return min(heats) / counted
