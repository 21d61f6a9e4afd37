"""Which fluids are planned with temperatures, and the levels at which each may be."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from allocator.network.records import Network

CLASS_WIDTH = 50.0
"""K within which sources share a level, that of the hottest, unless a limit lies between them; and
within which what boosters give shares a hotter level."""

SAME = 1e-6
"""K between levels that are one."""


def limits_of(site: Network, fluid: str) -> Iterator[float]:
    """Highest temperatures (K) at which equipment takes a fluid in."""
    for machine in site.machines.values():
        if fluid in machine.inputs and machine.max_inlet_temperature is not None:
            yield machine.max_inlet_temperature
    for store in site.storage.values():
        if store.holds == fluid and store.max_inlet_temperature is not None:
            yield store.max_inlet_temperature
    for demand in site.demands.values():
        if demand.wants == fluid and demand.max_inlet_temperature is not None:
            yield demand.max_inlet_temperature
    for source in site.sources.values():
        pump = source.pump
        if source.fluid == fluid and pump is not None and pump.max_inlet_temperature is not None:
            yield pump.max_inlet_temperature


def set_points_of(site: Network, fluid: str) -> list[float]:
    """K to which coolers bring a fluid."""
    return [cooler.set_point for cooler in site.coolers.values() if cooler.fluid == fluid]


def thresholds_of(site: Network, fluid: str) -> list[float]:
    """K from which on the heat of coolers of a fluid may give power."""
    mine = [cooler for cooler in site.coolers.values() if cooler.fluid == fluid]
    return [cooler.threshold for cooler in mine if cooler.recovery > 0]


def discharges_of(site: Network, fluid: str) -> dict[str, float]:
    """Booster -> the hottest, K, at which a fluid leaves it, of all that may move it."""
    standing = {one.booster for one in site.built.boosters if one.fluid == fluid}
    return {
        booster.name: booster.discharge_temperature
        for booster in site.boosters.values()
        if fluid in booster.fluids and booster.discharge_temperature is not None
        if booster.places or booster.name in standing
    }


def _outlets(site: Network, fluid: str) -> list[float]:
    """K at which machines give a fluid."""
    return [
        m.outlet_temperature
        for m in site.machines.values()
        if fluid in m.outputs and m.outlet_temperature is not None
    ]


def _given(site: Network, fluid: str) -> set[float]:
    """K at which sources give a fluid."""
    return {s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature}


def planned_fluids(site: Network) -> tuple[str, ...]:
    """Fluids that have a source with a temperature and something that depends on it."""
    pipes = any(
        route.max_surface_temperature is not None or route.heat_limit is not None
        for route in site.routes.values()
    )
    pipes = pipes or any(
        build.max_temperature is not None
        or any(site.materials[layer.material].max_temperature is not None for layer in build.layers)
        for build in site.pipes.values()
    )
    pipes = pipes or any(place.heat_limit is not None for place in site.places.values())
    hot = {s.fluid for s in site.sources.values() if s.temperature is not None}
    return tuple(
        fluid
        for fluid in site.fluids
        if fluid in hot
        and (pipes or set_points_of(site, fluid) or any(True for _ in limits_of(site, fluid)))
    )


def levels_of(site: Network, fluid: str, sinks: Iterable[float] = ()) -> tuple[float, ...]:
    """Levels of a planned fluid, K, from cold to hot: of its sources, set-points and limits.

    ``sinks``: K at which its gas leaves heat sinks, levels as those of sources. Where one is colder
    than the surroundings, theirs is a level as well: what is colder warms. What boosters give is
    one where it is hotter than the coldest, and no other is little hotter: behind them gas is at
    that level, whatever it was.
    """
    sources = sorted({*_given(site, fluid), *sinks}, reverse=True)
    outlets = _outlets(site, fluid)
    blown = discharges_of(site, fluid).values()
    hottest = max([*sources, *outlets, *blown])
    marks = [t for t in (*set_points_of(site, fluid), *limits_of(site, fluid)) if t < hottest]
    # sources on both sides of a threshold are apart, or the colder would take the other's credit
    apart = [*marks, *thresholds_of(site, fluid)]
    levels = {*marks, *outlets}
    if min([*marks, *outlets, *sources]) < site.ambient.temperature:
        levels.add(site.ambient.temperature)
    top = None
    for kelvin in sources:
        shared = top is not None and top - kelvin <= CLASS_WIDTH
        if top is None or not shared or any(kelvin <= mark < top for mark in apart):
            top = kelvin
            levels.add(top)
    for kelvin in sorted(blown, reverse=True):
        above = min((level for level in levels if level >= kelvin - SAME), default=math.inf)
        if kelvin > min(levels) + SAME and above - kelvin > CLASS_WIDTH:
            levels.add(kelvin)
    found: list[float] = []
    for level in sorted(levels):
        if not found or level - found[-1] > SAME:
            found.append(level)
    return tuple(found)


def level_of_existing(
    site: Network, fluid: str, levels: tuple[float, ...], kelvin: float | None
) -> float:
    """The level of what exists: of the temperature that it states, or of the hottest gas given."""
    if kelvin is None:
        kelvin = max([*_given(site, fluid), *_outlets(site, fluid)])
    return level_above(levels, kelvin)


def level_above(levels: tuple[float, ...], kelvin: float) -> float:
    """The coldest level that is no colder than a temperature; the hottest where none is."""
    return next((level for level in levels if level >= kelvin - SAME), levels[-1])


def level_below(levels: tuple[float, ...], kelvin: float | None) -> float:
    """The hottest level that a limit allows; the hottest of all where there is no limit."""
    if kelvin is None:
        return levels[-1]
    return max((level for level in levels if level <= kelvin + SAME), default=levels[0])
