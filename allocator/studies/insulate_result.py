"""Every build of one run as a table: material, heat loss, temperatures, limits, the lightest."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from allocator.base.dimensions import format_gauge, format_quantity
from allocator.base.labels import labelled
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph
from allocator.engine.paths import SiteOrPath, site_of
from allocator.network.insulation import ground_of
from allocator.report.tables import gauged
from allocator.site.records import Route, Site
from allocator.studies.build_rows import BuildRow, corridor_of, lightest, rows_of_route
from allocator.studies.result import StudyResult, joined, study_json

FORMAT = "allocator.insulate/1"
CAUTION = (
    "Temperatures are upper bounds up to full flow and in still air; losses at full flow. Guard or "
    "insulate what can be touched, leave room for pipe to grow, use materials that are fit for gas "
    "and temperature, purge and pressure-test before first gas. Local codes and licensed "
    "practitioners decide."
)
_BUILDS = (
    labelled("fluid"),
    Column("inlet_temperature", "inlet temperature", "temperature"),
    labelled("build"),
    labelled("capacity", "mass_rate"),
    Column("material", "material", "mass_per_length", "Of all its materials, for each metre."),
    labelled("mass", "mass", "Of all its materials, for the whole run."),
    Column("heat_loss_per_length", "loss at inlet", "power_per_length", "At full flow."),
    labelled("heat_loss", "power", "Of the whole run, at full flow."),
    labelled("surface_temperature", "temperature", "Upper bound, in still air."),
    labelled("end_temperature", "temperature", "Upper bound, at full flow."),
    Column("end_temperature_at_flow", "end at given flow", "temperature"),
    Column("broken", "broken limits", "text", "Limits of temperature and heat that it breaks."),
    Column("lightest", "lightest", "flag", "The least mass that keeps every limit."),
    Column("not_known", "not known", "text", "What is not known of its layers."),
    Column("warning", "warning"),
)
_PRESSED = (
    Column("pressed_flow", "flow by pressure", "mass_rate", "The greatest that leaves enough."),
    Column(
        "end_pressure",
        "end at given flow",
        "pressure",
        "None: it lacks pressure.",
    ),
)
_APART = Column("capacity", "capacity by velocity", "mass_rate", "Or as stated; not by pressure.")
_SHOWN = tuple(column.name for column in _BUILDS[2:12])


@dataclass(frozen=True, slots=True, repr=False)
class InsulateResult(StudyResult):
    """Every build of a route.

    Attributes:
        route: the route, as the site file gives it.
        builds: every build, for each stream that may enter the run.
        rows: the same as records, with the kg of each material.
    """

    command: ClassVar[str] = "insulate"
    site: Site
    route: Route
    builds: Table
    rows: tuple[BuildRow, ...]

    def summary(self) -> str:
        """A table for each stream that may enter the run."""
        route = self.route
        length = format_quantity(route.length, "length")
        streams = dict.fromkeys((row.fluid, row.inlet) for row in self.rows)
        return joined(
            [f"{route.name}: {route.start} to {route.end}, {length}", *_limits(self.site, route)],
            *(self._stream(fluid, inlet) for fluid, inlet in streams),
            ["", *paragraph(CAUTION, indent=0)],
        )

    def _stream(self, fluid: str, inlet: float) -> Iterator[str]:
        mine = replace(
            self.builds, rows=tuple(row for row in self.builds.rows if row[:2] == (fluid, inlet))
        )
        entering = f"{fluid} entering at {format_quantity(inlet, 'temperature')}"
        yield from section_of(mine.select(*_SHOWN, title=entering))
        yield from self._by_pressure(fluid, inlet)
        best = lightest(self.rows, fluid, inlet)
        if best is None:
            yield from paragraph("no build keeps every limit")
        else:
            mass = format_quantity(best.mass, "mass")
            yield from paragraph(f"lightest that keeps every limit: {best.build}, {mass}")
        for build, not_known, warning in mine.select("build", "not_known", "warning").rows:
            if not_known:
                yield from paragraph(
                    f"{build} counts as bare for its surface, and as losing nothing for its end: "
                    f"{not_known}",
                    bullet="* ",
                )
            if warning:
                yield from paragraph(f"{build}: {warning}", bullet="* ")

    def _by_pressure(self, fluid: str, inlet: float) -> Iterator[str]:
        """What each build carries by the pressures of the site, where they are computed."""
        mine = [row for row in self.rows if (row.fluid, row.inlet) == (fluid, inlet)]
        known = [(row.build, row.pressure) for row in mine if row.pressure is not None]
        if not known:
            return
        first = known[0][1]
        ambient = self.site.ambient.pressure
        enters, needed = (
            f"{format_gauge(pascal, ambient)} ({pascal / 100.0:.10g} mbar absolute)"
            for pascal in (round(first.enters, -1), round(first.needed, -1))
        )
        title = f"by pressure: entering from {first.start} at {enters} without booster"
        rows = tuple((build, one.flow, one.end or None) for build, one in known)
        columns = gauged((labelled("build"), *_PRESSED), ambient)
        table = Table("by_pressure", title, columns, rows)
        yield from section_of(table)
        yield from paragraph(
            f"{enters} of {first.given_by}; {needed} needed by {first.needed_by}", bullet="* "
        )

    def to_json(self) -> str:
        """The same as JSON."""
        return study_json(
            FORMAT,
            None,
            {
                "route": self.route.name,
                "length_m": self.route.length,
                "surface_limit_k": self.route.max_surface_temperature,
                "heat_limit_w": self.route.heat_limit,
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
                        "lightest": row is lightest(self.rows, row.fluid, row.inlet),
                        **_pressure_keys(row),
                    }
                    for row in self.rows
                ],
            },
        )


def _pressure_keys(row: BuildRow) -> dict[str, object]:
    if row.pressure is None:
        return {}
    return {
        "inlet_pressure_pa": row.pressure.enters,
        "needed_pressure_pa": row.pressure.needed,
        "flow_by_pressure_kg_per_s": row.pressure.flow,
        "end_pressure_at_flow_pa": row.pressure.end,
        "enters_at": row.pressure.start,
        "inlet_pressure_of": row.pressure.given_by,
        "needed_pressure_of": row.pressure.needed_by,
    }


def insulate(
    site: SiteOrPath,
    route: str,
    *,
    fluid: str | None = None,
    temperature: float | None = None,
    flow: float | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> InsulateResult:
    """Every pipe that a route offers, for each stream that may enter it: loss, surface, limits.

    Parameters
    ----------
    site
        The site, or the path of its file.
    route
        A route of the site.
    fluid
        One fluid alone; by default all that have a source with a temperature.
    temperature
        K at the inlet; by default each level of the fluid, or its hottest source.
    flow
        kg/s at which the temperature and the pressure at the end are reported as well; a build
        that leaves less pressure than anything needs is named.
    tell
        Called with words on fluids that are left out, because a property of them is not known,
        and on those whose end temperatures are no upper bounds, as their conductivity is not known.

    Returns
    -------
    InsulateResult
        ``builds``: a row a pipe and stream.

    Raises
    ------
    AllocatorError
        The route is unknown, or too little is known to compute anything.

    Examples
    --------
    >>> import allocator as al
    >>> rows = al.insulate("networks/near_furnace.yaml", "path", temperature=653.15)["builds"]
    >>> rows.select("build", "broken").rows
    (('bare', 'surface too hot'), ('thin', 'surface too hot'), ('thick', 'none'))
    """
    site = site_of(site)
    rows = tuple(
        rows_of_route(site, route, fluid=fluid, temperature=temperature, flow=flow, tell=tell)
    )
    pressed = any(row.pressure is not None for row in rows)
    columns = tuple(_APART if pressed and one.name == "capacity" else one for one in _BUILDS)
    return InsulateResult(
        site,
        replace(corridor_of(site, route), name=route),
        Table("builds", f"Builds of {route}", columns, tuple(_row(row, rows) for row in rows)),
        rows,
    )


def _row(row: BuildRow, rows: tuple[BuildRow, ...]) -> tuple[object, ...]:
    return (
        *(row.fluid, row.inlet, row.build, row.capacity, row.per_metre, row.mass),
        *((None, None) if row.missing else (row.loss_per_metre, row.loss)),
        *(row.surface, row.end, row.end_at_flow, "; ".join(row.broken) or "none"),
        *(row is lightest(rows, row.fluid, row.inlet), row.missing or None, row.warning or None),
    )


def _limits(site: Site, route: Route) -> list[str]:
    limits = []
    if route.max_surface_temperature is not None:
        limits.append(
            f"surface at most {format_quantity(route.max_surface_temperature, 'temperature')}"
        )
    if route.heat_limit is not None:
        limits.append(f"heat released at most {format_quantity(route.heat_limit, 'power')}")
    if route.burial_depth is not None:
        limits.append(f"buried {format_quantity(route.burial_depth, 'length')} deep")
        dry, wet = (format_quantity(one, "conductivity") for one in ground_of(site))
        told = f"ground of {dry}" if dry == wet else f"ground of {dry} for temperatures, {wet} for"
        limits.append(told if dry == wet else f"{told} heat")
    return paragraph("; ".join(limits)) if limits else []
