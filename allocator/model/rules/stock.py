"""Rules of scarce things: material stocks, emissions, money; what each decision uses of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from allocator.model.expressions import mean_capture, mean_turnover, scaled
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Terms
from allocator.model.pressures import boost, new_boosters
from allocator.model.rules.power import through_batteries
from allocator.model.rules.venting import vented
from allocator.site.emissions import unit_emission
from allocator.site.money import counted_share, running_span


class NewThing(NamedTuple):
    """What one of a variable takes: kg of materials and money, with how long it lasts, s."""

    materials: Mapping[str, float]
    price: float
    life: float | None
    key: Key


def new_things(sets: IndexSets) -> Iterator[NewThing]:
    """Everything that may be built new; existing assets take nothing."""
    site = sets.site
    for name in sets.sources:
        source = site.sources[name]
        if name not in site.built.sources and not source.part_of:
            taken = (source.connection_materials, source.connection_price, source.connection_life)
            yield NewThing(*taken, ("tap", name))
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            if build != pipe.existing:
                kind, along = site.pipes[build], site.routes[route]
                length = along.length
                masses = kind.masses(length)
                key = ("lay", route, build, fluid)
                price = kind.price * length * along.ground_factor
                yield NewThing(masses, price, kind.life, key)
    for name, store in {**sets.fluid_stores, **sets.batteries}.items():
        of = store.type
        yield NewThing(of.materials, of.price, of.life, ("size", name))
        if store.existing == 0 and (of.base_materials or of.base_price):
            yield NewThing(of.base_materials, of.base_price, of.life, ("stand", name))
    for name, group in sets.groups.items():
        yield NewThing(group.type.materials, group.type.price, group.type.life, ("count", name))
    for name in sets.lines:
        if name not in site.built.power_lines:
            line = site.power_lines[name]
            masses = {m: kg * line.length for m, kg in line.materials.items()}
            yield NewThing(masses, line.price * line.length, line.life, ("line", name))
    for option in new_boosters(sets):
        booster = site.boosters[option.booster]
        yield NewThing(booster.materials, booster.price, booster.life, boost(option))


def material_use(sets: IndexSets, material: str) -> Terms:
    """kg of a material that everything new takes; existing assets take none."""
    terms = [(thing.materials.get(material, 0.0), thing.key) for thing in new_things(sets)]
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def capital(sets: IndexSets) -> Terms:
    """Money for everything new: prices of things and of the materials in them.

    With a discount rate the annuity of each over its life, a year.
    """
    things = [(thing, counted_share(sets.site, thing.life)) for thing in new_things(sets)]
    terms: Terms = []
    for name, material in sets.site.materials.items():
        if material.price:
            terms += [
                (thing.materials.get(name, 0.0) * material.price * share, thing.key)
                for thing, share in things
            ]
    terms += [(thing.price * share, thing.key) for thing, share in things]
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def running_cost(sets: IndexSets, model: Model) -> Terms:
    """Money a second: bought fuel, what routes ask for each kg moved, and wear of batteries.

    A collect flow counts at its rate times the largest duty among the sources that may send
    to the place it is bound for, which is never less than the true mean.
    """
    site = sets.site
    terms: Terms = []
    for name in sets.sources:
        if site.sources[name].price:
            terms += scaled(mean_capture(sets, name), site.sources[name].price)
    for fluid, arcs in sets.arcs.items():
        for arc in arcs:
            cost = site.routes[arc.route].cost
            if not cost:
                continue
            for shape in sets.fluid_shapes[fluid]:
                terms.append((cost, ("supply", arc.route, arc.start, fluid, shape)))
            for end in sets.ends(fluid):
                key = ("gather", arc.route, arc.start, fluid, end)
                if model.has(key):
                    terms.append((cost * _largest_duty(sets, fluid, end), key))
    return terms + through_batteries(sets)


def _largest_duty(sets: IndexSets, fluid: str, end: str) -> float:
    return max(
        sets.duties[source]
        for source in sets.sources
        for k in sets.reach[source]
        if sets.destinations[k].fluid == fluid and sets.destinations[k].place == end
    )


def money(sets: IndexSets, model: Model) -> Terms:
    """Capital plus running cost over the site's horizon; annuities and a year's with interest."""
    return capital(sets) + scaled(running_cost(sets, model), running_span(sets.site))


def counted_emission(sets: IndexSets) -> Terms:
    """Mean counted release of what the plan runs, and of what is vented, kg/s, weighted."""
    terms: Terms = []
    for name, record in sets.site.fluids.items():
        if record.vented_weight:
            terms += scaled(vented(sets, name), record.vented_weight)
    for group in sets.groups.values():
        weight = unit_emission(sets.site, group.type)
        if weight:
            terms += scaled(mean_turnover(sets, group), weight)
    return terms


def material_stock(model: Model, sets: IndexSets) -> None:
    """``used <= stock`` of every material."""
    for name, material in sets.site.materials.items():
        if material.stock is None:
            continue
        model.row(f"stock[{name}]", material_use(sets, name), high=material.stock)


def emission_cap(model: Model, sets: IndexSets) -> None:
    """``counted emission <= cap``."""
    cap = sets.site.limits.emission
    if cap is not None:
        model.row("emission_cap", counted_emission(sets), high=cap)


def money_cap(model: Model, sets: IndexSets) -> None:
    """``money <= limit``."""
    cap = sets.site.limits.money
    if cap is not None:
        model.row("money_cap", money(sets, model), high=cap)
