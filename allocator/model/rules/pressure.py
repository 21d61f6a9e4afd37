"""Rules of pressure along lines; see :mod:`allocator.model.pressures` for high and low potentials.

The columns of potentials count from the least of their fluid, and so do the inequalities here. No
rule states anything on a site of whose pressures nothing is computed.
"""

from __future__ import annotations

from allocator.model.drops import drops_of, first_rows
from allocator.model.expressions import (
    arrivals,
    can_cycle,
    direct_shapes,
    drawn_at_most,
    given_by,
    moved_at_most,
    scaled,
)
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Terms
from allocator.model.pressures import (
    Pressures,
    boost,
    directed,
    peak,
    peaks_along,
    spur_laid,
    spur_peak,
    used_groups,
    used_stores,
)
from allocator.model.rules.stores import most_given, most_units
from allocator.plans.records import FLAT

BOTH_WAYS = 1e-6
"""Share of what it can carry that a spur carries each way at the least."""


def one_direction(model: Model, sets: IndexSets) -> None:
    """``directed forth + directed back + spurs = lay`` of each build: one direction, or a spur."""
    if sets.pressures is None:
        return
    terms: dict[Key, Terms] = {}
    for arc, losses in sets.pressures.losses.items():
        for build in losses:
            laid = terms.setdefault(("lay", arc.route, build, arc.fluid), [])
            laid.append((1.0, directed(arc, build)))
    for spur in sets.pressures.spurs:
        for build in sets.pressures.losses[spur.into]:
            laid = terms["lay", spur.route, build, spur.fluid]
            laid.append((1.0, spur_laid(spur, build)))
    for lay, laid in terms.items():
        model.row(f"one_direction[{lay}]", [*laid, (-1.0, lay)], low=0.0, high=0.0)


def peak_flow(model: Model, sets: IndexSets) -> None:
    """``sum_p gather + sum_j peak_j supply_j <= sum_b peak_b``, spurs included, of each arc; and

    ``peak_b <= most_b * directed_b``, with ``most_b`` the least of the capacity and of what all the
    potential that there may be drives.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for arc, losses in pressures.losses.items():
        sums: Terms = []
        for build in losses:
            for flow, laid in peaks_along(pressures, arc, build):
                most = pressures.most[arc, build]
                model.row(peak_row(flow), [(1.0, flow), (-most, laid)], high=0.0)
                sums.append((-1.0, flow))
        name = f"peak_flow[{arc.route},{arc.start},{arc.fluid}]"
        model.row(name, [*moved_at_most(sets, arc), *sums], high=0.0)


def peak_row(flow: Key) -> str:
    """Name of the row that limits the peak flow of a build in a direction."""
    return f"peak[{flow}]"


def spur_layers(model: Model, sets: IndexSets) -> None:
    """``sum_j peak_j supply_j <= sum_b peak_b`` towards the store, ``sum_p gather <= sum_b peak_b``

    back, of what is laid in one direction alone: a spur has neither. Where there may be a store at
    either end, a spur that is laid the other way round, for which the same arc is that of release
    or of filling, may have what it has: its peak there counts as well. And a spur is used both
    ways: ``flow >= BOTH_WAYS * sum_b most_b spur_b`` of each; else it is a pipe of one direction.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for spur in pressures.spurs:
        losses = pressures.losses[spur.into]
        for arc, word in ((spur.into, "supply"), (spur.out, "gather")):
            moved = [
                (factor, key)
                for factor, key in moved_at_most(sets, arc)
                if isinstance(key, tuple) and key[0] == word
            ]
            laid: Terms = [(-1.0, peak(arc, build)) for build in losses]
            for other in pressures.spurs_at[arc]:
                if arc == (other.out if word == "supply" else other.into):
                    laid += [(-1.0, spur_peak(other, build, arc)) for build in losses]
            name = f"spur_{word}[{spur.route},{spur.inner},{spur.fluid}]"
            model.row(name, [*moved, *laid], high=0.0)
            least: Terms = [
                (-BOTH_WAYS * pressures.most[arc, build], spur_laid(spur, build))
                for build in losses
            ]
            model.row(f"{name} both", [*moved_at_most(sets, arc), *least], low=0.0)


