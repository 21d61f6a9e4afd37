"""Rules of gas that is vented: what is released unburnt, and what flares burn of it.

What is vented of a fluid is what comes less what is used for certain: the promised takings of
machines, what they burn direct, and demands. So it counts no more as captured than what the
promise takes: what overflows, leaks, boils off or is left over is in what comes alone.
"""

from __future__ import annotations

from allocator.model.expressions import (
    arrivals,
    made_by,
    mean_bursts,
    mean_capture,
    mean_overflow,
    mean_turnover,
    scaled,
)
from allocator.model.index_sets import Group, IndexSets
from allocator.model.model import Key, Model, Terms
from allocator.model.rules.power import served
from allocator.model.rules.stores import most_given
from allocator.plans.records import FLAT


def always(fluid: str) -> Key:
    """A variable that is 1: what comes of a fluid whatever the plan does is a multiple of it.

    Where the flows of its sources are lifted it is that many times the flows of the file.
    """
    return ("always", fluid)


def vented(sets: IndexSets, fluid: str) -> Terms:
    """``sum of what comes - sum of what is used`` of a fluid, mean kg/s.

    A source that vents what nobody takes gives all of its mean flow, whatever is taken of it; any
    other gives what is taken.
    """
    terms: Terms = [(sets.always_coming.get(fluid, 0.0), always(fluid))]
    for name in sets.sources:
        source = sets.site.sources[name]
        if source.fluid == fluid and source.when_untapped == "stays":
            terms += mean_capture(sets, name)
    for group in sets.groups.values():
        terms += _made(sets, group, fluid)
        terms += scaled(mean_turnover(sets, group), -group.type.inputs.get(fluid, 0.0))
    for demand in sets.fluid_demands():
        if demand.wants == fluid:
            terms += scaled(served(sets, demand.name), -1.0)
    return [(coefficient, key) for coefficient, key in terms if coefficient]


def _made(sets: IndexSets, group: Group, fluid: str) -> Terms:
    """All that a group gives of a fluid, mean kg/s: in the supply layer, from bursts, of overflow.

    A fluid that counts when vented is no exhaust, so it is in step with the load.
    """
    rate = group.type.outputs.get(fluid, 0.0)
    if not rate:
        return []
    shapes = (FLAT, *sets.power_shapes()) if group.type.power_out > 0 else (FLAT,)
    terms = [term for shape in shapes for term in made_by(sets, group, fluid, shape)]
    beside = mean_overflow(sets, group)
    if not sets.lossless:
        beside = beside + mean_bursts(sets, group.name)
    return terms + scaled(beside, rate)


def declare_flares(model: Model, sets: IndexSets, unit: float) -> None:
    """Variables of what flares burn of the overflow of stores."""
    for name, stores in sets.flared.items():
        for store in stores:
            model.variable(("guards", name, store), 0.0, 1.0, integer=True)
            model.variable(("guarded", name, store), unit=unit)
            model.variable(("flared", name, store), unit=unit)


def overflow_burnt(model: Model, sets: IndexSets) -> None:
    """A flare burns all that overflows of a store that it guards, or nothing of it:

    ``guarded >= filling - most (1 - guards)``, which is within the flare's room, so that it has
    room for all that comes to the store at once; ``flared <= most guards``, ``flared <= overflow``
    and ``flared >= overflow - most (1 - guards)``, with ``overflow = sum_s duty_s r[s,k] + inflow -
    sum_j draw_j - loss * size``; and ``sum of guards <= 1`` of a store.
    """
    guards: dict[str, Terms] = {}
    for name, stores in sets.flared.items():
        for k in stores:
            guard, burnt = ("guards", name, k), (1.0, ("flared", name, k))
            guards.setdefault(k, []).append((1.0, guard))
            most, filling = _most_filled(sets, k), arrivals(sets, f"store:{k}")
            filling = [*filling, (1.0, ("inflow", k))]
            model.row(
                f"guarded[{name},{k}]",
                [(1.0, ("guarded", name, k)), *scaled(filling, -1.0), (-most, guard)],
                low=-most,
            )
            model.row(f"unguarded[{name},{k}]", [burnt, (-most, guard)], high=0.0)
            over, lost = _overflow(sets, k)
            rest = [burnt, *scaled(over, -1.0)]
            model.row(f"overflow[{name},{k}]", rest, high=-lost)
            model.row(f"all_of_it[{name},{k}]", [*rest, (-most, guard)], low=-lost - most)
    for k, terms in guards.items():
        if len(terms) > 1:
            model.row(f"one_flare[{k}]", terms, high=1.0)


def _overflow(sets: IndexSets, name: str) -> tuple[Terms, float]:
    """Mean overflow of a store, kg/s, and what its existing size loses of it."""
    store = sets.fluid_stores[name]
    terms: Terms = [(1.0, ("inflow", name)), (-store.type.loss, ("size", name))]
    for source in sets.sources:
        if f"store:{name}" in sets.reach[source]:
            terms.append((sets.duties[source], ("collect", source, f"store:{name}")))
    terms += [(-1.0, ("draw", name, shape)) for shape in sets.fluid_shapes[store.type.holds]]
    return terms, store.type.loss * store.existing


def _most_filled(sets: IndexSets, name: str) -> float:
    """kg/s: more than a store can be sent at once."""
    store = sets.fluid_stores[name]
    # all sources at once, and what is supplied for ever, each no more than this
    most = 2.0 * most_given(sets, store.type.holds)
    return most if store.type.fill_rate is None else min(most, store.type.fill_rate)
