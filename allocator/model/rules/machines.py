"""Rules of machines: how many, how they share their units, and least load."""

from __future__ import annotations

from allocator.model.expressions import (
    bursts,
    can_cycle,
    can_follow,
    fuel_rate,
    load_at_peak,
)
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model, Terms


def places_and_types(model: Model, sets: IndexSets) -> None:
    """``sum over places of count <= max_units`` of a type, existing units included."""
    for machine in sets.site.machines.values():
        if machine.max_units is None:
            continue
        groups = [g for g in sets.groups.values() if g.type.name == machine.name]
        existing = sum(n for (m, _), n in sets.site.built.machines.items() if m == machine.name)
        terms: Terms = [(1.0, ("count", g.name)) for g in groups]
        if terms:
            model.row(
                f"most_of_type[{machine.name}]",
                terms,
                high=float(max(0, machine.max_units - existing)),
            )


def running_limit(model: Model, sets: IndexSets) -> None:
    """``flat + sum_j peak_j follow_j <= running`` (on the mean basis: ``flat <= count``)."""
    for name, group in sets.groups.items():
        terms = load_at_peak(sets, group)
        if sets.lossless:
            terms.append((-1.0, ("count", name)))
            model.row(f"running_limit[{name}]", terms, high=float(group.existing))
            continue
        terms.append((-1.0, ("running", name)))
        model.row(f"running_limit[{name}]", terms, high=0.0)


def shared_units(model: Model, sets: IndexSets) -> None:
    """``flat + sum_j peak_j follow_j + sum_b burst <= running + beside``.

    What a source sends to be burnt directly may fill up units that turn for ever, whether the
    source bursts or is steady. Proof that its power is there: a unit that turns takes a share
    ``1 - a`` of its full-load takings for what is added to its load, ``a`` being its takings at
    no load, so r kg/s always give at least what full load makes of r kg/s. The room is that of
    the peak, with all sources on, and nothing is started or stopped for it. A flare has room for
    all that comes to the stores which it guards as well.
    """
    for name, group in sets.groups.items():
        if not model.has(("beside", name)):
            continue
        load = load_at_peak(sets, group)
        load += [term for burst in bursts(sets, name).values() for term in burst]
        for store in sets.flared.get(name, ()):
            load.append((1.0 / fuel_rate(group), ("guarded", name, store)))
        terms = [*load, (-1.0, ("running", name)), (-1.0, ("beside", name))]
        model.row(f"shared_units[{name}]", terms, high=0.0)


def machine_count(model: Model, sets: IndexSets) -> None:
    """``running + cycled + beside <= count``, existing units included.

    All that does not turn for ever is one stream of fuel, ``cycled`` of it steady: as many whole
    units as it fills burn it directly, and one more, where fuel is not in proportion to load,
    burns the rest in lumps. It starts when its receiver holds the fuel of a run (or of a rest, if
    that is longer): with t s of fuel for full load and a rest of the stream of c < 1 units it is
    on for t / (1 - c) and off for t / c, neither below t.
    """
    for name, group in sets.groups.items():
        terms: Terms = [(1.0, ("running", name)), (-1.0, ("count", name))]
        if can_cycle(sets, group):
            terms.append((1.0, ("cycled", name)))
        if model.has(("beside", name)):
            terms.append((1.0, ("beside", name)))
        model.row(f"machine_count[{name}]", terms, high=float(group.existing))


def min_load(model: Model, sets: IndexSets) -> None:
    """``flat + sum_j least_j follow_j >= least load * running``, at the lowest of the profile."""
    for name, group in sets.groups.items():
        if group.type.min_load <= 0:
            continue
        terms: Terms = [(1.0, ("flat", name))]
        for shape in can_follow(sets, group):
            terms.append((sets.shape_curves[shape].least, ("follow", name, shape)))
        terms.append((-group.type.min_load, ("running", name)))
        model.row(f"min_load[{name}]", terms, low=0.0)


def cycled_unit(model: Model, sets: IndexSets) -> None:
    """``cycled <= cycling``: at most one unit of a group is run on and off behind a battery."""
    for name, group in sets.groups.items():
        if can_cycle(sets, group):
            model.row(
                f"cycled_unit[{name}]",
                [(1.0, ("cycled", name)), (-1.0, ("cycling", name))],
                high=0.0,
            )


def batched_bursts(model: Model, sets: IndexSets) -> None:
    """``beside <= most * lumps``, where a part of a unit is burnt in lumps.

    ``most``: units that all sources which reach the group could fill together.
    """
    for name, group in sets.groups.items():
        if model.has(("lumps", name)):
            ends = [k for k, d in sets.destinations.items() if d.group is group]
            flow = sum(
                sets.site.sources[source].flow
                for source in sets.sources
                if any(k in sets.reach[source] for k in ends)
            )
            most = flow / fuel_rate(group)
            model.row(
                f"lumpy_bursts[{name}]",
                [(1.0, ("beside", name)), (-most, ("lumps", name))],
                high=0.0,
            )
