"""Pressure on the page: the curve along each way, from source to machine."""

from __future__ import annotations

from markupsafe import Markup

from allocator.base.dimensions import format_gauge
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.page.axes import Field, axis_of
from allocator.report.page.charts import BOX, SIZE, Chart
from allocator.report.page.colours import fluids_shown
from allocator.report.page.svg import points, tag
from allocator.report.pressure_ways import PressureWay, pressure_ways
from allocator.report.words import quantity

MOST_WAYS = 24
"""Ways with a curve of their own on the page: those with the least margins."""


def along_ways(site: Network, plan: Plan) -> list[Chart]:
    """The pressure along each way, least margin first; pressures over ambient."""
    ways = sorted(pressure_ways(site, plan), key=lambda way: (way.margin, way.name))
    colours = fluids_shown(site, plan)
    return [_along(site, way, colours[way.fluid]) for way in ways[:MOST_WAYS]]


def _along(site: Network, way: PressureWay, colour: int) -> Chart:
    ambient = site.ambient.pressure
    line = [(metres, pascal - ambient) for metres, pascal in way.profile]
    needs = way.needs - ambient
    values = [pascal for _, pascal in line] + ([needs] if needs > 0 else [])
    room = 0.08 * max(max(values) - min(values), 1.0)
    low = min(0.0, *values) if min(values) < 0.5 * max(values) else min(values) - room
    field = Field(
        axis_of("length", 0.0, line[-1][0] or 1.0, "along the path"),
        axis_of("pressure", low, max(values) + room, "pressure over ambient"),
        *BOX,
    )
    parts = field.grid()
    if needs > 0:
        y, left = field.up(needs), field.left
        end = left + field.wide
        parts.append(tag("path", d=f"M{left} {y:.1f}H{end}", class_="limit fluid-limit"))
        parts.append(tag("text", "needed", x=left + 6, y=y + 13, class_="tick"))
    curve = points(field.at(metres, pascal) for metres, pascal in line)
    parts.append(tag("polyline", points=curve, class_=f"curve c{colour}"))
    places = []
    for step in way.steps:
        x, y = field.at(step.metres, step.arrives - ambient)
        places.append(f"{step.place} {format_gauge(step.arrives, ambient)}")
        parts.append(tag("circle", tag("title", places[-1]), cx=x, cy=y, r=3.5, class_="dot"))
    said = f"{way.fluid}: {', '.join(places)}"
    wanted, margin = format_gauge(way.needs, ambient), quantity(way.margin, "pressure")
    note = "" if needs <= 0 else f"needed {wanted}, margin {margin}"
    return Chart(way.name, Markup("").join(parts), said, *SIZE, note)
