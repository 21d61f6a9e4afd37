"""Conductivity of a material by temperature, and its mean between two temperatures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.faults import PhysicsError

BEYOND = 25.0
"""K beyond the ends of a table to which its end value is trusted; farther nothing is known."""


@dataclass(frozen=True, slots=True)
class Conductivity:
    """``values`` W/(m K) at rising ``temperatures`` (K), straight in between.

    One value holds everywhere. 0 lets no heat through. ``vacuum``: heat crosses by radiation only,
    between two faces of ``emissivity`` (each way).
    """

    name: str
    values: tuple[float, ...]
    temperatures: tuple[float, ...] = ()
    vacuum: bool = False
    emissivity: float = 0.1

    def __post_init__(self) -> None:
        if not self.vacuum and not self.values:
            raise PhysicsError("has no conductivity", "add 'conductivity: 0.045 W/(m*K)'")
        if len(self.values) > 1 and (
            len(self.values) != len(self.temperatures)
            or any(b <= a for a, b in zip(self.temperatures, self.temperatures[1:], strict=False))
        ):
            raise PhysicsError(
                "has a conductivity whose temperatures do not rise", "list them from cold to hot"
            )

    def at(self, temperature: FloatLike) -> Floats:
        """W/(m K) at a temperature; the end value beyond the ends."""
        if len(self.values) == 1:
            return np.full(floats(temperature).shape, self.values[0])
        return floats(np.interp(floats(temperature), self.temperatures, self.values))

    def mean(self, first: FloatLike, second: FloatLike) -> Floats:
        """Mean between two temperatures: the integral of the value, exact, over the difference."""
        a, b = np.broadcast_arrays(floats(first), floats(second))
        if len(self.values) == 1:
            return np.full(a.shape, self.values[0])
        apart = b - a
        near = np.abs(apart) < 1e-6
        divisor = np.where(near, 1.0, apart)
        return floats(
            np.where(near, self.at((a + b) / 2), (self._integral(b) - self._integral(a)) / divisor)
        )

    def _integral(self, temperature: Floats) -> Floats:
        """Integral of the value from the first temperature of the table."""
        ends, values = np.asarray(self.temperatures), np.asarray(self.values)
        steps = np.diff(ends) * (values[1:] + values[:-1]) / 2
        sums = np.concatenate([[0.0], np.cumsum(steps)])
        piece = np.clip(np.searchsorted(ends, temperature, side="right") - 1, 0, len(ends) - 2)
        into = np.clip(temperature, ends[0], ends[-1]) - ends[piece]
        slope = (values[piece + 1] - values[piece]) / (ends[piece + 1] - ends[piece])
        inside = sums[piece] + values[piece] * into + slope * into**2 / 2
        below = np.minimum(temperature - ends[0], 0.0) * values[0]
        above = np.maximum(temperature - ends[-1], 0.0) * values[-1]
        return floats(inside + below + above)

    def known(self, temperature: FloatLike) -> NDArray[np.bool_]:
        """True where a temperature is in the table, or no farther than :data:`BEYOND` from it."""
        kelvin = floats(temperature)
        if len(self.values) <= 1:
            return np.ones(kelvin.shape, dtype=np.bool_)
        low, high = self.temperatures[0] - BEYOND, self.temperatures[-1] + BEYOND
        return np.logical_and(kelvin >= low, kelvin <= high)
