"""Pressure along each way of a plan, from a source by pipes and stores to what burns it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from allocator.base.table import Column, Table
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import FluidPressures
from allocator.network.records import Arc, Network
from allocator.plans.records import NodePressure, Plan
from allocator.report.loads import corridor_of, peak_factor
from allocator.report.tables import Row, gauged, table_of
from allocator.report.ways import Way, ways_of
from allocator.report.words import at, destination

PIECES = 16
"""Straight pieces of the curve along a pipe."""


@dataclass(frozen=True, slots=True)
class PressureStep:
    """A place on a way, ``metres`` from its start: Pa at which the fluid arrives and leaves.

    ``leaves``: behind the regulator and the booster there; None at the end. ``route`` and
    ``build``: of the pipe onward.
    """

    place: str
    metres: float
    arrives: float
    leaves: float | None = None
    booster: str = ""
    route: str = ""
    build: str = ""


@dataclass(frozen=True, slots=True)
class PressureWay:
    """The pressure along a way at peak flow; ``profile``: metres and Pa, every piece straight.

    ``needs``: Pa that its end needs, at the least the ambient pressure.
    """

    start: str
    end: str
    fluid: str
    steps: tuple[PressureStep, ...]
    profile: tuple[tuple[float, float], ...]
    needs: float

    @property
    def name(self) -> str:
        """From where to where, in words."""
        return f"{self.start} to {self.end}"

    @property
    def margin(self) -> float:
        """Pa at its end above what that needs."""
        return self.profile[-1][1] - self.needs


class PipeAlong(NamedTuple):
    """A pipe that a way follows, from one node to the next.

    ``filling``: it leaves at the high pressure, on a spur to a store. ``release``: it arrives at
    the low one, on a spur back from it.
    """

    route: Arc
    start: str
    end: str
    filling: bool
    release: bool


def pressure_ways(site: Network, plan: Plan) -> tuple[PressureWay, ...]:
    """Every way that leads along pipes with pressures, those from sources through stores joined.

    Ways to a store go on along the way out of it that carries most, and every way out of a store
    begins with the one into it that carries most, so that each pipe in use is on a way. Ways that
    are alike, as those through a store beside the machine and past it, are one.
    """
    if not plan.pressures:
        return ()
    rows = {(row.fluid, row.node): row for row in plan.pressures}
    flows = peaks_of(site, plan)
    found = []
    for parts in _chains([way for way in ways_of(site, plan) if way.fluid in site.pressures]):
        pipes = [pipe for way in parts for pipe in _pipes(site, way, flows)]
        known = site.pressures[parts[0].fluid]
        nodes = [node for pipe in pipes for node in (pipe.start, pipe.end)]
        piped = any(_is_pipe(pipe.route) for pipe in pipes)
        if piped and all((known.fluid, known.node(node)) in rows for node in nodes):
            found.append(_along(site, plan, parts, pipes, rows, flows))
    return tuple(dict.fromkeys(found))


def _chains(ways: Sequence[Way]) -> Iterator[tuple[Way, ...]]:
    """Ways joined at stores: each way at least once."""
    into: dict[str, list[Way]] = {}
    out: dict[str, list[Way]] = {}
    for way in ways:
        if way.taker.startswith("store:"):
            into.setdefault(way.taker, []).append(way)
        if way.giver.startswith("store:"):
            out.setdefault(way.giver, []).append(way)
    chosen = []
    for way in ways:
        before, after = into.get(way.giver, ()), out.get(way.taker, ())
        chain: tuple[Way, ...] = (way,)
        if before:
            chain = (max(before, key=lambda one: one.rate), *chain)
        elif after:
            chain = (*chain, max(after, key=lambda one: one.rate))
        chosen.append(chain)
    yield from dict.fromkeys(chosen)


Flows = Mapping[tuple[str, str, str], float]
"""Route, start and fluid -> peak flow, kg/s."""


def peaks_of(site: Network, plan: Plan) -> Flows:
    """Peak flow of each way along a route."""
    found: dict[tuple[str, str, str], list[float]] = {}
    for run in plan.runs:
        for flow in run.flows:
            if flow.rate > 0:
                peak = peak_factor(site, flow.carries) if flow.layer == "supply" else 1.0
                found.setdefault((run.route, flow.start, run.fluid), []).append(flow.rate * peak)
    return {key: math.fsum(rates) for key, rates in found.items()}


def _start_of(site: Network, giver: str) -> str:
    kind, _, name = giver.partition(":")
    return site.sources[name].place if kind == "source" else name.rpartition("@")[2]


def _pipes(site: Network, way: Way, flows: Flows) -> Iterator[PipeAlong]:
    node = _start_of(site, way.giver)
    for name in way.routes:
        route = site.routes[name]
        end = route.end if route.start == node else route.start
        both = all((name, one, way.fluid) in flows for one in (node, end))
        filling = both and way.layer == "collect"
        yield PipeAlong(route, node, end, filling, both and not filling)
        node = end


def _along(
    site: Network,
    plan: Plan,
    parts: Sequence[Way],
    pipes: Sequence[PipeAlong],
    rows: Mapping[tuple[str, str], NodePressure],
    flows: Flows,
) -> PressureWay:
    fluid = parts[0].fluid
    known = site.pressures[fluid]
    builds = {run.route: run.build for run in plan.runs if run.fluid == fluid}
    steps, profile, metres = [], list[tuple[float, float]](), 0.0
    arrives = rows[fluid, known.node(pipes[0].start)].high
    for pipe in pipes:
        here, there = (rows[fluid, known.node(node)] for node in (pipe.start, pipe.end))
        if not _is_pipe(pipe.route):  # a cooler or a passage at the place
            arrives = there.high
            continue
        leaves = here.high if pipe.filling else here.low
        booster, gain = boosted(known, plan, pipe.route.name, pipe.start, "")
        behind = known.potential(leaves) + gain
        build = builds[pipe.route.name]
        lost = _lost(known, pipe, build, flows[pipe.route.name, pipe.start, fluid], behind)
        length = pipe.route.length
        step = PressureStep(
            site.ground(pipe.start),
            metres,
            arrives,
            known.pressure(behind),
            booster,
            corridor_of(pipe.route),
            build,
        )
        steps.append(step)
        profile.append((metres, arrives))
        for number in range(PIECES + 1):
            share = number / PIECES
            potential = max(0.0, behind - share * lost)
            profile.append((metres + share * length, known.pressure(potential)))
        metres += length
        arrives = there.low if pipe.release else there.high
    last = rows[fluid, known.node(pipes[-1].end)]
    needed, uses_high = _needed(known, parts[-1].taker)
    needs = max(needed, site.ambient.pressure)
    end = last.high if uses_high else last.low
    store = parts[-1].taker.removeprefix("store:") if uses_high else ""
    booster, gain = boosted(known, plan, "", pipes[-1].end, store)
    steps.append(PressureStep(site.ground(pipes[-1].end), metres, arrives, None, booster))
    profile += [(metres, arrives), (metres, known.pressure(known.potential(end) + gain))]
    return PressureWay(
        _giver(parts[0].giver), _taker(parts[-1].taker), fluid, tuple(steps), tuple(profile), needs
    )


def _is_pipe(route: Arc) -> bool:
    return route.stream is None or route.stream.kind == "pipe"


def boosted(
    known: FluidPressures, plan: Plan, route: str, start: str, store: str
) -> tuple[str, float]:
    """Boosters at the inlet of a pipe or store, and the potential that they surely add."""
    names = [
        use.booster
        for use in plan.boosters
        if (use.fluid, use.route, use.start, use.store) == (known.fluid, route, start, store)
    ]
    gains = {
        option.booster: option.gain
        for option in known.boosters
        if (option.route, option.start, option.store) == (route, start, store)
    }
    return " and ".join(names), math.fsum(gains.get(name, 0.0) for name in names)


def _lost(known: FluidPressures, pipe: PipeAlong, build: str, flow: float, enters: float) -> float:
    """Potential that one which enters a pipe loses along it: friction, speed, height."""
    loss = known.losses.get((pipe.route.name, pipe.start, build))
    if loss is None:
        return 0.0
    return enters - loss.after(enters, losses_at([loss], [flow])[0][0], flow)


def _needed(known: FluidPressures, taker: str) -> tuple[float, bool]:
    """Pa that the end of a way needs, and whether it takes what arrives, as stores do."""
    kind, _, name = taker.partition(":")
    if kind == "store":
        store = known.stores.get(name.rpartition("@")[0])
        return (0.0 if store is None else known.pressure(store.fill)), True
    if kind == "demand":
        return known.pressure(known.demands.get(name, 0.0)), False
    machine = name.partition(">")[0].rpartition("@")[0]
    return known.pressure(known.inlets.get(machine, 0.0)), False


def _giver(name: str) -> str:
    return at(name.partition(":")[2])


def _taker(name: str) -> str:
    kind, _, rest = name.partition(":")
    return destination(name) if kind == "burn" else at(rest)


_COLUMNS = (
    Column("start", "from"),
    Column("end", "to"),
    Column("fluid", "fluid"),
    Column("place", "place"),
    Column("distance", "distance", "length", "Along the pipes from the start."),
    Column("arrives", "arrives at", "pressure", "With all that may flow at once."),
    Column("leaves", "leaves at", "pressure", "Behind the regulator, and the booster if any."),
    Column("booster", "booster"),
    Column("onward", "route onward"),
    Column("pipe_onward", "pipe onward"),
    Column("needs", "needed", "pressure", "At the end of the path; at the least ambient."),
)


def pressure_ways_table(site: Network, plan: Plan) -> Table:
    """A row for each place of each way."""
    rows: list[Row] = [
        {
            "start": way.start,
            "end": way.end,
            "fluid": way.fluid,
            "place": step.place,
            "distance_m": step.metres,
            "arrives_pa": step.arrives,
            "leaves_pa": step.leaves,
            "booster": step.booster or None,
            "onward": step.route or None,
            "pipe_onward": step.build or None,
            "needs_pa": way.needs if step.leaves is None else None,
        }
        for way in pressure_ways(site, plan)
        for step in way.steps
    ]
    columns = gauged(_COLUMNS, site.ambient.pressure)
    return table_of("pressure_paths", "Pressure from source to machine", columns, rows)
