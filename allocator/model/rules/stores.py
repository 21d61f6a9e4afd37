"""Rules of stores: sizes, release, and the long run. Window cuts are added lazily."""

from __future__ import annotations

import math

from allocator.model.growth import least_growth
from allocator.model.index_sets import Group, IndexSets
from allocator.model.model import Model, Terms

MANY = 1000
"""Machines that a place without a limit is taken to hold at the most, for bounds alone."""


def store_sizes(model: Model, sets: IndexSets) -> None:
    """``size = unit * units`` where units are whole; ``least * stand <= size <= room * stand``

    where building at the place asks for a base, or has a least size; and where one exists, which
    grows by a share of it or not at all.
    """
    for name, store in {**sets.fluid_stores, **sets.batteries}.items():
        kind = store.type
        if kind.unit is not None:
            model.row(
                f"whole_units[{name}]",
                [(1.0, ("size", name)), (-kind.unit, ("units", name))],
                low=0.0,
                high=0.0,
            )
        for word, least in (("stand", kind.min_size), ("grows", least_growth(store))):
            if model.has((word, name)):
                model.row(
                    f"store_stands[{name}]",
                    [(1.0, ("size", name)), (-kind.max_size, (word, name))],
                    high=0.0,
                )
                if least > 0:
                    model.row(
                        f"least_size[{name}]",
                        [(1.0, ("size", name)), (-least, (word, name))],
                        low=0.0,
                    )


def promised(sets: IndexSets, name: str) -> Terms:
    """Mean of what a store promises, all shapes, kg/s."""
    shapes = sets.fluid_shapes[sets.fluid_stores[name].type.holds]
    return [(1.0, ("draw", name, shape)) for shape in shapes]


def release_rate(model: Model, sets: IndexSets) -> None:
    """``sum_j peak_j draw_j <= release rate``."""
    for name, store in sets.fluid_stores.items():
        if store.type.release_rate is not None:
            shapes = sets.fluid_shapes[store.type.holds]
            model.row(
                f"release_rate[{name}]",
                [(sets.peak(shape), ("draw", name, shape)) for shape in shapes],
                high=store.type.release_rate,
            )


def long_run(model: Model, sets: IndexSets) -> None:
    """``sum_s duty_s r[s,k] + inflow >= sum_j draw_j + loss * size``: of an endless window."""
    for name, store in sets.fluid_stores.items():
        k = f"store:{name}"
        terms: Terms = [(1.0, ("inflow", name))]
        for source in sets.sources:
            if k in sets.reach[source]:
                terms.append((sets.curves[source].duty, ("collect", source, k)))
        for coefficient, key in promised(sets, name):
            terms.append((-coefficient, key))
        if model.has(("idle", name)):
            terms.append((1.0, ("idle", name)))
        terms.append((-store.type.loss, ("size", name)))
        model.row(f"long_run[{name}]", terms, low=store.type.loss * store.existing)


def idle_store(model: Model, sets: IndexSets) -> None:
    """``draw_j <= most * promises`` and ``idle <= loss * existing * (1 - promises)``.

    A store that stands and promises nothing may be empty: it then loses nothing, and nobody need
    feed it. ``most`` is what all sources and machines could give of the fluid at once.
    """
    for name, store in sets.fluid_stores.items():
        if not model.has(("idle", name)):
            continue
        most = most_given(sets, store.type.holds)
        for coefficient, key in promised(sets, name):
            model.row(
                f"idle_draw[{name},{key}]",
                [(coefficient, key), (-most, ("promises", name))],
                high=0,
            )
        lost = store.type.loss * store.existing
        model.row(
            f"idle_loss[{name}]", [(1.0, ("idle", name)), (lost, ("promises", name))], high=lost
        )


def most_given(sets: IndexSets, fluid: str) -> float:
    """kg/s: more than all sources and machines give of a fluid at once, on average."""
    site = sets.site
    flows = sum(site.sources[s].flow for s in sets.sources if site.sources[s].fluid == fluid)
    for group in sets.groups.values():
        flows += group.type.outputs.get(fluid, 0.0) * most_units(group)
    return max(flows, 1e-9)


def most_units(group: Group) -> float:
    """Units that a group may have: by its place, and by ``max_units`` of all of its type."""
    most = math.inf if group.most_new is None else group.existing + group.most_new
    if group.type.max_units is not None:
        most = min(most, max(group.existing, group.type.max_units))
    return float(group.existing + MANY) if most == math.inf else float(most)
