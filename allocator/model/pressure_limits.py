"""Limits of pressure at sources, machines and demands, and of what is attached, with their slacks.

Rows hold potentials, of a gas squares of pressures. A slack s of a pressure p stands for ``2 p s``
of its square, and is read back as the change of the pressure itself (:meth:`Limit.change_of`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from allocator.model.index_sets import IndexSets
from allocator.model.limits import Limit, slacked
from allocator.model.model import Key, Model
from allocator.model.rules.ratings import shut_row
from allocator.network.pressure_records import FluidPressures

Rows = dict[str, int]


def pressure_limit(
    one: FluidPressures, kind: str, name: str, path: tuple[str, ...], potential: float, more: bool
) -> tuple[Limit, float]:
    """A limit that is a pressure, and the potential that its slack stands for, a unit of it."""
    value = one.pressure(potential)
    limit = Limit(kind, name, path, value, "pressure", more, squared=one.gas)
    return limit, 2.0 * value if one.gas else 1.0


def lowest(model: Model, limit: Limit, least: float) -> None:
    """Hold a value that is lowered at or above another."""
    slack = limit.slack_of(max(0.0, limit.value - least))
    model.row(f"lowest[{limit.slack}]", [(1.0, limit.slack)], high=slack)


def where_used(model: Model, limit: Limit, used: Key, most: float) -> Key:
    """A column that is at least the slack of a limit where something is used.

    ``slack - most (1 - used) <= it``, with a slack of at most ``most``.
    """
    key: Key = ("where_used", limit.slack, used)
    if not model.has(key):
        model.variable(key, 0.0, unit=model.columns[model.index(limit.slack)].unit)
        model.row(f"widest[{key}]", [(1.0, limit.slack)], high=most)
        terms = [(1.0, key), (-1.0, limit.slack), (-most, used)]
        model.row(f"where_used[{key}]", terms, low=-most)
    return key


def inlet_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The least pressure at the inlets of machines and demands, which may be lowered to ambient.

    ``low + slope * slack >= inlet * takes``.
    """
    for fluid, one in fluids_of(sets):
        machines: dict[str, list[Key]] = {}
        for group in sets.groups.values():
            if group.type.name in one.inlets:
                machines.setdefault(group.type.name, []).append(("takes", group.name))
        for name, takes in machines.items():
            yield from _inlet(model, rows, ("machines", name), fluid, one, takes)
        for name in one.demands:
            yield from _inlet(model, rows, ("demands", name), fluid, one, [("takes", name)])


def _inlet(
    model: Model,
    rows: Rows,
    thing: tuple[str, str],
    fluid: str,
    one: FluidPressures,
    takes: Iterable[Key],
) -> Iterator[Limit]:
    section, name = thing
    mine = [row for key in takes if (row := f"inlet_pressure[{key},{fluid}]") in rows]
    if not mine:
        return
    potential = (one.inlets if section == "machines" else one.demands)[name]
    kind = "inlet_pressure" if section == "machines" else "demand_inlet_pressure"
    path = (section, name, "min_inlet_pressure")
    limit, slope = pressure_limit(one, kind, name, path, potential, more=False)
    if not model.has(limit.slack):  # a machine that takes two fluids has one
        slacked(model, limit)
        lowest(model, limit, one.pressure(one.least))
        yield limit
    for row in mine:
        model.extend(rows[row], [(slope, limit.slack)])


def outlet_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The pressure at which machines give a fluid: ``high - slope * slack <= outlet * takes``.

    Shut in as well: ``shut >= outlet + slope * slack`` of what gives.
    """
    for fluid, one in fluids_of(sets):
        for name, potential in one.outlets.items():
            groups = [g for g in sets.groups.values() if g.type.name == name]
            mine = [g for g in groups if f"outlet_pressure[{g.name},{fluid}]" in rows]
            if not mine or sets.site.machines[name].outlet_pressure is None:
                continue
            path = ("machines", name, "outlet_pressure")
            limit, slope = pressure_limit(one, "outlet_pressure", name, path, potential, more=True)
            if not model.has(limit.slack):
                slacked(model, limit)
                yield limit
            for group in mine:
                row = rows[f"outlet_pressure[{group.name},{fluid}]"]
                model.extend(row, [(-slope, limit.slack)])
                raised(model, rows, (limit, slope), one, (group.place, ("takes", group.name)))


def raised(
    model: Model,
    rows: Rows,
    limit: tuple[Limit, float],
    one: FluidPressures,
    at: tuple[str, Key],
) -> None:
    """What gives a fluid at a place, where used, gives it at a higher pressure shut in as well."""
    changed, slope = limit
    place, used = at
    for weight in range(len(one.at_rest)):
        row = shut_row(place, one.fluid, weight, used)
        if row in rows:
            most = one.most / slope
            model.extend(rows[row], [(-slope, where_used(model, changed, used, most))])


def rating_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The ratings of pipes, stores and machines: ``shut - slope * slack <= rating`` where used."""
    rated = [name for name in rows if name.startswith("rating[")]
    for fluid, one in fluids_of(sets):
        for (kind, name), potential in one.ratings.items():
            ends = tuple(f",{fluid},{key}]" for key in _used(sets, kind, name, fluid))
            mine = [row for row in rated if row.endswith(ends)]
            if not mine:
                continue
            section = {"pipe": "pipes", "machine": "machines"}.get(kind, kind)
            path = (section, name, "pressure_rating")
            limit, slope = pressure_limit(one, f"{kind}_rating", name, path, potential, more=True)
            if not model.has(limit.slack):
                slacked(model, limit)
                yield limit
            for row in mine:
                model.extend(rows[row], [(-slope, limit.slack)])


def _used(sets: IndexSets, kind: str, name: str, fluid: str) -> list[Key]:
    """The columns that say whether things of a type are used."""
    if kind == "storage":
        return [("holds", n) for n, s in sets.fluid_stores.items() if s.type.name == name]
    if kind == "pipe":
        return [("lay", route, name, fluid) for route, carried in sets.pipes if carried == fluid]
    return [("takes", n) for n, g in sets.groups.items() if g.type.name == name]


def fluids_of(sets: IndexSets) -> Iterator[tuple[str, FluidPressures]]:
    """Fluids whose pressures are computed, with them."""
    yield from ({} if sets.pressures is None else sets.pressures.fluids).items()
