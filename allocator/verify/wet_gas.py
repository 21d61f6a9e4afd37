"""Heat of what condenses in a cooler, by the audit's own balance of water."""

from __future__ import annotations

import math

from allocator.network.records import Arc
from allocator.physics.substances import latent_heat, saturation_pressure
from allocator.verify.case import Case
from allocator.verify.properties import substance_of
from allocator.verify.vapour import CRITICAL, FREEZES, WATER, dry_mass, per_dry, share_of

ICE = 2.834e6
"""J/kg that vapour gives up which turns to ice."""
MOUTH = ": mouth of "
"""In the name of a node to which the gas of one source comes alone."""


def condensed_heat(case: Case, route: Arc, hot: float, cold: float) -> float:
    """J/kg of dry gas, at most, of what condenses in a cooler's route between two temperatures.

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
    dry = dry_mass(case, substance_of(case, fluid))
    low, high = _pressures(case, fluid)
    most = 0.0
    for source in sources:
        share = share_of(case, source)
        stated = share / (1.0 - share)
        left, came = min(stated, per_dry(cold, high)), min(stated, per_dry(hot, low))
        if came > left:
            most = max(most, (came - left) * WATER / dry if dry else math.inf)
    return most * _given_up(cold) if most else 0.0


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
