"""A site whose fluids have temperatures -> a site with a place for each level of temperature."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace

from allocator.network.coolers import hottest_coolant
from allocator.network.cooling import put_coolers, put_sinks
from allocator.network.draft import Draft, PlacedError, degrees, mouth_of, part_name
from allocator.network.faults import Notes, Remark, note
from allocator.network.inlet_nodes import inlet_nodes_of, moved
from allocator.network.laying import lay_pipes
from allocator.network.levels import discharges_of, level_above, levels_of, planned_fluids
from allocator.network.passages import keep_other_routes, open_passages
from allocator.network.properties import heat_capacity
from allocator.network.reach import useful
from allocator.network.records import Network
from allocator.network.sinks import NO_SINKS, Sinks, bears, outlets_of, sinks_of
from allocator.network.wet_gas import condensed_heat
from allocator.physics.faults import PhysicsError
from allocator.physics.recovery import most_of_stream
from allocator.site.records import POWER, Cooler


def with_streams(site: Network, notes: Notes) -> Network:
    """The site with places, routes and coolers by level; the same site where nothing asks for it.

    Faults are noted in ``notes`` at the things that they come from.
    """
    _check_set_points(site, notes)
    fluids = planned_fluids(site)
    if not fluids or not _sources_are_told(site, fluids, notes):
        return site
    sinks = sinks_of(site)
    levels = {fluid: levels_of(site, fluid, outlets_of(site, fluid, sinks)) for fluid in fluids}
    try:
        made, remarks = expanded(site, levels, sinks)
    except PlacedError as fault:
        note(notes, fault.section, fault.name, fault.key, fault.error)
        return site
    notes.remarks.extend(remarks)
    return made


def expanded(
    site: Network, levels: Mapping[str, tuple[float, ...]], sinks: Sinks = NO_SINKS
) -> tuple[Network, tuple[Remark, ...]]:
    """The site on the levels of its planned fluids, and what is odd about it."""
    draft = Draft(site, levels, inlet_nodes_of(site, levels), sinks)
    sources = _sources(draft)
    for fluid in levels:
        lay_pipes(draft, fluid)
        put_sinks(draft, fluid, sources)
        put_coolers(draft, fluid, sources)
    open_passages(draft, sources)
    keep_other_routes(draft)
    made = _assembled(draft, sources)
    remarks = (*draft.remarks, *_starved(draft, made), *_stuck(draft, made), *_idle(draft, made))
    return made, remarks


def _starved(draft: Draft, made: Network) -> list[Remark]:
    """Equipment to which nothing comes that it bears."""
    found = []
    for place, inlet_nodes in draft.inlet_nodes.items():
        for inlet_node in inlet_nodes:
            where = part_name(place, inlet_node.name)
            for fluid in dict.fromkeys(f for f, way, _ in inlet_node.ports if way == "in"):
                into = [
                    r
                    for r in made.routes.values()
                    if r.stream is not None
                    and r.stream.fluid == fluid
                    and where in (r.start, r.end)
                ]
                limit = min(
                    (m for f, w, m in inlet_node.ports if (f, w) == (fluid, "in") and m), default=0
                )
                if into or not limit:
                    continue
                for kind, name, _ in inlet_node.things:
                    found.append(
                        Remark(
                            "storage" if kind == "store" else f"{kind}s",
                            name,
                            f"no '{fluid}' of at most {degrees(limit)} reaches '{place}'",
                            "offer a cooler, or a run long enough to cool it",
                        )
                    )
    return found


def _stuck(draft: Draft, made: Network) -> list[Remark]:
    """Sources whose gas is too hot for their pump, with no cooler or heat sink at their mouth."""
    starts = {route.start for route in made.routes.values()}
    return [
        Remark(
            "sources",
            source.name,
            f"its gas is too hot for its pump "
            f"({degrees(source.pump.max_inlet_temperature)}), and no "
            f"cooler may be built there that brings it below that{_refused(draft, source.name)}",
            "offer a cooler at its place",
        )
        for source in made.own_sources.values()
        if source.pump is not None
        and source.pump.max_inlet_temperature is not None
        and source.temperature is not None
        and source.temperature > source.pump.max_inlet_temperature
        and made.places[source.place].part_of
        and source.place not in starts
    ]


def _idle(draft: Draft, made: Network) -> Iterator[Remark]:
    """Existing coolers and heat sinks that no stream reaches."""
    arcs = [made.routes[run.route] for run in made.built.pipes]
    streams = [(arc.stream, made.ground(arc.start)) for arc in arcs if arc.stream is not None]
    used = Counter((stream.kind, stream.corridor, place) for stream, place in streams)
    for (name, place), count in Counter((c.cooler, c.place) for c in made.built.coolers).items():
        known = draft.site.coolers[name].fluid in draft.levels  # else told: no source gives it
        if known and used["cooler", name, place] < count:
            yield Remark(
                "coolers",
                name,
                f"no stream reaches existing units of it at '{place}', so they are not used",
                "check 'source' and 'temperature' of these under 'built'",
            )
    for one in made.built.heat_sinks:
        place = made.ground(made.sources[made.heat_sinks[one.heat_sink].source].place)
        if not used["sink", one.heat_sink, place]:
            why = draft.sinks.refused.get(one.heat_sink, "")
            yield Remark(
                "heat_sinks",
                one.heat_sink,
                f"the existing one is not used{why and f': {why}'}",
                "run 'allocator heat-sinks' on the site",
            )


def _refused(draft: Draft, source: str) -> str:
    """Why heat sinks of a source do not cool it enough."""
    why = draft.sinks.refused
    mine = [b.name for b in draft.site.heat_sinks.values() if b.source == source and b.name in why]
    return "".join(f"; heat sink '{name}' does not: {why[name]}" for name in mine)


def _check_set_points(site: Network, notes: Notes) -> None:
    told = set()
    for cooler in site.coolers.values():
        known = [s.temperature for s in site.sources.values() if s.fluid == cooler.fluid]
        hot = [kelvin for kelvin in known if kelvin is not None]
        hot += discharges_of(site, cooler.fluid).values() if hot else ()
        if not known:
            problem = f"cools '{cooler.fluid}', which no source gives, so it is not used"
            remedy = "check its fluid, or delete it"
            notes.remarks.append(Remark("coolers", cooler.name, problem, remedy))
        elif not hot and cooler.fluid not in told:  # one cause, told once
            told.add(cooler.fluid)
            error = PhysicsError(
                f"cools '{cooler.fluid}', no source of which has a temperature",
                "add 'temperature' to its sources",
            )
            note(notes, "coolers", cooler.name, "fluid", error)
        elif hot and cooler.set_point >= max(hot):
            error = PhysicsError(
                f"has a set-point of {degrees(cooler.set_point, max(hot))}, and no source of "
                f"'{cooler.fluid}' is hotter than {degrees(max(hot), cooler.set_point)}",
                "lower the set-point or leave the cooler out",
            )
            note(notes, "coolers", cooler.name, "set_point", error)
        elif cooler.heat_temperature is not None and hot:
            _check_coolant(site, cooler, max(hot), notes)
        cold = site.ambient.temperature if cooler.coolant is None else cooler.coolant
        if cooler.recovery <= 0:
            continue
        limit = _most_recovered(site, cooler, cold)
        if cooler.recovery >= limit:
            error = PhysicsError(
                f"recovers {100 * cooler.recovery:.3g} % of the heat of gas that it cools from "
                f"{degrees(cooler.threshold)} to {degrees(cooler.set_point)}, where no engine "
                f"passes {100 * limit:.3g} % against {degrees(cold)}",
                "give a lower efficiency or a higher threshold",
            )
            note(notes, "coolers", cooler.name, "recovery", error)


def _check_coolant(site: Network, cooler: Cooler, hottest: float, notes: Notes) -> None:
    """Notes heat that is hotter than the cooler's own coolant ever gets."""
    assert cooler.heat_temperature is not None
    wet = [source for source in site.sources.values() if source.fluid == cooler.fluid]
    try:
        condensed = condensed_heat(site, cooler.fluid, wet, hottest, cooler.set_point)
        most = hottest_coolant(site, cooler, hottest, condensed)
    except PhysicsError:
        return  # told where the cooler is placed
    if most is None or cooler.heat_temperature <= most:
        return
    assert cooler.coolant is not None
    error = PhysicsError(
        f"gives heat at {degrees(cooler.heat_temperature)}, and its coolant, which comes at "
        f"{degrees(cooler.coolant)}, leaves at no more than {degrees(most)}",
        "give a lower temperature, hotter coolant, or less 'coolant.capacity'",
    )
    note(notes, "coolers", cooler.name, "heat_temperature", error)


