"""Where each kind of limit is in a model, and how its slack relaxes it.

A rule yields the limits of one kind, their slacks put into the rows that hold them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from allocator.model.booster_limits import booster_limits
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.limits import FURTHEST, LOOSE, Limit, slacked
from allocator.model.model import INFINITY, Model, Terms
from allocator.model.outage_limits import lost_machines
from allocator.model.outages import raise_high, versions
from allocator.model.pressure_limits import (
    inlet_limits,
    outlet_limits,
    pressure_limit,
    raised,
    rating_limits,
)
from allocator.model.rules.heat import demand_row, heat_row
from allocator.model.rules.power import ROOM, served
from allocator.model.rules.pressure import opened
from allocator.model.rules.venting import always
from allocator.model.store_limits import filling_limits, release_limits
from allocator.model.switches import eased, useful_size
from allocator.model.velocity_limits import velocity_limits
from allocator.model.widening import widened
from allocator.network.pressure_records import FluidPressures
from allocator.site.records import POWER

Rows = dict[str, int]
HEAT_SINKS_STAY = "; heat sinks stay as made for these"


def _rows_only(model: Model, rows: Rows, row: str, limit: Limit) -> Iterator[Limit]:
    """A limit that is the right side of one row, in normal operation and in each scenario."""
    found = versions(rows, row)
    if found:
        slacked(model, limit)
        sign = -1.0 if limit.more else 1.0
        for number in found:
            model.extend(number, [(sign, limit.slack)])
        yield limit


def _pipes(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    used = {b for pipe in sets.pipes.values() for b in pipe.builds}
    for build in sets.site.pipes.values():
        if build.name not in used:
            continue
        streams = {route: sets.site.routes[route].stream for route, _ in sets.pipes}
        made = [
            s for (r, _), p in sets.pipes.items() if build.name in p.builds and (s := streams[r])
        ]
        if made and made[0].kind in ("passage", "sink"):
            continue  # a step of planning at a place, as wide as is needed
        mine = [
            (route, fluid)
            for (route, fluid), pipe in sets.pipes.items()
            if build.name in pipe.builds
            and f"pipe_capacity[{route},{fluid}]" in rows
            and not (build.by_bore and _mouths(rows, sets, fluid))
        ]
        if not mine and build.by_bore:
            continue  # what it carries follows from pressures
        path: tuple[str, ...] = ("pipes", build.name, "capacity")
        if made and made[0].kind == "cooler":
            path = ("coolers", made[0].corridor)
        limit = Limit("capacity", build.name, path, build.capacity, "mass_rate", True)
        slacked(model, limit)
        for pipe in mine:
            widened(model, rows, sets, pipe, build, (1.0, limit.slack))
        yield limit


def _mouths(rows: Rows, sets: IndexSets, fluid: str) -> list[str]:
    """Sources of a fluid whose pressures limit what its pipes carry."""
    one = None if sets.pressures is None else sets.pressures.fluids.get(fluid)
    return [n for n in ({} if one is None else one.mouths) if f"source_pressure[{n}]" in rows]


def _drives(sets: IndexSets, one: FluidPressures, name: str) -> bool:
    """Whether the pressure that is stated of a source can let more through anywhere."""
    source = sets.site.sources[name]
    if not source.pressure:
        return False
    node = one.node(source.place)
    takers = [g.place for g in sets.groups.values() if one.fluid in g.type.inputs]
    places = [arc.start for arc in sets.arcs.get(one.fluid, ())] + takers
    return any(one.node(place) == node for place in places)


def _rates(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for kind in sets.site.storage.values():
        dimension = "power" if kind.holds == POWER else "mass_rate"
        for key, value, names in (
            ("fill_rate", kind.fill_rate, ("fill_rate", "charge_rate")),
            ("release_rate", kind.release_rate, ("release_rate", "discharge_rate")),
        ):
            mine = [
                rows[f"{name}[{kind.name}@{place}]"]
                for name in names
                for place in kind.places
                if f"{name}[{kind.name}@{place}]" in rows
            ]
            if value is None or not mine:
                continue
            path = ("storage", kind.name, key)
            limit = slacked(model, Limit(key, kind.name, path, value, dimension, True))
            for row in mine:
                model.extend(row, [(-1.0, limit.slack)])
            yield limit


def _sizes(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    stores = {**sets.fluid_stores, **sets.batteries}
    for kind in sets.site.storage.values():
        mine = [name for name, store in stores.items() if store.type.name == kind.name]
        if not mine or sets.lossless:
            continue
        dimension = "energy" if kind.holds == POWER else "mass"
        path = ("storage", kind.name, "size", "max")
        limit = slacked(model, Limit("size", kind.name, path, kind.max_size, dimension, True))
        for name in mine:
            size = ("size", name)
            room = model.columns[model.index(size)]
            model.row(
                f"room[{name}]", [(1.0, size), (-1.0, limit.slack)], high=room.high * room.unit
            )
            for key in (size, ("units", name), ("swing", name)):
                if model.has(key):
                    model.raise_high(key)
            for part in CLASSES:
                if model.has(("burst_part", name, part)):
                    model.raise_high(("burst_part", name, part))
            if (row := f"store_stands[{name}]") in rows:
                useful = useful_size(sets, power=kind.holds == POWER)
                word = "stand" if model.has(("stand", name)) else "grows"
                eased(model, rows[row], (word, name), [(1.0, limit.slack)], useful)
        yield limit


def _places(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for name, group in sets.groups.items():
        if group.most_new is None:
            continue
        place = sets.site.ground(group.place)
        path = ("machines", group.type.name, "places", place)
        value = float(group.most_new + group.existing)
        limit = Limit("places", name, path, value, "number", True)
        slacked(model, limit)
        key = ("count", name)
        model.raise_high(key)
        model.row(f"places[{name}]", [(1.0, key), (-1.0, limit.slack)], high=float(group.most_new))
        yield limit


def _types(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for machine in sets.site.machines.values():
        if machine.max_units is not None:
            path = ("machines", machine.name, "max_units")
            value = float(machine.max_units)
            limit = Limit("most", machine.name, path, value, "number", True)
            row = f"most_of_type[{machine.name}]"
            yield from _rows_only(model, rows, row, limit)


def _flows(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    fluids = dict.fromkeys(sets.site.sources[s].fluid for s in sets.sources)
    for fluid in fluids:
        mine = [s for s in sets.sources if sets.site.sources[s].fluid == fluid]
        path = ("sources", mine[0], "flow")
        sunk = any(
            sets.site.pipes[build].sink is not None
            for (_, carried), pipe in sets.pipes.items()
            for build in (pipe.builds if carried == fluid else ())
        )
        # a sink's guarantee is for the file's flow, so its capacity is not lifted
        words = HEAT_SINKS_STAY if sunk else ""
        limit = slacked(model, Limit("flow", fluid, path, 1.0, "share", True, words))
        if model.has(always(fluid)):
            # what sources vent untapped is lifted with their flows, and counts
            model.raise_high(always(fluid))
            terms: Terms = [(1.0, always(fluid)), (-1.0, limit.slack)]
            model.row(f"always[{fluid}]", terms, low=1.0, high=1.0)
        for name in mine:
            row, flow = f"source_capacity[{name}]", sets.site.sources[name].flow
            if row not in rows:
                continue
            more = model.variable(("more", name), 0.0, INFINITY, flow)
            model.extend(rows[row], [(-1.0, more)])
            tap = ("tap", name)
            model.row(f"more[{name}]", [(1.0, more), (-FURTHEST * flow, tap)], high=0.0)
            model.row(f"most[{name}]", [(1.0, more), (-flow, limit.slack)], high=0.0)
            if (mean := f"chamber_mean[{name}]") in rows:
                model.extend(rows[mean], [(-sets.curves[name].duty, more)])
            for part in (name, *sets.site.parts_of(name)):
                for k in sets.reach[part]:
                    model.raise_high(("collect", part, k))
                for shape in sets.fluid_shapes[fluid]:
                    if model.has(("direct", part, shape)):
                        raise_high(model, ("direct", part, shape))
        yield limit


def _pressures(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """Pressure at the mouths of the sources of a fluid: of several, all of them as much more.

    ``high <= mouth + slope * slack`` of the potential where connected, and shut in at least as
    much; of several pressures the higher ones rise by no more than the highest.
    """
    pressures = sets.pressures
    for fluid, one in ({} if pressures is None else pressures.fluids).items():
        mine = [name for name in _mouths(rows, sets, fluid) if _drives(sets, one, name)]
        if not mine:
            continue
        highest = max(mine, key=lambda name: one.mouths[name])
        path, top = ("sources", highest, "pressure"), one.mouths[highest]
        kind, name = ("pressure", highest) if len(mine) == 1 else ("pressures", fluid)
        limit, slope = pressure_limit(one, kind, name, path, top, more=True)
        if len(mine) > 1:
            words = f"the pressures of the sources of '{fluid}' are"
            limit = replace(limit, words=words, cautious=len({one.mouths[n] for n in mine}) > 1)
        slacked(model, limit)
        for name in mine:
            own = 2.0 * one.pressure(one.mouths[name]) if one.gas else 1.0
            model.extend(rows[f"source_pressure[{name}]"], [(-own, limit.slack)])
            at = (sets.site.sources[name].place, opened(model, name))
            raised(model, rows, (limit, slope), one, at)
        for (route, carried), pipe in sets.pipes.items():
            for build in [sets.site.pipes[b] for b in pipe.builds] if carried == fluid else []:
                if build.by_bore and f"pipe_capacity[{route},{fluid}]" in rows:
                    factor = LOOSE * build.capacity / limit.value
                    widened(model, rows, sets, (route, fluid), build, (factor, limit.slack))
        yield limit


def _caps(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    limits = sets.site.limits
    for kind, value, dimension in (
        ("money", limits.money, "money"),
        ("emission", limits.emission, "emission_rate"),
    ):
        if value is not None:
            limit = Limit(kind, "", ("limits", kind), value, dimension, True)
            yield from _rows_only(model, rows, f"{kind}_cap", limit)


def _rooms(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for place in sets.site.places.values():
        if place.heat_limit is not None:
            path = ("places", place.name, "heat_limit")
            limit = Limit("heat", place.name, path, place.heat_limit, "power", True)
            yield from _rows_only(model, rows, heat_row(place.name), limit)


def _stocks(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for material in sets.site.materials.values():
        if material.stock is not None:
            path = ("materials", material.name, "stock")
            limit = Limit("stock", material.name, path, material.stock, "mass", True)
            yield from _rows_only(model, rows, f"stock[{material.name}]", limit)


def _shares(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for demand in sets.site.demands.values():
        if demand.min_share > 0:
            path = ("demands", demand.name, "min_share")
            limit = Limit("min_share", demand.name, path, demand.min_share, "share", False)
            slacked(model, limit)
            number = rows[f"share[{demand.name}]"]
            row = model.rows[number]
            model.rows[number] = replace(row, low=row.low * (1.0 - ROOM))
            model.extend(number, [(demand.mean, limit.slack)])
            yield limit


def _warmed(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for place in sets.site.places.values():
        if place.heat_demand is not None:
            path = ("places", place.name, "heat_demand", "power")
            limit = Limit("heat_demand", place.name, path, place.heat_demand, "power", False)
            yield from _rows_only(model, rows, demand_row(place.name), limit)


def asked(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    for demand in sets.site.demands.values():
        power = demand.wants == POWER
        key, dimension = ("power", "power") if power else ("flow", "mass_rate")
        limit = Limit(
            "demand",
            demand.name,
            ("demands", demand.name, key),
            demand.mean,
            dimension,
            True,
        )
        number = rows.get(f"share[{demand.name}]")
        if number is None:
            continue
        slacked(model, limit)
        model.rows[number] = replace(model.rows[number], high=INFINITY)
        terms = served(sets, demand.name)
        model.row(f"asked[{demand.name}]", [*terms, (-1.0, limit.slack)], high=demand.mean)
        for _, term in terms:
            raise_high(model, term)
        yield limit


ASKED_ALONE = (
    inlet_limits,
    outlet_limits,
    filling_limits,
    booster_limits,
    velocity_limits,
    lost_machines,
)
"""Limits that are lowered, or of what is seldom changed: they have no marginal value of more."""
RULES: tuple[Callable[[Model, Rows, IndexSets], Iterator[Limit]], ...] = (
    _pipes,
    _rates,
    _sizes,
    _places,
    _types,
    _flows,
    _pressures,
    release_limits,
    rating_limits,
    _caps,
    _rooms,
    _stocks,
    _shares,
    _warmed,
)
