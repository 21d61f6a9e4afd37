"""What builds on a route carry by the pressures that a site states, without boosters.

What is given at the start of the route enters it: of sources and stores there the lowest, a store
as it gives at its emptiest. Where nothing is given there, the highest that can come there from
elsewhere. What is needed is the least of all that takes the fluid at the end of the route; where
nothing does, the least of what lies beyond. Beyond the route nothing is lost to friction, so less
may be left than that asks for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from allocator.network.offers import Ask
from allocator.network.pressure_arrivals import OpenWay, highest_from, takers_of, ways_of
from allocator.network.pressure_curves import greatest_flows, losses_at
from allocator.network.pressure_ranges import range_of
from allocator.network.pressure_records import FluidPressures, PipeLoss
from allocator.network.pressures import PipeAsk, losses_of
from allocator.network.records import Network
from allocator.physics.pressure_loss import STEPS
from allocator.site.records import Route


@dataclass(frozen=True, slots=True)
class PressureOffer:
    """A build by pressures: Pa at which the fluid ``enters`` at ``start``, and

    ``needed`` at the end. ``given_by`` and ``needed_by``: what gives and needs that, in words.
    ``flow``: kg/s, the greatest that leaves that. ``end``: Pa left of a flow that was asked about
    (0: it does not get there), or None; ``fast``: whether it is faster there than the build allows.
    ``rating``: whether the build bears what gives it, shut in.
    """

    enters: float
    needed: float
    flow: float
    end: float | None
    fast: bool
    rating: bool
    start: str
    given_by: str
    needed_by: str

    @property
    def lacks(self) -> bool:
        """Whether too little is left of the flow that was asked about."""
        return self.end is not None and self.end < self.needed * (1 - 1e-9)


class _Given(NamedTuple):
    """What gives a fluid at a place, in words, the potential that it has, and that shut in."""

    words: str
    place: str
    potential: float
    shut_in: float


class _Along(NamedTuple):
    """A route one way: what enters it, and the potential that is needed at its end."""

    start: str
    end: str
    given: _Given
    there: bool
    needed: float
    needed_by: str


def pressure_offers(
    site: Network, asks: Sequence[Ask], flow: float | None
) -> list[PressureOffer | None]:
    """Each build that carries a flow (kg/s) along a route; None where pressures are not computed.

    A route that may be used both ways is used from the end at which something is given; if that is
    either or none, from the one with the higher pressure.
    """
    known: dict[tuple[str, str], _Along | None] = {}
    found: list[PressureOffer | None] = []
    for ask in asks:
        one = site.pressures.get(ask.fluid)
        if one is None or ask.build.bore is None:
            found.append(None)
            continue
        at = (ask.route.name, ask.fluid)
        if at not in known:
            known[at] = _along(site, one, ask.route)
        way = known[at]
        found.append(None if way is None else _offer(site, one, ask, flow, way))
    return found


def _along(site: Network, one: FluidPressures, route: Route) -> _Along | None:
    """The way along a route in which the fluid flows; None where nothing gives or takes it."""
    grounds = {node: site.ground(node) for node in site.places}
    ways = [
        way._replace(start=grounds[way.start], end=grounds[way.end])
        for way in ways_of(site, one, boosted=False)
        if way.corridor != route.name
    ]
    both = [(route.start, route.end), (route.end, route.start)]
    found = []
    for start, end in both[:1] if route.one_way else both:
        given, needed = _entering(site, one, ways, start), _needed(site, one, ways, end)
        if given is not None and needed is not None:
            there = given.place == start
            found.append(_Along(start, end, given, there, *needed))
    return max(found, key=lambda way: (way.there, way.given.potential), default=None)


def _givers(site: Network, one: FluidPressures) -> list[_Given]:
    """What gives a fluid, and where; what states no pressure is left out."""
    found = [
        _Given(f"source {name}", site.ground(source.place), one.mouths[name], one.mouths[name])
        for name, source in site.own_sources.items()
        if source.fluid == one.fluid and source.pressure
    ]
    for store in site.storage.values():
        release = one.stores[store.name].release if store.name in one.stores else math.inf
        if store.holds == one.fluid and math.isfinite(release):
            shut = one.shut_in.get(("storage", store.name), release)
            words = f"store {store.name}"
            found += [_Given(words, site.ground(p), release, shut) for p in store.places]
    for machine in site.machines.values():
        if one.fluid in machine.outputs and machine.outlet_pressure is not None:
            outlet = one.outlets[machine.name]
            found += [
                _Given(f"machine {machine.name}", site.ground(p), outlet, outlet)
                for p in machine.places
            ]
    return found


def _entering(
    site: Network, one: FluidPressures, ways: Sequence[OpenWay], start: str
) -> _Given | None:
    givers = _givers(site, one)
    here = [given for given in givers if given.place == start]
    if here:
        return min(here, key=lambda given: given.potential)
    best: _Given | None = None
    for given in givers:
        comes = highest_from(one, ways, {given.place: given.potential}).get(start)
        if comes is not None and (best is None or comes > best.potential):
            best = given._replace(potential=comes)
    return best


def _needed(
    site: Network, one: FluidPressures, ways: Sequence[OpenWay], end: str
) -> tuple[float, str] | None:
    """The least that is needed at a place, and what needs it: there, or else beyond."""
    needs = _needs_at(site, one)
    if end in needs:
        return needs[end]
    back = [way._replace(start=way.end, end=way.start) for way in ways]
    found: list[tuple[float, str]] = []
    for place, (potential, words) in needs.items():
        # backwards what is needed rises by each head: the way that asks for least
        left = highest_from(replace(one, least=-math.inf), back, {place: -potential})
        if end in left:
            found.append((max(one.least, -left[end]), words))
    return min(found, default=None)


def _needs_at(site: Network, one: FluidPressures) -> Mapping[str, tuple[float, str]]:
    found: dict[str, tuple[float, str]] = {}
    for taker in takers_of(site, one):
        place = site.ground(taker.node)
        words = f"{taker.section} {taker.name} at {place}"
        found[place] = min(found.get(place, (math.inf, "")), (taker.needs, words))
    return found


def _left(loss: PipeLoss, enters: float, flow: float) -> float:
    return loss.after(enters, losses_at([loss], [flow])[0][0], flow)


def _most(loss: PipeLoss, enters: float, needed: float) -> float:
    """kg/s, the greatest that leaves what is needed and is slow enough; by halving."""
    low, high = 0.0, greatest_flows([loss], [enters], [enters - needed])[0]
    if not loss.swift:
        return high
    for _ in range(STEPS):
        middle = (low + high) / 2.0
        passes = _left(loss, enters, middle) >= max(needed, loss.end * middle**2)
        low, high = (middle, high) if passes else (low, middle)
    return low


def _offer(
    site: Network, one: FluidPressures, ask: Ask, flow: float | None, way: _Along
) -> PressureOffer | None:
    between = range_of(site, ask.fluid)
    assert between is not None
    fall = site.places[way.start].elevation - site.places[way.end].elevation
    kelvin = max(ask.inlet, site.ambient.temperature)
    (loss,) = losses_of(between, [PipeAsk(ask.build, ask.route.length, fall, kelvin)])
    enters, needed = way.given.potential, way.needed
    end, fast = None, False
    if flow is not None:
        left = _left(loss, enters, flow)
        end = one.pressure(max(0.0, left))
        fast = 0.0 < left < loss.end * flow**2 * (1 - 1e-9) or flow > loss.fastest * (1 + 1e-9)
    rating = ask.build.pressure_rating
    shut = max(way.given.shut_in, *(r.after(way.given.shut_in, fall) for r in one.at_rest))
    return PressureOffer(
        one.pressure(max(0.0, enters)),
        one.pressure(needed),
        _most(loss, enters, needed),
        end,
        fast,
        rating is None or rating >= one.pressure(shut) * (1 - 1e-9),
        way.start,
        way.given.words + ("" if way.there else f" at {way.given.place}"),
        way.needed_by,
    )