def _most_recovered(site: Network, cooler: Cooler, cold: float) -> float:
    """Greatest share of its heat that can be power, of gas that comes just at the threshold."""
    try:
        capacity = heat_capacity(site, cooler.fluid, max(cooler.threshold, cooler.set_point))
    except PhysicsError:
        capacity = None  # told where the cooler is stated
    return most_of_stream(cooler.threshold, cooler.set_point, cold, capacity)


def _sources_are_told(site: Network, fluids: tuple[str, ...], notes: Notes) -> bool:
    told = True
    for source in site.sources.values():
        if source.fluid in fluids and source.temperature is None:
            told = False
            error = PhysicsError(
                f"needs 'temperature', as limits or coolers depend on that of '{source.fluid}'",
                "add 'temperature: 40 degC'",
            )
            note(notes, "sources", source.name, "fluid", error)
    return told


def _sources(draft: Draft) -> dict[str, str]:
    """Source -> where it comes out: at its level, or at its mouth.

    At its mouth where its pump does not bear it, or a heat sink there takes its gas alone.
    """
    found = {}
    for source in draft.site.sources.values():
        if source.fluid not in draft.levels or source.temperature is None:
            continue
        if not bears(source) or source.name in draft.sinks.usable:
            found[source.name] = draft.part(source.place, mouth_of(source.name))
        else:
            level = level_above(draft.levels[source.fluid], source.temperature)
            found[source.name] = draft.node(source.place, source.fluid, level)
    return found


