"""Sources in the order of the firm clean power that each gives for a tonne of the scarcest stock.

Each source is taken alone, with all stocks to itself, and the whole of what it needs is built for
it: its connection, the lightest pipes to a store and on to a generator, the store, and whole
generators. What exists already takes nothing. For every way (generator and its place, store and its
place, pipe capacity, number of units) the firm draw is exact (:mod:`allocator.cycles.firm`), so the
power could be had with that mass where pressure allows it. A draw ``u`` in units of a generator's
full-load fuel gives ``m`` running units ``min(m, (u - z m) / (1 - z))`` times their power, with
``z`` the share of fuel burnt at no load.

The scarcest stock is the one of which all sources together, each with the way that takes the
smallest share of any stock for its power, would need the largest share. With that stock chosen, the
way with the most power for its mass counts. Not counted: batteries, boosters, power lines, the
power that pumps take, and pressure along lines, for which a plan may need wider pipes.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from allocator.cycles import Curve, store_for_draw
from allocator.network.records import Network, Outflow
from allocator.report.words import percent, quantity
from allocator.site.graph import reachable, usable_routes
from allocator.site.records import MachineType, Site, StoreType
from allocator.studies.machines import emission_per_energy
from allocator.studies.source_worth import best_draw, inflows_of, usable_sources
from allocator.studies.store_room import StoreRoom

_LEVELS = 8
"""Up to this many pipe capacities are tried for one fluid; of more, an even choice of them."""

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class SourceRank:
    """What a source gives alone. ``power``: W, firm and clean. ``materials``: kg by material.

    ``stock_mass``: kg of the scarcest stock. ``per_stock``: W/kg, 0 where the power is 0; None
    where nothing of that stock is needed, or no stock is limited. ``reason``: why the power is 0.
    """

    source: str
    power: float
    materials: Mapping[str, float]
    stock_mass: float
    per_stock: float | None
    generator: str = ""
    place: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Way:
    power: float
    materials: Mapping[str, float]
    generator: str
    place: str


@dataclass(frozen=True, slots=True)
class _Spot:
    """A store that may be used, or none: ``type`` is None and ``place`` the generator's."""

    type: StoreType | None
    place: str


@dataclass(slots=True)
class PipePaths:
    """Lightest pipes from a place, kept: (place, fluid, least capacity) -> place -> routes, kg.

    ``short``: why ways of the source in hand fail: how many times too little, and of what.
    """

    site: Network
    stocks: Mapping[str, float]
    short: list[tuple[float, str]] = field(default_factory=list)
    kept: dict[tuple[str, str, float], dict[str, tuple[frozenset[str], Mapping[str, float]]]] = (
        field(default_factory=dict)
    )

    def of(
        self, start: str, fluid: str, least: float
    ) -> dict[str, tuple[frozenset[str], Mapping[str, float]]]:
        """By place the routes and the materials of the pipes that take the least of all stocks."""
        key = (start, fluid, least)
        if key not in self.kept:
            self.kept[key] = self._found(start, fluid, least)
        return self.kept[key]

    def _found(
        self, start: str, fluid: str, least: float
    ) -> dict[str, tuple[frozenset[str], Mapping[str, float]]]:
        edges: dict[str, list[tuple[str, str, Mapping[str, float]]]] = {}
        for route in usable_routes(self.site):
            builds = list(self._builds(route.name, fluid, least))
            if builds:
                lightest = min(builds, key=self.share)
                edges.setdefault(route.start, []).append((route.end, route.name, lightest))
                if not route.one_way:
                    edges.setdefault(route.end, []).append((route.start, route.name, lightest))
        found: dict[str, tuple[frozenset[str], Mapping[str, float]]] = {}
        waiting: list[tuple[float, int, str, frozenset[str], Mapping[str, float]]]
        waiting, number = [(0.0, 0, start, frozenset(), {})], 0
        while waiting:
            _, _, place, routes, materials = heapq.heappop(waiting)
            if place in found:
                continue
            found[place] = (routes, materials)
            for other, via, more in edges.get(place, ()):
                if other not in found:
                    number += 1
                    total = added(materials, more)
                    heapq.heappush(
                        waiting, (self.share(total), number, other, routes | {via}, total)
                    )
        return found

    def _builds(self, route: str, fluid: str, least: float) -> Iterator[Mapping[str, float]]:
        """Materials of every build that carries ``least`` kg/s; those of an existing pipe alone."""
        site = self.site
        existing = [b.pipe for b in site.built.pipes if (b.route, b.fluid) == (route, fluid)]
        for build in existing:
            if site.capacity(route, build, fluid) >= least:
                yield {}
        for build in () if existing else site.routes[route].pipes:
            able = site.may_carry(route, build, fluid)
            if able and site.capacity(route, build, fluid) >= least:
                materials: dict[str, float] = {}
                for layer in site.pipes[build].layers:
                    kg = layer.mass * site.routes[route].length
                    materials[layer.material] = materials.get(layer.material, 0.0) + kg
                yield materials

    def share(self, materials: Mapping[str, float]) -> float:
        """Shares of all stocks that a mass by material takes, to choose the least by."""
        return math.fsum(shares_of(materials, self.stocks).values()) + 1e-12 * math.fsum(
            materials.values()
        )