def two_potentials(model: Model, sets: IndexSets) -> None:
    """``low <= high`` of each fluid and node."""
    for column in list(model.columns):
        if isinstance(column.key, tuple) and column.key[0] == "low":
            _, node, fluid = column.key
            terms: Terms = [(1.0, column.key), (-1.0, ("high", node, fluid))]
            model.row(f"two_potentials[{node},{fluid}]", terms, high=0.0)


def pressure_drop(model: Model, sets: IndexSets) -> None:
    """``loss_b(Q) <= low_i - high_j + boost`` of the build b that is laid from i to j, and

    ``end_b Q^2 <= low_j``, so that gas is slow enough there: as tangents, of which a few stand from
    the start (:mod:`allocator.model.drops`).
    """
    for row in first_rows(model, drops_of(sets)):
        model.rows.append(row)


def source_pressure(model: Model, sets: IndexSets) -> None:
    """``high <= mouth`` where a source is connected; an existing one may be shut: it then gives

    nothing (``sent <= flow * drawn``).
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for fluid, one in pressures.fluids.items():
        width = pressures.width(fluid)
        for name, potential in one.mouths.items():
            source = sets.site.sources.get(name)
            if source is None or name not in sets.sources or source.part_of:
                continue
            on = opened(model, name)
            if on[0] == "drawn":
                parts = (name, *sets.site.parts_of(name))
                sent = [term for part in parts for term in drawn_at_most(sets, part)]
                model.row(f"drawn[{name}]", [*sent, (-len(parts) * source.flow, on)], high=0.0)
            mouth = pressures.above(fluid, potential)
            if mouth < width:
                terms: Terms = [(1.0, pressures.high(source.place, fluid)), (width - mouth, on)]
                model.row(f"source_pressure[{name}]", terms, high=width)


def opened(model: Model, source: str) -> tuple[str, str]:
    """The column that is 1 where gas of a source is let in."""
    drawn = ("drawn", source)
    return drawn if model.has(drawn) else ("tap", source)


def inlet_pressure(model: Model, sets: IndexSets) -> None:
    """``low >= inlet`` of what a group takes and ``high <= outlet`` of what it gives, where

    ``running + cycled + beside <= most * takes`` (on the mean basis ``flat <= most * takes``); and
    ``low >= inlet`` of a demand, where ``served <= mean * takes``.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for name in used_groups(sets, pressures):
        group, takes = sets.groups[name], ("takes", name)
        units: Terms = [(1.0, ("flat" if sets.lossless else "running", name))]
        if can_cycle(sets, group):
            units.append((1.0, ("cycled", name)))
        if model.has(("beside", name)):
            units.append((1.0, ("beside", name)))
        model.row(f"takes[{name}]", [*units, (-most_units(group), takes)], high=0.0)
        for fluid, one in pressures.fluids.items():
            if fluid in group.type.inputs and group.type.name in one.inlets:
                _at_least(model, pressures, group.place, fluid, one.inlets[group.type.name], takes)
            if fluid in group.type.outputs and group.type.name in one.outlets:
                outlet = pressures.above(fluid, one.outlets[group.type.name])
                room = pressures.width(fluid) - outlet
                terms: Terms = [(1.0, pressures.high(group.place, fluid)), (room, takes)]
                model.row(f"outlet_pressure[{name},{fluid}]", terms, high=outlet + room)
    for demand in sets.fluid_demands():
        takes = ("takes", demand.name)
        if model.has(takes):
            served: Terms = [(1.0, ("served_fluid", demand.name)), (-demand.mean, takes)]
            model.row(f"takes[{demand.name}]", served, high=0.0)
            assert demand.place is not None
            potential = pressures.fluids[demand.wants].demands[demand.name]
            _at_least(model, pressures, demand.place, demand.wants, potential, takes)


def _at_least(
    model: Model, pressures: Pressures, place: str, fluid: str, potential: float, takes: Key
) -> None:
    inlet = pressures.above(fluid, potential)
    if inlet > 0.0:
        terms: Terms = [(1.0, pressures.low(place, fluid)), (-inlet, takes)]
        model.row(f"inlet_pressure[{takes},{fluid}]", terms, low=0.0)


