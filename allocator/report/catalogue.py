"""Values that a site takes from the catalogue, with their sources; the catalogue as tables."""

from __future__ import annotations

from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.site.catalogue import FLUIDS, PIPES, CatalogueFluid
from allocator.site.defaults import DefaultValue
from allocator.site.records import Site

STEEL = 7850.0
"""Density of the steel of pipe in kg/m3, by which the standards give their masses."""


def catalogue_rows(site: Site) -> list[tuple[str, str]]:
    """Where a value of the catalogue is used, and the value with its source."""
    return [
        (address.replace(".", " "), f"{value.text} (catalogue: {value.source})")
        for address, value in site.catalogued.items()
    ]


def assumption_table(site: Site, defaults: tuple[DefaultValue, ...]) -> Table:
    """Values that a site file does not give: of the catalogue, with their sources, and defaults."""
    columns = (
        Column("key", "key"),
        Column("value", "value"),
        Column("things", "things", "count"),
        Column("source", "source"),
    )
    rows = [(key, one.text, 1, f"catalogue: {one.source}") for key, one in site.catalogued.items()]
    rows += [(one.key, one.text, one.things, "default") for one in defaults]
    return Table("assumptions", "Values that the file does not give", columns, tuple(rows))


def _text(fluid: CatalogueFluid, key: str) -> str:
    return next((value.text for value in fluid.values if value.key == key), "")


def fluid_table() -> Table:
    """Usual fluids: heating value and what burning and venting count for."""
    from allocator.base.quantities import parse_quantity

    columns = (
        labelled("fluid"),
        Column("phase", "phase"),
        Column("heating_value", "heating value", "energy_per_mass"),
        Column("co2", "CO2 burnt, kg/kg", "number", "CO2 that burning 1 kg makes."),
        Column("vented_weight", "vented weight", "number"),
        Column("about", "what it is"),
    )
    rows = []
    for fluid in FLUIDS.values():
        heat = _text(fluid, "heating_value")
        weight = _text(fluid, "vented_weight")
        rows.append(
            (
                fluid.name,
                _text(fluid, "phase") or "gas",
                parse_quantity(heat, "energy_per_mass") if heat else None,
                fluid.co2 or None,
                float(weight) if weight else None,
                fluid.about,
            )
        )
    return Table("catalogue_fluids", "Fluids", columns, tuple(rows))


def value_table() -> Table:
    """Every value of every fluid with its source."""
    columns = (
        labelled("fluid"),
        Column("key", "key"),
        Column("value", "value"),
        Column("source", "source"),
    )
    rows = [
        (fluid.name, value.key, value.text, value.source)
        for fluid in FLUIDS.values()
        for value in fluid.values
    ]
    rows += [
        (fluid.name, "(outputs of a machine)", f"{fluid.co2:g} kg CO2/kg", fluid.co2_source)
        for fluid in FLUIDS.values()
        if fluid.co2
    ]
    return Table("catalogue_values", "Values of the fluids", columns, tuple(rows))


def pipe_table() -> Table:
    """Pipe of standard sizes."""
    columns = (
        Column("pipe", "pipe"),
        Column("outside", "outside diameter, mm"),
        Column("wall", "wall, mm"),
        Column("bore", "bore, mm"),
        Column("mass", "mass in steel", "mass_per_length"),
        Column("source", "source"),
    )
    rows = [
        (
            pipe.name,
            f"{1e3 * pipe.outside:.1f}",
            f"{1e3 * pipe.wall:.2f}",
            f"{1e3 * pipe.bore:.2f}",
            steel_mass(pipe.bore, pipe.wall),
            pipe.source,
        )
        for pipe in PIPES.values()
    ]
    return Table("catalogue_pipes", "Pipe of standard sizes", columns, tuple(rows))


def steel_mass(bore: float, wall: float) -> float:
    """Mass per length of a shell of steel, kg/m."""
    from math import pi

    return pi * STEEL * wall * (bore + wall)
