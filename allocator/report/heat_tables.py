"""Temperatures and heat of a plan as tables: ends of pipes, limits with margins, heat sinks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.network.records import Network, Sink
from allocator.plans.records import FlowHeat, Plan
from allocator.report.loads import corridor_of, least_factor, runs_of_kind
from allocator.report.tables import Row, table_of
from allocator.report.words import at
from allocator.thermal.sink_temperatures import HeatSinkStudy


def busiest_flows(plan: Plan) -> list[FlowHeat]:
    """Flows of the busiest state, or of the only one that a plan by means has."""
    flows = plan.heat.flows if plan.heat else ()
    busiest = [f for f in flows if f.state == "busiest"]
    return busiest or list(flows)


_TEMPERATURES = (
    Column("name", "name"),
    labelled("fluid"),
    labelled("state"),
    labelled("inlet_temperature", "temperature"),
    labelled("end_temperature", "temperature"),
    labelled("surface_temperature", "temperature", "Hottest."),
    labelled("heat_loss", "power"),
)


def temperatures(site: Network, plan: Plan) -> Table:
    """Pipes with the temperatures at both ends and at the surface, and the heat they lose."""
    pipes = {(run.route, run.fluid) for run in runs_of_kind(site, plan, "pipe")}
    rows: list[Row] = [
        {
            "name": corridor_of(site.routes[flow.route]),
            "fluid": flow.fluid,
            "state": flow.state,
            "inlet_temperature_k": flow.inlet,
            "end_temperature_k": flow.outlet,
            "surface_temperature_k": flow.surface,
            "heat_loss_w": flow.loss,
        }
        for flow in (plan.heat.flows if plan.heat else ())
        if (flow.route, flow.fluid) in pipes
    ]
    return table_of("temperatures", "Temperatures, in still air", _TEMPERATURES, rows)


_HEAT = (
    Column("subject", "where"),
    Column("limit", "what"),
    labelled("unit", "text", "K or W, of the three values."),
    Column("value", "value", "number", "What the plan reaches."),
    Column("most", "limit", "number"),
    labelled("margin", "number"),
)


def heat_limits(plan: Plan) -> Table:
    """Limits of temperature (K) and heat (W): what the plan reaches, and the margin."""
    limits = plan.heat.limits if plan.heat else ()
    rows: list[Row] = [
        {
            "subject": limit.subject,
            "limit": limit.what,
            "unit": limit.unit,
            "value": limit.value,
            "most": limit.most,
            "margin": limit.most - limit.value,
        }
        for limit in limits
    ]
    return table_of("heat_limits", "Limits of temperature and heat", _HEAT, rows)


_SINKS = (
    labelled("bath"),
    labelled("source"),
    labelled("recovery", "flag"),
    Column("cooler", "cooler", "flag", "With the cooler that could be added."),
    labelled("keeps", "flag"),
    labelled("peak_temperature", "temperature", name="hottest"),
    labelled("gas_leaves_at", "temperature"),
    labelled("margin", "temperature_difference", "Below what it bears."),
    Column("least_cooling", "cooling at least", "power"),
    labelled("mass", "mass"),
    Column("cools_its_gas", "cools its gas", "flag", "The plan leads the gas through it."),
    labelled("gas_leaves_at_most", "temperature"),
)


def heat_sinks(plan: Plan) -> Table:
    """Heat sinks: the set that keeps every limit, and whether it does."""
    rows: list[Row] = [
        {
            "bath": use.name,
            "source": use.source,
            "recovery": use.recovery,
            "cooler": use.cooler,
            "keeps": use.keeps,
            "hottest_k": use.high,
            "gas_leaves_at_k": use.outlet,
            "margin_k": use.margin,
            "least_cooling_w": use.cooling,
            "mass_kg": use.mass,
            "cools_its_gas": use.used,
            "gas_leaves_at_most_k": use.guaranteed,
        }
        for use in plan.heat_sinks
    ]
    hot = ", ".join(use.name for use in plan.heat_sinks if not use.keeps)
    note = f"TOO HOT, and nothing that may be built keeps the limits: {hot}." if hot else ""
    return replace(table_of("baths", "Heat sinks", _SINKS, rows), note=note)


_SINKS_USED = (
    labelled("bath"),
    labelled("source"),
    labelled("mass", "mass"),
    labelled("recovery", "flag"),
    labelled("inlet_temperature", "temperature"),
    labelled("gas_leaves_at_most", "temperature"),
    labelled("pump_limit", "temperature"),
    Column("steam_a_day", "steam a day", "mass", "To be made up, at full flow."),
)


def sinks_used(site: Network, plan: Plan) -> Table:
    """Heat sinks that the plan leads gas through: mass, how hot the gas leaves, steam."""
    told = {use.name: use for use in plan.heat_sinks}
    rows: list[Row] = []
    for run in runs_of_kind(site, plan, "sink"):
        sink, stream = site.pipes[run.build].sink, site.routes[run.route].stream
        assert sink is not None
        assert stream is not None
        use, pump = (
            told.get(sink.heat_sink),
            site.sources[site.heat_sinks[sink.heat_sink].source].pump,
        )
        rows.append(
            {
                "bath": sink.heat_sink,
                "source": None if use is None else use.source,
                "mass_kg": sink.mass,
                "recovery": sink.recovery,
                "inlet_temperature_k": stream.inlet,
                "gas_leaves_at_most_k": sink.outlet,
                "pump_limit_k": None if pump is None else pump.max_inlet_temperature,
                "steam_a_day_kg": _steam(site, sink) * 86_400,
            }
        )
    return table_of("sinks_used", "Heat sinks that cool gas", _SINKS_USED, rows)


def _steam(site: Network, sink: Sink) -> float:
    """What boils off a heat sink at full flow, kg/s."""
    study = HeatSinkStudy.of(site, site.heat_sinks[sink.heat_sink])
    return study.state(sink.mass, sink.recovery).steam


_DEMANDS = (
    labelled("place"),
    Column("heat_asked", "heat asked for", "power", "At all times."),
    Column("min_temperature", "at least at", "temperature"),
    Column("given_by", "given by"),
    Column("heat_given", "heat at all times", "power", "At the lowest load, or the least flow."),
    Column("heat_temperature", "heat at", "temperature"),
)


def heat_demands(site: Network, plan: Plan) -> Table:
    """Places that must be given heat: who gives how much of it at all times, and how hot."""
    rows: list[Row] = [
        {
            "place": name,
            "heat_asked_w": place.heat_demand,
            "min_temperature_k": place.heat_temperature,
            "given_by": who,
            "heat_given_w": heat,
            "heat_temperature_k": kelvin,
        }
        for name, place in site.places.items()
        if place.heat_demand is not None
        for who, heat, kelvin in _givers(site, plan, name, place.heat_temperature)
        if heat > 0
    ]
    return table_of("heat_demands", "Heat demands", _DEMANDS, rows)


def _givers(
    site: Network, plan: Plan, place: str, least: float
) -> Iterator[tuple[str, float, float]]:
    """Machine groups and coolers that warm a place, W at all times, and at how many K."""
    for use in plan.machines:
        kind = site.machines[use.type]
        hot = kind.heat_temperature
        if site.ground(use.place) == place and hot is not None and hot >= least:
            load = sum(share * least_factor(site, name) for name, share in use.following.items())
            yield at(use.name), (use.flat_load + load) * kind.heat_out, hot
    for recovery in plan.recoveries:
        route = site.routes[recovery.route]
        if route.stream is not None and recovery.heat:
            cooler = site.coolers[route.stream.corridor]
            hot = cooler.heat_temperature
            if hot is not None and (cooler.rejects_at or site.ground(route.start)) == place:
                yield recovery.build, recovery.heat, hot
