"""Heat loss and end temperature of 10,000 (corridor, build, stream) combinations at once.

Baseline: the same quantities one at a time with the scalar functions of the libraries `ht`
(cylinder resistance, radiation) and CoolProp (heat capacity), by the same march. Answers agree.
"""

from __future__ import annotations

import math
import time

import ht
import numpy as np
from CoolProp.CoolProp import PropsSI

from allocator.physics.arrays import Floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.insulation import Outside, lagging_of
from allocator.physics.runs import STEPS, along
from allocator.physics.substances import Substance, value

COUNT, CHECKED = 10_000, 20
MOST_SECONDS = 2.0
AROUND, PRESSURE = 283.15, 1.2e5
STEEL = Conductivity("steel", (45.0,))
WOOL = Conductivity("wool", (0.033, 0.037, 0.064, 0.16), (283.15, 323.15, 473.15, 773.15))


def scalar(
    bore: float, wall: float, wool: float, inlet: float, length: float, rate: float
) -> tuple[float, float]:
    """End and first surface temperature, K, of one run; faces by halving."""

    def loss(kelvin: float) -> tuple[float, float]:
        inner, middle, outer = bore / 2, bore / 2 + wall, bore / 2 + wall + wool
        low, high = AROUND, kelvin
        while high - low > 1e-5:
            surface = (low + high) / 2
            conductivity = float(WOOL.mean(kelvin, surface))
            walls = ht.conduction.R_cylinder(Di=2 * inner, Do=2 * middle, k=45.0, L=1.0)
            walls += ht.conduction.R_cylinder(Di=2 * middle, Do=2 * outer, k=conductivity, L=1.0)
            size, apart = 2 * outer, max(surface - AROUND, 1e-3)
            laminar = size**3 * apart <= 10
            film = 1.25 * (apart / size) ** 0.25 if laminar else 1.21 * apart ** (1 / 3)
            away = (
                math.pi
                * size
                * (film * (surface - AROUND) + ht.radiation.q_rad(0.3, surface, AROUND))
            )
            if (kelvin - surface) / walls > away:
                low = surface
            else:
                high = surface
        return away, surface

    now = inlet
    surface = loss(inlet)[1]
    for _ in range(STEPS):
        middle_now = _step(now, loss(now)[0], length / STEPS / 2, rate)
        resistance = (middle_now - AROUND) / loss(middle_now)[0]
        heat = PropsSI("C", "T", middle_now, "P", PRESSURE, "Hydrogen")
        now = AROUND + (now - AROUND) * math.exp(-length / STEPS / (resistance * rate * heat))
    return now, surface


def _step(kelvin: float, loss: float, length: float, rate: float) -> float:
    heat = PropsSI("C", "T", kelvin, "P", PRESSURE, "Hydrogen")
    resistance = (kelvin - AROUND) / loss
    return AROUND + (kelvin - AROUND) * math.exp(-length / (resistance * rate * heat))


def main() -> None:
    draw = np.random.default_rng(1)
    bore, wall = draw.uniform(0.02, 0.2, COUNT), draw.uniform(0.002, 0.006, COUNT)
    wool, inlet = draw.uniform(0.01, 0.15, COUNT), draw.uniform(330, 720, COUNT)
    length, rate = draw.uniform(50, 3000, COUNT), draw.uniform(0.005, 0.2, COUNT)

    began = time.perf_counter()
    grid = np.linspace(AROUND, 723.15, 64)
    table = value(Substance("hydrogen", library="Hydrogen"), "specific_heat", grid, PRESSURE)

    def specific_heat(kelvin: Floats) -> Floats:
        return np.interp(kelvin, grid, table)

    lagging = lagging_of(
        [
            (float(b), [(STEEL, float(w)), (WOOL, float(t))], 0.3)
            for b, w, t in zip(bore, wall, wool, strict=True)
        ]
    )
    found = along(lagging, inlet, length, rate, specific_heat, Outside.of(COUNT, AROUND))
    ours = time.perf_counter() - began

    began = time.perf_counter()
    for i in range(CHECKED):
        end, surface = scalar(*(float(x[i]) for x in (bore, wall, wool, inlet, length, rate)))
        # the scalar road takes half steps of its own, and the wool from the fluid to its surface
        assert abs(found.end[i] - end) < 0.3, (i, found.end[i], end)
        assert abs(found.surface[i] - surface) < 0.05, (i, found.surface[i], surface)
    theirs = (time.perf_counter() - began) / CHECKED * COUNT
    assert ours < MOST_SECONDS, f"{ours:.2f} s for {COUNT} combinations"
    print(f"{COUNT} combinations in {ours:.2f} s")
    print(f"scalar library functions: {theirs:.0f} s (from {CHECKED}); {theirs / ours:.0f} times")


if __name__ == "__main__":
    main()
