"""How high the potential of a fluid can be at a node, and how high it must be there.

What is given at a node, or comes along pipes, is there at no more than ``top``: the highest of what
is given there and, of each pipe that leads there, the top of its start less its static head, with
what a booster at its inlet adds. What arrives at a node is taken there or goes on: it is there at
no less than ``need``, the lowest of what is taken there and, of each pipe that leads away, the
need of its end and its static head, less what a booster adds. Friction is left out of both, so
both are safe. A pipe then carries no more than the flow that ``top_i - need_j`` drives.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from allocator.model.expressions import (
    arrivals,
    drawn_at_most,
    given_by,
    scaled,
    taken_by,
)
from allocator.model.index_sets import Group, IndexSets, PipeArc
from allocator.model.model import Terms
from allocator.model.pressures import Pressures
from allocator.network.pressure_curves import greatest_flows
from allocator.network.pressure_records import FluidPressures, PipeLoss

ROUNDS = 1000
"""Rounds over all pipes: no way has more of them."""

LITTLE = 1e-12
"""Share of the widest difference of potentials that is no change."""

SPARE = 1e-9
"""Share of it by which a difference is taken wider, so that no plan is cut off by rounding."""


@dataclass(frozen=True, slots=True)
class End:
    """Where a fluid is given or taken: its node, its potential above the least, its kg/s."""

    name: str
    node: str
    potential: float
    flow: Terms


def gives(sets: IndexSets, one: FluidPressures) -> Iterator[End]:
    """What gives a fluid, at no more than a potential: sources, stores, machines."""

    def end(name: str, place: str, potential: float, flow: Terms) -> End:
        return End(name, one.node(place), min(potential, one.most) - one.least, flow)

    for name in sets.sources:
        source = sets.site.sources[name]
        if source.fluid == one.fluid:
            mouth = one.mouths.get(source.part_of or name, math.inf)
            yield end(f"source:{name}", source.place, mouth, drawn_at_most(sets, name))
    shapes = sets.fluid_shapes[one.fluid]
    for name, store in sets.fluid_stores.items():
        if store.type.holds == one.fluid:
            release = one.stores[store.type.name].release
            drawn: Terms = [(sets.peak(j), ("draw", name, j)) for j in shapes]
            yield end(f"store:{name}", store.place, release, drawn)
    for group in sets.groups.values():
        if one.fluid in group.type.outputs:
            flow = [
                term
                for j in shapes
                for term in scaled(given_by(sets, group, one.fluid, j), sets.peak(j))
            ]
            outlet = one.outlets.get(group.type.name, math.inf)
            yield end(f"group:{group.name}", group.place, outlet, flow)


def takes(sets: IndexSets, one: FluidPressures) -> Iterator[End]:
    """What takes a fluid, at no less than a potential: stores, machines, demands."""

    def end(name: str, place: str, potential: float, flow: Terms) -> End:
        return End(name, one.node(place), max(0.0, potential - one.least), flow)

    for name, store in sets.fluid_stores.items():
        if store.type.holds == one.fluid:
            gain = math.fsum(option.gain for option in one.boosters if option.store == name)
            fill = one.stores[store.type.name].fill - gain
            flow: Terms = [*arrivals(sets, f"store:{name}"), (1.0, ("inflow", name))]
            yield end(f"store:{name}", store.place, fill, flow)
    for group in sets.groups.values():
        if one.fluid in group.type.inputs:
            inlet = one.inlets.get(group.type.name, 0.0)
            yield end(f"group:{group.name}", group.place, inlet, _burnt(sets, group, one.fluid))
    for demand in sets.fluid_demands():
        if demand.wants == one.fluid and demand.place is not None:
            peak = sets.peak(sets.shape_of[demand.name])
            served: Terms = [(peak, ("served_fluid", demand.name))]
            inlet = one.demands.get(demand.name, 0.0)
            yield end(f"demand:{demand.name}", demand.place, inlet, served)


def _burnt(sets: IndexSets, group: Group, fluid: str) -> Terms:
    """kg/s that a group takes at peak, bursts included."""
    found: Terms = []
    for shape in sets.fluid_shapes[fluid]:
        found += scaled(taken_by(sets, group, fluid, shape), sets.peak(shape))
    for k, destination in sets.destinations.items():
        if destination.group is not None and destination.group.name == group.name:
            found += arrivals(sets, k)
    return found


@dataclass(frozen=True)
class Reach:
    """Potentials of a fluid above its least, by node: ``plain``, the top of what passed no booster;

    ``top``, that of what may have; ``need``. Nodes that are left out have none.
    """

    plain: Mapping[str, float]
    top: Mapping[str, float]
    need: Mapping[str, float]


def reach_of(sets: IndexSets, pressures: Pressures, one: FluidPressures) -> Reach:
    """How high potentials of a fluid can be and must be."""
    ways: list[_Way] = []
    for arc, losses in pressures.losses.items():
        if arc.fluid == one.fluid:
            least = min(losses.values(), key=lambda loss: loss.head)
            gain = math.fsum(option.gain for option in pressures.boosters_at.get(arc, ()))
            ways.append(_Way(one.node(arc.start), one.node(arc.end), least, gain, one.least))
    width = one.most - one.least
    given: dict[str, float] = {}
    for end in gives(sets, one):
        given[end.node] = max(given.get(end.node, -math.inf), end.potential)
    taken: dict[str, float] = {}
    for end in takes(sets, one):
        taken[end.node] = min(taken.get(end.node, math.inf), end.potential)
    unboosted = [way._replace(gain=0.0) for way in ways]
    return Reach(
        _tops(given, unboosted, width), _tops(given, ways, width), _needs(taken, ways, width)
    )


def most_between(
    sets: IndexSets, one: FluidPressures, reach: Reach, boosted: bool
) -> dict[tuple[PipeArc, str], float]:
    """kg/s that each build of a fluid carries at most, by what its ends can have and need.

    ``boosted``: of gas that may have passed a booster, or passes one at its inlet.
    """
    pressures = sets.pressures
    assert pressures is not None
    tops, width = reach.top if boosted else reach.plain, one.most - one.least
    asked: list[tuple[PipeArc, str]] = []
    losses: list[PipeLoss] = []
    starts: list[float] = []
    drops: list[float] = []
    for arc, builds in pressures.losses.items():
        if arc.fluid != one.fluid:
            continue
        start, end = one.node(arc.start), one.node(arc.end)
        top = tops.get(start, -math.inf) + SPARE * width
        if boosted:
            top += math.fsum(option.gain for option in pressures.boosters_at.get(arc, ()))
        top = max(-width, min(top, width))
        for build, loss in builds.items():
            asked.append((arc, build))
            losses.append(loss)
            starts.append(one.least + top)
            drops.append(top - min(width, reach.need.get(end, math.inf)))
    most = greatest_flows(losses, starts, drops)
    return {at: min(rate, pressures.most[at]) for at, rate in zip(asked, most, strict=True)}


class _Way(NamedTuple):
    """A way of a fluid, with the loss of the build that rises least: potentials above ``least``."""

    start: str
    end: str
    loss: PipeLoss
    gain: float
    least: float

    def top(self, start: float) -> float:
        return self.loss.after(self.least + start + self.gain, 0.0) - self.least

    def need(self, end: float) -> float:
        return self.loss.before(self.least + end, 0.0) - self.least - self.gain


def _tops(given: Mapping[str, float], ways: list[_Way], width: float) -> dict[str, float]:
    found = dict(given)
    for _ in range(ROUNDS):
        changed = False
        for way in ways:
            if way.start in found:
                top = min(width, way.top(found[way.start]))
                if top > found.get(way.end, -math.inf) + LITTLE * width:
                    found[way.end], changed = top, True
        if not changed:
            return found
    return {node: width for way in ways for node in (way.start, way.end)}


def _needs(taken: Mapping[str, float], ways: list[_Way], width: float) -> dict[str, float]:
    found = dict(taken)
    for _ in range(ROUNDS):
        changed = False
        for way in ways:
            if way.end in found:
                need = max(0.0, way.need(found[way.end]))
                if need < found.get(way.start, math.inf) - LITTLE * width:
                    found[way.start], changed = need, True
        if not changed:
            return found
    return {node: 0.0 for way in ways for node in (way.start, way.end)}
