"""A site whose fluids have temperatures -> a site with a place for each level of temperature."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from allocator.physics.faults import PhysicsError
from allocator.physics.recovery import carnot
from allocator.quantities import format_quantity
from allocator.site.records import (
    POWER,
    Build,
    Built,
    BuiltRun,
    Cooler,
    Layer,
    Place,
    Route,
    Site,
    Stream,
)
from allocator.site.streams.bays import Bay, bays_of, moved
from allocator.site.streams.coolers import unit_of
from allocator.site.streams.faults import note
from allocator.site.streams.levels import level_above, levels_of, planned_fluids
from allocator.site.streams.offers import Ask, Offer, offers_of
from allocator.site.streams.reach import useful
from allocator.site.table import Values

UNITS = 4
"""Units of a cooler that may stand for one stream at a place where the site sets no number."""

PASSAGE = "passage"
ROOMY = 10.0
"""A passage carries this much more than all sources together: no limit, but a finite number."""

Node = tuple[str, str, float]
"""Place, fluid and level, K."""


@dataclass
class Draft:
    """What is made of a site, before what leads nowhere is left out."""

    site: Site
    levels: Mapping[str, tuple[float, ...]]
    bays: Mapping[str, tuple[Bay, ...]]
    routes: dict[str, Route] = field(default_factory=dict)
    builds: dict[str, Build] = field(default_factory=dict)
    places: dict[str, Place] = field(default_factory=dict)
    standing: list[BuiltRun] = field(default_factory=list)

    def node(self, place: str, fluid: str, level: float) -> str:
        """The place at which a fluid is, at a level at most."""
        return self.part(place, f"{fluid} {_degrees(level)}")

    def part(self, place: str, what: str) -> str:
        """A place made as part of another."""
        name = f"{place}, {what}"
        self.places.setdefault(name, replace(self.site.places[place], name=name, part_of=place))
        return name

    def lay(self, route: Route) -> None:
        """Add a route, under a name of its own."""
        name = route.name
        while name in self.routes:
            name += "'"
        self.routes[name] = replace(route, name=name)


def with_streams(site: Site, values: Values) -> Site:
    """The site with places, routes and coolers by level; the same site where nothing asks for it.

    Faults are noted in ``values`` at the things that they come from.
    """
    _check_set_points(site, values)
    fluids = planned_fluids(site)
    if not fluids or not _sources_are_told(site, fluids, values):
        return site
    levels = {fluid: levels_of(site, fluid) for fluid in fluids}
    try:
        return expanded(site, levels)
    except _PlacedError as fault:
        note(values, fault.section, fault.name, fault.key, fault.error)
        return site


class _PlacedError(Exception):
    """A fault of physics and the thing of the site that it belongs to."""

    def __init__(self, section: str, name: str, key: str, error: PhysicsError) -> None:
        self.section, self.name, self.key, self.error = section, name, key, error
        super().__init__(str(error))


def expanded(site: Site, levels: Mapping[str, tuple[float, ...]]) -> Site:
    """The site on the levels of its planned fluids."""
    draft = Draft(site, levels, bays_of(site, levels))
    sources = _sources(draft)
    for fluid in levels:
        _pipes(draft, fluid)
        _coolers(draft, fluid, sources)
    _passages(draft)
    _other_routes(draft)
    return _assembled(draft, sources)


def _check_set_points(site: Site, values: Values) -> None:
    for cooler in site.coolers.values():
        known = [s.temperature for s in site.sources.values() if s.fluid == cooler.fluid]
        hot = [kelvin for kelvin in known if kelvin is not None]
        if not hot:
            error = PhysicsError(
                f"cools '{cooler.fluid}', no source of which has a temperature",
                "add 'temperature' to its sources",
            )
            note(values, "coolers", cooler.name, "fluid", error)
        elif cooler.set_point >= max(hot):
            error = PhysicsError(
                f"has a set-point of {_degrees(cooler.set_point)}, and no source of "
                f"'{cooler.fluid}' is hotter than {_degrees(max(hot))}",
                "lower the set-point or leave the cooler out",
            )
            note(values, "coolers", cooler.name, "set_point", error)
        cold = site.ambient.temperature if cooler.coolant is None else cooler.coolant
        if cooler.recovery > 0 and cooler.recovery >= carnot(cooler.threshold, cold):
            error = PhysicsError(
                f"recovers {100 * cooler.recovery:.3g} % of the heat from "
                f"{_degrees(cooler.threshold)} on, where no engine passes "
                f"{100 * carnot(cooler.threshold, cold):.3g} % against {_degrees(cold)}",
                "give a lower efficiency or a higher threshold",
            )
            note(values, "coolers", cooler.name, "recovery", error)


def _sources_are_told(site: Site, fluids: tuple[str, ...], values: Values) -> bool:
    told = True
    for source in site.sources.values():
        if source.fluid in fluids and source.temperature is None:
            told = False
            error = PhysicsError(
                f"needs 'temperature', as limits or coolers depend on that of '{source.fluid}'",
                "add 'temperature: 40 degC'",
            )
            note(values, "sources", source.name, "fluid", error)
    return told


def _sources(draft: Draft) -> dict[str, str]:
    """Source -> where it comes out: at its level, or at its mouth if its pump does not bear it."""
    found = {}
    for source in draft.site.sources.values():
        if source.fluid not in draft.levels or source.temperature is None:
            continue
        limit = source.pump.hottest_inlet if source.pump is not None else None
        if limit is not None and source.temperature > limit:
            found[source.name] = draft.part(source.place, f"mouth of {source.name}")
        else:
            level = level_above(draft.levels[source.fluid], source.temperature)
            found[source.name] = draft.node(source.place, source.fluid, level)
    return found


def _pipes(draft: Draft, fluid: str) -> None:
    """Runs of a fluid: one for each level at which it enters and each in which it may end."""
    site, levels = draft.site, draft.levels[fluid]
    standing = {(r.route, r.build) for r in site.built.runs if r.fluid == fluid}
    asks = [
        Ask(route, site.builds[build], fluid, level)
        for route in site.routes.values()
        for level in levels
        for build in dict.fromkeys((*route.builds, *(b for r, b in standing if r == route.name)))
        if site.may_carry(route.name, build, fluid)
    ]
    try:
        offers = [offer for offer in offers_of(site, asks) if not offer.broken]
    except PhysicsError as error:
        raise _PlacedError("fluids", fluid, "", error) from None
    grouped: dict[tuple[str, float, float], list[Offer]] = {}
    for offer in offers:
        ends = min(level_above(levels, offer.end), offer.ask.inlet)
        grouped.setdefault((offer.ask.route.name, offer.ask.inlet, ends), []).append(offer)
    stands: dict[tuple[str, str], str] = {}
    for (name, inlet, outlet), held in grouped.items():
        route = site.routes[name]
        ways = [(route.start, route.end, "")]
        if not route.one_way and outlet != inlet:
            ways.append((route.end, route.start, " back"))
        for start, end, back in ways:
            span = (
                _degrees(inlet) if inlet == outlet else f"{_degrees(inlet)} to {_degrees(outlet)}"
            )
            listed = f"{name}{back}, {fluid} {span}"
            draft.lay(
                replace(
                    route,
                    name=listed,
                    start=draft.node(start, fluid, inlet),
                    end=draft.node(end, fluid, outlet),
                    builds=tuple(
                        o.ask.build.name for o in held if o.ask.build.name in route.builds
                    ),
                    one_way=route.one_way or inlet != outlet,
                    capacities={(o.ask.build.name, fluid): o.capacity for o in held},
                    stream=Stream("pipe", fluid, name, inlet, outlet),
                )
            )
            for offer in held:
                if not back and (name, offer.ask.build.name) in standing:
                    stands[name, offer.ask.build.name] = listed  # levels rise: the hottest stays
    draft.standing += [BuiltRun(run, build, fluid) for (_, build), run in stands.items()]


def _coolers(draft: Draft, fluid: str, sources: Mapping[str, str]) -> None:
    site, levels = draft.site, draft.levels[fluid]
    for cooler in site.coolers.values():
        if cooler.fluid != fluid:
            continue
        outlet = level_above(levels, cooler.set_point)
        for place, most in cooler.places.items():
            inlets = [(draft.node(place, fluid, t), t) for t in levels if t > outlet]
            for source in site.sources.values():
                mouth = sources.get(source.name, "")
                if source.fluid == fluid and source.place == place and "mouth of" in mouth:
                    limit = source.pump.hottest_inlet if source.pump is not None else None
                    if source.temperature is not None and limit is not None and outlet <= limit:
                        inlets.append((mouth, source.temperature))
            for start, inlet in inlets:
                _cooler(draft, cooler, place, most, start, inlet, outlet)


def _cooler(
    draft: Draft,
    cooler: Cooler,
    place: str,
    most: int | None,
    start: str,
    inlet: float,
    outlet: float,
) -> None:
    try:
        unit = unit_of(draft.site, cooler, inlet)
    except PhysicsError as error:
        raise _PlacedError("fluids", cooler.fluid, "", error) from None
    if unit.rate <= 0:
        return
    names = []
    for count in range(1, (most or UNITS) + 1):
        name = f"{cooler.name} x {count}"
        while name in draft.site.builds:
            name += "'"
        layers = tuple(Layer(m, kg * count) for m, kg in cooler.materials.items() if kg > 0)
        draft.builds[name] = Build(name, unit.rate, layers, price=cooler.price * count)
        names.append(name)
    mouth = "" if "mouth of" not in start else f", {start.rpartition(', ')[2]}"
    draft.lay(
        Route(
            f"{cooler.name} at {place}{mouth}, {_degrees(inlet)} to {_degrees(outlet)}",
            start,
            draft.node(place, cooler.fluid, outlet),
            1.0,
            tuple(names),
            one_way=True,
            capacities={(n, cooler.fluid): unit.rate * (i + 1) for i, n in enumerate(names)},
            energy=unit.power,
            stream=Stream("cooler", cooler.fluid, cooler.name, inlet, outlet),
        )
    )


def _passages(draft: Draft) -> None:
    """Ways that cost nothing: into equipment from every level that it bears, and out of it."""
    site = draft.site
    room = ROOMY * _most_flow(site)
    for place, bays in draft.bays.items():
        for bay in bays:
            where = draft.part(place, bay.name) if bay.name else place
            for fluid, levels in draft.levels.items():
                enters = [t for t in levels if bay.takes(fluid, t)]
                leaves = bay.leaves(fluid, levels)
                for level in dict.fromkeys([*enters, *([leaves] if leaves is not None else [])]):
                    node = draft.node(place, fluid, level)
                    ends = (node, where) if level in enters else (where, node)
                    both = level in enters and level == leaves
                    stream = Stream("passage", fluid, place, level, level)
                    _passage(draft, ends, (fluid,), both, room, stream)
            others = [f for f in bay.fluids if f not in draft.levels]
            if bay.name and others:
                stream = Stream("passage", "", place, 0.0, 0.0)
                _passage(draft, (place, where), tuple(others), True, room, stream)


def _passage(
    draft: Draft,
    ends: tuple[str, str],
    fluids: tuple[str, ...],
    both_ways: bool,
    room: float,
    stream: Stream,
) -> None:
    build = PASSAGE
    while build in draft.site.builds:
        build += "'"
    draft.builds[build] = Build(build, room)
    name = f"{ends[0]} to {ends[1]}"
    draft.lay(
        Route(
            name,
            *ends,
            1.0,
            (build,),
            one_way=not both_ways,
            capacities={(build, fluid): room for fluid in fluids},
            stream=stream,
        )
    )
    draft.standing += [BuiltRun(name, build, fluid) for fluid in fluids]


def _most_flow(site: Site) -> float:
    """kg/s: more than any fluid ever flows at one place."""
    peaks = [max(d.profile.levels) for d in site.demands.values() if d.profile is not None]
    flows = sum(source.flow for source in site.sources.values())
    given = [rate for machine in site.machines.values() for rate in machine.gives.values()]
    return (flows + sum(given)) * max([1.0, *peaks])


def _other_routes(draft: Draft) -> None:
    """Routes as they are for fluids that are not planned with temperatures."""
    site = draft.site
    for route in site.routes.values():
        standing = [r.build for r in site.built.runs if r.route == route.name]
        listed = {
            (build, fluid): site.capacity(route.name, build, fluid)
            for build in dict.fromkeys((*route.builds, *standing))
            for fluid in site.fluids
            if fluid not in draft.levels and site.may_carry(route.name, build, fluid)
        }
        if listed:
            draft.lay(replace(route, capacities=listed))
    draft.standing += [run for run in site.built.runs if run.fluid not in draft.levels]


def _assembled(draft: Draft, sources: Mapping[str, str]) -> Site:
    site = draft.site
    moves = moved(draft.bays)
    starts = {(site.sources[name].fluid, node) for name, node in sources.items()}
    ends = {
        place if not bay.name else f"{place}, {bay.name}"
        for place, bays in draft.bays.items()
        for bay in bays
    }
    routes = useful(draft.routes, starts, ends, draft.levels)
    used = {p for r in routes.values() for p in (r.start, r.end)} | set(sources.values())
    used |= {f"{place}, {bay}" for place, bay in moves.values() if bay}
    places = {**site.places, **{n: p for n, p in draft.places.items() if n in used}}
    built = site.built
    excluded = set(site.limits.excluded_places)
    return replace(
        site,
        places=places,
        routes=routes,
        corridors=site.routes,
        builds={**site.builds, **draft.builds},
        sources={n: replace(s, place=sources.get(n, s.place)) for n, s in site.sources.items()},
        stores={
            n: replace(s, places=tuple(_at(moves, "store", n, p) for p in s.places))
            if s.holds != POWER
            else s
            for n, s in site.stores.items()
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
        built=Built(
            built.taps,
            tuple(run for run in draft.standing if run.route in routes),
            built.lines,
            {(n, _at(moves, "store", n, p)): size for (n, p), size in built.stores.items()},
            {(n, _at(moves, "machine", n, p)): k for (n, p), k in built.machines.items()},
        ),
        limits=replace(
            site.limits,
            excluded_places=tuple(
                n for n, p in places.items() if n in excluded or p.part_of in excluded
            ),
        ),
    )


def _at(moves: Mapping[tuple[str, str, str], tuple[str, str]], kind: str, name: str, p: str) -> str:
    place, bay = moves.get((kind, name, p), (p, ""))
    return f"{place}, {bay}" if bay else place


def _degrees(kelvin: float) -> str:
    return format_quantity(kelvin, "temperature")
