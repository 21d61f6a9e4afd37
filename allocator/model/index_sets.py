"""What may be decided on a site: the index sets of the program, found before it is stated.

Only what can matter is kept: places that are not excluded, fluids that somebody gives and
somebody takes, pipe builds that no other build beats, destinations that a source can reach.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from allocator.cycles import Curve, DemandCurve, curve_of, curve_of_timing, demand_curve_of
from allocator.model.levelling import Levelling, levelling
from allocator.model.pipe_types import beats, lasts_as_long, loses_no_more
from allocator.model.reaching import Reaching
from allocator.network.records import Network
from allocator.plans.records import FLAT, NOTHING, Robustness
from allocator.site.clocks import bursts_are_cut, timings_of
from allocator.site.emissions import is_clean, worth_flaring
from allocator.site.records import POWER, Demand, MachineType, Profile, StoreType

if TYPE_CHECKING:
    from allocator.model.pressures import Pressures

SITE_BUS = ""
CLASSES = ("clean", "emitting")
ROUNDED = 1e-9
"""On-intervals come out of sums of stages: one of 600 s may be a hair shorter."""


@dataclass(frozen=True, slots=True)
class StoreSite:
    """A store type at a place."""

    name: str
    type: StoreType
    place: str
    existing: float


@dataclass(frozen=True, slots=True)
class Group:
    """A machine type at a place. ``most_new``: units that may be added, None for no limit."""

    name: str
    type: MachineType
    place: str
    existing: int
    most_new: int | None
    clean: bool


@dataclass(frozen=True, slots=True)
class Destination:
    """Where the collect layer may send a fluid: a store, or a machine burning bursts."""

    name: str
    fluid: str
    place: str
    store: StoreSite | None = None
    group: Group | None = None
    battery: StoreSite | None = None


@dataclass(frozen=True, slots=True)
class Pipe:
    """A fluid on a route: the builds that may carry it; ``existing`` is the build there now."""

    route: str
    fluid: str
    builds: tuple[str, ...]
    existing: str | None


@dataclass(frozen=True, slots=True)
class PipeArc:
    """One direction of a pipe."""

    route: str
    start: str
    end: str
    fluid: str


@dataclass(frozen=True)
class IndexSets:
    """Index sets of a site; ``curves`` are by source, ``shape_curves`` by shape.

    A curve says what is sure of a source; ``duties`` are its stated shares of time on.
    ``pressures``: what pressure decides; None where none is computed, and in bounds of any control.
    ``two_way``: pipes with a variable for each direction (:mod:`allocator.model.ways`).
    """

    site: Network
    places: tuple[str, ...]
    sources: tuple[str, ...]
    curves: Mapping[str, Curve]
    duties: Mapping[str, float]
    fluid_stores: Mapping[str, StoreSite]
    batteries: Mapping[str, StoreSite]
    groups: Mapping[str, Group]
    destinations: Mapping[str, Destination]
    reach: Mapping[str, tuple[str, ...]]
    pipes: Mapping[tuple[str, str], Pipe]
    arcs: Mapping[str, tuple[PipeArc, ...]]
    lines: tuple[str, ...]
    shape_of: Mapping[str, str]
    shape_curves: Mapping[str, DemandCurve]
    fluid_shapes: Mapping[str, tuple[str, ...]]
    levellings: Mapping[tuple[str, str], Levelling]
    lossless: bool = False
    robustness: Robustness = NOTHING
    pressures: Pressures | None = None
    two_way: frozenset[tuple[str, str]] = frozenset()

    def may_miss(self, source: str) -> float:
        """Share of a source's flow that is missing at the low end of its range."""
        whole = self.site.sources[source].part_of or source
        spread = self.site.spreads.get(f"sources.{whole}.flow")
        return 0.0 if spread is None else 1.0 - spread.low / self.site.sources[whole].flow

    def ends(self, fluid: str) -> tuple[str, ...]:
        """Places where the collect layer may deliver a fluid."""
        return self._ends.get(fluid, ())

    @cached_property
    def _ends(self) -> Mapping[str, tuple[str, ...]]:
        found: dict[str, dict[str, None]] = {}
        for destination in self.destinations.values():
            found.setdefault(destination.fluid, {})[destination.place] = None
        return {fluid: tuple(places) for fluid, places in found.items()}

    @cached_property
    def flared(self) -> Mapping[str, tuple[str, ...]]:
        """Flare -> stores at its node whose overflow it may burn; none on the mean basis."""
        if self.lossless:
            return {}
        found = {
            name: tuple(
                store.name
                for store in self.fluid_stores.values()
                if store.place == group.place and store.type.holds in group.type.inputs
            )
            for name, group in self.groups.items()
            if worth_flaring(self.site, group.type)
        }
        return {name: stores for name, stores in found.items() if stores}

    @cached_property
    def always_coming(self) -> Mapping[str, float]:
        """Mean kg/s of each fluid that comes whatever is taken of it."""
        found: dict[str, float] = {}
        for source in self.site.sources.values():
            if source.when_untapped == "vents" and not source.part_of:
                mean = source.flow * curve_of(source.stages).duty
                found[source.fluid] = found.get(source.fluid, 0.0) + mean
        return found

    def arcs_along(self, route: str, fluid: str) -> tuple[PipeArc, ...]:
        """Directions in which a fluid may flow along a route."""
        return self._arcs_along.get((route, fluid), ())

    @cached_property
    def _arcs_along(self) -> Mapping[tuple[str, str], tuple[PipeArc, ...]]:
        found: dict[tuple[str, str], tuple[PipeArc, ...]] = {}
        for fluid, arcs in self.arcs.items():
            for arc in arcs:
                key = (arc.route, fluid)
                found[key] = (*found.get(key, ()), arc)
        return found

    def bus(self, place: str | None) -> str:
        """The power bus of a place: one for the whole site unless lines are listed."""
        return SITE_BUS if not self.site.power_lines or place is None else self.site.ground(place)

    def buses(self) -> tuple[str, ...]:
        """All power buses."""
        return self.places if self.site.power_lines else (SITE_BUS,)

    def power_demands(self) -> tuple[Demand, ...]:
        """Demands for power."""
        return tuple(d for d in self.site.demands.values() if d.wants == POWER)

    def fluid_demands(self) -> tuple[Demand, ...]:
        """Demands for a fluid."""
        return tuple(d for d in self.site.demands.values() if d.wants != POWER)

    def peak(self, shape: str) -> float:
        """Highest level of a shape of mean 1; 1 of what is flat here, as all is at means."""
        curve = self.shape_curves.get(shape)
        return 1.0 if curve is None else curve.peak

    def power_shapes(self) -> tuple[str, ...]:
        """Shapes that power may follow, without flat."""
        return tuple(
            dict.fromkeys(
                self.shape_of[d.name] for d in self.power_demands() if self.shape_of[d.name] != FLAT
            )
        )

    def efficiency(self, bus: str) -> float:
        """Least charge efficiency of the batteries that may stand at a bus (1 if none)."""
        found = [
            b.type.charge_efficiency for b in self.batteries.values() if self.bus(b.place) == bus
        ]
        return min(found, default=1.0)

    def has_battery(self, bus: str) -> bool:
        """True when a battery may stand at the bus."""
        return any(self.bus(b.place) == bus for b in self.batteries.values())


