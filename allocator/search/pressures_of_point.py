"""Boosters and pressures of a plan, out of the values of the model.

Potentials of the model are any that the rules allow. What is stated are the highest: each node has
what its sources, and the pipes that lead to it, leave to it at peak flow, exactly by the curves.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from allocator.model.drops import At, Drop, LaidBuild, curves_at, drops_of
from allocator.model.expressions import arrivals, moved_at_most
from allocator.model.model import Key
from allocator.model.pressures import Pressures, boost, nodes_of, used_groups, used_stores
from allocator.model.rules.pressure import opened
from allocator.network.pressure_records import AtRest, BoosterOption, FluidPressures
from allocator.plans.records import BoosterUse, NodePressure
from allocator.search.extract import Reading


@dataclass(frozen=True, slots=True)
class UsedPipe:
    """A pipe in use, one way: potentials before and behind it by column, and what it takes.

    ``at``: its flow and what that loses to friction. ``boosters``: at its inlet, running.
    """

    drop: Drop
    build: LaidBuild
    at: At
    boosters: tuple[BoosterOption, ...]
    spur: bool


def booster_uses(reading: Reading) -> tuple[BoosterUse, ...]:
    """Boosters that run, with the most that they move."""
    pressures = reading.sets.pressures
    if pressures is None:
        return ()
    flows = {
        option: reading.of(moved_at_most(reading.sets, drop.arc))
        for drop in drops_of(reading.sets)
        for option in drop.boosters
    }
    found = []
    for option in pressures.boosters:
        if round(reading.values[boost(option)]) != 1:
            continue
        flow = flows.get(option, 0.0)
        if option.store:
            filled = [*arrivals(reading.sets, f"store:{option.store}")]
            flow = reading.of([*filled, (1.0, ("inflow", option.store))])
        if flow <= 0.0 and option.existing:
            continue  # it stands, and does not run
        found.append(
            BoosterUse(
                option.booster,
                option.fluid,
                option.route,
                option.start,
                option.store,
                not option.existing,
                flow,
                flow * option.energy,
            )
        )
    return tuple(found)


def node_pressures(reading: Reading) -> tuple[NodePressure, ...]:
    """Pressures of each fluid at the nodes of pipes in use, or of what is used there."""
    pressures = reading.sets.pressures
    if pressures is None:
        return ()
    used = list(_used_pipes(reading))
    found = []
    for fluid, one in pressures.fluids.items():
        mine = [pipe for pipe in used if pipe.drop.arc.fluid == fluid]
        ends = [key for pipe in mine for key in (pipe.drop.start, pipe.drop.end)]
        touched = {str(key[1]) for key in ends if isinstance(key, tuple)}
        highest = _highest(reading, pressures, one, mine)
        shut = _shut_in(reading, pressures, one, mine)
        for node in nodes_of(reading.sets, pressures, fluid):
            if node in touched or node in shut:
                high, low = (
                    one.pressure(max(0.0, one.least + highest[key]))
                    for key in (pressures.high(node, fluid), pressures.low(node, fluid))
                )
                shut_in = one.pressure(shut.get(node, one.least))
                found.append(NodePressure(node, fluid, high, low, shut_in))
    return tuple(found)


def _used_pipes(reading: Reading) -> Iterator[UsedPipe]:
    asked: list[tuple[Drop, LaidBuild, float]] = []
    for drop in drops_of(reading.sets):
        laid = [build for build in drop.builds if reading.values[build.laid] > 0.5]
        flow = reading.of(moved_at_most(reading.sets, drop.arc)) if laid else 0.0
        if flow > 0.0:
            asked.append((drop, laid[0], flow))
    points = curves_at([(build, flow) for _, build, flow in asked])
    for (drop, build, _), at in zip(asked, points, strict=True):
        running = tuple(o for o in drop.boosters if reading.values[boost(o)] > 0.5)
        spur = isinstance(build.laid, tuple) and build.laid[0] == "spur"
        yield UsedPipe(drop, build, at, running, spur)


def _highest(
    reading: Reading, pressures: Pressures, one: FluidPressures, used: list[UsedPipe]
) -> dict[Key, float]:
    """The highest potentials, by column, above the least; those of the model where none settle."""
    fluid, sets = one.fluid, reading.sets
    nodes = nodes_of(sets, pressures, fluid)
    found: dict[Key, float] = {}
    for node in nodes:
        for key in (pressures.high(node, fluid), pressures.low(node, fluid)):
            found[key] = pressures.width(fluid)
    for place, potential in _limits_above(reading, pressures, one):
        key = pressures.high(place, fluid)
        found[key] = min(found[key], potential - one.least)
    for name in used_stores(sets, pressures):
        store = sets.fluid_stores[name]
        at = one.stores.get(store.type.name)
        if store.type.holds == fluid and at is not None and reading.whole("holds", name) == 1:
            key = pressures.low(store.place, fluid)
            found[key] = min(found[key], at.release - one.least)
    for _ in range(2 * len(nodes) + 2):
        before = dict(found)
        for pipe in used:
            end = pipe.drop.end
            enters = found[pipe.drop.start] + sum(option.gain for option in pipe.boosters)
            found[end] = min(found[end], pipe.drop.left(pipe.build, enters, pipe.at))
        for node in nodes:
            key = pressures.low(node, fluid)
            found[key] = min(found[key], found[pressures.high(node, fluid)])
        if found == before:
            return found
    return {key: reading.values[key] for key in found}


def _limits_above(
    reading: Reading, pressures: Pressures, one: FluidPressures
) -> Iterator[tuple[str, float]]:
    """Places and the most that their high potential is: of sources and machines that give."""
    sets = reading.sets
    for name, potential in one.mouths.items():
        if _is_open(reading, name):
            yield sets.site.sources[name].place, potential
    for name in used_groups(sets, pressures):
        group = sets.groups[name]
        gives = one.fluid in group.type.outputs and reading.whole("takes", name) == 1
        if gives and group.type.name in one.outlets:
            yield group.place, one.outlets[group.type.name]


def _is_open(reading: Reading, source: str) -> bool:
    """Whether gas of a source of the file is let in."""
    sets = reading.sets
    own = source in sets.sources and not sets.site.sources[source].part_of
    return own and reading.values[opened(reading.model, source)] > 0.5


def _shut_in(
    reading: Reading, pressures: Pressures, one: FluidPressures, used: list[UsedPipe]
) -> dict[str, float]:
    """Potential by node of what feeds it, with nothing flowing: the highest, cold or hot."""
    given: dict[str, float] = {}
    for kind, name, place in _feeding(reading, pressures, one):
        if (kind, name) in one.shut_in:
            node = one.node(place)
            given[node] = max(given.get(node, 0.0), one.shut_in[kind, name])
    if not one.gas:  # what lies open to the air still weighs on what is below it
        ends = [str(key[1]) for pipe in used for key in _ends(pipe)]
        given |= {node: max(given.get(node, 0.0), one.least) for node in ends}
    found: dict[str, float] = {}
    for rest in one.at_rest:
        for node, potential in _at_rest(one, used, given, rest).items():
            found[node] = max(found.get(node, 0.0), potential)
    return found


def _at_rest(
    one: FluidPressures, used: list[UsedPipe], given: dict[str, float], rest: AtRest
) -> dict[str, float]:
    """The same where a column at rest adds so much, of what is given at nodes."""
    found = dict(given)
    for _ in range(len(used) + 1):
        changed = False

        def raised(node: str, potential: float) -> bool:
            higher = potential > found.get(node, 0.0) * (1 + 1e-12)
            if higher:
                found[node] = potential
            return higher

        for pipe in used:
            start, end = (str(key[1]) for key in _ends(pipe))
            fall = max((build.loss.fall for build in pipe.drop.builds), default=0.0)
            if start in found:
                potential = found[start]
                for option in pipe.boosters:
                    potential *= option.boost**2 if one.gas else 1.0
                    potential += option.rise
                changed |= raised(end, rest.exactly(potential, fall))
            if pipe.spur and end in found:
                changed |= raised(start, rest.exactly(found[end], -fall))
        if not changed:
            break
    return found


def _ends(pipe: UsedPipe) -> list[tuple[str, ...]]:
    """Keys of the potentials before and behind a pipe: word, node, fluid."""
    return [key for key in (pipe.drop.start, pipe.drop.end) if isinstance(key, tuple)]


def _feeding(
    reading: Reading, pressures: Pressures, one: FluidPressures
) -> Iterator[tuple[str, str, str]]:
    """Kind, name and place of what is used and may give a fluid."""
    sets = reading.sets
    for name in sets.sources:
        source = sets.site.sources[name]
        if source.fluid == one.fluid and _is_open(reading, name):
            yield "source", name, source.place
    for name in used_stores(sets, pressures):
        store = sets.fluid_stores[name]
        if store.type.holds == one.fluid and reading.whole("holds", name) == 1:
            yield "storage", store.type.name, store.place
    for name in used_groups(sets, pressures):
        group = sets.groups[name]
        if one.fluid in group.type.outputs and reading.whole("takes", name) == 1:
            yield "machine", group.type.name, group.place
