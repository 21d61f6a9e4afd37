"""What of a former plan counts as kept in a plan made again: only what is used there.

Else what is not built yet would be ordered for being in the former plan, though nothing comes to it
any more. ``kept`` is at most what is built, and

    kept <= amount * MANY * (what goes through it, in steps of its columns)
    kept_i (existing + i - 1) < load of the group, in units,   for its i-th new unit
    mean that comes into a store <= MANY * (what it gives)
    drawn + direct <= taken + served + recovered + into stores,   per fluid and shape
    drawn + direct <= MANY * (taken + served + recovered),        per fluid

where the last three keep gas from being moved for nothing. Where a promise must hold
with units out of order, idle ones have a use, and all that is built counts.
"""

from __future__ import annotations

from allocator.model.expressions import (
    bursts,
    can_cycle,
    direct_shapes,
    is_batched,
    load_at_peak,
    recovering,
    scaled,
    taken_by,
)
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Terms
from allocator.model.outages import scenarios_of
from allocator.plans.records import FLAT

MANY = 1e3
"""A thing counts as used in full where this share, its inverse, of a step goes through it."""
TURNED = 1e-3
"""Unit beyond those before it by which a group must be loaded for one more to count as used."""
LOST = 2.0
"""Of what a store loses while it promises nothing, the most that may come into it for that."""

Uses = dict[tuple[str, ...], list[Key]]
"""Thing -> columns of what goes through it."""


def uses_of(model: Model, sets: IndexSets) -> Uses | None:
    """What goes through everything that may be kept; None where what is idle has a use.

    States rows of stores as well.
    """
    if sets.lossless or scenarios_of(sets):
        return None
    found: Uses = {}
    filled: dict[str, Terms] = {name: [] for name in sets.fluid_stores}
    for column in model.columns:
        if not isinstance(column.key, tuple):
            continue
        for thing in _things(sets, column.key):
            found.setdefault(thing, []).append(column.key)
        for store, share in _into_stores(sets, column.key):
            filled[store].append((share, column.key))
    for store, terms in filled.items():
        model.row(f"filled_for_use[{store}]", terms, high=0.0)
    for fluid in sets.fluid_shapes:
        _nothing_wasted(model, sets, fluid)
    return found


def _nothing_wasted(model: Model, sets: IndexSets, fluid: str) -> None:
    """The rows by which what is given into the supply layer is taken out of it."""
    every: Terms = []
    for shape in sets.fluid_shapes[fluid]:
        given: Terms = [
            (1.0, ("direct", name, shape))
            for name in sets.sources
            if sets.site.sources[name].fluid == fluid and shape in direct_shapes(sets, name)
        ]
        stores = [n for n, store in sets.fluid_stores.items() if store.type.holds == fluid]
        given += [(1.0, ("draw", name, shape)) for name in stores]
        used = [t for group in sets.groups.values() for t in taken_by(sets, group, fluid, shape)]
        used += [
            (1.0, ("served_fluid", demand.name))
            for demand in sets.fluid_demands()
            if demand.wants == fluid and sets.shape_of[demand.name] == shape
        ]
        used += [
            (1.0, ("recover", arc.route, shape))
            for arc, _, shapes in recovering(sets)
            if arc.fluid == fluid and shape in shapes
        ]
        into: Terms = [(-1.0, ("inflow", name)) for name in stores if shape == FLAT]
        row = [*given, *scaled(used, -1.0), *into]
        if given:
            model.row(f"none_wasted[{fluid},{shape}]", row, high=0.0)
        every += [*given, *scaled(used, -MANY)]
    if every:
        model.row(f"given_for_use[{fluid}]", every, high=0.0)


def _things(sets: IndexSets, key: tuple[object, ...]) -> list[tuple[str, ...]]:
    """What a column says the use of."""
    word, *names = map(str, key)
    if word in ("gather", "supply"):
        route, start, fluid, _ = names
        return [("lay", route, fluid), ("boost", start, route)]
    if word in ("collect", "direct"):
        tap = ("tap", sets.site.sources[names[0]].part_of or names[0])
        kind, _, store = names[1].partition(":")
        into = word == "collect" and kind == "store"
        return [tap, ("boost", store.partition("@")[2], store)] if into else [tap]
    if word == "wire":
        return [("line", names[0])]
    if word == "inflow":
        return [("boost", names[0].partition("@")[2], names[0])]
    if word == "draw" or (word in ("release", "level") and names[0] in sets.batteries):
        return [("size", names[0])]
    if word == "cycled":
        bus = sets.bus(sets.groups[names[0]].place)
        return [("size", name) for name, b in sets.batteries.items() if sets.bus(b.place) == bus]
    return []


def _into_stores(sets: IndexSets, key: tuple[object, ...]) -> list[tuple[str, float]]:
    """The store of fluid that a column fills, or out of which it takes (below 0), and its share."""
    word, *names = map(str, key)
    if word == "collect" and names[1].startswith("store:"):
        return [(names[1].partition(":")[2], sets.duties[names[0]])]
    if word == "flared":
        return [(names[1], -MANY)]
    shares = {"inflow": 1.0, "draw": -MANY, "idle": -LOST}
    return [(names[0], shares[word])] if word in shares else []


def kept(model: Model, uses: Uses | None, key: Key, most: float) -> Key:
    """The column of how much of a thing is kept, of ``most``; ``key``: of how much is built."""
    if uses is None:
        return key
    column = model.columns[model.index(key)]
    found = model.variable(("kept", key), 0.0, most, column.unit)
    model.row(f"kept[{key}]", [(1.0, found), (-1.0, key)], high=0.0)
    through: Terms = [
        (-most * MANY / model.columns[model.index(one)].unit, one)
        for one in uses.get(_thing(key), ())
    ]
    model.row(f"kept_in_use[{key}]", [(1.0, found), *through], high=0.0)
    return found


def kept_amount(
    model: Model, sets: IndexSets, uses: Uses | None, key: Key, most: float
) -> list[Key]:
    """Columns whose sum is how much is kept, of ``most``, of a store's size or a group's units."""
    assert isinstance(key, tuple)
    if uses is None or key[0] != "count":
        return [kept(model, uses, key, most)]
    name = str(key[1])
    group = sets.groups[name]
    load: Terms = [term for terms in bursts(sets, name).values() for term in terms]
    load += [(1.0, ("running", name))] if is_batched(group) else load_at_peak(sets, group)
    if can_cycle(sets, group):
        load.append((1.0, ("cycled", name)))
    units = [kept_unit(name, number) for number in range(1, round(most) + 1)]
    for number, unit in enumerate(units):
        model.variable(unit, 0.0, 1.0, integer=True)
        before = group.existing + number + TURNED
        row: Terms = [(before, unit), *((-share, key) for share, key in load)]
        model.row(f"kept_in_use[{unit}]", row, high=0.0)
    together: Terms = [(1.0, unit) for unit in units]
    if units:
        model.row(f"kept[count,{name}]", [*together, (-1.0, ("count", name))], high=0.0)
    return units


def kept_unit(name: str, number: int) -> Key:
    """Whether the new unit of that number, from 1 on, of a group is kept and used, 0 or 1."""
    return ("kept_unit", name, number)


def _thing(key: Key) -> tuple[str, ...]:
    assert isinstance(key, tuple)
    word, *names = [str(name) for name in key]
    if word == "lay":
        return (word, names[0], names[2])
    if word == "boost":
        return (word, names[2], names[3])
    return (word, names[0])
