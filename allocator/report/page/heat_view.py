"""Temperatures on the page: the curve along each run, limits with margins."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from allocator.base.labels import head
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.loads import corridor_of, runs_of_kind
from allocator.report.page.axes import Field, axis_of
from allocator.report.page.charts import BOX, SIZE, Chart
from allocator.report.page.colours import fluids_shown
from allocator.report.page.svg import points, tag
from allocator.report.words import quantity
from allocator.thermal import TemperatureProfile, profiles_of

MOST_RUNS = 24
"""Runs with a curve of their own on the page: the hottest ones."""
NEAR = 1.5
"""A limit is drawn where it is no further off than so many times the run's own warmth."""


def along_runs(site: Network, plan: Plan) -> list[Chart]:
    """The temperature of fluid and surface along each run in its busiest state, hottest first."""
    if plan.heat is None:
        return []
    pipes = {(run.route, run.fluid) for run in runs_of_kind(site, plan, "pipe")}
    flows = [
        flow
        for flow in plan.heat.flows
        if (flow.route, flow.fluid) in pipes and flow.state == "busiest"
    ]
    flows.sort(key=lambda flow: (-flow.inlet, flow.route, flow.start))
    colours = fluids_shown(site, plan)
    return [_along(site, found, colours) for found in profiles_of(site, flows[:MOST_RUNS])]


def _along(site: Network, found: TemperatureProfile, colours: dict[str, int]) -> Chart:
    flow, route = found.flow, site.routes[found.flow.route]
    around = site.ambient.temperature
    limits = [
        ("surface limit", route.max_surface_temperature, "surface-limit"),
        (f"{flow.build} limit", site.pipes[flow.build].max_temperature, "fluid-limit"),
    ]
    low = min(around, *found.fluid)
    warm = max(*found.fluid, around)
    known = [(words, kelvin, look) for words, kelvin, look in limits if kelvin is not None]
    drawn = [one for one in known if one[1] - warm <= NEAR * max(warm - low, 10.0)]
    high = max([warm, *(kelvin for _, kelvin, _ in drawn)])
    room = 0.08 * max(high - low, 1.0)
    field = Field(
        axis_of("length", 0.0, found.metres[-1] or 1.0, head("length")),
        axis_of("temperature", low - room, high + room, head("temperature")),
        *BOX,
    )
    parts = field.grid()
    end = field.left + field.wide
    for words, kelvin, look in drawn:
        y = field.up(kelvin)
        parts.append(tag("path", d=f"M{field.left} {y:.1f}H{end}", class_=f"limit {look}"))
        parts.append(tag("text", words, x=end, y=y - 4, class_="tick", text_anchor="end"))
    for kelvins, look in (
        (found.surface, "outside"),
        (found.fluid, f"curve c{colours[flow.fluid]}"),
    ):
        line = [field.at(x, kelvin) for x, kelvin in zip(found.metres, kelvins, strict=True)]
        parts.append(tag("polyline", points=points(line), class_=look))
    said = f"{flow.fluid} {_degrees(found.fluid[0])} to {_degrees(found.fluid[-1])}"
    said += f", surface {_degrees(found.surface[0])} to {_degrees(found.surface[-1])}"
    far = [f"{words} {_degrees(kelvin)}" for words, kelvin, _ in known]
    note = "; ".join(far)
    return Chart(f"{corridor_of(route)}: {flow.build}", Markup("").join(parts), said, *SIZE, note)


def _degrees(kelvin: float) -> str:
    return quantity(kelvin, "temperature")


@dataclass(frozen=True, slots=True)
class Margin:
    """A limit of temperature or heat: what the plan comes to, of the most, in words and percent."""

    what: str
    value: str
    most: str
    filled: float
    kept: bool


def margins(site: Network, plan: Plan) -> list[Margin]:
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
