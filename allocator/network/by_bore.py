"""Capacity of builds by their bore, on each route and for each fluid."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from allocator.base.grouped import grouped
from allocator.network.faults import Notes, note
from allocator.network.pressure_ranges import (
    GAS_VELOCITY,
    LIQUID_VELOCITY,
    PressureRange,
    range_of,
)
from allocator.network.pressures import PipeAsk, losses_of
from allocator.network.properties import hottest_source, substance_of
from allocator.network.records import Network
from allocator.physics.arrays import Floats
from allocator.physics.faults import PhysicsError, UnknownPropertyError
from allocator.physics.pipes import Capacity, gas_capacity, liquid_capacity
from allocator.physics.substances import Substance, value
from allocator.site.records import PipeType, Route


class Wanted(NamedTuple):
    """A capacity to find: a build of a length (m) that carries a fluid at a temperature (K).

    ``falls``: m, by which the fluid falls on each way that it may go; below 0 it rises.
    """

    build: PipeType
    length: float
    fluid: str
    temperature: float
    falls: tuple[float, ...] = (0.0,)


def capacities_of(site: Network, wanted: Sequence[Wanted]) -> list[tuple[float, str]]:
    """kg/s of each, and the limit that binds.

    Raises:
        PhysicsError: a property of a fluid is not known, or no pressure drives it.
    """
    found: list[tuple[float, str]] = [(0.0, "")] * len(wanted)
    for fluid in dict.fromkeys(w.fluid for w in wanted):
        rows = [i for i, w in enumerate(wanted) if w.fluid == fluid]
        capacity = _of_fluid(site, fluid, [wanted[i] for i in rows])
        for i, rate, binding in zip(rows, capacity.rate, capacity.binding, strict=True):
            one = Capacity(np.array([rate]), np.array([binding]))
            found[i] = (float(rate), one.reason())
    return found


def _of_fluid(site: Network, fluid: str, wanted: Sequence[Wanted]) -> Capacity:
    between = range_of(site, fluid)
    if between is not None:
        return _along_lines(site, between, wanted)
    substance = substance_of(site, fluid)
    gas = substance.phase == "gas"
    pressures = [pressures_of(site, w.build, fluid) for w in wanted]
    inlet, outlet = (np.array(side) for side in zip(*pressures, strict=True))
    kelvin = np.array([w.temperature for w in wanted])
    bore = np.array([w.build.bore or 0.0 for w in wanted])
    length = np.array([w.length for w in wanted])
    usual = GAS_VELOCITY if gas else LIQUID_VELOCITY
    velocity = np.array([w.build.max_velocity or usual for w in wanted]) * (1 + substance.vapour[0])
    roughness = np.array([w.build.roughness for w in wanted])
    density, viscosity = (_known(substance, name, kelvin, inlet) for name in _NEEDED)
    if not gas:
        return liquid_capacity(
            bore,
            length,
            inlet - outlet,
            density,
            viscosity,
            velocity=velocity,
            roughness=roughness,
        )
    return gas_capacity(
        bore,
        length,
        inlet,
        outlet,
        density,
        viscosity,
        _known(substance, "sound_speed", kelvin, inlet),
        velocity=velocity,
        mach=np.array([w.build.max_mach for w in wanted]),
        roughness=roughness,
    )


def _along_lines(site: Network, between: PressureRange, wanted: Sequence[Wanted]) -> Capacity:
    """The greatest flow at the widest difference of pressures that there is: none is greater.

    How much of that is left on each route is for rules of pressure along lines to say.
    """
    losses = losses_of(
        between,
        [
            PipeAsk(w.build, w.length, fall, max(w.temperature, site.ambient.temperature))
            for w in wanted
            for fall in w.falls
        ],
    )
    each = iter(losses)
    rates = np.array([max(next(each).capacity for _ in w.falls) for w in wanted])
    return Capacity(rates, np.ones(len(rates)))


_NEEDED = ("density", "viscosity")


def _known(substance: Substance, name: str, kelvin: Floats, pascal: Floats) -> Floats:
    try:
        return value(substance, name, kelvin, pascal)
    except UnknownPropertyError as error:
        said = f"cannot carry '{substance.name}' by its bore: it {error.problem}"
        raise UnknownPropertyError(said, error.remedy) from None


def pressures_of(site: Network, build: PipeType, fluid: str) -> tuple[float, float]:
    """Pa at the inlet and outlet of a run.

    Raises:
        PhysicsError: the inlet pressure is not known, or not above the outlet's.
    """
    outlet = build.outlet_pressure or site.ambient.pressure
    inlet = build.inlet_pressure
    if inlet is None:
        given = [s.pressure for s in site.sources.values() if s.fluid == fluid and s.pressure]
        if not given:
            raise UnknownPropertyError(
                f"cannot find the capacity for '{fluid}' from the bore: no pressure is known",
                "add 'inlet_pressure', or 'pressure' to the sources, or 'capacity'",
            )
        inlet = min(given)
    if inlet <= outlet:
        raise PhysicsError(
            f"has an inlet pressure of {grouped(f'{inlet:.6g}')} Pa for '{fluid}', which is not "
            f"above the {grouped(f'{outlet:.6g}')} Pa at its outlet",
            "check both pressures, or give 'capacity'",
        )
    return inlet, outlet


def with_capacities(site: Network, notes: Notes) -> Network:
    """The site with the capacities of builds by bore; faults are noted at the build.

    A build with a capacity and a bore has the lower of the two, for fluids whose pressures along
    lines are computed.
    """
    bored = [build for build in site.pipes.values() if build.bore is not None]
    if not bored:
        return site
    wanted: dict[tuple[str, str, str], Wanted] = {}
    for build in bored:
        for fluid in _fluids(site, build, notes) if build.by_bore else _computed(site, build):
            between = range_of(site, fluid)
            kelvin = hottest_source(site, fluid) if between is None else between.hot
            for route in site.routes.values():
                key = (route.name, build.name, fluid)
                wanted[key] = Wanted(build, route.length, fluid, kelvin, falls_of(site, route))
    if not wanted:
        return site
    try:
        rates = [rate for rate, _ in capacities_of(site, list(wanted.values()))]
    except PhysicsError:
        return site  # a fault was noted at the build
    capacity = dict(zip(wanted, rates, strict=True))
    return _with(site, capacity)


def falls_of(site: Network, route: Route) -> tuple[float, ...]:
    """m, by which a fluid falls along a route, on each way that it may go."""
    fall = site.places[route.start].elevation - site.places[route.end].elevation
    return (fall,) if route.one_way or not fall else (fall, -fall)


def _computed(site: Network, build: PipeType) -> list[str]:
    """Fluids whose pressures are computed that a build with a capacity of its own may carry."""
    found = []
    for fluid in build.fluids or site.fluids:
        with suppress(PhysicsError):  # noted where pressures are needed for the capacity
            if range_of(site, fluid) is not None:
                found.append(fluid)
    return found


def _fluids(site: Network, build: PipeType, notes: Notes) -> list[str]:
    """Fluids that a build may carry and whose capacity can be found.

    What is named must be known; of a build that may carry anything, fluids of unknown properties
    are left out.
    """
    named = build.fluids is not None
    found, first = [], None
    for fluid in build.fluids or site.fluids:
        if not named and site.fluids[fluid].phase == "solid":
            continue
        try:
            capacities_of(site, [Wanted(build, 1.0, fluid, hottest_source(site, fluid))])
            found.append(fluid)
        except UnknownPropertyError as error:
            first = first or error
            if named:
                break
        except PhysicsError as error:
            if "pressure" in error.problem:
                note(notes, "pipes", build.name, "bore", error)
            else:
                note(notes, "fluids", fluid, "substance", error)
            return []
    if first is not None and (named or not found):
        note(notes, "pipes", build.name, "bore", first)
        return []
    return found


def _with(site: Network, capacity: dict[tuple[str, str, str], float]) -> Network:
    largest: dict[str, float] = {}
    for (_, kind, _), rate in capacity.items():
        largest[kind] = max(largest.get(kind, 0.0), rate)
    builds = {
        name: replace(build, capacity=largest.get(name, 0.0)) if build.by_bore else build
        for name, build in site.pipes.items()
    }
    routes = {}
    for name, route in site.routes.items():
        listed: dict[tuple[str, str], float] = {}
        for build in builds.values():
            for fluid in site.fluids:
                if (name, build.name, fluid) in capacity:
                    listed[build.name, fluid] = capacity[name, build.name, fluid]
                elif build.by_bore:
                    continue
                elif build.fluids is None or fluid in build.fluids:
                    listed[build.name, fluid] = build.capacity
        routes[name] = replace(route, capacities=listed)
    return replace(site, pipes=builds, routes=routes)
