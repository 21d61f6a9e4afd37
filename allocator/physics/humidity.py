"""Water in gas: the dew point, and what drains when it is cooled below it."""

from __future__ import annotations

import math

from allocator.physics.faults import PhysicsError
from allocator.physics.substances import (
    latent_heat,
    saturation_pressure,
    saturation_temperature,
)

WATER_MOLAR_MASS = 0.018015268
"""kg/mol (IAPWS)."""

WATER_CRITICAL, WATER_TRIPLE = 647.096, 273.16
"""K (IAPWS)."""

SUBLIMATION = 2.834e6
"""J/kg of ice at the triple point (IAPWS), the most there is down to -60 degC to 1 in 1000."""


def dew_point(water: float, pressure: float) -> float:
    """K at which gas with a mole fraction ``water`` of vapour begins to drip at ``pressure`` Pa."""
    if not 0 < water <= 1:
        raise PhysicsError("has a water content outside 0 to 100 %", "give a mole fraction")
    return saturation_temperature("Water", water * pressure)


def most_vapour(temperature: float, pressure: float) -> float:
    """Mole fraction of vapour that gas can hold at ``temperature`` K and ``pressure`` Pa, up to 1.

    Raoult's law: the saturation pressure of water over the pressure; 1 above its critical point.
    """
    if temperature >= WATER_CRITICAL:
        return 1.0
    return min(1.0, saturation_pressure("Water", temperature) / pressure)


def drained(water: float, pressure: float, temperature: float, molar_mass: float) -> float:
    """kg of water that drain of each kg of gas without its vapour, cooled to ``temperature`` K.

    ``water``: mole fraction of vapour before; ``molar_mass``: kg/mol of the dry gas;
    ``pressure``: Pa, infinite where it may be any. Raoult's law, ideal gas; below the triple point
    of water nothing stays.
    """
    lost = water / (1.0 - water)  # mol a mol of dry gas
    if temperature >= WATER_TRIPLE and not math.isinf(pressure):
        left = most_vapour(temperature, pressure)
        lost = 0.0 if left >= 1.0 else max(0.0, lost - left / (1.0 - left))
    return lost * WATER_MOLAR_MASS / molar_mass


def moisture(water: float, molar_mass: float) -> float:
    """kg of vapour that come with each kg of gas without it; arguments as of :func:`drained`."""
    return drained(water, math.inf, WATER_TRIPLE, molar_mass)


def condensation_heat(temperature: float) -> float:
    """J/kg that vapour gives up which condenses at a temperature, K, or freezes there."""
    if temperature >= WATER_CRITICAL:
        return 0.0
    if temperature < WATER_TRIPLE:
        return SUBLIMATION
    return latent_heat("Water", saturation_pressure("Water", temperature))
