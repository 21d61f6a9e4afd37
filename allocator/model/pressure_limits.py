"""Limits of pressure at machines and demands, and of what is attached, with their slacks.

Slacks are pressures, and rows hold potentials. Each slack counts for no more potential than the
change surely brings, so that a change which is named as sufficient is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from allocator.model.index_sets import IndexSets
from allocator.model.limits import Limit, slacked
from allocator.model.model import Key, Model
from allocator.network.pressure_records import FluidPressures

Rows = dict[str, int]


def inlet_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The least pressure at the inlets of machines and demands, which may be lowered.

    ``low + slope * slack >= inlet * takes``. Of a gas, lowered from p by s down to no less than
    the ambient a: ``p^2 - (p - s)^2 >= (p + a) s``.
    """
    for fluid, one in _fluids(sets):
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
    value, ambient = one.pressure(potential), one.pressure(one.least)
    kind = "inlet_pressure" if section == "machines" else "demand_inlet_pressure"
    path = (section, name, "min_inlet_pressure")
    limit = Limit(kind, name, path, value, "pressure", False)
    if not model.has(limit.slack):  # a machine that takes two fluids has one
        slacked(model, limit)
        yield limit
    for row in mine:
        model.extend(rows[row], [(value + ambient if one.gas else 1.0, limit.slack)])


def rating_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The ratings of pipes, stores and machines: ``shut - slope * slack <= rating`` where used.

    Of a gas, raised from r by s: ``(r + s)^2 >= r^2 + 2 r s``.
    """
    rated = [name for name in rows if name.startswith("rating[")]
    for fluid, one in _fluids(sets):
        for (kind, name), potential in one.ratings.items():
            ends = tuple(f",{fluid},{key}]" for key in _used(sets, kind, name, fluid))
            mine = [row for row in rated if row.endswith(ends)]
            if not mine:
                continue
            value = one.pressure(potential)
            section = {"pipe": "pipes", "machine": "machines"}.get(kind, kind)
            path = (section, name, "pressure_rating")
            limit = Limit(f"{kind}_rating", name, path, value, "pressure", True)
            if not model.has(limit.slack):
                slacked(model, limit)
                yield limit
            for row in mine:
                model.extend(rows[row], [(-2.0 * value if one.gas else -1.0, limit.slack)])


def _used(sets: IndexSets, kind: str, name: str, fluid: str) -> list[Key]:
    """The columns that say whether things of a type are used."""
    if kind == "storage":
        return [("holds", n) for n, s in sets.fluid_stores.items() if s.type.name == name]
    if kind == "pipe":
        return [("lay", route, name, fluid) for route, carried in sets.pipes if carried == fluid]
    return [("takes", n) for n, g in sets.groups.items() if g.type.name == name]


def _fluids(sets: IndexSets) -> Iterator[tuple[str, FluidPressures]]:
    yield from ({} if sets.pressures is None else sets.pressures.fluids).items()