def _assembled(draft: Draft, sources: Mapping[str, str]) -> Network:
    site = draft.site
    moves = moved(draft.inlet_nodes)
    starts = {(site.sources[name].fluid, node) for name, node in sources.items()}
    starts |= {
        (fluid, part_name(place, inlet_node.name))
        for place, inlet_nodes in draft.inlet_nodes.items()
        for inlet_node in inlet_nodes
        for fluid, way, _ in inlet_node.ports
        if way == "out"
    }
    ends = {
        part_name(place, inlet_node.name)
        for place, inlet_nodes in draft.inlet_nodes.items()
        for inlet_node in inlet_nodes
    }
    routes = useful(draft.routes, starts, ends, draft.levels)
    used = {p for r in routes.values() for p in (r.start, r.end)} | set(sources.values())
    used |= {part_name(place, inlet_node) for place, inlet_node in moves.values() if inlet_node}
    places = {**site.places, **{n: p for n, p in draft.places.items() if n in used}}
    built = site.built
    excluded = set(site.limits.excluded_places)
    return replace(
        site,
        places=places,
        routes=routes,
        corridors=site.routes,
        pipes={**site.pipes, **draft.builds},
        sources={n: replace(s, place=sources.get(n, s.place)) for n, s in site.sources.items()},
        storage={
            n: replace(s, places=tuple(_at(moves, "store", n, p) for p in s.places))
            if s.holds != POWER
            else s
            for n, s in site.storage.items()
        },
        machines={
            n: replace(m, places={_at(moves, "machine", n, p): k for p, k in m.places.items()})
            for n, m in site.machines.items()
        },
        demands={
            n: d
            if d.place is None or d.wants == POWER
            else replace(d, place=_at(moves, "demand", n, d.place))
            for n, d in site.demands.items()
        },
        built=replace(
            built,
            pipes=tuple(run for run in draft.existing if run.route in routes),
            storage={
                (n, _at(moves, "store", n, p)): size for (n, p), size in built.storage.items()
            },
            machines={(n, _at(moves, "machine", n, p)): k for (n, p), k in built.machines.items()},
        ),
        limits=replace(
            site.limits,
            excluded_places=tuple(
                n for n, p in places.items() if n in excluded or p.part_of in excluded
            ),
        ),
    )


def _at(moves: Mapping[tuple[str, str, str], tuple[str, str]], kind: str, name: str, p: str) -> str:
    place, inlet_node = moves.get((kind, name, p), (p, ""))
    return part_name(place, inlet_node)
