"""Pipes of one kind, for tests that check one at a time."""

from __future__ import annotations

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
