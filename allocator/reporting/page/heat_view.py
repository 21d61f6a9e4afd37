"""Temperatures on the page: along each run, and every limit with its margin."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.plan import Plan
from allocator.reporting.loads import corridor_of, runs_of_kind
from allocator.reporting.words import quantity
from allocator.site.records import Site


def temperatures(site: Site, plan: Plan) -> list[tuple[str, ...]]:
    """Runs with their temperatures: name, fluid, when, inlet, end, surface, heat that is lost."""
    if plan.heat is None:
        return []
    pipes = {(run.route, run.fluid) for run in runs_of_kind(site, plan, "pipe")}
    return [
        (
            corridor_of(site.routes[flow.route]),
            flow.fluid,
            flow.state,
            quantity(flow.inlet, "temperature"),
            quantity(flow.outlet, "temperature"),
            "" if flow.surface is None else quantity(flow.surface, "temperature"),
            quantity(flow.loss, "power"),
        )
        for flow in plan.heat.flows
        if (flow.route, flow.fluid) in pipes
    ]


@dataclass(frozen=True, slots=True)
class Margin:
    """A limit of temperature or heat: what the plan comes to, of the most, in words and percent."""

    what: str
    value: str
    most: str
    filled: float
    kept: bool


def margins(site: Site, plan: Plan) -> list[Margin]:
    """Limits of heat; temperatures count from the ambient, where nothing is warm."""
    found = []
    for limit in plan.heat.limits if plan.heat else ():
        kelvin = limit.unit == "K"
        dimension, zero = ("temperature", site.ambient.temperature) if kelvin else ("power", 0.0)
        whole = max(limit.most - zero, limit.value - zero, 1e-9)
        found.append(
            Margin(
                f"{limit.subject}: {limit.what}",
                quantity(limit.value, dimension),
                quantity(limit.most, dimension),
                100.0 * max(0.0, limit.value - zero) / whole,
                limit.value <= limit.most * (1 + 1e-9),
            )
        )
    return found
