"""Rules of the supply layer and of the pipes that both layers share."""

from __future__ import annotations

from allocator.model.expressions import (
    direct_shapes,
    given_by,
    made_by,
    moved_at_most,
    reshaped,
    scaled,
    taken_by,
)
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model, Terms
from allocator.model.ways import way
from allocator.plans.records import FLAT


def supply_balance(model: Model, sets: IndexSets) -> None:
    """Per fluid f, shape j and place: ``draws + direct + given + arriving >= taken + served +

    store inflow + leaving``. What is left over is vented there.
    """
    for fluid, shapes in sets.fluid_shapes.items():
        for shape in shapes:
            balance: dict[str, Terms] = {}
            _givers_and_takers(sets, fluid, shape, balance)
            for arc in sets.arcs.get(fluid, ()):
                key = ("supply", arc.route, arc.start, fluid, shape)
                balance.setdefault(arc.start, []).append((-1.0, key))
                balance.setdefault(arc.end, []).append((1.0, key))
            for place, terms in balance.items():
                model.row(f"supply_balance[{fluid},{shape},{place}]", terms, low=0.0)


def _givers_and_takers(sets: IndexSets, fluid: str, shape: str, balance: dict[str, Terms]) -> None:
    site = sets.site
    for name in sets.sources:
        source = site.sources[name]
        if source.fluid == fluid and shape in direct_shapes(sets, name):
            balance.setdefault(source.place, []).append((1.0, ("direct", name, shape)))
    if not sets.lossless:
        for name, store in sets.fluid_stores.items():
            if store.type.holds == fluid:
                terms = balance.setdefault(store.place, [])
                terms.append((1.0, ("draw", name, shape)))
                if shape == FLAT:
                    terms.append((-1.0, ("inflow", name)))
    for group in sets.groups.values():
        moved = given_by(sets, group, fluid, shape)
        moved += scaled(taken_by(sets, group, fluid, shape), -1.0)
        if moved:
            balance.setdefault(group.place, []).extend(moved)
    for demand in sets.fluid_demands():
        if demand.wants == fluid and sets.shape_of[demand.name] == shape:
            assert demand.place is not None
            balance.setdefault(demand.place, []).append((-1.0, ("served_fluid", demand.name)))


def reshaped_products(model: Model, sets: IndexSets) -> None:
    """``evened_j <= made_j`` and ``sum_k lent_k <= made_flat + sum_j least_j evened_j``.

    Of what a group gives, no more is used in another shape than it makes. Proof that it is there:
    a flow that follows j is never below its mean times the least level of j, and one that follows
    k never above its mean times the peak of k.
    """
    for name, group in sets.groups.items():
        for fluid in group.type.outputs:
            keys = reshaped(sets, group, fluid)
            for key, of, _ in keys:
                if of != FLAT:
                    made = made_by(sets, group, fluid, of)
                    model.row(f"evened[{name},{fluid},{of}]", [*made, (-1.0, key)], low=0.0)
            if any(of == FLAT for _, of, _ in keys):
                flat = given_by(sets, group, fluid, FLAT)
                model.row(f"lent[{name},{fluid}]", flat, low=0.0)


def one_build_a_pipe(model: Model, sets: IndexSets) -> None:
    """``sum_b lay[route,b,f] <= 1``: one build a corridor and fluid."""
    for (route, fluid), pipe in sets.pipes.items():
        terms: Terms = [(1.0, ("lay", route, build, fluid)) for build in pipe.builds]
        if len(terms) > 1:
            model.row(f"one_build[{route},{fluid}]", terms, high=1.0)


def one_mass_a_sink(model: Model, sets: IndexSets) -> None:
    """``sum of lay of all that a heat sink may be <= 1``: one mass, with its recovery or not."""
    found: dict[str, Terms] = {}
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            sink = sets.site.pipes[build].sink
            if sink is not None:
                found.setdefault(sink.heat_sink, []).append((1.0, ("lay", route, build, fluid)))
    for heat_sink, terms in found.items():
        if len(terms) > 1:
            model.row(f"one_mass[{heat_sink}]", terms, high=1.0)


def pipe_capacity(model: Model, sets: IndexSets) -> None:
    """``sum_p gather + sum_j peak_j supply_j <= sum_b capacity_b lay_b``, both directions added.

    Where a pipe has a variable for each direction (:mod:`allocator.model.ways`) also
    ``lay_b = way_b forth + way_b back`` and the same row for each direction with its ways.
    """
    for (route, fluid), pipe in sets.pipes.items():
        capacity = {build: sets.site.capacity(route, build, fluid) for build in pipe.builds}
        arcs = sets.arcs_along(route, fluid)
        if (route, fluid) in sets.two_way:
            for arc in arcs:
                ways: Terms = [(-c, way(route, arc.start, b, fluid)) for b, c in capacity.items()]
                model.row(
                    f"pipe_capacity[{route},{fluid},{arc.start}]",
                    moved_at_most(sets, arc) + ways,
                    high=0.0,
                )
            for build in pipe.builds:
                both: Terms = [(1.0, way(route, arc.start, build, fluid)) for arc in arcs]
                both.append((-1.0, ("lay", route, build, fluid)))
                model.row(f"two_ways[{route},{fluid},{build}]", both, low=0.0, high=0.0)
            continue
        terms: Terms = [term for arc in arcs for term in moved_at_most(sets, arc)]
        terms += [(-c, ("lay", route, b, fluid)) for b, c in capacity.items()]
        model.row(f"pipe_capacity[{route},{fluid}]", terms, high=0.0)
