"""Rules of heat: what is let into places, and what places must be given."""

from __future__ import annotations

from allocator.model.expressions import (
    arrivals,
    can_follow,
    least_of,
    moved_at_most,
    recovering,
    scaled,
    warmth_of,
)
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model, Terms
from allocator.site.records import MachineType, Place
from allocator.thermal.upper import Upper, upper_heat


def heat_row(place: str) -> str:
    """Name of the row of a place."""
    return f"heat_let_in[{place}]"


def heat_into_places(model: Model, sets: IndexSets) -> None:
    """``sum W lay + sum J/kg cooled + sum W machines + sum J/kg stored <= heat limit`` of a place.

    Upper values: a pipe that is laid loses what it does at full flow from its level, machines run
    at full load (those that stand as well, for they are started on what would spill), and all
    sources are on at once.
    """
    for place, upper in upper_heat(sets.site).items():
        limit = sets.site.places[place].heat_limit
        assert limit is not None
        existing = sum(
            upper.machines.get(machine, 0.0) * count
            for (machine, where), count in sets.site.built.machines.items()
            if sets.site.ground(where) == place
        )
        terms = _heat_released(sets, place, upper)
        model.row(heat_row(place), terms, high=limit - existing)


def _heat_released(sets: IndexSets, place: str, upper: Upper) -> Terms:
    terms: Terms = []
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            if (heat := upper.pipes.get((route, build, fluid), 0.0)) > 0:
                terms.append((heat, ("lay", route, build, fluid)))
    for arcs in sets.arcs.values():
        for arc in arcs:
            if (heat := upper.coolers.get(arc.route, 0.0)) > 0:
                terms += scaled(moved_at_most(sets, arc), heat)
    for name, group in sets.groups.items():
        heat = upper.machines.get(group.type.name, 0.0)
        if heat > 0 and sets.site.ground(group.place) == place:
            terms.append((heat, ("count", name)))
    for name in sets.fluid_stores:
        if name in upper.stores and not sets.lossless:
            stored: Terms = [*arrivals(sets, f"store:{name}"), (1.0, ("inflow", name))]
            terms += scaled(stored, upper.stores[name])
    return terms


def demand_row(place: str) -> str:
    """Name of the row of a place that must be given heat."""
    return f"heat_demand[{place}]"


def heat_demands(model: Model, sets: IndexSets) -> None:
    """``sum W (flat + sum_j least_j follow_j) + sum J/kg least_j recover_j >= heat demand``.

    Of machines there whose heat is hot enough. Heat is in step with the load, so what follows a
    profile gives at least the heat of its lowest load; what is run on and off, or burns what comes,
    gives none for certain. Of coolers whose heat goes there, what counts is the supply flow of
    steady sources beside them (``recovery.py``), in the same way.
    """
    for place in sets.site.places.values():
        if place.heat_demand is None or place.name not in sets.places:
            continue
        terms: Terms = []
        for name, group in sets.groups.items():
            if sets.site.ground(group.place) == place.name and warms(group.type, place):
                load: Terms = [(1.0, ("flat", name))]
                for shape in can_follow(sets, group):
                    load.append((least_of(sets, shape), ("follow", name, shape)))
                terms += scaled(load, group.type.heat_out)
        for arc, recovery, shapes in recovering(sets):
            if recovery.into == place.name and warmth_of(recovery) > 0:
                through: Terms = [
                    (least_of(sets, shape), ("recover", arc.route, shape)) for shape in shapes
                ]
                terms += scaled(through, warmth_of(recovery))
        model.row(demand_row(place.name), terms, low=place.heat_demand)


def warms(machine: MachineType, place: Place) -> bool:
    """True for a machine whose heat is hot enough for a place."""
    given = machine.heat_temperature
    return machine.heat_out > 0 and given is not None and given >= place.heat_temperature
