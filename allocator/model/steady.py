"""Sites whose sources are all steady: what only cycles need is left out of the index sets.

A steady source may feed the supply layer, the collect layer, or burn as a burst without end. Where
all sources are steady, and machines have neither fuel at no load nor a least load, the collect
layer has nothing that the supply layer does not have:

* What a source sends to a store at rate r counts there with r tau(L) = r L, as its steady inflow
  from the supply layer does (:mod:`allocator.model.cuts`).
* A burst without end on x units behind a battery is x units of flat load, whose power may be
  levelled in that battery, with no more loss and as much of it beyond what is needed
  (:mod:`allocator.model.levelling`), so in no larger part.

With demands that never vary no store and no battery does anything: a store releases no more than
flows in for ever. So new ones are not offered then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.model.expressions import is_batched
from allocator.model.index_sets import IndexSets, StoreSite
from allocator.plans.records import FLAT


def is_steady(sets: IndexSets) -> bool:
    """Whether nothing on a site cycles but demands, and no promise must outlive a lost source."""
    site = sets.site
    return (
        not sets.lossless
        and not sets.robustness.anything
        and not site.pressures
        and not any(sets.flared.values())
        and not site.heat_sinks
        and all(route.recovery is None for route in site.routes.values())
        and all(site.sources[s].steady and not site.sources[s].part_of for s in sets.sources)
        and all(site.sources[s].pump is None for s in sets.sources)
        and not any(is_batched(group) for group in sets.groups.values())
    )


def never_varies(sets: IndexSets) -> bool:
    """Whether a site is steady and its demands are as well: averages are what is there."""
    return is_steady(sets) and all(shapes == (FLAT,) for shapes in _all_shapes(sets))


def _all_shapes(sets: IndexSets) -> list[tuple[str, ...]]:
    return [*sets.fluid_shapes.values(), (FLAT, *sets.power_shapes())]


def without_cycles(sets: IndexSets) -> IndexSets:
    """The index sets without what only cycles need, where nothing cycles."""
    if not is_steady(sets):
        return sets
    sets = replace(sets, destinations={}, reach=dict.fromkeys(sets.sources, ()))
    if not never_varies(sets):
        return sets
    return replace(
        sets,
        fluid_stores=_existing(sets.fluid_stores),
        batteries=_existing(sets.batteries),
        levellings={k: v for k, v in sets.levellings.items() if sets.batteries[k[0]].existing > 0},
    )


def _existing(stores: Mapping[str, StoreSite]) -> dict[str, StoreSite]:
    return {name: store for name, store in stores.items() if store.existing > 0}
