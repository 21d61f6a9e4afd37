"""Pressures along lines in the states that a simulation meets; of each end the least is kept.

A state is what all clocks give at an instant: which sources are on, what demands ask for. In it
every source gives what the plan collects of it, and what comes to a node leaves it by the plan's
pipes in the plan's proportions, which split controls hold. The flows follow from that alone,
whatever flows the plan names, and the pressures from the walk of the audit. A store that is full
or empty takes or gives less; it counts as taking and giving all, so that no flow is greater.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from allocator.network.records import Arc
from allocator.plans.records import PipeFlow
from allocator.simulation.columns import Array
from allocator.simulation.trace import PressuresMet, PressureTrace
from allocator.simulation.work import DrawRun, Work
from allocator.verify.case import Case
from allocator.verify.pressure_lines import Lines, ends_of, filled, lines_of, settled
from allocator.verify.pressure_walk import walked_fluid
from allocator.verify.tanks.circuit import SourceClock
from allocator.verify.tanks.feeds import supply_ends

INSTANTS = 256
"""Instants of a draw at which its state is looked at."""

MOST_STATES, MOST_WALKS = 32, 1200
"""States that are walked at the most, and pipes walked in all of them: a quarter of a second."""

LEAST_STATES = 3
"""States that are walked however many pipes there are."""

SLIGHTLY = 1e-6
"""Share of its greatest flow by which the flow of all decides between states."""

GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
"""Steps of this share of a span fall in no step with any clock."""

Way = tuple[str, str, str]
"""Route, start and end of a flow."""


def pressures_met(work: Work, runs: Sequence[DrawRun]) -> PressuresMet | None:
    """The least pressure at each end in a sample of the states of some runs.

    None where no pressures are computed. Walked are the state with the greatest flow, those in
    which some pipe carries most, and more with great flows.
    """
    case = work.assembly.case
    fluids = [(fluid, walked_fluid(case, fluid)) for fluid in case.site.fluids]
    known = [lines_of(case, fluid, walked) for fluid, walked in fluids if walked is not None]
    known = [lines for lines in known if lines.ways]
    if not known:
        return None
    names, states = _states(work, runs)
    columns = dict(zip(names, states.T, strict=True))
    flows = [_flows(lines, columns, len(states)) for lines in known]
    chosen = _chosen(flows)
    found: dict[tuple[str, str, str], PressureTrace] = {}
    for lines, moved in zip(known, flows, strict=True):
        for row in chosen:
            on = tuple(name for name, column in columns.items() if column[row] > 0)
            for end in _ends(_in_state(lines, moved, row)):
                key = (lines.fluid, end.kind, end.name)
                if key not in found or end.margin < found[key].margin:
                    found[key] = replace(end, on=tuple(n for n in on if n in case.site.sources))
    return PressuresMet(len(states), len(chosen), tuple(found.values()))


def _states(work: Work, runs: Sequence[DrawRun]) -> tuple[list[str], Array]:
    """Names of what varies, and a row of their values for each distinct state.

    Sources that are lost, or low, give their share of what is collected of them.
    """
    case = work.assembly.case
    names = [use.name for use in case.plan.sources if use.name in case.cycles]
    steady = {name: case.cycles[name].mean for name in names}
    names += [f"shape:{shape}" for shape in case.profiles]
    rows = []
    for run in runs:
        times = np.asarray(run.seconds * (np.arange(1, INSTANTS + 1) * GOLDEN % 1.0))
        clocks = {clock.name: clock for clock in work.clocks(run)}
        columns = [
            (
                _at(clocks[name], run.phases, times)
                if name in clocks
                else np.full(INSTANTS, steady[name])
            )
            * run.shares.get(name, 1.0)
            for name in names
        ]
        rows.append(np.array(columns).reshape(len(names), INSTANTS).T)
    return names, np.unique(np.concatenate(rows), axis=0)


def _at(clock: SourceClock, phases: Mapping[str, float], times: Array) -> Array:
    """Values of a clock at some times."""
    into = (times + phases.get(clock.follows, 0.0)) % clock.period
    return np.asarray(clock.values[np.searchsorted(clock.times, into, side="right") - 1])


def _chosen(flows: Sequence[Mapping[Way, Array]]) -> list[int]:
    """The states to walk: with the greatest flows, then those in which a way carries most.

    Of states in which a way carries the same, that with the greatest flows counts.
    """
    ways = [moved / max(float(moved.max()), 1e-300) for one in flows for moved in one.values()]
    total = np.sum(ways, axis=0)
    greatest = [int(row) for row in np.argsort(-total, kind="stable")]
    busiest = [int(np.argmax(moved + SLIGHTLY * total / len(ways))) for moved in ways]
    most = min(MOST_STATES, max(LEAST_STATES, MOST_WALKS // len(ways)))
    return list(dict.fromkeys([greatest[0], *busiest, *greatest]))[:most]


def _flows(lines: Lines, columns: Mapping[str, Array], states: int) -> dict[Way, Array]:
    """kg/s of each way in every state."""
    case, fluid = lines.case, lines.fluid
    found = {way.key: np.zeros(states) for way in lines.ways}
    layers: dict[tuple[str, str], list[tuple[str, PipeFlow]]] = {}
    for run in case.plan.runs:
        for flow in run.flows if run.fluid == fluid else ():
            if flow.rate > 0:
                layers.setdefault((flow.layer, flow.carries), []).append((run.route, flow))
    for (layer, carries), parts in layers.items():
        if layer == "collect":
            level = np.ones(states)
            comes = _collected(case, fluid, carries, columns)
        else:
            level = columns.get(f"shape:{carries}", np.ones(states))
            comes = _supplied(case, fluid, carries, level)
        for way, moved in _pushed(parts, comes, level):
            if way in found:
                found[way] = found[way] + moved
    return found


def _collected(case: Case, fluid: str, end: str, columns: Mapping[str, Array]) -> dict[str, Array]:
    """What sources give to stores and burners at a node, by node."""
    found: dict[str, Array] = {}
    for destination in case.destinations.values():
        if destination.place != end or destination.fluid != fluid:
            continue
        for use, rate in case.collected(destination.name):
            place = case.site.sources[use.name].place
            found[place] = found.get(place, 0.0) + rate * columns[use.name]
    return found


def _supplied(case: Case, fluid: str, shape: str, level: Array) -> dict[str, Array]:
    """What the supply layer is given, less what it gives, by node."""
    found: dict[str, Array] = {}
    givers, takers = supply_ends(case, fluid, shape)
    for place, parts in givers.items():
        given = math.fsum(rate for _, rate in parts)
        found[place] = found.get(place, 0.0) + given * level
    for _, place, rate in takers:
        found[place] = found.get(place, 0.0) - rate * level
    return found


def _pushed(
    parts: Sequence[tuple[str, PipeFlow]], comes: Mapping[str, Array], level: Array
) -> Iterator[tuple[Way, Array]]:
    """Each way with its flow, node by node downstream: what comes is split as the plan does.

    What flows in a circle is as the plan has it.
    """
    onward: dict[str, list[tuple[str, PipeFlow]]] = {}
    before: dict[str, int] = {}
    for route, flow in parts:
        onward.setdefault(flow.start, []).append((route, flow))
        before[flow.end] = before.get(flow.end, 0) + 1
    there = {node: np.array(amount) for node, amount in comes.items()}
    waiting = deque(node for node in onward if not before.get(node))
    done = set()
    while waiting:
        node = waiting.popleft()
        leaving = onward.get(node, ())
        rates = math.fsum(flow.rate for _, flow in leaving)
        amount = np.maximum(0.0, there.get(node, np.zeros(len(level))))
        for route, flow in leaving:
            moved = amount * (flow.rate / rates)
            done.add((route, flow.start, flow.end))
            yield (route, flow.start, flow.end), moved
            there[flow.end] = there.get(flow.end, 0.0) + moved
            before[flow.end] -= 1
            if not before[flow.end]:
                waiting.append(flow.end)
    for route, flow in parts:
        if (key := (route, flow.start, flow.end)) not in done:
            yield key, flow.rate * level


def _in_state(lines: Lines, moved: Mapping[Way, Array], row: int) -> Lines:
    """The lines with the flows of one state, and the pressures that these leave."""
    ways = [replace(way, flow=float(moved[way.key][row])) for way in lines.ways]
    found = replace(lines, ways=ways, pressures={}, shut={})
    settled(found)
    return found


def _ends(lines: Lines) -> Iterator[PressureTrace]:
    """Every end with the pressure there: machines, demands, stores, boosters, ends of pipes."""
    case, fluid, ambient = lines.case, lines.fluid, lines.walked.ambient

    def end(kind: str, name: str, place: str, needs: float, lowest: float) -> PressureTrace:
        return PressureTrace(
            kind, name, fluid, case.site.ground(place), max(needs, ambient), lowest
        )

    for one in ends_of(lines):
        yield end(
            one.kind, one.name, one.place, one.needed, lines.pressures["low", lines.node(one.place)]
        )
    for store in filled(lines, lines.pressures):
        yield end("store", store.store, store.place, store.needed, store.pressure)
    for use in case.plan.boosters:
        header = ("high" if use.store else "low", lines.node(use.start))
        if use.fluid == fluid and header in lines.pressures:
            least = case.site.boosters[use.booster].min_inlet_pressure or 0.0
            route = case.site.routes.get(use.route)
            into = use.store if route is None else _corridor(route)
            name = f"{use.booster} into {into}"
            yield end("booster", name, use.start, least, lines.pressures[header])
    for way in lines.ways:
        if lines.pressures[way.end] >= ambient:
            continue
        after = lines.after(way, lines.pressures[way.start])
        if after < ambient:
            route = case.site.routes[way.key[0]]
            yield end("pipe", _corridor(route), way.key[2], ambient, after)


def _corridor(route: Arc) -> str:
    """The route of the file."""
    return route.stream.corridor if route.stream else route.name
