"""What is odd about the pressures of a site: ends that nothing reaches, keys that do not count."""

from __future__ import annotations

from collections.abc import Iterator

from allocator.base.dimensions import absolute_apart, format_quantity
from allocator.base.quantities import shown
from allocator.network.faults import Remark
from allocator.network.levels import discharges_of
from allocator.network.pressure_records import BoosterOption, FluidPressures
from allocator.network.pressure_sources import remarks_on_sources
from allocator.network.records import Network

MUCH_HOTTER = 50.0
"""K by which a booster is hotter than all other gas before it is told: pipes carry a tenth less."""


def remarks_on_pressures(site: Network) -> Iterator[Remark]:
    """Remarks on a network whose pressures are known, at the things of the site file."""
    for fluid, one in site.pressures.items():
        counted = list(_counted_low(site, fluid, one))
        yield from remarks_on_sources(site, one, in_bursts=not counted)
        yield from _low_ratings(site, fluid, one)
        yield from counted
        yield from _hot_offers(site, fluid, one)
        yield from _too_hot(site, fluid, one)
    yield from _ignored(site)


def _counted_low(site: Network, fluid: str, one: FluidPressures) -> Iterator[Remark]:
    """Boosters too weak for a store only because of the pressure at which their gain is counted.

    By their ratio the gas of some source would reach it.
    """
    if not one.mouths:
        return
    mouth = max(one.mouths.values())
    for option in {option.booster: option for option in one.boosters}.values():
        ratio = site.boosters[option.booster].ratio
        if ratio is None:
            continue
        brought = mouth + option.gain
        for name, store in one.stores.items():
            if brought < store.fill <= ratio**2 * mouth:
                counted, filled = absolute_apart(one.pressure(brought), one.pressure(store.fill))
                least, given = absolute_apart(one.pressure(option.inlet), one.pressure(mouth))
                yield Remark(
                    "boosters",
                    option.booster,
                    f"what it adds is counted at its least inlet pressure of {least}: "
                    f"{shown(fluid)} of {given} is brought to {counted} by it, and {shown(name)} "
                    f"is filled at {filled}",
                    "where the pressure at its inlet is never so low, raise 'min_inlet_pressure'",
                )


def _hot_offers(site: Network, fluid: str, one: FluidPressures) -> Iterator[Remark]:
    """Boosters that are offered and whose discharge counts for pipes that it may never reach."""
    if all(site.routes[route].stream is not None for route, _, _ in one.losses):
        return  # by its temperatures each pipe carries gas of its own
    standing = {option.booster for option in one.boosters if option.existing}
    hot = {
        option.booster: site.boosters[option.booster].discharge_temperature or 0.0
        for option in one.boosters
    }
    others = [site.ambient.temperature]
    others += [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    others += [
        m.outlet_temperature
        for m in site.machines.values()
        if fluid in m.outputs and m.outlet_temperature
    ]
    for name, kelvin in hot.items():
        rest = max([*others, *(k for other, k in hot.items() if other != name)])
        if name not in standing and kelvin > rest + MUCH_HOTTER:
            leaves, at_most = (format_quantity(k, "temperature") for k in (kelvin, rest))
            yield Remark(
                "boosters",
                name,
                f"its gas leaves at {leaves}, and all other {shown(fluid)} has at most {at_most}: "
                f"as long as it is offered, every pipe carries {shown(fluid)} as if so hot, which "
                "is less",
                "offer it with an aftercooler and the 'discharge_temperature' behind that, or "
                "delete it",
            )


def _too_hot(site: Network, fluid: str, one: FluidPressures) -> Iterator[Remark]:
    """Boosters that count nowhere, as no pipe or store at their places is for gas so hot."""
    inlets = {site.ground(start) for _, start, _ in one.losses}
    inlets |= {p for s in site.storage.values() if s.holds == fluid for p in s.places}
    inlets -= set(site.limits.excluded_places)
    offered = {option.booster for option in one.boosters}
    standing = {
        (option.booster, option.place, _inlet(site, option))
        for option in one.boosters
        if option.existing
    }
    there = [
        (b.booster, b.place, b.route or b.store) for b in site.built.boosters if b.fluid == fluid
    ]
    idle = {name for name, place, inlet in there if (name, place, inlet) not in standing}
    for name, kelvin in discharges_of(site, fluid).items():
        places = inlets & {*site.boosters[name].places}
        if name in idle or (places and name not in offered):
            yield Remark(
                "boosters",
                name,
                f"{'one that exists' if name in idle else 'it'} does not count for {shown(fluid)}: "
                f"its gas leaves at {format_quantity(kelvin, 'temperature')}, and no pipe or store "
                "at its place is for gas so hot",
                "check 'discharge_temperature', limits of pipes and stores there, and what is "
                "stated under 'built'",
            )


def _inlet(site: Network, option: BoosterOption) -> str:
    """The route of the file, or the store, at whose inlet a booster stands."""
    if option.store:
        return option.store.partition("@")[0]
    stream = site.routes[option.route].stream
    return option.route if stream is None else stream.corridor


def _ignored(site: Network) -> Iterator[Remark]:
    for name, pipe in site.site.pipes.items():
        if pipe.inlet_pressure is None and pipe.outlet_pressure is None:
            continue
        fluids = [f for f in site.pressures if pipe.fluids is None or f in pipe.fluids]
        if fluids:
            yield Remark(
                "pipes",
                name,
                "its 'inlet_pressure' and 'outlet_pressure' do not count for "
                f"{', '.join(map(shown, fluids))}: pressures along lines are computed",
                "delete them",
            )


def _low_ratings(site: Network, fluid: str, one: FluidPressures) -> Iterator[Remark]:
    """What bears less than anything that gives the fluid may let into it."""
    given = [("source", s.name) for s in site.own_sources.values() if s.fluid == fluid]
    given += [("machine", m.name) for m in site.machines.values() if fluid in m.outputs]
    given += [("storage", s.name) for s in site.storage.values() if s.holds == fluid]
    lowest = min((one.shut_in.get(thing, 0.0) for thing in given), default=0.0)
    for (kind, name), rating in one.ratings.items():
        if rating < lowest:
            section = {"pipe": "pipes", "machine": "machines"}.get(kind, kind)
            bears, met = absolute_apart(one.pressure(rating), one.pressure(lowest))
            yield Remark(
                section,
                name,
                f"it bears {bears}, and all that gives {shown(fluid)} gives at least {met}, shut "
                "in: it is not used for it",
                "check the pressures",
            )