def store_pressure(model: Model, sets: IndexSets) -> None:
    """``high + boost >= filling pressure`` and ``low <= release pressure`` where a store is used:

    ``filling <= most * holds`` and ``release <= most * holds``.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    for name in used_stores(sets, pressures):
        store, holds = sets.fluid_stores[name], ("holds", name)
        fluid, place = store.type.holds, store.place
        width, most = pressures.width(fluid), most_moved(sets, fluid)
        model.row(f"filled[{name}]", [*filling(sets, name), (-most, holds)], high=0.0)
        drawn: Terms = [(sets.peak(j), ("draw", name, j)) for j in sets.fluid_shapes[fluid]]
        model.row(f"released[{name}]", [*drawn, (-most, holds)], high=0.0)
        at = pressures.fluids[fluid].stores.get(store.type.name)
        if at is None:
            continue
        if (fill := pressures.above(fluid, at.fill)) > 0.0:
            terms: Terms = [(1.0, pressures.high(place, fluid)), (-fill, holds)]
            terms += [(one.gain, boost(one)) for one in pressures.boosters_at.get(name, ())]
            model.row(f"filling_pressure[{name}]", terms, low=0.0)
        if (release := pressures.above(fluid, at.release)) < width:
            terms = [(1.0, pressures.low(place, fluid)), (width - release, holds)]
            model.row(f"release_pressure[{name}]", terms, high=width)


def filling(sets: IndexSets, store: str) -> Terms:
    """What fills a store, in both layers."""
    return [*arrivals(sets, f"store:{store}"), (1.0, ("inflow", store))]


def most_moved(sets: IndexSets, fluid: str) -> float:
    """kg/s: more than all sources and machines give of a fluid at once, at the peak of a shape."""
    return most_given(sets, fluid) * max(sets.peak(shape) for shape in sets.fluid_shapes[fluid])


def steady_filling(model: Model, sets: IndexSets) -> None:
    """Per node: ``sum_k inflow_k <= flat supply that comes to its high header``.

    By pipes of one direction, of steady sources and of machines there. What a store releases
    there, or beyond a spur, is in the low header: of a pipe that may be a spur, ``steady <=
    supply_flat`` and ``steady <= sum_b peak_b`` of what is laid in one direction alone.
    """
    pressures = sets.pressures
    if pressures is None:
        return
    stores = [(n, s) for n, s in sets.fluid_stores.items() if s.type.holds in pressures.fluids]
    balance: dict[tuple[str, str], Terms] = {}
    for name, store in stores:
        at = (pressures.fluids[store.type.holds].node(store.place), store.type.holds)
        balance.setdefault(at, []).append((1.0, ("inflow", name)))

    def comes(place: str, fluid: str, terms: Terms) -> None:
        one = pressures.fluids.get(fluid)
        if one is not None and (one.node(place), fluid) in balance:
            balance[one.node(place), fluid].extend(scaled(terms, -1.0))

    for arc in pressures.losses:
        supply: Key = ("supply", arc.route, arc.start, arc.fluid, FLAT)
        steady: Key = ("steady", arc.route, arc.start, arc.fluid)
        comes(arc.end, arc.fluid, [(1.0, steady if model.has(steady) else supply)])
        if model.has(steady):
            name = f"steady[{arc.route},{arc.start},{arc.fluid}]"
            model.row(name, [(1.0, steady), (-1.0, supply)], high=0.0)
            laid: Terms = [(-1.0, peak(arc, build)) for build in pressures.losses[arc]]
            model.row(f"{name}, no spur", [(1.0, steady), *laid], high=0.0)
    for name in sets.sources:
        source = sets.site.sources[name]
        if FLAT in direct_shapes(sets, name):
            comes(source.place, source.fluid, [(1.0, ("direct", name, FLAT))])
    for group in sets.groups.values():
        for fluid in group.type.outputs:
            comes(group.place, fluid, given_by(sets, group, fluid, FLAT))
    for (node, fluid), terms in balance.items():
        model.row(f"steady_filling[{node},{fluid}]", terms, high=0.0)