def ranked(site: Network) -> tuple[str, list[SourceRank]]:
    """The scarcest stock ("" where none is limited) and the sources in their order.

    First those that need none of it, by power for the largest share of any other stock; then by
    power for its mass; last those without power.
    """
    stocks = {m.name: m.stock for m in site.materials.values() if m.stock is not None}
    paths = PipePaths(site, stocks)
    ways: dict[str, list[_Way]] = {}
    reasons: dict[str, str] = {}
    for source in usable_sources(site):
        machines, reason = clean_generators(site, source)
        paths.short.clear()
        ways[source.name] = list(_ways(paths, source, machines)) if machines else []
        if not ways[source.name]:
            reasons[source.name] = reason or _why_no_way(paths, source)
    scarcest = _scarcest(stocks, ways.values())
    ranks, order = [], {}
    for name, found in ways.items():
        if not found:
            ranks.append(SourceRank(name, 0.0, {}, 0.0, 0.0, reason=reasons[name]))
            order[name] = (0.0, 0.0, 0.0)
            continue
        best = max(found, key=lambda way: (*_worth(way, scarcest, stocks), way.power))
        kg = best.materials.get(scarcest, 0.0)
        per = best.power / kg if kg > 0 else None
        ranks.append(
            SourceRank(name, best.power, best.materials, kg, per, best.generator, best.place)
        )
        order[name] = (*_worth(best, scarcest, stocks), best.power)
    return scarcest, sorted(ranks, key=lambda rank: order[rank.source], reverse=True)


def _scarcest(stocks: Mapping[str, float], ways: Iterable[list[_Way]]) -> str:
    """The stock of which all sources would take the largest share, each with its thriftiest way."""
    needed = dict.fromkeys(stocks, 0.0)
    for found in filter(None, ways):
        thrifty = max(found, key=lambda way: (_thrift(way, stocks), way.power))
        for material, share in shares_of(thrifty.materials, stocks).items():
            needed[material] += share
    return max(needed, key=needed.__getitem__, default="")


def _worth(way: _Way, material: str, stocks: Mapping[str, float]) -> tuple[float, float]:
    """Power for the mass of a material, and for the largest share of any stock."""
    kg = way.materials.get(material, 0.0)
    return (way.power / kg if kg > 0 else math.inf, _thrift(way, stocks))


def _thrift(way: _Way, stocks: Mapping[str, float]) -> float:
    share = max(shares_of(way.materials, stocks).values(), default=0.0)
    return way.power / share if share > 0 else math.inf


def shares_of(materials: Mapping[str, float], stocks: Mapping[str, float]) -> dict[str, float]:
    """The share that a mass by material takes of each stock that it needs."""
    return {
        name: kg / stocks[name] if stocks[name] > 0 else math.inf
        for name, kg in materials.items()
        if name in stocks and kg > 0
    }


def added(*parts: Mapping[str, float]) -> dict[str, float]:
    """Masses by material, summed."""
    total: dict[str, float] = {}
    for part in parts:
        for name, kg in part.items():
            total[name] = total.get(name, 0.0) + kg
    return total


def _times(materials: Mapping[str, float], count: float) -> dict[str, float]:
    return {name: kg * count for name, kg in materials.items()}


def clean_generators(site: Network, source: Outflow) -> tuple[list[MachineType], str]:
    """Clean generators that burn a source's fluid alone; and why there is none."""
    fluid = source.fluid
    burning = [m for m in site.machines.values() if m.power_out > 0 and m.inputs.get(fluid, 0) > 0]
    if not burning:
        return [], f"no generator burns {fluid}"
    clean = [m for m in burning if emission_per_energy(site, m) == 0]
    if not clean:
        return [], f"no clean use: counted emission of {', '.join(m.name for m in burning)}"
    alone = [m for m in clean if len(m.inputs) == 1 and m.power_in == 0]
    others = sorted({other for m in clean for other in m.inputs if other != fluid})
    needed = ", ".join(others) or "power"
    return alone, "" if alone else f"its generators need {needed} as well"


