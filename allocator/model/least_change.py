"""The goal of a plan made again: little changed of a former plan, weighed against what is served.

A *change* is the mass of material in what only one of the two plans builds, new things alone:

    sum over things of the former plan of  mass (1 - x)  +  sum over others of  mass x
        + sum over stores and groups of machines of  mass |amount - former amount|

Of the former plan counts what is used (:mod:`allocator.model.kept_in_use`). A thing without
material counts as :data:`LIGHT`. With M the material of the former plan, V_g what
it serves by goal g, and w the share of it that may be given up to keep all of the plan, the goal is

    least  change - sum over goals g that serve of  (M / (w V_g)) served_g

so that a change of a tenth of M must serve w/10 more. Constants are left out. With w > 0 the goals
that serve are then sought again in their order, with no more changed than that: none of them is
given up for another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.model.expressions import scaled
from allocator.model.goals import Goal
from allocator.model.index_sets import IndexSets
from allocator.model.kept_in_use import kept, kept_amount, uses_of
from allocator.model.model import Key, Model, Terms
from allocator.model.pressures import boost, new_boosters
from allocator.plans.differences import ground
from allocator.plans.records import Plan

NAME = "least_change"
LIGHT = 1.0
"""kg that a thing without material counts as: nothing changes for nothing."""


def with_least_change(
    model: Model, sets: IndexSets, goals: tuple[Goal, ...], former: Plan, weight: float
) -> tuple[tuple[Goal, ...], Goal | None]:
    """The goals with that of least change after those that serve, before those that save.

    And the change alone, which is to be held; None where nothing can be changed. ``weight``: share
    of what the former plan serves that may be given up to keep all of it; where there is any, the
    goals that serve come once more after that of least change. States columns and rows as well.
    """
    terms = _changes(model, sets, former)
    change = Goal(NAME, "kg", False, terms, 1e-6)
    mass = max(LIGHT, sum(use.used for use in former.materials))
    values = {goal.name: goal.value for goal in former.goals}
    place = max((number for number, goal in enumerate(goals, 1) if goal.maximise), default=1)
    again = tuple(goal for goal in goals[:place] if goal.maximise and weight > 0)
    weighed = list(terms)
    for goal in again:
        if values.get(goal.name, 0.0) > goal.negligible:
            weighed += scaled(goal.terms, -mass / (weight * values[goal.name]))
    least = replace(change, terms=weighed)
    if not model.summed(weighed):
        return goals, None
    return (*goals[:place], least, *again, *goals[place:]), change


def _changes(model: Model, sets: IndexSets, former: Plan) -> Terms:
    """Mass of what is built differently, less a constant."""
    built, uses, terms = _built(former), uses_of(model, sets), Terms()
    for key, mass in _choices(sets):
        if model.has(key) and key in built:
            terms.append((-mass, kept(model, uses, key, 1.0)))
        elif model.has(key):
            terms.append((mass, key))
    amounts = _amounts(sets, former)
    for key, mass in _sizes(sets):
        if model.has(key):
            amount = amounts.get(key, 0.0)
            there = kept_amount(model, sets, uses, key, amount)
            terms += _distance(model, key, there, amount, mass)
    return terms


def _distance(model: Model, key: Key, there: list[Key], former: float, mass: float) -> Terms:
    """``changed >= amount - former``, ``changed >= former - sum of what is kept of it``."""
    column = model.columns[model.index(key)]
    changed = model.variable(("changed", key), unit=column.unit)
    model.row(f"more[{key}]", [(1.0, changed), (-1.0, key)], low=-former)
    held: Terms = [(1.0, one) for one in there]
    model.row(f"fewer[{key}]", [(1.0, changed), *held], low=former)
    return [(mass, changed)]


def _built(former: Plan) -> frozenset[Key]:
    """Keys of the choices, yes or no, that a plan makes."""
    keys: set[Key] = {("tap", use.name) for use in former.sources if use.tapped}
    keys |= {("lay", run.route, run.build, run.fluid) for run in former.runs}
    keys |= {("line", line.name) for line in former.lines}
    keys |= {
        ("boost", one.booster, one.fluid, one.start, one.route or one.store)
        for one in former.boosters
    }
    return frozenset(keys)


def _amounts(sets: IndexSets, former: Plan) -> dict[Key, float]:
    """New sizes and counts that make up a plan's, with what exists by now."""
    # parts of places, by temperature, change with the site
    sizes = {ground(use.name): use.size for use in former.stores}
    sizes |= {ground(use.name): use.size for use in former.batteries}
    counts = {ground(group.name): float(group.count) for group in former.machines}
    amounts: dict[Key, float] = {}
    for name, store in {**sets.fluid_stores, **sets.batteries}.items():
        amounts["size", name] = max(0.0, sizes.get(ground(name), 0.0) - store.existing)
    for name, group in sets.groups.items():
        amounts["count", name] = max(0.0, counts.get(ground(name), 0.0) - group.existing)
    return amounts


def _choices(sets: IndexSets) -> list[tuple[Key, float]]:
    """What may be built or not, with the mass in it, kg."""
    site = sets.site
    found: list[tuple[Key, float]] = []
    for name in sets.sources:
        if name not in site.built.sources and not site.sources[name].part_of:
            found.append((("tap", name), _mass(site.sources[name].connection_materials)))
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds:
            if build != pipe.existing:
                metre = sum(site.pipes[build].masses().values())
                mass = metre * site.routes[route].length
                found.append((("lay", route, build, fluid), max(LIGHT, mass)))
    for name in sets.lines:
        if name not in site.built.power_lines:
            line = site.power_lines[name]
            found.append((("line", name), max(LIGHT, sum(line.materials.values()) * line.length)))
    for option in new_boosters(sets):
        found.append((boost(option), _mass(site.boosters[option.booster].materials)))
    return found


def _sizes(sets: IndexSets) -> list[tuple[Key, float]]:
    """What may be built in any amount or number, with the mass in one kg, J or unit of it."""
    found: list[tuple[Key, float]] = []
    for name, store in {**sets.fluid_stores, **sets.batteries}.items():
        mass = sum(store.type.materials.values())
        found.append((("size", name), mass or LIGHT / store.type.max_size))
    for name, group in sets.groups.items():
        found.append((("count", name), _mass(group.type.materials)))
    return found


def _mass(materials: Mapping[str, float]) -> float:
    return max(LIGHT, sum(materials.values()))
