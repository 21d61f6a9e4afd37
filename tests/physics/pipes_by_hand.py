"""Pipes of one kind, for tests that check one at a time."""

from __future__ import annotations

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.insulation import HeatLoss, Insulation, Outside, heat_loss, insulation_of


def solid(conductivity: float) -> Conductivity:
    """A material of one conductivity, W/(m K)."""
    return Conductivity(f"k {conductivity}", (conductivity,))


def pipe(bore: float, *layers: tuple[float, float], emissivity: float = 0.9) -> Insulation:
    """One pipe of layers of (conductivity, thickness)."""
    return insulation_of([(bore, [(solid(k), t) for k, t in layers], emissivity)])


def loss(
    insulation: Insulation,
    fluid: float,
    around: float,
    film: float = float("nan"),
    inside: float = float("inf"),
) -> HeatLoss:
    """Its loss; ``film`` outside in all, or by the relations."""
    return heat_loss(insulation, fluid, Outside.of(len(insulation.bore), around, film=film), inside)


def mean_nusselt(
    reynolds: FloatLike, prandtl: FloatLike, diameter_over_length: FloatLike, *, cooled: bool = True
) -> Floats:
    """Mean Nusselt number of flow in a pipe, as textbooks compute it; no bound.

    Turbulent from Re = 4000: Dittus and Boelter, ``0.023 Re^0.8 Pr^n``, n = 0.3 cooled, 0.4
    heated. Laminar to 2300: Hausen's ``3.66 + 0.065 x/(1 + 0.04 x^(2/3))``, x = (D/L) Re Pr. In
    between, straight in Re.
    """
    re, pr = floats(reynolds), floats(prandtl)
    power = 0.3 if cooled else 0.4

    def laminar(rate: Floats) -> Floats:
        x = floats(diameter_over_length) * rate * pr
        return floats(3.66 + 0.065 * x / (1.0 + 0.04 * np.cbrt(x) ** 2))

    def turbulent(rate: Floats) -> Floats:
        return floats(0.023 * rate**0.8 * pr**power)

    low, high = floats(2300.0), floats(4000.0)
    share = np.clip((re - low) / (high - low), 0.0, 1.0)
    middle = (1 - share) * laminar(low) + share * turbulent(high)
    return floats(np.where(re <= low, laminar(re), np.where(re >= high, turbulent(re), middle)))