def places_of(site: Network, machine: MachineType) -> dict[str, int | None]:
    """Places where units of a type may run, with the most units there; None is no limit."""
    closed = site.limits.excluded_places
    found = {place: most for place, most in machine.places.items() if place not in closed}
    for (kind, place), count in site.built.machines.items():
        if kind == machine.name and place not in closed:
            most = found.get(place, count)
            found[place] = None if most is None else max(most, count)
    return {place: most for place, most in found.items() if most is None or most > 0}


def _why_no_way(paths: PipePaths, source: Outflow) -> str:
    """Why a source that a clean generator burns alone gives no firm power."""
    site, fluid = paths.site, source.fluid
    machines, _ = clean_generators(site, source)
    places = {place for machine in machines for place in places_of(site, machine)}
    if not places:
        return "no place where its generators may be built"
    if not places & reachable(site, source.place, fluid):
        plain: Site = site.site
        own = plain.sources[source.name]
        filed = {site.ground(place) for place in places}
        if not filed & reachable(plain, own.place, fluid):
            return "no route to a generator"
        if own.temperature is not None:
            return "too hot for the pipes or generators on every route"
        return "no pipe on the routes carries it to a generator"
    spots = [
        spot
        for spot in store_spots(site, source, machines)
        if spot.place in reachable(site, source.place, fluid)
    ]
    if not spots:
        plain_spots = {
            site.ground(place)
            for store in site.storage.values()
            if store.holds == fluid
            for place in store.places
        }
        own = site.site.sources[source.name]
        if source.temperature is not None and plain_spots & reachable(site.site, own.place, fluid):
            return "too hot for the storage on every route"
    steady = all(curve.pattern.steady for curve, _ in inflows_of(site, source, StoreRoom()))
    if not steady and not any(store.holds == fluid for store in site.storage.values()):
        return f"not steady, and no storage holds {fluid}"
    return (
        min(paths.short)[1] if paths.short else "no one pipe or cooler on the way is large enough"
    )


def capacities(site: Network, fluid: str) -> list[float]:
    """Capacities of pipes for a fluid, kg/s, rising; not more than are tried."""
    found = sorted(
        {
            site.capacity(route.name, build, fluid)
            for route in usable_routes(site)
            for build in route.pipes
            if site.may_carry(route.name, build, fluid)
        }
        | {
            site.capacity(pipe.route, pipe.pipe, fluid)
            for pipe in site.built.pipes
            if pipe.fluid == fluid and pipe.route in site.routes
        }
    )
    last = len(found) - 1
    if last < _LEVELS:
        return found
    return [found[round(k * last / (_LEVELS - 1))] for k in range(_LEVELS)]


def _ways(paths: PipePaths, source: Outflow, machines: list[MachineType]) -> Iterator[_Way]:
    """Every way tried: pipes in, store, pipes on, generators."""
    site, fluid = paths.site, source.fluid
    tap = {} if source.name in site.built.sources else source.connection_materials
    levels = capacities(site, fluid)
    spots = list(store_spots(site, source, machines))
    inflows = inflows_of(site, source, StoreRoom())
    full = sum(rate for _, rate in inflows)
    for entry in [*(level for level in levels if level < full), full]:
        shaped = [(curve, rate * min(1.0, entry / full)) for curve, rate in inflows]
        inward = paths.of(source.place, fluid, entry)
        for spot in spots:
            if spot.place not in inward:
                continue
            routes, pipes = inward[spot.place]
            for onward in levels if spot.type is not None and levels else [math.inf]:
                reached = paths.of(spot.place, fluid, onward)
                for machine in machines:
                    for place, most in places_of(site, machine).items():
                        if place not in reached or reached[place][0] & routes:
                            continue
                        limit = onward if place != spot.place else math.inf
                        fixed = added(tap, pipes, reached[place][1])
                        yield from _units(paths, shaped, spot, (machine, place, most), limit, fixed)


