"""Where gas comes out of a source: as it comes, and out of its pump's chamber through pauses.

A chamber holds ``C = V (density at the source's pressure - density at the least pressure)``. It is
filled at the flow of the source and emptied by the pump. What is drawn through the pauses of the
inner stages of a cycle is on throughout the on-time of the stage around them, or always.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from brute.choices import own_sources
from tiny_program import DAY, HOUR, on_hours

from allocator.site.records import Site, Source

GAS_CONSTANT = 8.31446261815324
"""J/(mol K), exact (CODATA 2018)."""


@dataclass(frozen=True)
class Outlet:
    """One way out of a source: hour by hour whether it may be drawn on, 1 or 0."""

    name: str
    source: str
    on: np.ndarray

    @property
    def steady(self) -> bool:
        """Whether it is always on."""
        return bool(self.on.all())


def outlets(site: Site) -> list[Outlet]:
    """All ways out of all sources, the source as it comes first."""
    found = []
    for name, source in own_sources(site).items():
        found.append(Outlet(name, name, on_hours(source)))
        if content(site, source) > 0:
            for inner in range(1, len(source.stages) + 1):
                longer = on_hours(replace(source, stages=source.stages[inner:]))
                found.append(Outlet(f"{name} through {inner}", name, longer))
    return found


def content(site: Site, source: Source) -> float:
    """kg that a pump can draw out of a full chamber: ideal gas, at the source's temperature."""
    pump = source.pump
    if pump is None or pump.chamber is None or source.pressure is None or not source.stages:
        return 0.0
    kelvin = source.temperature or site.ambient.temperature
    molar = site.fluids[source.fluid].constants["molar_mass"]
    upper = source.pressure * molar / (GAS_CONSTANT * kelvin)
    lower = pump.chamber.min_pressure * molar / (GAS_CONSTANT * kelvin)
    return max(0.0, upper - lower) * pump.chamber.volume


def most_drawn(source: Source) -> float:
    """kg/s that the pump draws at the most, while the source is on."""
    rate = None if source.pump is None else source.pump.rate
    return source.flow if rate is None else min(source.flow, rate)


def mean_drawn(site: Site, source: Source) -> float:
    """Most kg/s in the mean that the pump draws, out of the chamber where there is one.

    Marched hour by hour over four days: after the first, each begins as the one before.
    """
    on = np.tile(on_hours(source), 4)
    rate, most = most_drawn(source), content(site, source)
    level, drawn = 0.0, []
    for hour in on:
        there = level + source.flow * hour * HOUR
        drawn.append(min(rate * HOUR, there))
        level = min(most, there - drawn[-1])
    return float(np.mean(drawn[-DAY:])) / HOUR