def index_sets_of(site: Network, *, lossless: bool = False, with_stores: bool = True) -> IndexSets:
    """The index sets of a site.

    ``lossless``: machines are cycled freely and stores are of any size (the mean basis).
    ``with_stores``: offer stores at all.
    """
    excluded = set(site.limits.excluded_places)
    places = tuple(p for p in site.places if p not in excluded)
    sources = tuple(s.name for s in site.sources.values() if s.place not in excluded)
    groups = _groups(site, excluded)
    wanted = _wanted_fluids(site, groups)
    sources = tuple(s for s in sources if site.sources[s].fluid in wanted)
    stores = _store_sites(site, excluded) if with_stores else {}
    fluid_stores = {n: s for n, s in stores.items() if s.type.holds in wanted}
    batteries = {n: s for n, s in stores.items() if s.type.holds == POWER}
    pipes = _pipes(site, excluded, wanted)
    arcs = _arcs(site, pipes)
    shape_of, profiles = _shapes(site)
    timings = timings_of(site)
    curves = {s: curve_of_timing(timings[s]) for s in sources}
    # on the mean basis everything flows at its mean, so nothing is collected in bursts
    destinations = {} if lossless else _destinations(site, groups, fluid_stores, batteries)
    bursts = {s: curve_of_timing(timings[s].any_phase) for s in sources}  # one by one
    reach = _reach(site, sources, bursts, destinations, arcs)
    used = {k for ks in reach.values() for k in ks}
    destinations = {k: d for k, d in destinations.items() if k in used}
    levellings = {
        (b.name, d.name): levelling(d.profile, b.type.charge_efficiency)
        for b in batteries.values()
        for d in site.demands.values()
        if d.wants == POWER and d.profile is not None
    }
    return IndexSets(
        site=site,
        places=places,
        sources=sources,
        curves=curves,
        duties={s: curve_of(site.sources[s].stages).duty for s in sources},
        fluid_stores=fluid_stores,
        batteries=batteries,
        groups=groups,
        destinations=destinations,
        reach=reach,
        pipes=pipes,
        arcs=arcs,
        lines=tuple(
            n
            for n, e in site.power_lines.items()
            if e.start not in excluded and e.end not in excluded
        ),
        shape_of=shape_of,
        shape_curves={n: demand_curve_of(p) for n, p in profiles.items()},
        fluid_shapes=_fluid_shapes(site, wanted | _asked_fluids(site, groups), groups, shape_of),
        levellings=levellings,
        lossless=lossless,
    )


