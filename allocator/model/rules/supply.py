"""Rules of the supply layer and of the pipes that both layers share."""

from __future__ import annotations

from allocator.model.choices import Choices
from allocator.model.expressions import (
    direct_shapes,
    given_by,
    made_by,
    reshaped,
    scaled,
    taken_by,
)
from allocator.model.statement import Statement, Terms
from allocator.plans.records import FLAT


def supply_balance(statement: Statement, choices: Choices) -> None:
    """Per fluid f, shape j and place: ``draws + direct + given + arriving >= taken + served +

    store inflow + leaving``. What is left over is vented there.
    """
    for fluid, shapes in choices.fluid_shapes.items():
        for shape in shapes:
            balance: dict[str, Terms] = {}
            _givers_and_takers(choices, fluid, shape, balance)
            for arc in choices.arcs.get(fluid, ()):
                key = ("supply", arc.route, arc.start, fluid, shape)
                balance.setdefault(arc.start, []).append((-1.0, key))
                balance.setdefault(arc.end, []).append((1.0, key))
            for place, terms in balance.items():
                statement.row(f"supply_balance[{fluid},{shape},{place}]", terms, low=0.0)


def _givers_and_takers(choices: Choices, fluid: str, shape: str, balance: dict[str, Terms]) -> None:
    site = choices.site
    for name in choices.sources:
        source = site.sources[name]
        if source.fluid == fluid and shape in direct_shapes(choices, name):
            balance.setdefault(source.place, []).append((1.0, ("direct", name, shape)))
    if not choices.lossless:
        for name, store in choices.fluid_stores.items():
            if store.type.holds == fluid:
                terms = balance.setdefault(store.place, [])
                terms.append((1.0, ("draw", name, shape)))
                if shape == FLAT:
                    terms.append((-1.0, ("inflow", name)))
    for group in choices.groups.values():
        moved = given_by(choices, group, fluid, shape)
        moved += scaled(taken_by(choices, group, fluid, shape), -1.0)
        if moved:
            balance.setdefault(group.place, []).extend(moved)
    for demand in choices.fluid_demands():
        if demand.wants == fluid and choices.shape_of[demand.name] == shape:
            assert demand.place is not None
            balance.setdefault(demand.place, []).append((-1.0, ("served_fluid", demand.name)))


def reshaped_products(statement: Statement, choices: Choices) -> None:
    """``evened_j <= made_j`` and ``sum_k lent_k <= made_flat + sum_j least_j evened_j``.

    Of what a group gives, no more is used in another shape than it makes. Proof that it is there:
    a flow that follows j is never below its mean times the least level of j, and one that follows
    k never above its mean times the peak of k.
    """
    for name, group in choices.groups.items():
        for fluid in group.type.gives:
            keys = reshaped(choices, group, fluid)
            for key, of, _ in keys:
                if of != FLAT:
                    made = made_by(choices, group, fluid, of)
                    statement.row(f"evened[{name},{fluid},{of}]", [*made, (-1.0, key)], low=0.0)
            if any(of == FLAT for _, of, _ in keys):
                flat = given_by(choices, group, fluid, FLAT)
                statement.row(f"lent[{name},{fluid}]", flat, low=0.0)


def one_build_a_pipe(statement: Statement, choices: Choices) -> None:
    """``sum_b lay[route,b,f] <= 1``: one build a corridor and fluid."""
    for (route, fluid), pipe in choices.pipes.items():
        terms: Terms = [(1.0, ("lay", route, build, fluid)) for build in pipe.builds]
        if len(terms) > 1:
            statement.row(f"one_build[{route},{fluid}]", terms, high=1.0)


def one_mass_a_sink(statement: Statement, choices: Choices) -> None:
    """``sum of lay of all that a heat sink may be <= 1``: one mass, with its recovery or not."""
    found: dict[str, Terms] = {}
    for (route, fluid), pipe in choices.pipes.items():
        for build in pipe.builds:
            sink = choices.site.builds[build].sink
            if sink is not None:
                found.setdefault(sink.bath, []).append((1.0, ("lay", route, build, fluid)))
    for bath, terms in found.items():
        if len(terms) > 1:
            statement.row(f"one_mass[{bath}]", terms, high=1.0)


def pipe_capacity(statement: Statement, choices: Choices) -> None:
    """``sum_p gather + sum_j peak_j supply_j <= sum_b capacity_b lay_b``, both directions added."""
    for (route, fluid), pipe in choices.pipes.items():
        terms: Terms = []
        for arc in choices.arcs_along(route, fluid):
            for end in choices.ends(fluid):
                key = ("gather", route, arc.start, fluid, end)
                if statement.has(key):
                    terms.append((1.0, key))
            for shape in choices.fluid_shapes[fluid]:
                terms.append((choices.peak(shape), ("supply", route, arc.start, fluid, shape)))
        for build in pipe.builds:
            capacity = choices.site.capacity(route, build, fluid)
            terms.append((-capacity, ("lay", route, build, fluid)))
        statement.row(f"pipe_capacity[{route},{fluid}]", terms, high=0.0)
