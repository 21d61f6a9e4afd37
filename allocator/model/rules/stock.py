"""Rules of scarce things: material stocks, emissions, money; what each decision uses of them."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.model.choices import Choices, counts, material_per_metre
from allocator.model.expressions import mean_capture, mean_turnover, scaled
from allocator.model.statement import Statement, Terms


def material_use(choices: Choices, material: str) -> Terms:
    """kg of a material that everything new takes; what stands takes none."""
    site = choices.site
    terms: Terms = []

    def mass(materials: Mapping[str, float]) -> float:
        return materials.get(material, 0.0)

    for name in choices.sources:
        if name not in site.built.taps and not site.sources[name].part_of:
            terms.append((mass(site.sources[name].tap_materials), ("tap", name)))
    for (route, fluid), pipe in choices.pipes.items():
        for build in pipe.builds:
            if build != pipe.standing:
                metre = material_per_metre(site.builds[build]).get(material, 0.0)
                terms.append((metre * site.routes[route].length, ("lay", route, build, fluid)))
    for name, store in {**choices.fluid_stores, **choices.batteries}.items():
        terms.append((mass(store.type.materials), ("size", name)))
        if store.standing == 0 and store.type.base_materials:
            terms.append((mass(store.type.base_materials), ("stand", name)))
    for name, group in choices.groups.items():
        terms.append((mass(group.type.materials), ("count", name)))
    for name in choices.lines:
        if name not in site.built.lines:
            line = site.lines[name]
            terms.append((mass(line.materials) * line.length, ("line", name)))
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def capital(choices: Choices) -> Terms:
    """Money for everything new: prices of things and of the materials in them."""
    site = choices.site
    terms: Terms = []
    for name, material in site.materials.items():
        if material.price:
            terms += scaled(material_use(choices, name), material.price)
    for name in choices.sources:
        if name not in site.built.taps and not site.sources[name].part_of:
            terms.append((site.sources[name].tap_price, ("tap", name)))
    for (route, fluid), pipe in choices.pipes.items():
        for build in pipe.builds:
            if build != pipe.standing:
                price = site.builds[build].price * site.routes[route].length
                terms.append((price, ("lay", route, build, fluid)))
    for name, store in {**choices.fluid_stores, **choices.batteries}.items():
        terms.append((store.type.price, ("size", name)))
        if store.standing == 0 and store.type.base_price:
            terms.append((store.type.base_price, ("stand", name)))
    for name, group in choices.groups.items():
        terms.append((group.type.price, ("count", name)))
    for name in choices.lines:
        if name not in site.built.lines:
            line = site.lines[name]
            terms.append((line.price * line.length, ("line", name)))
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def running_cost(choices: Choices, statement: Statement) -> Terms:
    """Money a second: bought fuel, and what routes ask for each kg moved.

    A collect flow counts at its rate times the largest duty among the sources that may send
    to the place it is bound for, which is never less than the true mean.
    """
    site = choices.site
    terms: Terms = []
    for name in choices.sources:
        if site.sources[name].price:
            terms += scaled(mean_capture(choices, name), site.sources[name].price)
    for fluid, arcs in choices.arcs.items():
        for arc in arcs:
            cost = site.routes[arc.route].cost
            if not cost:
                continue
            for shape in choices.fluid_shapes[fluid]:
                terms.append((cost, ("supply", arc.route, arc.start, fluid, shape)))
            for end in choices.ends(fluid):
                key = ("gather", arc.route, arc.start, fluid, end)
                if statement.has(key):
                    terms.append((cost * _largest_duty(choices, fluid, end), key))
    return terms


def _largest_duty(choices: Choices, fluid: str, end: str) -> float:
    return max(
        choices.curves[source].duty
        for source in choices.sources
        for k in choices.reach[source]
        if choices.destinations[k].fluid == fluid and choices.destinations[k].place == end
    )


def money(choices: Choices, statement: Statement) -> Terms:
    """Capital plus running cost over the site's horizon."""
    return capital(choices) + scaled(running_cost(choices, statement), choices.site.horizon)


def counted_emission(choices: Choices) -> Terms:
    """Mean counted release of what the plan runs, kg/s, weighted."""
    terms: Terms = []
    for group in choices.groups.values():
        weight = sum(
            rate * choices.site.fluids[fluid].emission_weight
            for fluid, rate in group.type.gives.items()
            if counts(choices.site, fluid)
        )
        if weight:
            terms += scaled(mean_turnover(choices, group), weight)
    return terms


def material_stock(statement: Statement, choices: Choices) -> None:
    """``used <= stock`` of every material."""
    for name, material in choices.site.materials.items():
        if material.stock is None:
            continue
        statement.row(f"stock[{name}]", material_use(choices, name), high=material.stock)


def emission_cap(statement: Statement, choices: Choices) -> None:
    """``counted emission <= cap``."""
    cap = choices.site.limits.emission
    if cap is not None:
        statement.row("emission_cap", counted_emission(choices), high=cap)


def money_cap(statement: Statement, choices: Choices) -> None:
    """``money <= limit``."""
    cap = choices.site.limits.money
    if cap is not None:
        statement.row("money_cap", money(choices, statement), high=cap)