def _groups(site: Network, excluded: set[str]) -> dict[str, Group]:
    groups = {}
    for machine in site.machines.values():
        for place, most in machine.places.items():
            if place in excluded:
                continue
            existing = site.built.machines.get((machine.name, place), 0)
            name = f"{machine.name}@{place}"
            most_new = None if most is None else max(0, most - existing)
            clean = is_clean(site, machine)
            groups[name] = Group(name, machine, place, existing, most_new, clean)
    return groups


def _wanted_fluids(site: Network, groups: Mapping[str, Group]) -> set[str]:
    given = {s.fluid for s in site.sources.values()}
    given |= {f for g in groups.values() for f in g.type.outputs}
    taken = {f for g in groups.values() for f in g.type.inputs}
    taken |= {d.wants for d in site.demands.values() if d.wants != POWER}
    return given & taken


def _asked_fluids(site: Network, groups: Mapping[str, Group]) -> set[str]:
    """Fluids that are taken or demanded, given or not: each needs its balances."""
    asked = {f for g in groups.values() for f in g.type.inputs}
    return asked | {d.wants for d in site.demands.values() if d.wants != POWER}


def _store_sites(site: Network, excluded: set[str]) -> dict[str, StoreSite]:
    found = {}
    for store in site.storage.values():
        for place in store.places:
            if place not in excluded:
                name = f"{store.name}@{place}"
                existing = site.built.storage.get((store.name, place), 0.0)
                found[name] = StoreSite(name, store, place, existing)
    return found


def _pipes(site: Network, excluded: set[str], wanted: set[str]) -> dict[tuple[str, str], Pipe]:
    existing = {(r.route, r.fluid): r.pipe for r in site.built.pipes}
    pipes = {}
    for route in site.routes.values():
        if route.start in excluded or route.end in excluded:
            continue
        for fluid in site.fluids:
            if fluid not in wanted:
                continue
            offered = [
                (site.pipes[b], site.capacity(route.name, b, fluid))
                for b in route.pipes
                if site.may_carry(route.name, b, fluid)
            ]
            kept = [
                build.name
                for build, rate in offered
                if not any(
                    beats(other, build, r - rate)
                    for other, r in offered
                    if other is not build
                    and lasts_as_long(site, other, build)
                    and (fluid not in site.pressures or loses_no_more(other, build))
                )
            ]
            now = existing.get((route.name, fluid))
            if now is not None and now not in kept:
                kept.append(now)
            if kept:
                pipes[route.name, fluid] = Pipe(route.name, fluid, tuple(kept), now)
    return pipes


