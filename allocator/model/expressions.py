"""Expressions that several rules share, as lists of (coefficient, key) in SI."""

from __future__ import annotations

from allocator.model.index_sets import Group, IndexSets, PipeArc
from allocator.model.model import Key, Terms
from allocator.network.records import Recovery
from allocator.plans.records import FLAT


def scaled(terms: Terms, factor: float) -> Terms:
    """The expression times a factor."""
    return [(coefficient * factor, key) for coefficient, key in terms]


def collected(sets: IndexSets, source: str) -> Terms:
    """Rate that a source sends into the collect layer while on, kg/s."""
    return [(1.0, ("collect", source, k)) for k in sets.reach[source]]


def direct_shapes(sets: IndexSets, source: str) -> tuple[str, ...]:
    """Shapes that a steady source may feed straight into the supply layer."""
    record = sets.site.sources[source]
    return sets.fluid_shapes[record.fluid] if record.steady else ()


def direct_peak(sets: IndexSets, source: str) -> Terms:
    """Highest rate that a steady source gives the supply layer, kg/s."""
    return [(sets.peak(shape), ("direct", source, shape)) for shape in direct_shapes(sets, source)]


def direct_mean(sets: IndexSets, source: str) -> Terms:
    """Mean rate that a steady source gives the supply layer, kg/s."""
    return [(1.0, ("direct", source, shape)) for shape in direct_shapes(sets, source)]


def drawn_at_most(sets: IndexSets, source: str) -> Terms:
    """Highest rate drawn from a source while it is on, kg/s."""
    if source not in sets.curves:
        return []
    return collected(sets, source) + direct_peak(sets, source)


def mean_capture(sets: IndexSets, source: str) -> Terms:
    """Mean rate taken from a source, kg/s."""
    duty = sets.duties[source]
    return scaled(collected(sets, source), duty) + direct_mean(sets, source)


def arrivals(sets: IndexSets, destination: str) -> Terms:
    """Rate that arrives at a destination with all its sources on, kg/s."""
    return [
        (1.0, ("collect", source, destination))
        for source in sets.sources
        if destination in sets.reach[source]
    ]


def moved_at_most(sets: IndexSets, arc: PipeArc) -> Terms:
    """``sum_p gather + sum_j peak_j supply_j`` of an arc, kg/s: every source on, shapes at peak."""
    terms: Terms = [
        (1.0, ("gather", arc.route, arc.start, arc.fluid, end))
        for end in sets.ends(arc.fluid)
        if end != arc.start
    ]
    for shape in sets.fluid_shapes[arc.fluid]:
        terms.append((sets.peak(shape), ("supply", arc.route, arc.start, arc.fluid, shape)))
    return terms


def recovering(sets: IndexSets) -> list[tuple[PipeArc, Recovery, tuple[str, ...]]]:
    """Coolers whose heat may give power or warmth that counts, and the shapes in which it may."""
    found = []
    for fluid, arcs in sets.arcs.items():
        shapes = tuple(
            shape
            for shape in sets.fluid_shapes[fluid]
            if shape == FLAT or shape in sets.power_shapes()
        )
        for arc in arcs:
            recovery = sets.site.routes[arc.route].recovery
            if recovery is not None and (worth_of(recovery) > 0 or warmth_of(recovery) > 0):
                found.append((arc, recovery, shapes))
    return found


def worth_of(recovery: Recovery) -> float:
    """Power that counts, J/kg."""
    return recovery.most if recovery.always else recovery.power


def warmth_of(recovery: Recovery) -> float:
    """Heat for a place that counts, J/kg."""
    return recovery.most_heat if recovery.always else recovery.heat


def least_of(sets: IndexSets, shape: str) -> float:
    """Lowest level of a shape of mean 1."""
    return 1.0 if shape == FLAT else sets.shape_curves[shape].least


def fuel_rate(group: Group) -> float:
    """kg/s of the one fluid that a group burns at full load."""
    (rate,) = group.type.inputs.values()
    return rate


def bursts(sets: IndexSets, group: str) -> dict[str, Terms]:
    """Units of a group that burn bursts, by destination."""
    found = {}
    for k, destination in sets.destinations.items():
        if destination.group is not None and destination.group.name == group:
            found[k] = scaled(arrivals(sets, k), 1.0 / fuel_rate(destination.group))
    return found


def is_batched(group: Group) -> bool:
    """True where a part of a unit cannot burn a burst directly, at full-load efficiency.

    Fuel at no load, or a least load: the part is a unit run on and off then, in lumps.
    """
    return group.type.no_load > 0 or group.type.min_load > 0


def mean_bursts(sets: IndexSets, group: str) -> Terms:
    """Mean load of a group from bursts, in units."""
    terms: Terms = []
    for k, destination in sets.destinations.items():
        if destination.group is not None and destination.group.name == group:
            rate = fuel_rate(destination.group)
            for source in sets.sources:
                if k in sets.reach[source]:
                    terms.append((sets.duties[source] / rate, ("collect", source, k)))
    return terms


def mean_overflow(sets: IndexSets, group: Group) -> Terms:
    """Mean load of a flare from the overflow of stores that it guards, in units."""
    stores = sets.flared.get(group.name, ())
    return [(1.0 / fuel_rate(group), ("flared", group.name, store)) for store in stores]


