"""How high the pressure of what is given can be elsewhere, with nothing lost to friction.

It is never more there, so what is above it cannot be reached: of all ways the one that rises least,
with every booster that may stand at its inlets, each no more often than it may stand.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from allocator.network.pressure_records import BoosterOption, FluidPressures
from allocator.network.records import Network

TRIES = 60
"""Times that a node is looked at on average before it counts as having all that there can be."""


class OpenWay(NamedTuple):
    """A way along which a fluid can go: ``head`` is the least potential lost by rising."""

    corridor: str
    start: str
    end: str
    head: float
    boosters: tuple[BoosterOption, ...]


class Taker(NamedTuple):
    """What takes a fluid: its section of the site file, its node and the potential it ``needs``.

    ``boosters`` may stand at its inlet. ``rating``: the potential that it bears, shut in;
    ``own``: what it gives itself, shut in.
    """

    section: str
    name: str
    node: str
    needs: float
    boosters: tuple[BoosterOption, ...] = ()
    rating: float = math.inf
    own: float = 0.0


def ways_of(site: Network, one: FluidPressures, boosted: bool = True) -> list[OpenWay]:
    """Every way of a fluid; ``boosted``: with the boosters that may stand."""
    heads: dict[tuple[str, str], float] = dict.fromkeys(one.links, 0.0)
    for (route, start, _), loss in one.losses.items():
        heads[route, start] = min(heads.get((route, start), math.inf), loss.head)
    options: dict[tuple[str, str], tuple[BoosterOption, ...]] = {}
    for option in one.boosters if boosted else ():
        at = (option.route, option.start)
        options[at] = (*options.get(at, ()), option)
    found = []
    for (route, start), head in heads.items():
        arc = site.routes[route]
        end = arc.end if start == arc.start else arc.start
        corridor = arc.name if arc.stream is None else arc.stream.corridor
        inlet = options.get((route, start), ())
        found.append(OpenWay(corridor, one.node(start), one.node(end), head, inlet))
    return found


def takers_of(site: Network, one: FluidPressures) -> Iterator[Taker]:
    """Every machine, demand and store that may take a fluid, at each node where it may be."""
    fluid, closed = one.fluid, set(site.limits.excluded_places)
    for machine in site.machines.values():
        if fluid in machine.inputs:
            needs = max(one.least, one.inlets.get(machine.name, 0.0))
            rating = one.ratings.get(("machine", machine.name), math.inf)
            for place in machine.places:
                if place not in closed:
                    yield Taker("machine", machine.name, one.node(place), needs, rating=rating)
    for demand in site.demands.values():
        if demand.wants == fluid and demand.place is not None:
            needs = max(one.least, one.demands.get(demand.name, 0.0))
            yield Taker("demand", demand.name, one.node(demand.place), needs)
    for store in site.storage.values():
        if store.holds != fluid:
            continue
        kind = ("storage", store.name)
        for place in store.places:
            if place not in closed:
                yield Taker(
                    "store",
                    store.name,
                    one.node(place),
                    max(one.least, one.stores[store.name].fill),
                    tuple(b for b in one.boosters if b.store == f"{store.name}@{place}"),
                    one.ratings.get(kind, math.inf),
                    one.shut_in.get(kind, 0.0),
                )


def highest_from(
    one: FluidPressures,
    ways: Sequence[OpenWay],
    given: Mapping[str, float],
    more: float = math.inf,
) -> dict[str, float]:
    """The highest potential at every node that what is given at some nodes can reach.

    ``more``: potential that all boosters together can add, each as often as it may stand.
    """
    onward: dict[str, list[OpenWay]] = {}
    for way in ways:
        onward.setdefault(way.start, []).append(way)
    plain = _spread(one, onward, given, lambda way, _: -way.head)
    if not any(way.boosters for way in ways):
        return plain
    return _spread(one, onward, given, _boosted, lambda node: plain.get(node, one.most) + more)


def added(boosters: Iterable[BoosterOption], potential: float) -> float:
    """What boosters at one inlet can add to a potential there."""
    return math.fsum(option.gain for option in boosters if potential >= option.inlet)


def _boosted(way: OpenWay, potential: float) -> float:
    return added(way.boosters, potential) - way.head


def _spread(
    one: FluidPressures,
    onward: Mapping[str, Sequence[OpenWay]],
    given: Mapping[str, float],
    gained: Callable[[OpenWay, float], float],
    limit: Callable[[str], float] = lambda node: math.inf,
) -> dict[str, float]:
    found = dict(given)
    waiting, left = deque(found), TRIES * (len(onward) + 1)
    while waiting:
        node = waiting.popleft()
        left -= 1
        potential = found[node]
        if potential < one.least:  # no line is below the ambient pressure
            continue
        for way in onward.get(node, ()):
            top = min(potential + gained(way, potential), limit(way.end), one.most)
            if left < 0:
                top = min(limit(way.end), one.most)
            if top > found.get(way.end, -math.inf) + 1e-12 * one.most:
                found[way.end] = top
                waiting.append(way.end)
    return found
