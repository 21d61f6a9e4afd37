"""The site as a plan's basis sees it: as it is (firm), or averaged over time (mean)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from allocator.network.records import Network
from allocator.physics.substances import Substance, molar_mass
from allocator.site.records import Source
from allocator.verify.cycle import source_cycle

GAS_CONSTANT = 8.31446261815324
"""J/(mol K), exact (CODATA 2018)."""


def content(site: Network, source: Source, least: float) -> float:
    """kg of gas in a full chamber less what it holds at ``least`` Pa: ideal gas, isothermal."""
    pump = source.pump
    if pump is None or pump.chamber is None or source.pressure is None:
        return 0.0
    kilogram_a_mole = _kilogram_a_mole(site, source.fluid)
    if kilogram_a_mole is None:
        return 0.0
    kelvin = site.ambient.temperature if source.temperature is None else source.temperature
    moles = [p * pump.chamber.volume / (GAS_CONSTANT * kelvin) for p in (source.pressure, least)]
    return max(0.0, moles[0] - moles[1]) * kilogram_a_mole


def _kilogram_a_mole(site: Network, name: str) -> float | None:
    fluid, air = site.fluids[name], site.ambient
    if fluid.phase != "gas":
        return None
    density = fluid.constants.get("density")
    if density is not None and "molar_mass" not in fluid.constants:
        volume = GAS_CONSTANT * air.temperature / air.pressure  # m3/mol of any ideal gas
        return density * volume
    record = Substance(
        name, fluid.phase, fluid.substance, fluid.constants, (air.temperature, air.pressure)
    )
    return molar_mass(record)


def pumped(site: Network, source: Source) -> float:
    """Mean kg/s of a pump that runs at its rate whenever its source is on or its chamber holds gas.

    Marched twice through a period, from the level that the first one ends with: from empty, and
    from full where that does not repeat.
    """
    assert source.pump is not None
    assert source.pump.rate is not None
    assert source.pump.chamber is not None
    most, rate = content(site, source, source.pump.chamber.min_pressure), source.pump.rate
    cycle = source_cycle(source.stages)
    lengths = np.diff(np.append(cycle.times, cycle.period))
    steps = list(zip((lengths * cycle.rates * source.flow).tolist(), lengths.tolist(), strict=True))
    moved = 0.0
    for level in (0.0, most):
        for _ in range(2):
            begin, moved = level, 0.0
            for comes, seconds in steps:
                goes = min(rate * seconds, level + comes)
                level = min(most, level + comes - goes)
                moved += goes
        if abs(level - begin) <= 1e-12 * most:
            break
    return moved / cycle.period


def averaged(site: Network, duty: Mapping[str, float]) -> Network:
    """The site on the mean basis: no time in it.

    Sources are steady at flow times duty (pumps likewise, but for :func:`pumped`), demands are
    constant, machines need nothing at no load and have no least load, stores lose nothing.
    """
    sources = {}
    for name, source in site.own_sources.items():
        share = duty.get(name, 1.0)
        pump = source.pump
        if pump is not None and pump.rate is not None:
            draws = pump.chamber is not None and source.pressure is not None
            goes_on = draws and not source.delivered
            rate = pumped(site, source) if goes_on else pump.rate * share
            pump = replace(pump, rate=rate)
        sources[name] = replace(source, flow=source.flow * share, stages=(), pump=pump)
    return replace(
        site,
        sources=sources,
        demands={name: replace(d, profile=None) for name, d in site.demands.items()},
        machines={name: replace(m, no_load=0.0, min_load=0.0) for name, m in site.machines.items()},
        storage={
            name: replace(s, loss=0.0, charge_efficiency=1.0) for name, s in site.storage.items()
        },
    )