def can_follow(sets: IndexSets, group: Group) -> tuple[str, ...]:
    """Shapes that a group's load may follow."""
    if sets.lossless or group.type.power_out <= 0:
        return ()
    return sets.power_shapes()


def load_at_peak(sets: IndexSets, group: Group) -> Terms:
    """``flat + sum_j peak_j follow_j`` of the units that turn for ever, in units."""
    shapes = can_follow(sets, group)
    terms: Terms = [(sets.peak(shape), ("follow", group.name, shape)) for shape in shapes]
    return [(1.0, ("flat", group.name)), *terms]


def can_cycle(sets: IndexSets, group: Group) -> bool:
    """True when a unit may be run on and off behind a battery at its bus.

    Where fuel is in proportion to load, down to nothing, a part of a unit that turns for ever
    gives more for the same fuel, and needs no battery for it.
    """
    return (
        not sets.lossless
        and group.type.power_out > 0
        and is_batched(group)
        and sets.has_battery(sets.bus(group.place))
    )


def turnover(sets: IndexSets, group: Group, shape: str) -> Terms:
    """Share of full-load takings in the supply layer, in units, by shape; exhaust is in step.

    Flat: ``a running + (1 - a) flat + cycled``; following: ``(1 - a) follow_j``, with ``a`` the
    share of full-load takings at no load: fuel is affine in load.
    """
    idle = 0.0 if sets.lossless else group.type.no_load
    if shape != FLAT:
        if shape in can_follow(sets, group):
            return [(1.0 - idle, ("follow", group.name, shape))]
        return []
    terms: Terms = [(1.0 - idle, ("flat", group.name))]
    if idle:
        terms.append((idle, ("running", group.name)))
    if can_cycle(sets, group):
        terms.append((1.0, ("cycled", group.name)))
    return terms


def load(sets: IndexSets, group: Group, shape: str) -> Terms:
    """Load in the supply layer, in units, by shape: power and products are in step with it.

    Flat: ``flat + cycled``; following: ``follow_j``.
    """
    if shape != FLAT:
        return [(1.0, ("follow", group.name, shape))] if shape in can_follow(sets, group) else []
    terms: Terms = [(1.0, ("flat", group.name))]
    if can_cycle(sets, group):
        terms.append((1.0, ("cycled", group.name)))
    return terms


def taken_by(sets: IndexSets, group: Group, fluid: str, shape: str) -> Terms:
    """What a group takes of a fluid in the supply layer, mean kg/s: ``rate * turnover``."""
    rate = group.type.inputs.get(fluid, 0.0)
    return scaled(turnover(sets, group, shape), rate) if rate else []


def given_by(sets: IndexSets, group: Group, fluid: str, shape: str) -> Terms:
    """What a group gives of a fluid in the supply layer for uses of a shape, mean kg/s.

    What it makes, with what is used in another shape (:func:`reshaped`): what follows j and is
    used as a steady flow gives the least level of j of it; what is steady and used for k, its mean
    at the peak of k. Flat: ``made + sum_j least_j evened_j - sum_k lent_k``; following j:
    ``made_j - evened_j + lent_j / peak_j``.
    """
    terms = made_by(sets, group, fluid, shape)
    for key, of, into in reshaped(sets, group, fluid):
        if shape == of:
            terms.append((-1.0, key))
        elif shape == into:
            worth = sets.shape_curves[of].least if of != FLAT else 1.0 / sets.peak(into)
            terms.append((worth, key))
    return terms


def made_by(sets: IndexSets, group: Group, fluid: str, shape: str) -> Terms:
    """What a group makes of a fluid, mean kg/s by the shape of its load.

    ``rate * turnover`` of exhaust, ``rate * load`` of a product.
    """
    rate = group.type.outputs.get(fluid, 0.0)
    share = turnover if sets.site.fluids[fluid].exhaust else load
    return scaled(share(sets, group, shape), rate) if rate else []


def reshaped(sets: IndexSets, group: Group, fluid: str) -> list[tuple[Key, str, str]]:
    """Variables of what a group gives in one shape and is used in another: key, of, into.

    Steady where its load follows a demand, and following where its load is steady.
    """
    if sets.lossless or not group.type.outputs.get(fluid) or fluid not in sets.fluid_shapes:
        return []
    found: list[tuple[Key, str, str]] = [
        (("evened", group.name, fluid, shape), shape, FLAT)
        for shape in can_follow(sets, group)
        if shape != FLAT and sets.shape_curves[shape].least > 0
    ]
    found += [
        (("lent", group.name, fluid, shape), FLAT, shape)
        for shape in sets.fluid_shapes[fluid]
        if shape != FLAT
    ]
    return found


def mean_turnover(sets: IndexSets, group: Group) -> Terms:
    """Mean share of full-load takings over both layers, in units."""
    terms = turnover(sets, group, FLAT)
    for shape in can_follow(sets, group):
        terms += turnover(sets, group, shape)
    if not sets.lossless:
        terms += mean_bursts(sets, group.name) + mean_overflow(sets, group)
    return terms
