"""What a pipe carries: velocity, pressure drop and Mach number, and its mass a metre."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.faults import PhysicsError
from allocator.physics.pressure_loss import friction_factor

LEAST_FRICTION = 1e-3
"""Darcy factor below that of any pipe."""
HALVINGS = 60

LIMITS = ("velocity", "pressure drop", "Mach number")


class Capacity(NamedTuple):
    """``rate``: kg/s; ``binding``: index into :data:`LIMITS`; arrays of one shape."""

    rate: Floats
    binding: Floats

    def reason(self) -> str:
        """Which limit binds, for a single pipe."""
        return LIMITS[int(self.binding.ravel()[0])]


def gas_capacity(
    bore: FloatLike,
    length: FloatLike,
    inlet_pressure: FloatLike,
    outlet_pressure: FloatLike,
    density: FloatLike,
    viscosity: FloatLike,
    sound_speed: FloatLike,
    *,
    velocity: FloatLike = 20.0,
    mach: FloatLike = 0.3,
    roughness: FloatLike = 4.5e-5,
) -> Capacity:
    """Most gas that a pipe carries, kg/s, isothermal; all arguments broadcast.

    Args:
        bore, length, roughness: m. inlet_pressure, outlet_pressure: Pa, absolute.
        density: kg/m3 at the inlet. viscosity: Pa s. sound_speed, velocity: m/s.
        velocity, mach: limits at the outlet, where the gas is thinnest and fastest.

    The pressure drop is that of isothermal flow with friction (Crane TP 410, eq. 1-6):
    ``m^2 = A^2 (rho_1/p_1) (p_1^2 - p_2^2) / (f L/D + 2 ln(p_1/p_2))``.

    Raises:
        PhysicsError: an outlet pressure that is not below the inlet's.
    """
    bores, first, last = floats(bore), floats(inlet_pressure), floats(outlet_pressure)
    if np.any(last >= first) or np.any(last <= 0):
        raise PhysicsError(
            "has an inlet pressure that is not above its outlet pressure", "check both"
        )
    area = np.pi / 4 * bores**2
    thin = floats(density) * last / first
    drive = floats(density) / first * (first**2 - last**2)
    ratio = 2.0 * np.log(first / last)

    def friction(rate: Floats) -> Floats:
        reynolds = rate * bores / (area * floats(viscosity))
        return friction_factor(reynolds, floats(roughness) / bores)

    def moved(factor: Floats) -> Floats:
        return floats(area * np.sqrt(drive / (factor * floats(length) / bores + ratio)))

    # expansion chokes where the outlet would be faster than sqrt(p/rho): the Mach cap is below it
    rates = (
        area * thin * floats(velocity),
        _settled(moved, friction),
        area * thin * floats(sound_speed) * floats(mach),
    )
    return _least(rates)


def liquid_capacity(
    bore: FloatLike,
    length: FloatLike,
    pressure_drop: FloatLike,
    density: FloatLike,
    viscosity: FloatLike,
    *,
    velocity: FloatLike = 2.0,
    roughness: FloatLike = 4.5e-5,
) -> Capacity:
    """Most liquid that a pipe carries, kg/s: velocity, and ``dp = f L/D rho v^2/2`` (Darcy)."""
    bores, dense = floats(bore), floats(density)
    if np.any(floats(pressure_drop) <= 0):
        raise PhysicsError(
            "has an inlet pressure that is not above its outlet pressure", "check both"
        )
    area = np.pi / 4 * bores**2

    def friction(rate: Floats) -> Floats:
        return friction_factor(rate * bores / (area * floats(viscosity)), floats(roughness) / bores)

    def moved(factor: Floats) -> Floats:
        speed = np.sqrt(2 * floats(pressure_drop) * bores / (factor * floats(length) * dense))
        return floats(area * dense * speed)

    return _least((area * dense * floats(velocity), _settled(moved, friction)))


def _settled(moved: object, friction: object) -> Floats:
    """The rate at which friction and pressure drop agree, by halving: none above it gets there."""
    assert callable(moved)
    assert callable(friction)
    high: Floats = floats(moved(LEAST_FRICTION))
    low = np.zeros_like(high)
    for _ in range(HALVINGS):
        rate = (low + high) / 2
        passes = floats(moved(friction(rate))) >= rate
        low, high = np.where(passes, rate, low), np.where(passes, high, rate)
    return low


def _least(rates: tuple[FloatLike, ...]) -> Capacity:
    stacked = np.stack(np.broadcast_arrays(*(floats(rate) for rate in rates)))
    return Capacity(floats(stacked.min(axis=0)), floats(stacked.argmin(axis=0)))


def pipe_mass(bore: FloatLike, wall: FloatLike, density: FloatLike = 7850.0) -> Floats:
    """kg a metre of a tube: ``pi rho t (d + t)`` with bore d and wall t in m."""
    return floats(np.pi * floats(density) * floats(wall) * (floats(bore) + floats(wall)))
