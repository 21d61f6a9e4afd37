"""Enthalpy of a fluid by temperature, so that mixing and losses close the energy balance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from allocator.network.properties import heat_capacity
from allocator.network.records import Network
from allocator.physics.arrays import FloatLike, Floats, floats

POINTS = 257


@dataclass(frozen=True)
class Enthalpy:
    """``heat`` J/kg above the coldest of the ``kelvin`` of a table; straight in between."""

    kelvin: Floats
    heat: Floats

    def of(self, temperature: FloatLike) -> Floats:
        """J/kg at temperatures, K."""
        return floats(np.interp(floats(temperature), self.kelvin, self.heat))

    def temperature(self, heat: FloatLike) -> Floats:
        """K at enthalpies, J/kg: the inverse of :meth:`of`, exactly."""
        return floats(np.interp(floats(heat), self.heat, self.kelvin))


def enthalpy_of(site: Network, fluid: str, coldest: float, hottest: float) -> Enthalpy:
    """Enthalpy at constant pressure: the integral of the specific heat.

    Raises:
        PhysicsError: the specific heat is not known.
    """
    kelvin = np.linspace(coldest, max(hottest, coldest + 1.0), POINTS)
    capacity = heat_capacity(site, fluid, hottest)(kelvin)
    steps = np.diff(kelvin) * (capacity[1:] + capacity[:-1]) / 2
    return Enthalpy(floats(kelvin), floats(np.concatenate([[0.0], np.cumsum(steps)])))
