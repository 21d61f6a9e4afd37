"""Rules of boosters: the pressure at their inlets, what they move, how many may stand."""

from __future__ import annotations

from allocator.model.expressions import (
    scaled,
)
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Model, Terms
from allocator.model.pressures import (
    Pressures,
    boost,
    boosted,
    directed,
    peak,
)
from allocator.model.rules.pressure import filling, most_moved
from allocator.network.pressure_records import BoosterOption


def boosters(model: Model, sets: IndexSets) -> None:
    """Of each booster that may stand at the inlet of a pipe from i (or of a store there):

    ``inlet potential >= its least * boost``; ``boosted >= flow - most (1 - boost)``, for which it
    takes power; ``flow <= its own most`` where it runs; and, at a pipe, ``sum of boosters <= sum_b
    directed_b``, at a store ``<= holds``.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for at, options in pressures.boosters_at.items():
        if isinstance(at, PipeArc):
            losses = pressures.losses[at]
            flow: Terms = [(1.0, peak(at, build)) for build in losses]
            where: Terms = [(-1.0, directed(at, build)) for build in losses]
            most = max(pressures.most[at, build] for build in losses)
        else:
            flow, where = filling(sets, at), [(-1.0, ("holds", at))]
            most = most_moved(sets, sets.fluid_stores[at].type.holds)
        built: Terms = [(1.0, boost(option)) for option in options]
        model.row(f"booster[{at}]", [*built, *where], high=0.0)
        for option in options:
            _booster(model, pressures, option, flow, most)


def _booster(
    model: Model, pressures: Pressures, option: BoosterOption, flow: Terms, most: float
) -> None:
    key = boost(option)
    header = pressures.high if option.store else pressures.low
    inlet = pressures.above(option.fluid, option.inlet)
    if inlet > 0.0:
        terms: Terms = [(1.0, header(option.start, option.fluid)), (-inlet, key)]
        model.row(f"booster_inlet[{key}]", terms, low=0.0)
    terms = [(1.0, boosted(option)), *scaled(flow, -1.0), (-most, key)]
    model.row(f"boosted[{key}]", terms, low=-most)
    if option.max_flow < most:
        model.row(f"booster_flow[{key}]", [*flow, (most - option.max_flow, key)], high=most)


def booster_units(model: Model, sets: IndexSets) -> None:
    """``sum of boosters of a kind at a place <= its most there``, and ``in all <= its most``."""
    if sets.pressures is None:
        return
    by_place: dict[tuple[str, str], Terms] = {}
    by_kind: dict[str, Terms] = {}
    for option in sets.pressures.boosters:
        by_place.setdefault((option.booster, option.place), []).append((1.0, boost(option)))
        by_kind.setdefault(option.booster, []).append((1.0, boost(option)))
    for (name, place), terms in by_place.items():
        most = sets.site.boosters[name].places.get(place)
        if most is not None:
            standing = sum(b.booster == name and b.place == place for b in sets.site.built.boosters)
            model.row(f"boosters_at[{name},{place}]", terms, high=float(max(most, standing)))
    for name, terms in by_kind.items():
        if (most := sets.site.boosters[name].max_units) is not None:
            model.row(f"boosters_of[{name}]", terms, high=float(most))