def store_spots(site: Network, source: Outflow, machines: list[MachineType]) -> Iterator[_Spot]:
    closed = site.limits.excluded_places
    for store in site.storage.values():
        if store.holds == source.fluid:
            for place in store.places:
                if place not in closed:
                    yield _Spot(store, place)
    if all(curve.pattern.steady for curve, _ in inflows_of(site, source, StoreRoom())):
        for place in dict.fromkeys(p for machine in machines for p in places_of(site, machine)):
            yield _Spot(None, place)


def _units(
    paths: PipePaths,
    inflows: list[tuple[Curve, float]],
    spot: _Spot,
    group: tuple[MachineType, str, int | None],
    limit: float,
    fixed: Mapping[str, float],
) -> Iterator[_Way]:
    """A way for every number of units that the mean flow can feed; ``limit``: kg/s drawn."""
    site, (machine, place, most) = paths.site, group
    (rate,) = machine.inputs.values()
    mean = sum(flow * curve.duty for curve, flow in inflows)
    count = math.ceil(min(mean, limit) / rate * (1 - _ROUNDING))
    count = min([count, *(n for n in (most, machine.max_units) if n is not None)])
    existing = site.built.machines.get((machine.name, place), 0)
    for units in range(1, count + 1):
        new = _times(machine.materials, max(0, units - existing))
        draw, stored = _stored(paths, inflows, spot, min(units * rate, limit), added(fixed, new))
        taken = draw / rate
        load = min(units, (taken - machine.no_load * units) / (1.0 - machine.no_load))
        materials = added(fixed, new, stored)
        shares = shares_of(materials, paths.stocks)
        worst = max(shares, key=shares.__getitem__, default="")
        if worst and shares[worst] > 1 + _ROUNDING:
            kg = f"{quantity(materials[worst], 'mass')} of {quantity(paths.stocks[worst], 'mass')}"
            paths.short.append((shares[worst], f"stock.{worst}: needs {kg}"))
        elif load <= 0 or load < machine.min_load * units * (1 - _ROUNDING):
            part = f"one {machine.name}: {percent(max(0.0, load / units))} load"
            least = max(machine.min_load, _ROUNDING)
            paths.short.append(
                (
                    1 + units + least / max(load / units, _ROUNDING),
                    f"{part}, minimum {percent(machine.min_load)}",
                )
            )
        else:
            yield _Way(machine.power_out * load, materials, machine.name, site.ground(place))


def _stored(
    paths: PipePaths,
    inflows: list[tuple[Curve, float]],
    spot: _Spot,
    wanted: float,
    fixed: Mapping[str, float],
) -> tuple[float, dict[str, float]]:
    """The firm draw of at most ``wanted`` kg/s, and the materials of the store for it."""
    store = spot.type
    if store is None:
        return min(wanted, sum(rate for _, rate in inflows)), {}
    existing = paths.site.built.storage.get((store.name, spot.place), 0.0)
    base = store.base_materials if existing == 0 else {}
    left = {name: kg - added(fixed, base).get(name, 0.0) for name, kg in paths.stocks.items()}
    if min(left.values(), default=0.0) < 0:
        return 0.0, {}
    rooms = [left[name] / kg for name, kg in store.materials.items() if name in left and kg > 0]
    unit = store.unit
    most = min([store.max_size, *(existing + room for room in rooms)])
    if unit is not None:
        most = existing + math.floor((most - existing) / unit * (1 + _ROUNDING)) * unit
    if most < store.min_size or most <= 0:
        return 0.0, {}
    room = StoreRoom(most, store.loss, store.fill_rate, store.release_rate)
    size, draw, _ = best_draw(inflows, room)
    draw = min(draw, wanted) * (1 - _ROUNDING)  # the long-run mean itself may ask for no end
    size = min(size, _size_for(inflows, room, draw))
    size = max(size, existing, store.min_size)
    if unit is not None:
        size = existing + math.ceil((size - existing) / unit * (1 - _ROUNDING)) * unit
    return draw, added(base, _times(store.materials, size - existing))


def _size_for(inflows: list[tuple[Curve, float]], room: StoreRoom, wanted: float) -> float:
    """kg of store for a draw that is less than the most; what is always on passes it by."""
    passing = sum(flow for curve, flow in inflows if curve.pattern.steady)
    stored = [(curve, flow) for curve, flow in inflows if not curve.pattern.steady]
    if wanted <= passing or not stored:
        return 0.0
    arriving = sum(flow for _, flow in stored)
    if room.fill_rate is not None and arriving > room.fill_rate:
        stored = [(curve, flow * room.fill_rate / arriving) for curve, flow in stored]
    return store_for_draw(stored, wanted - passing, loss=room.loss)
