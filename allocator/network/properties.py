"""The site's fluids as substances, and the temperature at which a fluid is reckoned."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from allocator.network.records import Network
from allocator.physics.arrays import Floats, floats
from allocator.physics.faults import PhysicsError
from allocator.physics.inner_film import FilmFluid
from allocator.physics.substances import Substance, value

POINTS = 65
"""Temperatures at which properties are looked up; in between they are straight."""

WALL_POWER = 0.14
"""Of the ratio of a liquid's viscosities in the stream and at a colder wall (Sieder and Tate)."""


def substance_of(site: Network, fluid: str) -> Substance:
    """A fluid of the site; a gas whose density is given has it at ambient conditions."""
    record = site.fluids[fluid]
    return Substance(
        fluid,
        record.phase,
        record.substance,
        record.constants,
        (site.ambient.temperature, site.ambient.pressure),
    )


def hottest_source(site: Network, fluid: str) -> float:
    """K of the hottest source of a fluid; the ambient temperature where none is known."""
    found = [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    return max(found, default=site.ambient.temperature)


def heat_capacity(site: Network, fluid: str, hottest: float) -> Callable[[Floats], Floats]:
    """Specific heat, J/(kg K), by temperature between the surroundings and ``hottest``.

    Raises:
        PhysicsError: nothing is known of it there.
    """
    return _by_temperature(site, fluid, "specific_heat", hottest)


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
    site: Network, fluid: str, name: str, hottest: float
) -> Callable[[Floats], Floats]:
    low, high = sorted((site.ambient.temperature, hottest))
    grid = np.linspace(low, max(high, low + 1.0), POINTS)
    table = value(substance_of(site, fluid), name, grid, site.ambient.pressure)
    return lambda kelvin: floats(np.interp(kelvin, grid, table))
