"""Rules of ratings: nothing is attached that does not bear what it can meet, shut in."""

from __future__ import annotations

import math

from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Key, Model, Terms
from allocator.model.pressures import (
    Pressures,
    boost,
    directed,
    spur_laid,
    used_groups,
    used_stores,
)
from allocator.model.rules.pressure import opened
from allocator.network.pressure_records import BoosterOption


def rating(model: Model, sets: IndexSets) -> None:
    """``shut <= rating`` of every pipe laid, store used and machine that takes or gives there.

    The potential of a node while nothing flows is that of what feeds it: ``shut >= mouth`` of each
    source, store and machine in use there, and ``shut_j >= shut_i`` along what is laid from i to
    j (of a spur: both ways), ``shut_j >= boost (least + shut_i) - least + rise`` behind a booster,
    and of a liquid that falls its static head more. A store bears what a booster at its inlet gives
    shut in.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for fluid, one in pressures.fluids.items():
        if not one.ratings:
            continue
        top = _top_shut(pressures, fluid)
        ends: dict[tuple[str, Key], float] = {}
        for arc, losses in pressures.losses.items():
            if arc.fluid == fluid:
                _shut_along(model, pressures, arc, top)
                for build in losses:
                    if (limit := one.ratings.get(("pipe", build))) is not None:
                        lay: Key = ("lay", arc.route, build, fluid)
                        ends |= {(arc.start, lay): limit, (arc.end, lay): limit}
        for (place, lay), limit in ends.items():
            _rated(model, pressures, place, fluid, limit, top, lay)
        for name, source in sets.site.own_sources.items():
            if name in sets.sources and ("source", name) in one.shut_in:
                shut = pressures.above(fluid, one.shut_in["source", name])
                _feeds(model, pressures, source.place, fluid, shut, opened(model, name))
        for name in used_stores(sets, pressures):
            store = sets.fluid_stores[name]
            if store.type.holds == fluid:
                kind = ("storage", store.type.name)
                _end_shut(model, pressures, fluid, store.place, kind, top, ("holds", name))
                if kind in one.ratings:
                    _boosted(model, pressures, name, store.place, one.ratings[kind], top)
        for name in used_groups(sets, pressures):
            group = sets.groups[name]
            if fluid in (*group.type.inputs, *group.type.outputs):
                kind = ("machine", group.type.name)
                _end_shut(model, pressures, fluid, group.place, kind, top, ("takes", name))


def _end_shut(
    model: Model,
    pressures: Pressures,
    fluid: str,
    place: str,
    kind: tuple[str, str],
    top: float,
    used: Key,
) -> None:
    """The rating of a store or machine, and the potential that it gives."""
    one = pressures.fluids[fluid]
    if kind in one.ratings:
        _rated(model, pressures, place, fluid, one.ratings[kind], top, used)
    if kind in one.shut_in:
        _feeds(model, pressures, place, fluid, pressures.above(fluid, one.shut_in[kind]), used)


def _rated(
    model: Model,
    pressures: Pressures,
    place: str,
    fluid: str,
    potential: float,
    top: float,
    used: Key,
) -> None:
    limit = pressures.above(fluid, potential)
    if limit < top:
        terms: Terms = [(1.0, pressures.shut(place, fluid)), (top - limit, used)]
        model.row(f"rating[{place},{fluid},{used}]", terms, high=top)


def _boosted(
    model: Model, pressures: Pressures, store: str, place: str, potential: float, top: float
) -> None:
    """``boost (least + shut) - least + rise <= rating`` where a booster blows into a store."""
    for option in pressures.boosters_at.get(store, ()):
        ratio, more = _shut_behind(pressures, option)
        limit = pressures.above(option.fluid, potential) - more
        room = ratio * top - limit
        terms: Terms = [(ratio, pressures.shut(place, option.fluid)), (room, boost(option))]
        name = f"rating[{option.booster},{place},{option.fluid},{('holds', store)}]"
        model.row(name, terms, high=ratio * top)


def _shut_behind(pressures: Pressures, option: BoosterOption) -> tuple[float, float]:
    """Potential behind a booster, shut in: so many times that before it, and so much more."""
    one = pressures.fluids[option.fluid]
    ratio = option.boost**2 if one.gas else 1.0
    return ratio, (ratio - 1.0) * one.least + option.rise


def _feeds(
    model: Model, pressures: Pressures, place: str, fluid: str, shut: float, used: Key
) -> None:
    if shut > 0.0:
        terms: Terms = [(1.0, pressures.shut(place, fluid)), (-shut, used)]
        model.row(f"shut[{place},{fluid},{used}]", terms, low=0.0)


def _top_shut(pressures: Pressures, fluid: str) -> float:
    """The highest potential, shut in, that is looked at: one booster behind the widest."""
    one = pressures.fluids[fluid]
    given = max([one.most, *(p for p in one.shut_in.values() if math.isfinite(p))])
    ratios = [option.boost**2 if one.gas else 1.0 for option in one.boosters]
    rises = [option.rise for option in one.boosters]
    return pressures.above(fluid, given * max(ratios, default=1.0) + max(rises, default=0.0))


def _shut_along(model: Model, pressures: Pressures, arc: PipeArc, top: float) -> None:
    fluid, losses = arc.fluid, pressures.losses[arc]
    start, end = pressures.shut(arc.start, fluid), pressures.shut(arc.end, fluid)
    static = max(loss.static for loss in losses.values())
    room = top + static
    laid: Terms = [(-room, directed(arc, build)) for build in losses]
    for spur in pressures.spurs_at.get(arc, ()):
        laid += [(-room, spur_laid(spur, build)) for build in losses]
    name = f"shut_along[{arc.route},{arc.start},{fluid}"
    model.row(f"{name}]", [(1.0, end), (-1.0, start), *laid], low=-top)
    for option in pressures.boosters_at.get(arc, ()):
        ratio, more = _shut_behind(pressures, option)
        more += static
        room = ratio * top + more
        terms: Terms = [(1.0, end), (-ratio, start), (-room, boost(option))]
        model.row(f"{name},{option.booster}]", terms, low=more - room)
