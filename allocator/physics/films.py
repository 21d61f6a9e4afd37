"""Films of heat transfer outside a pipe: in still air, in wind, and by radiation.

That inside it: :mod:`allocator.physics.inner_film`.
"""

from __future__ import annotations

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats

STEFAN_BOLTZMANN = 5.670374419e-8
"""W/(m2 K4), exact by the SI of 2019, rounded."""


def radiation(emissivity: FloatLike, surface: FloatLike, around: FloatLike) -> Floats:
    """W/(m2 K): ``e sigma (Ts^4 - Ta^4) / (Ts - Ta)`` (ISO 12241), which has no gap at Ts = Ta."""
    hot, cold = floats(surface), floats(around)
    return floats(floats(emissivity) * STEFAN_BOLTZMANN * (hot**2 + cold**2) * (hot + cold))


def still_air(diameter: FloatLike, difference: FloatLike, *, vertical: bool = False) -> Floats:
    """W/(m2 K) outside a pipe in still air, by the relations of ISO 12241:2008.

    ``diameter`` m; ``difference`` K between surface and air. Horizontal: ``1.25 (dT/D)^0.25`` up
    to ``D^3 dT = 10 m3 K``, beyond it ``1.21 dT^(1/3)``, 17 % more there; vertical 1.32 and 1.74.
    """
    size, apart = floats(diameter), np.abs(floats(difference))
    laminar, turbulent = (1.32, 1.74) if vertical else (1.25, 1.21)
    return floats(
        np.where(
            size**3 * apart <= 10.0,
            laminar * (apart / size) ** 0.25,
            turbulent * np.cbrt(apart),
        )
    )


def wind_over_pipe(diameter: FloatLike, speed: FloatLike) -> Floats:
    """W/(m2 K) outside a pipe in wind of ``speed`` m/s, by the relations of ISO 12241:2008.

    Laminar up to ``v D = 8.55e-3 m2/s``: ``8.1e-3/D + 3.14 (v/D)^0.5``; beyond ``8.9 v^0.9/D^0.1``.
    """
    size, wind = floats(diameter), floats(speed)
    return floats(
        np.where(
            wind * size <= 8.55e-3,
            8.1e-3 / size + 3.14 * np.sqrt(wind / size),
            8.9 * wind**0.9 / size**0.1,
        )
    )


def outside_pipe(diameter: FloatLike, difference: FloatLike, wind: FloatLike) -> Floats:
    """W/(m2 K) outside a horizontal pipe: the larger of still air and wind."""
    blown = np.where(floats(wind) > 0, wind_over_pipe(diameter, wind), 0.0)
    return floats(np.maximum(still_air(diameter, difference), blown))
