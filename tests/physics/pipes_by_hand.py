"""Pipes of one kind, for tests that check one at a time."""

from __future__ import annotations

from allocator.physics.conductivity import Conductivity
from allocator.physics.insulation import HeatLoss, Lagging, Outside, heat_loss, lagging_of


def solid(conductivity: float) -> Conductivity:
    """A material of one conductivity, W/(m K)."""
    return Conductivity(f"k {conductivity}", (conductivity,))


def pipe(bore: float, *layers: tuple[float, float], emissivity: float = 0.9) -> Lagging:
    """One pipe of layers of (conductivity, thickness)."""
    return lagging_of([(bore, [(solid(k), t) for k, t in layers], emissivity)])


def loss(
    lagging: Lagging,
    fluid: float,
    around: float,
    film: float = float("nan"),
    inside: float = float("inf"),
) -> HeatLoss:
    """Its loss; ``film`` outside in all, or by the relations."""
    return heat_loss(lagging, fluid, Outside.of(len(lagging.bore), around, film=film), inside)
