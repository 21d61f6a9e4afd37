"""What is odd about vapour in the gas of sources: noted as warnings, source by source."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.dimensions import format_absolute
from allocator.base.quantities import format_quantity
from allocator.site.chambers import molar
from allocator.site.fluid_words import is_tarry
from allocator.site.records import Site, Source
from allocator.site.table import Values

TAR = 373.15
"""K below which tar and water of gas from heated solids condense; some tars do far above it."""
MOIST = 0.05
"""kg of vapour with each kg of gas from which on it is told what the flow is with it."""


def note_wet_gas(site: Site, values: Mapping[str, Values]) -> None:
    """Notes what is odd about the vapour of each source: more than full, much of it, not counted.

    Notes are at the source's ``values``.
    """
    for name, source in site.sources.items():
        if source.water:
            share = _held(site, source, values[name])
            _note_flow(site, source, share, values[name])
        elif source.water is None:
            _note_tar(site, source, values[name])


def _note_tar(site: Site, source: Source, values: Values) -> None:
    """Notes hot gas of kilns and retorts that cools on its way and of which no water is given."""
    hot = source.temperature is not None and source.temperature > TAR
    leaves = bool(site.routes or site.coolers) and site.ambient.temperature < TAR
    if hot and leaves and is_tarry(site.fluids[source.fluid]):
        assert source.temperature is not None
        values.warn(
            "temperature",
            f"is {format_quantity(source.temperature, 'temperature')}: '{source.fluid}' may cool "
            f"below {format_quantity(TAR, 'temperature')} on its way, where its tar and water may "
            "condense and block pipe, and its 'water' is not given",
            "give 'water', the share of vapour by volume; plan drains and ways to clean",
        )


def _held(site: Site, source: Source, values: Values) -> float:
    """Share of vapour at the mouth; noted where the file says more than the gas can hold there."""
    # Imported here, for it needs the library of properties, and most sites have no wet gas.
    from allocator.physics.faults import PhysicsError
    from allocator.physics.humidity import most_vapour

    assert source.water is not None
    pressure = source.pressure or site.ambient.pressure
    try:
        most = 1.0 if source.temperature is None else most_vapour(source.temperature, pressure)
    except PhysicsError:
        return source.water  # colder than water's properties are known
    if source.temperature is not None and source.water > most * (1 + 1e-6):
        values.warn(
            "water",
            f"says {format_quantity(source.water, 'share')} of vapour, but at "
            f"{format_quantity(source.temperature, 'temperature')} and "
            f"{format_absolute(pressure)} its gas holds no more than "
            f"{format_quantity(most, 'share')}: the rest comes out as water",
            "check 'water', 'temperature' and 'pressure', or drain its mouth",
        )
    return min(source.water, most)


def _note_flow(site: Site, source: Source, share: float, values: Values) -> None:
    """Notes what a flow is with its vapour, where that is much, or where nobody can know."""
    from allocator.physics.humidity import moisture

    mass = molar(site, source.fluid)
    if mass is None:
        values.warn(
            "water",
            f"brings vapour along in '{source.fluid}', whose molar mass is not known: what it "
            "adds to mass, volume and heat in pipes is not counted",
            f"give '{source.fluid}' a 'molar_mass' among its 'constants'",
        )
        return
    with_it = 1.0 + moisture(share, mass)
    if with_it >= 1.0 + MOIST:
        flow, wet, less = (
            format_quantity(rate, "mass_rate")
            for rate in (source.flow, source.flow * with_it, source.flow / with_it)
        )
        values.warn(
            "water",
            f"has a flow of {flow} without its vapour, {wet} with it",
            f"if the flow was measured with its vapour, give {less}",
        )
