"""What pressure decides: directions of pipes, spurs, ends and boosters, and their columns.

Each node has two potentials for each fluid whose pressures are computed, ``high >= low`` (squares
of pressures for a gas, pressures for a liquid; :mod:`allocator.network.pressure_records`). They are
those of two headers with a regulator from the high one to the low one: what arrives goes into the
high header, what leaves is taken from the low one. So a pipe from i to j needs ``low_i - high_j >=
loss``.

A *spur* is one pipe that fills a store beyond it and gives back what that releases: collect flow
goes out, supply flow comes back, never both ways in one layer. Its filling connects the high
headers, its release the low ones:

    high_j - high_s >= loss(filling),    low_s - low_j >= loss(release).

Proof that the headers carry any state. At a node gas may go from the high header to the low one,
never back. Collect flow begins at a source, in the high header, and arrives by pipes and by spurs
in high headers: so it may leave by either. Supply flow leaves out of low headers alone, by pipes
and back along spurs; what fills a store out of the supply layer must have come to its node in the
high header (``steady_filling``). Where a spur fills and gives back at once, the pipe carries the
difference, less than either: what is released takes the place of as much that comes.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import INFINITY, Key, Model, Terms
from allocator.network.pressure_records import BoosterOption, FluidPressures, PipeLoss

Node = tuple[str, str]
"""A fluid and a node of its pressures."""

NO_LOSS = PipeLoss(0.0, 0.0, 0.0, 0.0, 0.0, math.inf)
"""Of what has no loss that is known, such as a cooler."""


@dataclass(frozen=True, slots=True)
class Spur:
    """A pipe that may fill a store at ``outer`` or beyond, and give back what that releases."""

    route: str
    inner: str
    outer: str
    fluid: str

    @property
    def into(self) -> PipeArc:
        """The direction of filling."""
        return PipeArc(self.route, self.inner, self.outer, self.fluid)

    @property
    def out(self) -> PipeArc:
        """The direction of release."""
        return PipeArc(self.route, self.outer, self.inner, self.fluid)


@dataclass(frozen=True)
class Pressures:
    """What pressure decides on a site.

    ``fluids``: those whose pressures are computed. ``losses``: by arc and build; arcs between nodes
    that share their potentials are left out. ``most``: kg/s that they can carry. ``boosters``: that
    may stand, or do.
    """

    fluids: Mapping[str, FluidPressures]
    losses: Mapping[PipeArc, Mapping[str, PipeLoss]]
    most: Mapping[tuple[PipeArc, str], float]
    spurs: tuple[Spur, ...]
    boosters: tuple[BoosterOption, ...]

    def width(self, fluid: str) -> float:
        """The widest difference of potentials."""
        return self.fluids[fluid].most - self.fluids[fluid].least

    def above(self, fluid: str, potential: float) -> float:
        """A potential as the columns count it: above the least of the fluid."""
        return potential - self.fluids[fluid].least

    def high(self, place: str, fluid: str) -> Key:
        """Potential of the header into which a fluid arrives at a place."""
        return ("high", self.fluids[fluid].node(place), fluid)

    def low(self, place: str, fluid: str) -> Key:
        """Potential of the header out of which a fluid leaves a place."""
        return ("low", self.fluids[fluid].node(place), fluid)

    def shut(self, place: str, fluid: str, weight: int) -> Key:
        """Potential of a place while nothing flows, where ratings ask for it, of a weight."""
        return ("shut", self.fluids[fluid].node(place), fluid, weight)

    @cached_property
    def boosters_at(self) -> Mapping[PipeArc | str, tuple[BoosterOption, ...]]:
        """Boosters that may stand at the inlet of an arc or store."""
        found: dict[PipeArc | str, tuple[BoosterOption, ...]] = {}
        arcs = {(a.route, a.start, a.fluid): a for a in self.losses}
        for one in self.boosters:
            at = one.store or arcs[one.route, one.start, one.fluid]
            found[at] = (*found.get(at, ()), one)
        return found

    @cached_property
    def spurs_at(self) -> Mapping[PipeArc, tuple[Spur, ...]]:
        """Spurs that use an arc, for filling or release."""
        found: dict[PipeArc, tuple[Spur, ...]] = {}
        for spur in self.spurs:
            for arc in (spur.into, spur.out):
                found[arc] = (*found.get(arc, ()), spur)
        return found


def pressures_of(sets: IndexSets, fluids: Mapping[str, FluidPressures]) -> Pressures | None:
    """What pressure decides among what may be decided on a site; None where it is nothing."""
    computed = {fluid: one for fluid, one in fluids.items() if sets.arcs.get(fluid)}
    computed = {fluid: one for fluid, one in computed.items() if one.most > one.least}
    losses: dict[PipeArc, dict[str, PipeLoss]] = {}
    most: dict[tuple[PipeArc, str], float] = {}
    for fluid, one in computed.items():
        for arc in sets.arcs[fluid]:
            if one.node(arc.start) == one.node(arc.end):
                continue
            builds = losses[arc] = {}
            for build in sets.pipes[arc.route, fluid].builds:
                loss = one.losses.get((arc.route, arc.start, build), NO_LOSS)
                builds[build] = loss
                capacity = sets.site.capacity(arc.route, build, fluid)
                most[arc, build] = min(loss.capacity, capacity)
    if not losses:
        return None
    arcs = {(a.route, a.start, a.fluid) for a in losses}
    boosters = tuple(
        option
        for one in computed.values()
        for option in one.boosters
        if (option.route, option.start, option.fluid) in arcs
        or (option.store in sets.fluid_stores and not sets.lossless)
    )
    return Pressures(computed, losses, most, _spurs(sets, losses), boosters)


def _spurs(sets: IndexSets, losses: Mapping[PipeArc, object]) -> tuple[Spur, ...]:
    """Pipes that may be laid both ways, seen from each end beyond which a store may be.

    It is at the other end, or further on along routes that do not branch.
    """
    if sets.lossless:
        return ()
    held = {(store.place, store.type.holds) for store in sets.fluid_stores.values()}
    both = [arc for arc in losses if PipeArc(arc.route, arc.end, arc.start, arc.fluid) in losses]
    around: dict[tuple[str, str], list[PipeArc]] = {}
    for arc in losses:
        around.setdefault((arc.start, arc.fluid), []).append(arc)

    def leads_to_store(arc: PipeArc) -> bool:
        seen = {arc.route}
        while (arc.end, arc.fluid) not in held:
            on = [
                other for other in around.get((arc.end, arc.fluid), ()) if other.route != arc.route
            ]
            if len(on) != 1 or on[0].route in seen:
                return False
            arc = on[0]
            seen.add(arc.route)
        return True

    return tuple(
        Spur(arc.route, arc.start, arc.end, arc.fluid) for arc in both if leads_to_store(arc)
    )


def directed(arc: PipeArc, build: str) -> Key:
    """1 where a build is laid in a direction, and no spur."""
    return ("directed", arc.route, arc.start, build, arc.fluid)


def peak(arc: PipeArc, build: str) -> Key:
    """Peak flow of a build that is no spur, kg/s."""
    return ("peak", arc.route, arc.start, build, arc.fluid)


def spur_laid(spur: Spur, build: str) -> Key:
    """1 where a build is laid as a spur."""
    return ("spur", spur.route, spur.inner, build, spur.fluid)


def spur_peak(spur: Spur, build: str, arc: PipeArc) -> Key:
    """Peak flow of a spur in a direction, kg/s."""
    way = "filling" if arc.start == spur.inner else "release"
    return (way, spur.route, spur.inner, build, spur.fluid)


def peaks_along(pressures: Pressures, arc: PipeArc, build: str) -> list[tuple[Key, Key]]:
    """Peak flow of each way in which a build may be laid on an arc, and whether it is."""
    spurs = pressures.spurs_at.get(arc, ())
    found = [(peak(arc, build), directed(arc, build))]
    return found + [(spur_peak(spur, build, arc), spur_laid(spur, build)) for spur in spurs]


def peaks_of(sets: IndexSets, route: str, fluid: str, build: str) -> list[tuple[Key, Key]]:
    """The same of both arcs of a route."""
    pressures = sets.pressures
    return [
        pair
        for arc in sets.arcs_along(route, fluid)
        if pressures is not None and build in pressures.losses.get(arc, {})
        for pair in peaks_along(pressures, arc, build)
    ]


def boost(option: BoosterOption) -> Key:
    """1 where a booster stands at an inlet and runs."""
    return ("boost", option.booster, option.fluid, option.start, option.route or option.store)


def boosted(option: BoosterOption) -> Key:
    """Flow for which a booster takes power, kg/s."""
    return ("boosted", option.booster, option.fluid, option.start, option.route or option.store)


def new_boosters(sets: IndexSets) -> tuple[BoosterOption, ...]:
    """Boosters that may be built."""
    options = () if sets.pressures is None else sets.pressures.boosters
    return tuple(option for option in options if not option.existing)


def boosters_by_node(pressures: Pressures) -> dict[Node, list[BoosterOption]]:
    """Boosters that may stand, or do, by the node of their inlets."""
    found: dict[Node, list[BoosterOption]] = {}
    for option in pressures.boosters:
        node = pressures.fluids[option.fluid].node(option.start)
        found.setdefault((option.fluid, node), []).append(option)
    return found


def with_boosters_at(pressures: Pressures, nodes: Collection[Node]) -> Pressures:
    """The same with no boosters but those at some nodes."""
    by_node = boosters_by_node(pressures)
    kept = tuple(option for node in by_node if node in nodes for option in by_node[node])
    fluids = {
        fluid: replace(one, boosters=tuple(option for option in one.boosters if option in kept))
        for fluid, one in pressures.fluids.items()
    }
    return replace(pressures, fluids=fluids, boosters=kept)


def booster_load(sets: IndexSets, bus: str) -> Terms:
    """Power that boosters take at a bus, W: ``energy * boosted`` at peak."""
    options = () if sets.pressures is None else sets.pressures.boosters
    here = [one for one in options if one.energy > 0 and sets.bus(one.place) == bus]
    return [(one.energy, boosted(one)) for one in here]


def nodes_of(sets: IndexSets, pressures: Pressures, fluid: str) -> tuple[str, ...]:
    """Nodes at which a fluid has potentials."""
    places = [place for arc in sets.arcs[fluid] for place in (arc.start, arc.end)]
    sources = [sets.site.sources[name] for name in sets.sources]
    places += [source.place for source in sources if source.fluid == fluid]
    stores = sets.fluid_stores.values()
    places += [store.place for store in stores if store.type.holds == fluid]
    for group in sets.groups.values():
        if fluid in group.type.inputs or fluid in group.type.outputs:
            places.append(group.place)
    places += [d.place for d in sets.fluid_demands() if d.wants == fluid and d.place is not None]
    return tuple(dict.fromkeys(pressures.fluids[fluid].node(place) for place in places))


def used_stores(sets: IndexSets, pressures: Pressures) -> tuple[str, ...]:
    """Stores of whose pressure something is known."""
    found = []
    for name, store in sets.fluid_stores.items():
        one = pressures.fluids.get(store.type.holds)
        if one is None or sets.lossless:
            continue
        kind = store.type.name
        at, known = one.stores.get(kind), {*one.ratings, *one.shut_in}
        limited = at is not None and (at.fill > 0.0 or math.isfinite(at.release))
        if limited or ("storage", kind) in known or name in pressures.boosters_at:
            found.append(name)
    return tuple(found)


def used_groups(sets: IndexSets, pressures: Pressures) -> tuple[str, ...]:
    """Groups of machines of whose pressures something is known."""
    known = {name for one in pressures.fluids.values() for name in (*one.inlets, *one.outlets)}
    for one in pressures.fluids.values():
        known |= {name for kind, name in (*one.ratings, *one.shut_in) if kind == "machine"}
    return tuple(name for name, group in sets.groups.items() if group.type.name in known)


def declare_pressures(model: Model, sets: IndexSets, pressures: Pressures, unit: float) -> None:
    """State every variable of pressures. ``unit``: kg/s a step of flows."""
    for fluid, one in pressures.fluids.items():
        width = pressures.width(fluid)
        step = 2.0 ** round(math.log2(width))
        for node in nodes_of(sets, pressures, fluid):
            model.variable(pressures.high(node, fluid), 0.0, width, step)
            model.variable(pressures.low(node, fluid), 0.0, width, step)
            for weight in range(len(one.at_rest) if one.ratings else 0):
                model.variable(pressures.shut(node, fluid, weight), 0.0, INFINITY, step)
        for demand in sets.fluid_demands():
            if demand.wants == fluid and demand.name in one.demands:
                model.variable(("takes", demand.name), 0.0, 1.0, integer=True)
        for name in one.mouths:
            if name in sets.sources and name in sets.site.built.sources:
                model.variable(("drawn", name), 0.0, 1.0, integer=True)
    for arc, losses in pressures.losses.items():
        for build in losses:
            model.variable(directed(arc, build), 0.0, 1.0, integer=True)
            model.variable(peak(arc, build), 0.0, pressures.most[arc, build], unit)
    for spur in pressures.spurs:
        for build in pressures.losses[spur.into]:
            model.variable(spur_laid(spur, build), 0.0, 1.0, integer=True)
            for arc in (spur.into, spur.out):
                model.variable(spur_peak(spur, build, arc), 0.0, pressures.most[arc, build], unit)
    for option in pressures.boosters:
        model.variable(boost(option), 0.0, 1.0, integer=True)
        model.variable(boosted(option), 0.0, INFINITY, unit)
    for name in used_groups(sets, pressures):
        model.variable(("takes", name), 0.0, 1.0, integer=True)
    for name in used_stores(sets, pressures):
        model.variable(("holds", name), 0.0, 1.0, integer=True)
    for arc in dict.fromkeys(spur.out for spur in pressures.spurs):
        model.variable(("steady", arc.route, arc.start, arc.fluid), unit=unit)
