"""Heat of what condenses in a cooler, by the audit's own balance of water."""

from __future__ import annotations

import math

from allocator.network.records import Arc
from allocator.physics.substances import latent_heat, molar_mass, saturation_pressure
from allocator.site.records import Source
from allocator.verify.case import Case
from allocator.verify.properties import substance_of

WATER = 0.018015268
"""kg/mol."""
FREEZES, CRITICAL = 273.16, 647.096
ICE = 2.834e6
"""J/kg that vapour gives up which turns to ice."""
GAS = 8.314462618
MOUTH = ": mouth of "
"""In the name of a node to which the gas of one source comes alone."""


def condensed_heat(case: Case, route: Arc, hot: float, cold: float) -> float:
    """J/kg at most of what condenses in a cooler's route between two temperatures.

    The wettest source of the fluid that may come there counts for all: full of vapour at the lowest
    pressure where it enters, as much condensed at the highest as can be where it leaves.
    """
    assert route.stream is not None
    site, fluid = case.site, route.stream.fluid
    sources = [s for s in site.sources.values() if s.fluid == fluid and s.water]
    if MOUTH in route.start:
        sources = [s for s in sources if s.place == route.start]
    if not sources or hot <= cold:
        return 0.0
    dry = molar_mass(substance_of(case, fluid))
    if dry is None:
        density = site.fluids[fluid].constants.get("density", 0.0)
        dry = density * GAS * site.ambient.temperature / site.ambient.pressure
    low, high = _pressures(case, fluid)
    most = 0.0
    for source in sources:
        share = _share(case, source)
        left = min(share, (1.0 - share) * _per_dry(cold, high))
        came = min(share, (1.0 - share) * _per_dry(hot, low))
        mass = share * WATER + (1.0 - share) * dry
        if came > left:
            most = max(most, (came - left) * WATER / mass)
    return most * _given_up(cold) if most else 0.0


def _share(case: Case, source: Source) -> float:
    """Mole fraction of vapour: as stated, or what the gas can hold at its mouth."""
    share = source.water or 0.0
    if source.temperature is None:
        return share
    full = _per_dry(source.temperature, source.pressure or case.site.ambient.pressure)
    return share if math.isinf(full) else min(share, full / (1.0 + full))


def _per_dry(kelvin: float, pressure: float) -> float:
    """Mol of vapour that a mol of dry gas holds at the most."""
    if kelvin < FREEZES or math.isinf(pressure):
        return 0.0
    own = math.inf if kelvin >= CRITICAL else saturation_pressure("Water", kelvin)
    return math.inf if own >= pressure else own / (pressure - own)


def _given_up(kelvin: float) -> float:
    if kelvin < FREEZES:
        return ICE
    return 0.0 if kelvin >= CRITICAL else latent_heat("Water", saturation_pressure("Water", kelvin))


def _pressures(case: Case, fluid: str) -> tuple[float, float]:
    """Pa: the lowest and the highest that the fluid may have; infinite where boosters move it."""
    site = case.site
    known = [site.ambient.pressure]
    known += [s.pressure for s in site.sources.values() if s.fluid == fluid and s.pressure]
    low = min(known)
    for store in site.storage.values():
        if store.holds == fluid:
            known += [p for p in (store.pressure, store.max_pressure) if p]
    known += [
        m.outlet_pressure
        for m in site.machines.values()
        if fluid in m.outputs and m.outlet_pressure
    ]
    known += [build.inlet_pressure for build in site.pipes.values() if build.inlet_pressure]
    boosted = any(fluid in booster.fluids for booster in site.boosters.values())
    return low, math.inf if boosted else max(known)
