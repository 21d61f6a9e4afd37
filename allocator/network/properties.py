"""The site's fluids as substances, and the temperature at which a fluid is reckoned."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from allocator.network.records import Network
from allocator.physics.arrays import Floats, floats
from allocator.physics.substances import Substance, value

POINTS = 65
"""Temperatures at which heat capacity is looked up; in between it is straight."""


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
    low, high = sorted((site.ambient.temperature, hottest))
    grid = np.linspace(low, max(high, low + 1.0), POINTS)
    table = value(substance_of(site, fluid), "specific_heat", grid, site.ambient.pressure)
    return lambda kelvin: floats(np.interp(kelvin, grid, table))
