"""What a chamber at a source holds between the pressure at the mouth and the least one."""

from __future__ import annotations

from allocator.physics.substances import Substance, molar_mass
from allocator.site.records import Site, Source

GAS_CONSTANT = 8.31446261815324
"""J/(mol K), exact (CODATA 2018)."""


def held(site: Site, source: Source, least: float | None = None) -> float:
    """kg that a pump can draw out of a full chamber: m = (p - p_least) V M / (R T).

    ``least``: Pa to hold in it, if more than the site's least pressure.

    Ideal gas at the temperature of the source, which stays as it is (isothermal). 0 where there
    is no chamber, or where nothing is known of the gas.
    """
    pump = source.pump
    mass = molar(site, source.fluid)
    if pump is None or pump.chamber is None or source.pressure is None or mass is None:
        return 0.0
    kelvin = site.ambient.temperature if source.temperature is None else source.temperature
    drop = max(0.0, source.pressure - max(pump.chamber.min_pressure, least or 0.0))
    return drop * pump.chamber.volume * mass / (GAS_CONSTANT * kelvin)


def molar(site: Site, fluid: str) -> float | None:
    """kg/mol of a gas, by its constants or its substance; None where it cannot be known."""
    record, ambient = site.fluids[fluid], site.ambient
    if record.phase != "gas":
        return None
    if "molar_mass" not in record.constants and "density" in record.constants:
        return record.constants["density"] * GAS_CONSTANT * ambient.temperature / ambient.pressure
    given = (ambient.temperature, ambient.pressure)
    return molar_mass(Substance(fluid, record.phase, record.substance, record.constants, given))


def below_ambient(site: Site) -> list[str]:
    """Sources of burnable gas whose chamber is pumped below the ambient pressure."""
    return [
        name
        for name, source in site.sources.items()
        if source.pump is not None
        and source.pump.chamber is not None
        and source.pump.chamber.min_pressure < site.ambient.pressure
        and site.fluids[source.fluid].phase == "gas"
        and site.fluids[source.fluid].heating_value is not None
    ]
