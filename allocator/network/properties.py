"""The site's fluids as substances, and the temperature at which a fluid is reckoned."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from allocator.network.records import Network
from allocator.physics.arrays import Floats, floats
from allocator.physics.faults import PhysicsError
from allocator.physics.humidity import moisture, most_vapour
from allocator.physics.inner_film import FilmFluid
from allocator.physics.substances import GAS_CONSTANT, Substance, molar_mass, value
from allocator.site.records import Source

POINTS = 65
"""Temperatures at which properties are looked up; in between they are straight."""

WALL_POWER = 0.14
"""Of the ratio of a liquid's viscosities in the stream and at a colder wall (Sieder and Tate)."""


def substance_of(site: Network, fluid: str, *, dry: bool = False) -> Substance:
    """A fluid of the site; a gas whose density is given has it at ambient conditions.

    All gas of it counts as bringing the vapour of the wettest source along, unless ``dry``.
    """
    record = site.fluids[fluid]
    found = Substance(
        fluid,
        record.phase,
        record.substance,
        record.constants,
        (site.ambient.temperature, site.ambient.pressure),
    )
    share = 0.0 if dry else most_water(site, fluid)
    mass = dry_mass(site, fluid) if share > 0.0 else None
    if mass is None:
        return found
    return replace(found, vapour=(moisture(share, mass), share))


def most_water(site: Network, fluid: str) -> float:
    """Share of vapour in the gas of the wettest source of a fluid."""
    wet = (s for s in site.sources.values() if s.water and s.fluid == fluid)
    return max((vapour(site, source) for source in wet), default=0.0)


def vapour(site: Network, source: Source) -> float:
    """Share of vapour in a source's gas: what the file says, or what it can hold at its mouth."""
    if source.water is None or source.temperature is None:
        return source.water or 0.0
    pressure = source.pressure or site.ambient.pressure
    return min(source.water, most_vapour(source.temperature, pressure))


def dry_mass(site: Network, fluid: str) -> float | None:
    """kg/mol of a gas: as known, or by its density; None where neither is given."""
    known = molar_mass(substance_of(site, fluid, dry=True))
    density = site.fluids[fluid].constants.get("density")
    if known is not None or density is None:
        return known
    return density * GAS_CONSTANT * site.ambient.temperature / site.ambient.pressure


def hottest_source(site: Network, fluid: str) -> float:
    """K of the hottest source of a fluid; the ambient temperature where none is known."""
    found = [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    return max(found, default=site.ambient.temperature)


def heat_capacity(
    site: Network, fluid: str, hottest: float, *, dry: bool = False
) -> Callable[[Floats], Floats]:
    """Specific heat, J/(kg K), by temperature between the surroundings and ``hottest``.

    ``dry``: of the gas without its vapour, for what must not be overestimated.

    Raises:
        PhysicsError: nothing is known of it there.
    """
    return _by_temperature(site, fluid, "specific_heat", hottest, dry=dry)


def film_fluid(site: Network, fluid: str, hottest: float) -> FilmFluid | None:
    """What the film inside a pipe takes of a fluid between the surroundings and ``hottest`` K.

    None where its conductivity is not known there. A liquid whose viscosity is one constant counts
    as no thicker at a cold wall.
    """
    try:
        conductivity = _by_temperature(site, fluid, "conductivity", hottest)
    except PhysicsError:
        return None
    try:
        viscosity = _by_temperature(site, fluid, "viscosity", hottest)
    except PhysicsError:
        return FilmFluid(conductivity, None, np.ones_like)
    if site.fluids[fluid].phase != "liquid":
        return FilmFluid(conductivity, viscosity, np.ones_like)
    cold = viscosity(floats(site.ambient.temperature))
    return FilmFluid(
        conductivity,
        viscosity,
        lambda kelvin: floats(np.minimum(viscosity(kelvin) / cold, 1.0) ** WALL_POWER),
    )


def _by_temperature(
    site: Network, fluid: str, name: str, hottest: float, *, dry: bool = False
) -> Callable[[Floats], Floats]:
    low, high = sorted((site.ambient.temperature, hottest))
    grid = np.linspace(low, max(high, low + 1.0), POINTS)
    table = value(substance_of(site, fluid, dry=dry), name, grid, site.ambient.pressure)
    return lambda kelvin: floats(np.interp(kelvin, grid, table))
