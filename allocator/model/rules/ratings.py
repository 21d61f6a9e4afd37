"""Rules of ratings: nothing is attached that does not bear what it can meet, shut in."""

from __future__ import annotations

import math
from dataclasses import dataclass

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
from allocator.network.pressure_records import (
    IN_SERIES,
    AtRest,
    BoosterOption,
    FluidPressures,
)


def rating(model: Model, sets: IndexSets) -> None:
    """``shut <= rating`` of every pipe laid, store used and machine that takes or gives there.

    The potential of a node while nothing flows is that of what feeds it: ``shut >= mouth`` of each
    source, store and machine in use there, and ``least + shut_j >= factor (least + shut_i) + more``
    along what is laid from i to j (of a spur: both ways), with what a column at rest adds; behind a
    booster with ``boost (least + shut_i) + rise`` in place of ``least + shut_i``. A store or pipe
    bears what a booster at its inlet gives shut in. All of it for the fluid as cold as it can be
    everywhere, which presses most below what feeds it, and as hot, which presses most above.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for one in pressures.fluids.values():
        if one.ratings:
            top = _top_shut(pressures, one)
            for number, rest in enumerate(one.at_rest):
                _of_column(model, sets, _Shut(pressures, one, number, rest, top))


@dataclass(frozen=True, slots=True)
class _Shut:
    """Potentials of a fluid shut in, cold or hot; ``top``: the highest that is looked at."""

    pressures: Pressures
    one: FluidPressures
    number: int
    rest: AtRest
    top: float

    def at(self, place: str) -> Key:
        return self.pressures.shut(place, self.one.fluid, self.number)

    def above(self, potential: float) -> float:
        return self.pressures.above(self.one.fluid, potential)


def _of_column(model: Model, sets: IndexSets, shut: _Shut) -> None:
    pressures, one, fluid = shut.pressures, shut.one, shut.one.fluid
    ends: dict[tuple[str, Key], float] = {}
    for arc, losses in pressures.losses.items():
        if arc.fluid == fluid:
            _shut_along(model, shut, arc)
            for build in losses:
                if (limit := one.ratings.get(("pipe", build))) is not None:
                    lay: Key = ("lay", arc.route, build, fluid)
                    ends |= {(arc.start, lay): limit, (arc.end, lay): limit}
                    for option in pressures.boosters_at.get(arc, ()):
                        _behind(model, shut, option, limit, lay)
    for (place, lay), limit in ends.items():
        _rated(model, shut, place, limit, lay)
    for name, source in sets.site.own_sources.items():
        if name in sets.sources and ("source", name) in one.shut_in:
            mouth = one.shut_in["source", name]
            _feeds(model, shut, source.place, mouth, opened(model, name))
    for name in used_stores(sets, pressures):
        store = sets.fluid_stores[name]
        if store.type.holds == fluid:
            kind = ("storage", store.type.name)
            _end_shut(model, shut, store.place, kind, ("holds", name))
            if kind in one.ratings:
                _boosted(model, shut, name, one.ratings[kind])
    for name in used_groups(sets, pressures):
        group = sets.groups[name]
        if fluid in (*group.type.inputs, *group.type.outputs):
            _end_shut(model, shut, group.place, ("machine", group.type.name), ("takes", name))


def _end_shut(model: Model, shut: _Shut, place: str, kind: tuple[str, str], used: Key) -> None:
    """The rating of a store or machine, and the potential that it gives."""
    if kind in shut.one.ratings:
        _rated(model, shut, place, shut.one.ratings[kind], used)
    if kind in shut.one.shut_in:
        _feeds(model, shut, place, shut.one.shut_in[kind], used)


def _rated(model: Model, shut: _Shut, place: str, potential: float, used: Key) -> None:
    limit = shut.above(potential)
    if limit < shut.top:
        terms: Terms = [(1.0, shut.at(place)), (shut.top - limit, used)]
        name = f"rating[{place},{shut.number},{shut.one.fluid},{used}]"
        model.row(name, terms, high=shut.top)


def _boosted(model: Model, shut: _Shut, store: str, potential: float) -> None:
    """``boost (least + shut) - least + rise <= rating`` where a booster blows into a store."""
    for option in shut.pressures.boosters_at.get(store, ()):
        ratio, more = _shut_behind(shut.pressures, option)
        limit = shut.above(potential) - more
        room = ratio * shut.top - limit
        terms: Terms = [(ratio, shut.at(option.start)), (room, boost(option))]
        model.row(rating_row(option, shut.number), terms, high=ratio * shut.top)


def _behind(model: Model, shut: _Shut, option: BoosterOption, limit: float, lay: Key) -> None:
    """``boost (least + shut) - least + rise <= rating`` of a pipe into which a booster blows."""
    ratio, more = _shut_behind(shut.pressures, option)
    limit = shut.above(limit) - more
    room = ratio * shut.top - limit
    if room > 0.0:
        terms: Terms = [(ratio, shut.at(option.start)), (room, boost(option)), (room, lay)]
        at = f"{option.booster},{option.start},{shut.number}"
        model.row(f"rating[{at},{shut.one.fluid},{lay}]", terms, high=limit + 2.0 * room)


def _shut_behind(pressures: Pressures, option: BoosterOption) -> tuple[float, float]:
    """Potential behind a booster, shut in: so many times that before it, and so much more."""
    one = pressures.fluids[option.fluid]
    ratio = option.boost**2 if one.gas else 1.0
    return ratio, (ratio - 1.0) * one.least + option.rise


def shut_row(place: str, fluid: str, weight: int, used: Key) -> str:
    """Name of the row that lets in what gives a fluid at a place, where used."""
    return f"shut[{place},{fluid},{weight},{used}]"


def shut_along_row(option: BoosterOption, weight: int) -> str:
    """Name of the row of what a booster gives shut in, into a pipe."""
    return f"shut_along[{option.route},{option.start},{option.fluid},{weight},{option.booster}]"


def rating_row(option: BoosterOption, weight: int) -> str:
    """Name of the row of what a booster gives shut in, into a store."""
    at = f"{option.booster},{option.start},{weight},{option.fluid}"
    return f"rating[{at},{('holds', option.store)}]"


def _feeds(model: Model, shut: _Shut, place: str, potential: float, used: Key) -> None:
    above = shut.above(potential)
    if above > 0.0:
        terms: Terms = [(1.0, shut.at(place)), (-above, used)]
        model.row(shut_row(place, shut.one.fluid, shut.number, used), terms, low=0.0)


def _top_shut(pressures: Pressures, one: FluidPressures) -> float:
    """The highest potential, shut in, that is looked at: behind the strongest boosters in series.

    Behind :data:`IN_SERIES` of them at the most, as no row can hold ever larger numbers.
    """
    top = max([one.most, *(p for p in one.shut_in.values() if math.isfinite(p))])
    top = pressures.above(one.fluid, top)
    behind = [_shut_behind(pressures, option) for option in one.boosters]
    for ratio, more in sorted(behind, reverse=True)[:IN_SERIES]:
        top = ratio * top + more
    falls = (one.heights, -one.heights)
    raised = max(rest.after(top + one.least, fall) for rest in one.at_rest for fall in falls)
    return max(top, raised - one.least)


def _shut_along(model: Model, shut: _Shut, arc: PipeArc) -> None:
    pressures, losses = shut.pressures, shut.pressures.losses[arc]
    start, end = shut.at(arc.start), shut.at(arc.end)
    least, fall = shut.one.least, max(loss.fall for loss in losses.values())
    factor, static = shut.rest.below(fall)
    static += (factor - 1.0) * least
    room = max(0.0, factor * shut.top + static)
    laid: Terms = [(-room, directed(arc, build)) for build in losses]
    for spur in pressures.spurs_at.get(arc, ()):
        laid += [(-room, spur_laid(spur, build)) for build in losses]
    name = f"shut_along[{arc.route},{arc.start},{arc.fluid},{shut.number}]"
    model.row(name, [(1.0, end), (-factor, start), *laid], low=static - room)
    for option in pressures.boosters_at.get(arc, ()):
        ratio, more = _shut_behind(pressures, option)
        ratio, more = factor * ratio, factor * more + static
        room = max(0.0, ratio * shut.top + more)
        terms: Terms = [(1.0, end), (-ratio, start), (-room, boost(option))]
        model.row(shut_along_row(option, shut.number), terms, low=more - room)
