"""Lines of a plan: its pipes in use, and the highest pressures that hold along them.

Each node has a high pressure, at which a fluid arrives and goes on into stores by spurs, and a low
one, at which it leaves along pipes and into machines. Worked out are the highest that hold with
every pipe at a flow (:mod:`allocator.verify.pressure_walk`): its peak, or that of a state.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush
from typing import NamedTuple

from allocator.plans.records import MachineUse, Run, SourceUse
from allocator.site.records import BoosterType
from allocator.verify.case import Case
from allocator.verify.pressure_walk import WalkedFluid, WalkedPipe

Header = tuple[str, str]
"""``high`` or ``low``, and a node."""


@dataclass(frozen=True, slots=True)
class WayInUse:
    """A pipe or a passage in use, one way, with the headers that it joins and its flow, kg/s.

    ``key``: its route, and the nodes from which and to which it leads.
    """

    subject: str
    key: tuple[str, str, str]
    start: Header
    end: Header
    flow: float
    pipe: WalkedPipe | None
    boosters: tuple[BoosterType, ...] = ()
    spur: bool = False


@dataclass
class Lines:
    """Lines of one fluid of a plan, and the highest pressures at their headers."""

    case: Case
    fluid: str
    walked: WalkedFluid
    shares: dict[str, str]
    ways: list[WayInUse] = field(default_factory=list)
    pressures: dict[Header, float] = field(default_factory=dict)
    shut: dict[str, float] = field(default_factory=dict)

    def node(self, name: str) -> str:
        """The node that stands for all that passages join both ways."""
        return self.shares.get(name, name)

    def after(self, way: WayInUse, inlet: float) -> float:
        """Pa that a way leaves of a pressure at its start."""
        for booster in way.boosters:
            inlet = self.boosted(booster, inlet, self.walked.light)
        return inlet if way.pipe is None else self.walked.outlet(way.pipe, inlet, way.flow)

    def boosted(self, booster: BoosterType, inlet: float, density: float) -> float:
        """Pa behind a booster."""
        if self.walked.gas:
            return inlet * (booster.ratio or 1.0)
        return inlet + density * 9.80665 * (booster.head or 0.0)


def lines_of(case: Case, fluid: str, walked: WalkedFluid) -> Lines:
    """The pipes of a fluid in use, at their peak flows; pressures are not worked out yet."""
    lines = Lines(case, fluid, walked, shares_of(case, fluid))
    for run in case.plan.runs:
        if run.fluid == fluid:
            lines.ways += _ways(lines, run)
    return lines


def shares_of(case: Case, fluid: str) -> dict[str, str]:
    """Node -> the first of those that passages join to it both ways."""
    joined: dict[str, str] = {}

    def first(node: str) -> str:
        while joined.get(node, node) != node:
            node = joined[node]
        return node

    for route in case.site.routes.values():
        stream = route.stream
        passes = stream is not None and stream.kind == "passage" and not route.one_way
        if passes and any(one == fluid for _, one in route.capacities or {}):
            one, other = sorted((first(route.start), first(route.end)))
            if one != other:
                joined[other] = one
    return {node: first(node) for node in joined}


def subject_of(run: Run) -> str:
    """A run, as findings name it."""
    return f"run {run.route!r} of {run.fluid!r}"


def layers_of(lines: Lines, run: Run) -> dict[tuple[str, str], set[str]]:
    """The layers that use a run between two nodes of other pressures, by start and end."""
    layers: dict[tuple[str, str], set[str]] = {}
    for flow in run.flows:
        if flow.rate > 0 and lines.node(flow.start) != lines.node(flow.end):
            layers.setdefault((flow.start, flow.end), set()).add(flow.layer)
    return layers


def _ways(lines: Lines, run: Run) -> Iterator[WayInUse]:
    """The ways in which a run is used; both ways only to fill stores and give back."""
    case, layers = lines.case, layers_of(lines, run)
    rates: dict[tuple[str, str], list[float]] = {ends: [] for ends in layers}
    for flow in run.flows:
        if flow.rate > 0 and (flow.start, flow.end) in rates:
            peak = case.peak(flow.carries) if flow.layer == "supply" else 1.0
            rates[flow.start, flow.end].append(flow.rate * peak)
    spur = len(rates) == 2
    for (start, end), parts in rates.items():
        header = "high" if spur and "collect" in layers[start, end] else "low"
        into = header if spur else "high"
        yield WayInUse(
            subject_of(run),
            (run.route, start, end),
            (header, lines.node(start)),
            (into, lines.node(end)),
            math.fsum(parts),
            _pipe(lines, run, start, end),
            tuple(
                case.site.boosters[use.booster]
                for use in case.plan.boosters
                if (use.route, use.start, use.fluid) == (run.route, start, run.fluid)
            ),
            spur,
        )


def _pipe(lines: Lines, run: Run, start: str, end: str) -> WalkedPipe | None:
    site = lines.case.site
    route = site.routes[run.route]
    if route.stream is not None and route.stream.kind != "pipe":
        return None
    rise = site.places[end].elevation - site.places[start].elevation
    hot = lines.walked.hot
    if route.stream is not None:
        hot = max(route.stream.inlet, site.ambient.temperature)
    return WalkedPipe(site.pipes[run.build], route.length, rise, hot)


def settled(lines: Lines) -> bool:
    """Work out the highest pressure at every header, from the sources on.

    False where they flow in a circle, so that no pressures hold.
    """
    found = lines.pressures
    nodes = {header[1] for way in lines.ways for header in (way.start, way.end)}
    nodes |= {lines.node(end.place) for end in ends_of(lines)}
    arriving = {way.end for way in lines.ways}
    for node in nodes:
        above = min(_limits(lines, node), default=math.inf)
        if math.isinf(above) and ("high", node) not in arriving:
            above = lines.walked.unsaid
        found["high", node] = above
        found["low", node] = math.inf
    onward: dict[Header, list[WayInUse]] = {}
    for way in lines.ways:
        onward.setdefault(way.start, []).append(way)
    ranks = _ranks(found, lines.ways)
    waiting = [(ranks[header], header) for header, p in found.items() if math.isfinite(p)]
    heapify(waiting)
    left = 60 * (len(lines.ways) + len(nodes)) + 1000
    while waiting and left > 0:
        left -= 1
        _, header = heappop(waiting)
        while waiting and waiting[0][1] == header:
            heappop(waiting)
        pressure = found[header]
        for end, most in _onward(lines, header, pressure, onward.get(header, ())):
            if most < found[end] - 1e-9 * lines.walked.ambient:
                found[end] = most
                heappush(waiting, (ranks[end], end))
    for header, pressure in found.items():
        if math.isinf(pressure):
            found[header] = lines.walked.unsaid
    in_circles = [found[header] for header, rank in ranks.items() if rank == len(ranks)]
    return left > 0 and all(pressure > 0 for pressure in in_circles)


def _ranks(headers: Iterable[Header], ways: Iterable[WayInUse]) -> dict[Header, int]:
    """Headers numbered downstream, so that each is settled once; those of circles come last."""
    onward: dict[Header, list[Header]] = {header: [] for header in headers}
    before = dict.fromkeys(onward, 0)
    links = [(way.start, way.end) for way in ways]
    links += [(header, ("low", header[1])) for header in onward if header[0] == "high"]
    for start, end in links:
        onward[start].append(end)
        before[end] += 1
    ranks: dict[Header, int] = {}
    free = deque(sorted(header for header, count in before.items() if not count))
    while free:
        header = free.popleft()
        ranks[header] = len(ranks)
        for end in onward[header]:
            before[end] -= 1
            if not before[end]:
                free.append(end)
    return {header: ranks.get(header, len(onward)) for header in onward}


def _onward(
    lines: Lines, header: Header, pressure: float, ways: Iterable[WayInUse]
) -> Iterator[tuple[Header, float]]:
    for way in ways:
        yield way.end, lines.after(way, pressure)
    word, node = header
    if word == "high":
        yield ("low", node), min([pressure, *_releases(lines, node)])


def _limits(lines: Lines, node: str) -> Iterator[float]:
    """Pa at which sources and machines in use give the fluid at a node."""
    case, fluid = lines.case, lines.fluid
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid and lines.node(source.place) == node and gives(use):
            yield source.pressure or lines.walked.unsaid
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        if fluid in record.outputs and lines.node(machine.place) == node and turns(machine):
            yield record.outlet_pressure or lines.walked.unsaid


def gives(use: SourceUse) -> bool:
    """Whether a source gives anything."""
    return any(use.collect.values()) or any(use.direct.values())


def turns(machine: MachineUse) -> bool:
    """Whether a group takes and gives anything."""
    loads = (machine.flat_load, machine.cycled, *machine.following.values())
    return any(load > 0 for load in (*loads, *machine.burst.values(), *machine.overflow.values()))


def used_stores(lines: Lines) -> Iterator[tuple[str, str, str]]:
    """Place, type and ``type@place`` of stores of the fluid that fill or release."""
    for store in lines.case.plan.stores:
        filled = lines.case.arriving(f"store:{store.name}") > 0 or store.inflow > 0
        if store.holds == lines.fluid and (filled or any(store.draw.values())):
            yield store.place, store.type, store.name


def _releases(lines: Lines, node: str) -> Iterator[float]:
    for place, kind, _ in used_stores(lines):
        record = lines.case.site.storage[kind]
        pressure = record.pressure or record.min_pressure
        if lines.node(place) == node and pressure is not None:
            yield pressure


class LineEnd(NamedTuple):
    """A ``machine`` or ``demand`` that takes a fluid, and the least low pressure that it needs."""

    kind: str
    name: str
    place: str
    needed: float

    @property
    def subject(self) -> str:
        """The end, as findings name it."""
        return f"{self.kind} {self.name!r}"


def ends_of(lines: Lines) -> Iterator[LineEnd]:
    """Machines and demands in use."""
    case, fluid = lines.case, lines.fluid
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        if fluid in record.inputs and turns(machine):
            least = record.min_inlet_pressure or 0.0
            yield LineEnd("machine", machine.name, machine.place, least)
    for demand in case.plan.demands:
        record_of = case.site.demands[demand.name]
        if demand.wants == fluid and record_of.place is not None and demand.clean_share > 0:
            least = record_of.min_inlet_pressure or 0.0
            yield LineEnd("demand", demand.name, record_of.place, least)


class StoreFill(NamedTuple):
    """A store in use: the least pressure that fills it, and what is there, boosters included."""

    store: str
    place: str
    needed: float
    pressure: float


def filled(lines: Lines, pressures: Mapping[Header, float]) -> Iterator[StoreFill]:
    """Every store in use that needs a pressure, where the pressure of its node is known."""
    for place, kind, name in used_stores(lines):
        record = lines.case.site.storage[kind]
        needed = record.pressure or record.max_pressure
        high = pressures.get(("high", lines.node(place)))
        if needed is None or high is None:
            continue
        for use in lines.case.plan.boosters:
            if use.store == name:
                booster = lines.case.site.boosters[use.booster]
                high = lines.boosted(booster, high, lines.walked.light)
        yield StoreFill(name, place, needed, high)
