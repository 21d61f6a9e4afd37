"""Where each kind of limit stands in a statement, and how its slack stretches it.

A rule yields the limits of one kind, their slacks put into the rows that hold them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from allocator.model.choices import CLASSES, Choices
from allocator.model.limits import FURTHEST, Limit, slacked
from allocator.model.rules.heat import heat_row
from allocator.model.rules.power import ROOM, served
from allocator.model.statement import INFINITY, Statement
from allocator.site.records import POWER

Rows = dict[str, int]


def _rows_only(statement: Statement, rows: Rows, row: str, limit: Limit) -> Iterator[Limit]:
    """A limit that is the right side of one row."""
    if row in rows:
        slacked(statement, limit)
        sign = -1.0 if limit.more else 1.0
        statement.extend(rows[row], [(sign, limit.slack)])
        yield limit


def _pipes(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    used = {b for pipe in choices.pipes.values() for b in pipe.builds}
    for build in choices.site.builds.values():
        if build.name not in used:
            continue
        streams = {route: choices.site.routes[route].stream for route, _ in choices.pipes}
        made = [
            s for (r, _), p in choices.pipes.items() if build.name in p.builds and (s := streams[r])
        ]
        if made and made[0].kind in ("passage", "sink"):
            continue  # a step of planning at a place, as wide as is needed
        path: tuple[str, ...] = ("builds", build.name, "capacity")
        words = f"a pipe of build '{build.name}' carries"
        if made and made[0].kind == "cooler":
            path, words = ("coolers", made[0].corridor), f"cooler '{build.name}' cools"
        limit = Limit("capacity", build.name, path, build.capacity, "mass_rate", True, words)
        slacked(statement, limit)
        for (route, fluid), pipe in choices.pipes.items():
            row = f"pipe_capacity[{route},{fluid}]"
            if build.name not in pipe.builds or row not in rows:
                continue
            more = statement.variable(
                ("more", route, build.name, fluid), 0.0, INFINITY, build.capacity
            )
            most = FURTHEST * build.capacity
            statement.extend(rows[row], [(-1.0, more)])
            lay = ("lay", route, build.name, fluid)
            statement.row(
                f"more[{route},{build.name},{fluid}]", [(1.0, more), (-most, lay)], high=0
            )
            statement.row(
                f"most[{route},{build.name},{fluid}]", [(1.0, more), (-1.0, limit.slack)], high=0
            )
            for arc in choices.arcs_along(route, fluid):
                for end in choices.ends(fluid):
                    key = ("gather", route, arc.start, fluid, end)
                    if statement.has(key):
                        statement.raise_high(key)
                for shape in choices.fluid_shapes[fluid]:
                    statement.raise_high(("supply", route, arc.start, fluid, shape))
        yield limit


def _rates(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    for kind in choices.site.stores.values():
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
            words = f"a store '{kind.name}' {'takes in' if key == 'fill_rate' else 'gives'}"
            path = ("stores", kind.name, key)
            limit = slacked(statement, Limit(key, kind.name, path, value, dimension, True, words))
            for row in mine:
                statement.extend(row, [(-1.0, limit.slack)])
            yield limit


def _sizes(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    stores = {**choices.fluid_stores, **choices.batteries}
    for kind in choices.site.stores.values():
        mine = [name for name, store in stores.items() if store.type.name == kind.name]
        if not mine or choices.lossless:
            continue
        dimension = "energy" if kind.holds == POWER else "mass"
        path, words = ("stores", kind.name, "size", "most"), f"a store '{kind.name}' holds"
        limit = slacked(
            statement, Limit("size", kind.name, path, kind.most, dimension, True, words)
        )
        for name in mine:
            size = ("size", name)
            room = statement.columns[statement.index(size)]
            statement.row(
                f"room[{name}]", [(1.0, size), (-1.0, limit.slack)], high=room.high * room.unit
            )
            for key in (size, ("units", name), ("swing", name)):
                if statement.has(key):
                    statement.raise_high(key)
            for part in CLASSES:
                if statement.has(("burst_part", name, part)):
                    statement.raise_high(("burst_part", name, part))
            if f"store_stands[{name}]" in rows:
                statement.extend(rows[f"store_stands[{name}]"], [(-1.0, limit.slack)])
        yield limit


def _places(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    del rows
    for name, group in choices.groups.items():
        if group.most_new is None:
            continue
        place = choices.site.ground(group.place)
        path = ("machines", group.type.name, "places", place)
        words = f"machine '{group.type.name}' may stand at '{place}'"
        value = float(group.most_new + group.standing)
        limit = Limit("places", name, path, value, "number", True, words)
        slacked(statement, limit)
        key = ("count", name)
        statement.raise_high(key)
        statement.row(
            f"places[{name}]", [(1.0, key), (-1.0, limit.slack)], high=float(group.most_new)
        )
        yield limit


def _types(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    for machine in choices.site.machines.values():
        if machine.most is not None:
            path, words = ("machines", machine.name, "most"), f"machine '{machine.name}' may stand"
            value = float(machine.most)
            limit = Limit("most", machine.name, path, value, "number", True, words)
            row = f"most_of_type[{machine.name}]"
            yield from _rows_only(statement, rows, row, limit)


def _flows(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    fluids = dict.fromkeys(choices.site.sources[s].fluid for s in choices.sources)
    for fluid in fluids:
        mine = [s for s in choices.sources if choices.site.sources[s].fluid == fluid]
        path = ("sources", mine[0], "flow")
        words = f"sources of '{fluid}' give"
        limit = slacked(statement, Limit("flow", fluid, path, 1.0, "share", True, words))
        for name in mine:
            row, flow = f"source_capacity[{name}]", choices.site.sources[name].flow
            if row not in rows:
                continue
            more = statement.variable(("more", name), 0.0, INFINITY, flow)
            statement.extend(rows[row], [(-1.0, more)])
            tap = ("tap", name)
            statement.row(f"more[{name}]", [(1.0, more), (-FURTHEST * flow, tap)], high=0.0)
            statement.row(f"most[{name}]", [(1.0, more), (-flow, limit.slack)], high=0.0)
            if (mean := f"chamber_mean[{name}]") in rows:
                statement.extend(rows[mean], [(-choices.curves[name].duty, more)])
            for part in (name, *choices.site.parts_of(name)):
                for k in choices.reach[part]:
                    statement.raise_high(("collect", part, k))
                for shape in choices.fluid_shapes[fluid]:
                    if statement.has(("direct", part, shape)):
                        statement.raise_high(("direct", part, shape))
        yield limit


def _caps(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    limits = choices.site.limits
    for kind, value, dimension, words in (
        ("money", limits.money, "money", "money in all may be"),
        ("emission", limits.emission, "emission_rate", "counted emission may be"),
    ):
        if value is not None:
            limit = Limit(kind, "", ("limits", kind), value, dimension, True, words)
            yield from _rows_only(statement, rows, f"{kind}_cap", limit)


def _rooms(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    for place in choices.site.places.values():
        if place.heat_limit is not None:
            path, words = ("places", place.name, "heat_limit"), f"heat let into '{place.name}' is"
            limit = Limit("heat", place.name, path, place.heat_limit, "power", True, words)
            yield from _rows_only(statement, rows, heat_row(place.name), limit)


def _stocks(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    for material in choices.site.materials.values():
        if material.stock is not None:
            path, words = ("materials", material.name, "stock"), f"stock of '{material.name}' is"
            limit = Limit("stock", material.name, path, material.stock, "mass", True, words)
            yield from _rows_only(statement, rows, f"stock[{material.name}]", limit)


def _shares(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    for demand in choices.site.demands.values():
        if demand.least_share > 0:
            path = ("demands", demand.name, "least_share")
            words = f"demand '{demand.name}' must be served, of its mean, at least"
            limit = Limit(
                "least_share", demand.name, path, demand.least_share, "share", False, words
            )
            slacked(statement, limit)
            number = rows[f"share[{demand.name}]"]
            row = statement.rows[number]
            statement.rows[number] = replace(row, low=row.low * (1.0 - ROOM))
            statement.extend(number, [(demand.mean, limit.slack)])
            yield limit


def asked(statement: Statement, rows: Rows, choices: Choices) -> Iterator[Limit]:
    for demand in choices.site.demands.values():
        power = demand.wants == POWER
        key, dimension = ("power", "power") if power else ("flow", "mass_rate")
        words = f"demand '{demand.name}' asks for"
        limit = Limit(
            "demand",
            demand.name,
            ("demands", demand.name, key),
            demand.mean,
            dimension,
            True,
            words,
        )
        number = rows.get(f"share[{demand.name}]")
        if number is None:
            continue
        slacked(statement, limit)
        statement.rows[number] = replace(statement.rows[number], high=INFINITY)
        terms = served(choices, demand.name)
        statement.row(f"asked[{demand.name}]", [*terms, (-1.0, limit.slack)], high=demand.mean)
        for _, term in terms:
            statement.raise_high(term)
        yield limit


RULES: tuple[Callable[[Statement, Rows, Choices], Iterator[Limit]], ...] = (
    _pipes,
    _rates,
    _sizes,
    _places,
    _types,
    _flows,
    _caps,
    _rooms,
    _stocks,
    _shares,
)
