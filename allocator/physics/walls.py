"""Flat walls of chambers: layers side by side, a square metre of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from allocator.physics.arrays import Floats, floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.faces import settle
from allocator.physics.films import STEFAN_BOLTZMANN, radiation, still_air
from allocator.physics.insulation import LEAST_DIFFERENCE


class WallLoss(NamedTuple):
    """``per_area`` W/m2, ``resistance`` m2 K/W, ``surface`` K outside, ``faces`` K from inside."""

    per_area: float
    resistance: float
    surface: float
    faces: tuple[float, ...]


def wall_loss(
    layers: Sequence[tuple[Conductivity, float]],
    inside: float,
    outside: float,
    *,
    inside_film: float = np.inf,
    film: float | None = None,
    emissivity: float = 0.9,
    height: float = 2.0,
) -> WallLoss:
    """Steady loss through a wall of (material, thickness) layers.

    ``film``: W/(m2 K) outside in all; by default still air along a vertical wall of ``height`` m
    (ISO 12241:2008) and radiation. ``R = thickness/k``.
    """

    def resist(faces: Floats) -> Floats:
        found = np.zeros((len(layers), 1))
        for i, (kind, thick) in enumerate(layers):
            if kind.vacuum:
                factor = 2.0 / kind.emissivity - 1.0
                a, b = faces[i], faces[i + 1]
                found[i] = factor / (STEFAN_BOLTZMANN * (a**2 + b**2) * (a + b))
            else:
                with np.errstate(divide="ignore"):
                    found[i] = thick / kind.mean(faces[i], faces[i + 1])
        return found

    def outer(surface: Floats) -> Floats:
        if film is not None:
            return np.full(surface.shape, 1.0 / film)
        apart = np.maximum(np.abs(surface - outside), LEAST_DIFFERENCE)
        still = still_air(height, apart, vertical=True)
        return floats(1.0 / (still + radiation(emissivity, surface, outside)))

    hot, around = np.array([inside]), np.array([outside])
    start = hot + (around - hot) * np.linspace(0, 0.5, len(layers) + 1)[:, None]
    settled = settle(hot, around, np.array([1.0 / inside_film]), resist, outer, start)
    faces = tuple(float(face) for face in settled.faces[:, 0])
    return WallLoss(float(settled.flow[0]), float(settled.resistance[0]), faces[-1], faces)