def _arcs(site: Network, pipes: Mapping[tuple[str, str], Pipe]) -> dict[str, tuple[PipeArc, ...]]:
    arcs: dict[str, list[PipeArc]] = {}
    for route_name, fluid in pipes:
        route = site.routes[route_name]
        listed = arcs.setdefault(fluid, [])
        listed.append(PipeArc(route_name, route.start, route.end, fluid))
        if not route.one_way:
            listed.append(PipeArc(route_name, route.end, route.start, fluid))
    return {fluid: tuple(listed) for fluid, listed in arcs.items()}


def _shapes(site: Network) -> tuple[dict[str, str], dict[str, Profile]]:
    shape_of: dict[str, str] = {}
    named: dict[Profile, str] = {}
    for demand in site.demands.values():
        if demand.profile is None:
            shape_of[demand.name] = FLAT
        else:
            shape_of[demand.name] = named.setdefault(demand.profile, demand.name)
    return shape_of, {name: profile for profile, name in named.items()}


def _fluid_shapes(
    site: Network, wanted: set[str], groups: Mapping[str, Group], shape_of: Mapping[str, str]
) -> dict[str, tuple[str, ...]]:
    power = [shape_of[d.name] for d in site.demands.values() if d.wants == POWER]
    shapes: dict[str, tuple[str, ...]] = {}
    for fluid in site.fluids:
        if fluid not in wanted:
            continue
        mine = [FLAT]
        mine += [shape_of[d.name] for d in site.demands.values() if d.wants == fluid]
        if any(fluid in g.type.inputs and g.type.power_out > 0 for g in groups.values()):
            mine += power
        shapes[fluid] = tuple(dict.fromkeys(mine))
    return shapes


def _destinations(
    site: Network,
    groups: Mapping[str, Group],
    fluid_stores: Mapping[str, StoreSite],
    batteries: Mapping[str, StoreSite],
) -> dict[str, Destination]:
    found = {}
    for store in fluid_stores.values():
        name = f"store:{store.name}"
        found[name] = Destination(name, store.type.holds, store.place, store=store)
    for group in groups.values():
        if worth_flaring(site, group.type):
            (fluid,) = group.type.inputs
            name = f"flare:{group.name}"
            found[name] = Destination(name, fluid, group.place, group=group)
        if group.type.power_out <= 0 or len(group.type.inputs) != 1:
            continue
        (fluid,) = group.type.inputs
        for battery in batteries.values():
            if site.power_lines and site.ground(battery.place) != site.ground(group.place):
                continue
            name = f"burn:{group.name}>{battery.name}"
            found[name] = Destination(name, fluid, group.place, group=group, battery=battery)
    return found


def may_burn(machine: MachineType, curve: Curve, *, cut: bool = False) -> bool:
    """True where a machine may burn a source's bursts as they come.

    ``every on-interval >= least burst``, and ``least rest = 0``: where several sources share a
    unit, one may begin at any time after another has ended. ``cut``: bursts are of any length.
    """
    lengths = curve.pattern.ends - curve.pattern.starts
    shortest = 0.0 if cut else float(lengths.min(initial=float("inf")))
    return machine.min_down_time <= 0 and (
        curve.pattern.steady or shortest * (1.0 + ROUNDED) >= machine.min_burst_time
    )


def _reach(
    site: Network,
    sources: tuple[str, ...],
    bursts: Mapping[str, Curve],
    destinations: Mapping[str, Destination],
    arcs: Mapping[str, tuple[PipeArc, ...]],
) -> dict[str, tuple[str, ...]]:
    ways = {
        fluid: Reaching((arc.start, arc.end) for arc in listed) for fluid, listed in arcs.items()
    }
    reach = {}
    for name in sources:
        source = site.sources[name]
        way = ways.get(source.fluid)
        cut = bursts_are_cut(source, site.spreads)
        seen = {source.place} if way is None else way.of(source.place)
        reach[name] = tuple(
            k
            for k, d in destinations.items()
            if d.fluid == source.fluid
            and d.place in seen
            and (d.group is None or may_burn(d.group.type, bursts[name], cut=cut))
            # of a record no more is known than what comes in a window: it needs a store
            and (d.group is None or source.series is None or source.steady)
        )
    return reach
