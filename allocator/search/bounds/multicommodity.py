"""Where flow begins, fluid by fluid, how much of it there can be, and where it ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

from allocator.model.expressions import collected, direct_peak, given_by, scaled, taken_by
from allocator.model.index_sets import Group, IndexSets, PipeArc
from allocator.model.model import Terms
from allocator.plans.records import FLAT


@dataclass(frozen=True)
class Origin:
    """A place where a fluid enters the pipes: a source, what a store releases, what machines give.

    ``out``: the rate it sends, everything on, following parts at their peak, kg/s; ``most``: what
    that can never exceed (infinite where nothing says). ``ends``: terms of what is collected for
    each place, which this origin alone brings there.
    """

    name: str
    fluid: str
    place: str
    out: Terms
    most: float
    ends: dict[str, Terms]

    @property
    def supplies(self) -> bool:
        """True when it feeds the supply layer (a source that is not steady never does)."""
        return any(not (isinstance(key, tuple) and key[0] == "collect") for _, key in self.out)


def origins_of(sets: IndexSets) -> tuple[Origin, ...]:
    """Every origin of the pipes' flow."""
    found = [_source(sets, name) for name in sets.sources]
    if not sets.lossless:
        found += [_store(sets, name) for name in sets.fluid_stores]
    for group in sets.groups.values():
        for fluid in sets.fluid_shapes:
            if group.type.outputs.get(fluid, 0.0) > 0:
                found.append(_group(sets, group, fluid))
    return tuple(origin for origin in found if origin.out)


def _source(sets: IndexSets, name: str) -> Origin:
    source = sets.site.sources[name]
    most = source.flow
    if source.pump is not None and source.pump.rate is not None:
        most = min(most, source.pump.rate)
    ends: dict[str, Terms] = {}
    for k in sets.reach[name]:
        ends.setdefault(sets.destinations[k].place, []).append((1.0, ("collect", name, k)))
    out = collected(sets, name) + direct_peak(sets, name)
    return Origin(f"source:{name}", source.fluid, source.place, out, most, ends)


def _store(sets: IndexSets, name: str) -> Origin:
    store = sets.fluid_stores[name]
    fluid = store.type.holds
    out: Terms = [(sets.peak(j), ("draw", name, j)) for j in sets.fluid_shapes[fluid]]
    rate = store.type.release_rate
    most = math.inf if rate is None else rate
    if not any(group.type.outputs.get(fluid, 0.0) > 0 for group in sets.groups.values()):
        # For ever a store gives no more than what the sources of its fluid give in the mean.
        mean = math.fsum(
            sets.curves[s].duty * sets.site.sources[s].flow
            for s in sets.sources
            if sets.site.sources[s].fluid == fluid and not sets.site.sources[s].part_of
        )
        peak = max(sets.peak(j) for j in sets.fluid_shapes[fluid])
        most = min(most, peak * mean)
    return Origin(f"store:{name}", fluid, store.place, out, most, {})


def _group(sets: IndexSets, group: Group, fluid: str) -> Origin:
    out: Terms = []
    for shape in sets.fluid_shapes[fluid]:
        out += scaled(given_by(sets, group, fluid, shape), sets.peak(shape))
    return Origin(f"group:{group.name}", fluid, group.place, out, math.inf, {})


def takers(sets: IndexSets, fluid: str) -> dict[str, Terms]:
    """What is taken out of the supply layer at each place, following parts at their peak, kg/s."""
    found: dict[str, Terms] = {}
    for shape in sets.fluid_shapes[fluid]:
        for place, terms in taken(sets, fluid, shape).items():
            found.setdefault(place, []).extend(scaled(terms, sets.peak(shape)))
    return found


def taken(sets: IndexSets, fluid: str, shape: str) -> dict[str, Terms]:
    """What is taken of one shape at each place, mean kg/s."""
    found: dict[str, Terms] = {}
    for group in sets.groups.values():
        if terms := taken_by(sets, group, fluid, shape):
            found.setdefault(group.place, []).extend(terms)
    for demand in sets.fluid_demands():
        if demand.wants == fluid and sets.shape_of[demand.name] == shape:
            assert demand.place is not None
            found.setdefault(demand.place, []).append((1.0, ("served_fluid", demand.name)))
    if not sets.lossless and shape == FLAT:
        for name, store in sets.fluid_stores.items():
            if store.type.holds == fluid:
                found.setdefault(store.place, []).append((1.0, ("inflow", name)))
    return found


def given(sets: IndexSets, fluid: str, shape: str) -> Terms:
    """What enters the supply layer of one shape, all over the site, mean kg/s."""
    terms: Terms = []
    for name in sets.sources:
        source = sets.site.sources[name]
        if source.fluid == fluid and source.steady:
            terms.append((1.0, ("direct", name, shape)))
    if not sets.lossless:
        for name, store in sets.fluid_stores.items():
            if store.type.holds == fluid:
                terms.append((1.0, ("draw", name, shape)))
    for group in sets.groups.values():
        terms += given_by(sets, group, fluid, shape)
    return terms


def useful_arcs(sets: IndexSets, origin: Origin, sinks: set[str]) -> tuple[PipeArc, ...]:
    """Arcs that an origin's flow may use in some plan with no circles.

    Left out: arcs into the origin's own place, arcs that it cannot reach, and arcs into dead ends
    (places with one neighbour that neither take the fluid nor lead on).
    """
    ahead: dict[str, list[PipeArc]] = {}
    for arc in sets.arcs.get(origin.fluid, ()):
        if arc.end != origin.place:
            ahead.setdefault(arc.start, []).append(arc)
    reached, waiting = {origin.place}, [origin.place]
    while waiting:
        for arc in ahead.get(waiting.pop(), ()):
            if arc.end not in reached:
                reached.add(arc.end)
                waiting.append(arc.end)
    arcs = [a for a in sets.arcs.get(origin.fluid, ()) if a.end != origin.place]
    return _leading_on([a for a in arcs if a.start in reached], sinks)


def _leading_on(arcs: list[PipeArc], sinks: set[str]) -> tuple[PipeArc, ...]:
    """Arcs from whose end the flow is taken, or goes on to another place than it came from.

    Leaving out an arc may make those before it useless: each place is looked at again when it has
    lost its last way on but one, and its last, so that the work grows with the arcs alone.
    """
    into: dict[str, list[PipeArc]] = {}
    onward: dict[str, dict[str, int]] = {}
    for arc in arcs:
        into.setdefault(arc.end, []).append(arc)
        cheapest_paths = onward.setdefault(arc.start, {})
        cheapest_paths[arc.end] = cheapest_paths.get(arc.end, 0) + 1
    dropped: set[PipeArc] = set()
    waiting = [place for place in into if place not in sinks and len(onward.get(place, {})) <= 1]
    while waiting:
        place = waiting.pop()
        for arc in into[place]:
            if arc in dropped or onward.get(place, {}).keys() - {arc.start}:
                continue
            dropped.add(arc)
            cheapest_paths = onward[arc.start]
            cheapest_paths[arc.end] -= 1
            if not cheapest_paths[arc.end]:
                del cheapest_paths[arc.end]
                if len(cheapest_paths) <= 1 and arc.start not in sinks and arc.start in into:
                    waiting.append(arc.start)
    return tuple(arc for arc in arcs if arc not in dropped)
