"""Rules of scarce things: material stocks, emissions, money; what each decision uses of them."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.model.expressions import mean_capture, mean_turnover, scaled
from allocator.model.index_sets import IndexSets, counts, material_per_metre
from allocator.model.model import Model, Terms
from allocator.model.pressures import boost, new_boosters
from allocator.model.rules.venting import vented


def material_use(sets: IndexSets, material: str) -> Terms:
    """kg of a material that everything new takes; existing assets take none."""
    site = sets.site
    terms: Terms = []

    def mass(materials: Mapping[str, float]) -> float:
        return materials.get(material, 0.0)

    for name in sets.sources:
        if name not in site.built.sources and not site.sources[name].part_of:
            terms.append((mass(site.sources[name].connection_materials), ("tap", name)))
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            if build != pipe.existing:
                metre = material_per_metre(site.pipes[build]).get(material, 0.0)
                terms.append((metre * site.routes[route].length, ("lay", route, build, fluid)))
    for name, store in {**sets.fluid_stores, **sets.batteries}.items():
        terms.append((mass(store.type.materials), ("size", name)))
        if store.existing == 0 and store.type.base_materials:
            terms.append((mass(store.type.base_materials), ("stand", name)))
    for name, group in sets.groups.items():
        terms.append((mass(group.type.materials), ("count", name)))
    for name in sets.lines:
        if name not in site.built.power_lines:
            line = site.power_lines[name]
            terms.append((mass(line.materials) * line.length, ("line", name)))
    for option in new_boosters(sets):
        terms.append((mass(site.boosters[option.booster].materials), boost(option)))
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def capital(sets: IndexSets) -> Terms:
    """Money for everything new: prices of things and of the materials in them."""
    site = sets.site
    terms: Terms = []
    for name, material in site.materials.items():
        if material.price:
            terms += scaled(material_use(sets, name), material.price)
    for name in sets.sources:
        if name not in site.built.sources and not site.sources[name].part_of:
            terms.append((site.sources[name].connection_price, ("tap", name)))
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            if build != pipe.existing:
                price = site.pipes[build].price * site.routes[route].length
                terms.append((price, ("lay", route, build, fluid)))
    for name, store in {**sets.fluid_stores, **sets.batteries}.items():
        terms.append((store.type.price, ("size", name)))
        if store.existing == 0 and store.type.base_price:
            terms.append((store.type.base_price, ("stand", name)))
    for name, group in sets.groups.items():
        terms.append((group.type.price, ("count", name)))
    for name in sets.lines:
        if name not in site.built.power_lines:
            line = site.power_lines[name]
            terms.append((line.price * line.length, ("line", name)))
    for option in new_boosters(sets):
        terms.append((site.boosters[option.booster].price, boost(option)))
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def running_cost(sets: IndexSets, model: Model) -> Terms:
    """Money a second: bought fuel, and what routes ask for each kg moved.

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
    return terms


def _largest_duty(sets: IndexSets, fluid: str, end: str) -> float:
    return max(
        sets.duties[source]
        for source in sets.sources
        for k in sets.reach[source]
        if sets.destinations[k].fluid == fluid and sets.destinations[k].place == end
    )


def money(sets: IndexSets, model: Model) -> Terms:
    """Capital plus running cost over the site's horizon."""
    return capital(sets) + scaled(running_cost(sets, model), sets.site.horizon)


def counted_emission(sets: IndexSets) -> Terms:
    """Mean counted release of what the plan runs, and of what is vented, kg/s, weighted."""
    terms: Terms = []
    for name, record in sets.site.fluids.items():
        if record.vented_weight:
            terms += scaled(vented(sets, name), record.vented_weight)
    for group in sets.groups.values():
        weight = sum(
            rate * sets.site.fluids[fluid].emission_weight
            for fluid, rate in group.type.outputs.items()
            if counts(sets.site, fluid)
        )
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
