"""Sources in the order of the firm clean power that each gives for a tonne of the scarcest stock.

Each source is taken alone, with all stocks to itself, and the whole of what it needs is built for
it: its connection, the lightest pipes to a store and on to a generator, boosters where pressures
are computed and need them, the store, and whole generators. What exists already takes nothing. For
every way (kinds of generator and store, flows in and on, number of units) the firm draw is exact
(:mod:`allocator.cycles.firm`), and pressures hold along its pipes
(:mod:`allocator.studies.pipe_paths`), so the power could be had with that mass. A draw ``u`` in
units of a generator's full-load fuel gives ``m`` running units ``min(m, (u - z m) / (1 - z))``
times their power, with ``z`` the share of fuel burnt at no load, less what boosters take.

The scarcest stock is the one of which all sources together, each with the way that takes the
smallest share of any stock for its power, would need the largest share. With that stock chosen, the
way with the most power for its mass counts. Not counted: batteries, power lines and the power that
pumps of sources take.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from allocator.network.records import Network, Outflow
from allocator.report.words import percent, quantity
from allocator.site.emissions import is_clean
from allocator.site.graph import reachable
from allocator.site.records import MachineType, Site
from allocator.studies.pipe_paths import PipePaths, shares_of
from allocator.studies.pipe_steps import added
from allocator.studies.source_storage import SourceStorage
from allocator.studies.source_ways import Ends, MachineKind, SourceWay, SourceWays, StoreKind
from allocator.studies.source_worth import Inflows, inflows_of, usable_sources
from allocator.studies.store_room import StoreRoom

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class SourceRank:
    """What a source gives alone. ``power``: W, firm and clean. ``materials``: kg by material.

    ``stock_mass``: kg of the scarcest stock. ``per_stock``: W/kg, 0 where the power is 0; None
    where nothing of that stock is needed, or no stock is limited. ``reason``: why the power is 0.
    ``boosters``: W that boosters take, which is taken off the power.
    """

    source: str
    power: float
    materials: Mapping[str, float]
    stock_mass: float
    per_stock: float | None
    generator: str = ""
    place: str = ""
    reason: str = ""
    boosters: float = 0.0


@dataclass(frozen=True, slots=True)
class _Way:
    power: float
    materials: Mapping[str, float]
    generator: str
    place: str
    boosters: float


def ranked(site: Network) -> tuple[str, list[SourceRank]]:
    """The scarcest stock ("" where none is limited) and the sources in their order.

    First those that need none of it, by power for the largest share of any other stock; then by
    power for its mass; last those without power.
    """
    stocks = {m.name: m.stock for m in site.materials.values() if m.stock is not None}
    paths = PipePaths(site, stocks)
    finder = SourceWays(paths)
    ways: dict[str, list[_Way]] = {}
    reasons: dict[str, str] = {}
    for source in usable_sources(site):
        machines, reason = clean_generators(site, source)
        paths.short.clear()
        paths.low.clear()
        ends = ends_of(site, source.fluid, machines)
        ways[source.name] = list(_ways(finder, source, ends)) if machines else []
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
            SourceRank(
                *(name, best.power, best.materials, kg, per, best.generator, best.place, ""),
                best.boosters,
            )
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


def _times(materials: Mapping[str, float], count: float) -> dict[str, float]:
    return {name: kg * count for name, kg in materials.items()}


def clean_generators(site: Network, source: Outflow) -> tuple[list[MachineType], str]:
    """Clean generators that burn a source's fluid alone; and why there is none."""
    fluid = source.fluid
    burning = [m for m in site.machines.values() if m.power_out > 0 and m.inputs.get(fluid, 0) > 0]
    if not burning:
        return [], f"no generator burns {fluid}"
    clean = [m for m in burning if is_clean(site, m)]
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
    steady = all(curve.pattern.steady for curve, _ in inflows_of(site, source, StoreRoom()))
    stores = [store for store in site.storage.values() if store.holds == fluid]
    if not steady and not stores:
        return f"not steady, and no storage holds {fluid}"
    kept = {place for store in stores for place in store.places}
    if not steady and not kept & reachable(site, source.place, fluid):
        own = site.site.sources[source.name]
        filed = {site.ground(place) for place in kept}
        if source.temperature is not None and filed & reachable(site.site, own.place, fluid):
            return "too hot for the storage on every route"
    if paths.low and _feeds_one(inflows_of(site, source, StoreRoom()), machines):
        return min(paths.low)[1]
    if paths.short:
        return min(paths.short)[1]
    if fluid in site.pressures:
        return "its pressure is too low, or the pipes on the way are too small"
    return "no one pipe or cooler on the way is large enough"


