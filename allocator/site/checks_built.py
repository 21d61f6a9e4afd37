"""Checks of what exists already: it must be something that the site could build."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from allocator.base.quantities import format_quantity, parse_quantity, shown
from allocator.site.checks_built_cooling import existing_coolers, existing_heat_sinks
from allocator.site.checks_stores import whole_units
from allocator.site.groups import Marked
from allocator.site.kinds import Faulty, Quantity
from allocator.site.records import (
    POWER,
    BoosterType,
    BuiltBooster,
    BuiltPipe,
    MachineType,
    PipeType,
    Route,
    StoreType,
)
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values


def existing_things(values: Values, whole: SiteValues) -> Filled:
    """What exists, of the kinds that are whole themselves."""
    return {
        "pipes": _runs(values, whole.made["pipes"], whole.made["routes"]),
        "storage": _stores(values, whole.made["storage"]),
        "machines": _machines(values, whole.made["machines"]),
        "boosters": _boosters(values, whole.made),
        "coolers": existing_coolers(values, whole.made),
        "heat_sinks": existing_heat_sinks(values, whole.made),
    }


def _runs(
    values: Values, builds: Mapping[str, PipeType], routes: Mapping[str, Route]
) -> tuple[BuiltPipe, ...]:
    runs: dict[tuple[str, str], BuiltPipe] = {}
    for run in values.get("pipes", ()):
        if not run.whole:
            continue
        route, build, fluid = run.get("route"), run.get("pipe"), run.get("fluid")
        if (route, fluid) in runs:
            run.fault("route", f"has two runs for {shown(fluid)}", "keep one of them")
        carries = builds[build].fluids if build in builds else None
        if carries is not None and fluid not in carries:
            run.fault(
                "pipe",
                f"names {shown(build)}, which may not carry {shown(fluid)}",
                f"add it to the pipe's 'fluids' ({', '.join(carries)})",
            )
        start = run.get("from")
        if start is not None and route in routes:
            ends = routes[route].start, routes[route].end
            if start not in ends:
                remedy = f"name {shown(ends[0])} or {shown(ends[1])}"
                run.fault("from", f"names {shown(start)}, no end of the route", remedy)
        runs[route, fluid] = BuiltPipe(route, build, fluid, run.get("temperature"), start)
    return tuple(runs.values())


def _boosters(values: Values, made: Mapping[str, Any]) -> tuple[BuiltBooster, ...]:
    found = []
    for one in values.get("boosters", ()):
        if not one.whole:
            continue
        booster = BuiltBooster(*map(one.get, ("booster", "place", "fluid", "route", "store")))
        for key, problem, remedy in booster_faults(booster, made):
            one.fault(key, problem, remedy)
        found.append(booster)
    return tuple(found)


def booster_faults(one: BuiltBooster, made: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """What is wrong with an existing booster: key, what is wrong, what to do."""
    if (one.route is None) == (one.store is None):
        yield "route", "needs 'route' or 'store', at whose inlet it is", "give one of them"
        return
    booster: BoosterType | None = made["boosters"].get(one.booster)
    if booster is not None and one.fluid not in booster.fluids:
        yield (
            "fluid",
            f"is {shown(one.fluid)}, which {shown(one.booster)} does not move",
            f"add it to its 'fluids' ({', '.join(booster.fluids)})",
        )
    if booster is not None and one.place not in booster.places:
        yield (
            "place",
            f"is {shown(one.place)}, which {shown(one.booster)} does not list",
            f"add {shown(one.place)} to the 'places' of the booster",
        )
    route: Route | None = made["routes"].get(one.route)
    if route is not None and one.place not in (route.start, route.end)[: 2 - route.one_way]:
        yield (
            "route",
            f"is {shown(route.name)}, into which nothing flows from {shown(one.place)}",
            "name the end of the route at which it is",
        )
    store: StoreType | None = made["storage"].get(one.store)
    if store is not None and (store.holds != one.fluid or one.place not in store.places):
        yield (
            "store",
            f"is {shown(store.name)}, which has no {shown(one.fluid)} at {shown(one.place)}",
            "name a store of the fluid at that place",
        )


def _stores(values: Values, stores: Mapping[str, StoreType]) -> dict[tuple[str, str], float]:
    sizes: dict[tuple[str, str], float] = {}
    existing: Marked = values.get("storage", Marked())
    for name, places in existing.items():
        for place, node in places.nodes.items():
            if name not in stores:
                continue
            store = stores[name]
            where = values.where.below("storage").below(name).below(place)
            dimension = "energy" if store.holds == POWER else "mass"
            size = Quantity(dimension, above=0).read(node, where)
            if isinstance(size, Faulty):
                values.sound = False
                continue
            size = _as_printed(store, size, dimension)
            problem, remedy = _size_refusal(store, place, size, dimension)
            if problem:
                values.sound = False
                where.fault(node, problem, remedy)
            sizes[name, place] = size
    return sizes


def _as_printed(store: StoreType, size: float, dimension: str) -> float:
    """The size that is meant: lists print the most, or whole units, in few digits rounded up."""
    exact = [store.max_size] if size > store.max_size else []
    if store.unit is not None:
        exact.append(store.unit * math.floor(size / store.unit))
    for one in exact:
        if 0.0 < one < math.inf:
            printed = parse_quantity(format_quantity(one, dimension, 1), dimension)
            if math.isclose(printed, size, rel_tol=1e-9):
                return one
    return size


def _size_refusal(store: StoreType, place: str, size: float, dimension: str) -> tuple[str, str]:
    if place not in store.places:
        return (
            f"is at a place that {shown(store.name)} does not list",
            f"add {shown(place)} to the 'places' of the store",
        )
    if size > store.max_size * (1 + 1e-9):
        return (
            f"is above the maximum size there ({_amount(size, dimension)} > "
            f"{_amount(store.max_size, dimension)})",
            "raise 'size.max' of the store",
        )
    if store.unit is not None:
        units = whole_units(size, store.unit)
        if abs(units * store.unit - size) > 1e-6 * store.unit or not units:
            return (
                f"is no whole number of units of {_amount(store.unit, dimension)}",
                "give a multiple of the store's 'unit'",
            )
    return "", ""


def _machines(values: Values, machines: Mapping[str, MachineType]) -> dict[tuple[str, str], int]:
    counts = {}
    existing: Marked = values.get("machines", Marked())
    for name, places in existing.items():
        if name not in machines:
            continue
        machine = machines[name]
        where = values.where.below("machines").below(name)
        for place, count in places.items():
            node = places.nodes[place]
            most = machine.places.get(place)
            if place not in machine.places:
                values.sound = False
                where.below(place).fault(
                    node,
                    f"is at a place that {shown(name)} does not list",
                    f"add {shown(place)} to the 'places' of the machine",
                )
            elif most is not None and count > most:
                values.sound = False
                where.below(place).fault(
                    node,
                    f"is above the maximum number there ({count} > {most})",
                    "raise the number under 'places' of the machine",
                )
            counts[name, place] = count
        total = sum(places.values())
        if machine.max_units is not None and total > machine.max_units:
            values.sound = False
            where.fault(
                existing.nodes[name],
                f"is above the machine's 'max_units' ({total} > {machine.max_units})",
                "raise 'max_units' of the machine",
            )
    return counts


def _amount(size: float, dimension: str) -> str:
    return format_quantity(size, dimension)
