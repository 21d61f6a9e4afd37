"""The builds of one run as text and as JSON."""

from __future__ import annotations

import json

from allocator.base.quantities import format_quantity
from allocator.report.text import paragraph, table
from allocator.site.records import Site
from allocator.studies.insulate import BuildRow, corridor_of, lightest

FORMAT = "allocator.insulate/1"
CAUTION = (
    "Temperatures are upper bounds at full flow and in still air; losses at full flow. Guard or "
    "insulate what can be touched, leave room for pipe to grow, use materials that are fit for gas "
    "and temperature, purge and pressure-test before first gas. Local codes and licensed "
    "practitioners decide."
)


def insulate_text(site: Site, route: str, rows: list[BuildRow]) -> str:
    """One table for each stream that may enter the run."""
    corridor = corridor_of(site, route)
    length = format_quantity(corridor.length, "length")
    lines = [f"{route}: {corridor.start} to {corridor.end}, {length}", *_limits(site, route), ""]
    for fluid, inlet in dict.fromkeys((row.fluid, row.inlet) for row in rows):
        mine = [row for row in rows if (row.fluid, row.inlet) == (fluid, inlet)]
        lines.append(f"{fluid} that enters at {format_quantity(inlet, 'temperature')}")
        lines += _table(mine)
        best = lightest(rows, fluid, inlet)
        if best is None:
            lines += paragraph("no build holds every limit")
        else:
            mass = format_quantity(best.mass, "mass")
            lines += paragraph(f"lightest that holds every limit: {best.build}, {mass}")
        for row in mine:
            if row.missing:
                lines += paragraph(
                    f"{row.build} counts as bare for its surface, and as losing nothing for its "
                    f"end: {row.missing}",
                    bullet="* ",
                )
            if row.warning:
                lines += paragraph(f"{row.build}: {row.warning}", bullet="* ")
        lines.append("")
    return "\n".join([*lines, *paragraph(CAUTION, indent=0)]) + "\n"


def _limits(site: Site, route: str) -> list[str]:
    corridor = corridor_of(site, route)
    said = []
    if corridor.max_surface_temperature is not None:
        said.append(
            f"surface at most {format_quantity(corridor.max_surface_temperature, 'temperature')}"
        )
    if corridor.heat_limit is not None:
        said.append(f"heat let in at most {format_quantity(corridor.heat_limit, 'power')}")
    if corridor.burial_depth is not None:
        said.append(f"buried {format_quantity(corridor.burial_depth, 'length')} deep")
    return paragraph("; ".join(said)) if said else []


def _table(rows: list[BuildRow]) -> list[str]:
    at_flow = any(row.end_at_flow is not None for row in rows)
    cells = []
    for row in rows:
        known = not row.missing
        cells.append(
            (
                row.build,
                format_quantity(row.capacity, "mass_rate"),
                f"{row.per_metre:.3g} kg/m",
                format_quantity(row.mass, "mass"),
                f"{row.loss_per_metre:.3g} W/m" if known else "-",
                format_quantity(row.loss, "power") if known else "-",
                format_quantity(row.surface, "temperature"),
                format_quantity(row.end, "temperature"),
                *(
                    [format_quantity(row.end_at_flow, "temperature")]
                    if at_flow and row.end_at_flow is not None
                    else []
                ),
                "; ".join(row.broken) or "all hold",
            )
        )
    heads = ["build", "carries", "material", "mass", "loses", "in all", "surface", "end"]
    heads += ["end at flow"] if at_flow else []
    return table((*heads, "limits"), cells, right=range(1, len(heads)))


def insulate_json(site: Site, route: str, rows: list[BuildRow]) -> str:
    """The same as JSON in SI units."""
    corridor = corridor_of(site, route)
    data = {
        "format": FORMAT,
        "route": route,
        "length_m": corridor.length,
        "surface_limit_k": corridor.max_surface_temperature,
        "heat_limit_w": corridor.heat_limit,
        "builds": [
            {
                "fluid": row.fluid,
                "inlet_temperature_k": row.inlet,
                "build": row.build,
                "capacity_kg_per_s": row.capacity,
                "kg_per_m": row.per_metre,
                "materials_kg": row.materials,
                "heat_loss_w_per_m": None if row.missing else row.loss_per_metre,
                "heat_loss_w": None if row.missing else row.loss,
                "surface_temperature_k": row.surface,
                "end_temperature_k": row.end,
                "end_temperature_at_flow_k": row.end_at_flow,
                "breaks": list(row.broken),
                "not_known": row.missing or None,
                "lightest": row is lightest(rows, row.fluid, row.inlet),
            }
            for row in rows
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"