def _feeds_one(inflows: Inflows, machines: Iterable[MachineType]) -> bool:
    """Whether the mean flow is enough for one unit of some type at its minimum load."""
    mean = math.fsum(rate * curve.duty for curve, rate in inflows)
    return any(
        mean >= rate * (machine.no_load + machine.min_load * (1.0 - machine.no_load))
        for machine in machines
        for rate in machine.inputs.values()
    )


def _ways(finder: SourceWays, source: Outflow, ends: Ends) -> Iterator[_Way]:
    """Every way tried, with every number of generators."""
    inflows = inflows_of(finder.paths.site, source, StoreRoom())
    full = math.fsum(rate for _, rate in inflows)
    steady = all(curve.pattern.steady for curve, _ in inflows)
    for entry, flow in finder.entries(source.fluid, full):
        shaped = [(curve, rate * min(1.0, entry / full)) for curve, rate in inflows]
        storage = SourceStorage(shaped)
        finder.paths.low.clear()  # what fails at a smaller flow still is the reason
        ways = list(finder.ways(source, ends, flow, storage.mean, steady))
        if ways:  # pressures allow some way; what it lacks is noted with its units
            finder.paths.low.clear()
        for way in ways:
            yield from _units(finder.paths, source, storage, way)


def ends_of(site: Network, fluid: str, machines: Iterable[MachineType]) -> Ends:
    """Where a fluid may be kept, and burnt by some machines."""
    stores: dict[StoreKind, list[str]] = {}
    groups: dict[MachineKind, list[str]] = {}
    for store in site.storage.values():
        if store.holds == fluid:
            for place in store.places:
                if place not in site.limits.excluded_places:
                    kg = site.built.storage.get((store.name, place), 0.0)
                    stores.setdefault((store.name, kg), []).append(place)
    for machine in machines:
        for place, most in places_of(site, machine).items():
            units = site.built.machines.get((machine.name, place), 0)
            groups.setdefault((machine.name, most, units), []).append(place)
    return Ends(
        fluid,
        {kind: tuple(places) for kind, places in stores.items()},
        {kind: tuple(places) for kind, places in groups.items()},
    )


def _units(
    paths: PipePaths, source: Outflow, storage: SourceStorage, way: SourceWay
) -> Iterator[_Way]:
    """A way for every number of units that the mean flow can feed."""
    site, machine = paths.site, way.machine
    tap = {} if source.name in site.built.sources else source.connection_materials
    fixed = added(tap, way.materials)
    (rate,) = machine.inputs.values()
    count = math.ceil(min(storage.mean, way.limit) / rate * (1 - _ROUNDING))
    count = min([count, *(n for n in (way.most, machine.max_units) if n is not None)])
    for units in range(1, count + 1):
        new = _times(machine.materials, max(0, units - way.existing))
        draw, stored = _stored(paths.stocks, storage, way, units * rate, added(fixed, new))
        load = min(units, (draw / rate - machine.no_load * units) / (1.0 - machine.no_load))
        power = machine.power_out * load - way.power
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
        elif power <= 0:
            watts = f"{quantity(way.power, 'power')} of {quantity(power + way.power, 'power')}"
            paths.short.append((1 + units, f"boosters take {watts}"))
        else:
            yield _Way(power, materials, machine.name, site.ground(way.place), way.power)


def _stored(
    stocks: Mapping[str, float],
    storage: SourceStorage,
    way: SourceWay,
    wanted: float,
    fixed: Mapping[str, float],
) -> tuple[float, dict[str, float]]:
    """The firm draw of at most ``wanted`` kg/s, and the materials of the store for it."""
    store, wanted = way.store, min(wanted, way.limit)
    if store is None:
        return min(wanted, storage.full), {}
    base = store.base_materials if way.stored == 0 else {}
    left = {name: kg - added(fixed, base).get(name, 0.0) for name, kg in stocks.items()}
    if min(left.values(), default=0.0) < 0:
        return 0.0, {}
    rooms = [left[name] / kg for name, kg in store.materials.items() if name in left and kg > 0]
    most = min([store.max_size, *(way.stored + room for room in rooms)])
    if store.unit is not None:
        units = math.floor((most - way.stored) / store.unit * (1 + _ROUNDING))
        most = way.stored + units * store.unit
    if most < store.min_size or most <= 0:
        return 0.0, {}
    needed, draw = storage.least(store, most, wanted)
    size = max(needed, way.stored, store.min_size)
    if store.unit is not None:
        units = math.ceil((size - way.stored) / store.unit * (1 - _ROUNDING))
        size = way.stored + units * store.unit
    if store.loss > 0 and size > needed > 0:
        less = size - (store.unit or 0.0)
        sizes = [size, less] if less >= max(way.stored, store.min_size) and less > 0 else [size]
        size, draw = storage.built(store, sizes, draw)
    return draw, added(base, _times(store.materials, size - way.stored))
