"""Heat of what condenses where a cooler cools wet gas below its dew point: an upper value.

A kg of gas is one without its vapour. Enthalpy depends on the state alone, so a cooler takes from
each the sensible heat of gas and vapour (:func:`allocator.network.properties.substance_of`), and
for each kg of vapour that is condensed at its outlet the heat of condensation there. The wettest
source whose gas may come counts for all gas in it; at the highest pressure that the fluid may have,
at which most condenses, any where boosters move it; and as no drier than gas that is full of vapour
at the inlet and the lowest pressure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from contextlib import suppress

from allocator.base.quantities import format_quantity
from allocator.network.draft import is_mouth
from allocator.network.properties import dry_mass, vapour
from allocator.network.records import Arc, Network
from allocator.physics.faults import PhysicsError
from allocator.physics.humidity import condensation_heat, dew_point, drained
from allocator.site.records import Source

DAY = 86400.0


def heat_of_route(site: Network, route: Arc, hot: float) -> float:
    """J/kg at most of what condenses in a cooler's route that gas enters at ``hot`` K."""
    assert route.stream is not None
    fluid, cooler = route.stream.fluid, site.coolers[route.stream.corridor]
    sources = [s for s in site.sources.values() if s.fluid == fluid]
    if is_mouth(route.start):
        sources = [s for s in sources if s.place == route.start]
    return condensed_heat(site, fluid, sources, hot, cooler.set_point)


def condensed_heat(
    site: Network, fluid: str, sources: Iterable[Source], hot: float, cold: float
) -> float:
    """J/kg at most of what condenses in gas of some sources from ``hot`` to ``cold`` K.

    Raises:
        PhysicsError: there is vapour to condense in a gas of unknown molar mass.
    """
    shares = {vapour(site, source) for source in sources} - {0.0}
    if not shares or cold >= hot:
        return 0.0
    low, high = _pressures(site, fluid)
    mass = dry_mass(site, fluid)
    if mass is None:
        if all(drained(share, high, cold, 1.0) <= 0.0 for share in shares):
            return 0.0
        raise PhysicsError(
            "has no known molar mass, which decides how much heat its vapour gives up as it "
            f"condenses in a cooler at {format_quantity(cold, 'temperature')}",
            "add 'constants: {molar_mass: 24 g/mol}'",
        )
    most = max(drained(s, high, cold, mass) - drained(s, low, hot, mass) for s in shares)
    return max(0.0, most) * condensation_heat(cold)


def highest_dew(site: Network, fluid: str) -> float | None:
    """K of the highest dew point of sources of a fluid; None where all are dry."""
    found = []
    for source in site.sources.values():
        share = vapour(site, source) if source.fluid == fluid else 0.0
        if share > 0.0:
            pressure = source.pressure or site.ambient.pressure
            with suppress(PhysicsError):  # drier than any dew above the freezing point
                found.append(dew_point(share, pressure))
    return max(found, default=None)


def condensate_told(site: Network, fluid: str, cold: float) -> str:
    """What condenses in a day at most, with every source on, in words; empty where not known."""
    mass, (_, high) = dry_mass(site, fluid), _pressures(site, fluid)
    if mass is None:
        return ""
    wet = [s for s in site.sources.values() if s.fluid == fluid and vapour(site, s) > 0.0]
    rate = math.fsum(s.flow * drained(vapour(site, s), high, cold, mass) for s in wet)
    return f"; up to {format_quantity(DAY * rate, 'mass', 1)} of water a day"


def _pressures(site: Network, fluid: str) -> tuple[float, float]:
    """Pa: the lowest of the surroundings and sources, and the highest of all that is stated."""
    given = [s.pressure for s in site.sources.values() if s.fluid == fluid]
    known = [site.ambient.pressure, *(p for p in given if p is not None)]
    if any(fluid in booster.fluids for booster in site.boosters.values()):
        return min(known), math.inf
    others = [
        p for s in site.storage.values() if s.holds == fluid for p in (s.pressure, s.max_pressure)
    ]
    others += [m.outlet_pressure for m in site.machines.values() if fluid in m.outputs]
    others += [build.inlet_pressure for build in site.pipes.values()]
    return min(known), max([*known, *(p for p in others if p is not None)])
