"""Which store supplies which consumer, and the margin of the pipes for surplus."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from allocator.plans.records import FLAT
from allocator.verify.case import Case
from allocator.verify.loads import given, taken

Arcs = dict[tuple[str, str], float]


@dataclass(frozen=True, slots=True)
class Feed:
    """``rate`` kg/s (mean) of a fluid from a giver to a taker.

    Givers: ``store:<name>``, ``source:<name>``, ``machine:<name>``. Takers: ``machine:<name>``,
    ``demand:<name>``, ``store:<name>``.
    """

    fluid: str
    shape: str
    giver: str
    taker: str
    rate: float


def feeds_of(case: Case) -> tuple[Feed, ...]:
    """The supply layer taken apart into feeds: a path from a giver to a taker each.

    A balanced flow can always be taken apart so; which of several ways is taken does not matter
    for the sums, and follows the order of the plan.
    """
    found: list[Feed] = []
    for fluid in case.site.fluids:
        for shape in (FLAT, *case.profiles):
            givers, takers = supply_ends(case, fluid, shape)
            if takers:
                found += _taken_apart(fluid, shape, givers, takers, _flows(case, fluid, shape))
    return tuple(found)


def _flows(case: Case, fluid: str, shape: str) -> Arcs:
    found: Arcs = {}
    for run in case.plan.runs:
        for flow in run.flows:
            if run.fluid == fluid and flow.layer == "supply" and flow.carries == shape:
                key = (flow.start, flow.end)
                found[key] = found.get(key, 0.0) + flow.rate
    return found


Ends = dict[str, list[tuple[str, float]]]


def supply_ends(case: Case, fluid: str, shape: str) -> tuple[Ends, list[tuple[str, str, float]]]:
    """What gives to the supply layer of a fluid and shape, by node, and what takes from it."""
    givers: Ends = {}
    takers: list[tuple[str, str, float]] = []
    for store in case.plan.stores:
        if store.holds == fluid:
            if store.draw.get(shape, 0.0) > 0:
                givers.setdefault(store.place, []).append(
                    (f"store:{store.name}", store.draw[shape])
                )
            if shape == FLAT and store.inflow > 0:
                takers.append((f"store:{store.name}", store.place, store.inflow))
    for source in case.plan.sources:
        record = case.site.sources[source.name]
        if record.fluid == fluid and source.direct.get(shape, 0.0) > 0:
            giver = (f"source:{source.name}", source.direct[shape])
            givers.setdefault(record.place, []).append(giver)
    for machine in case.plan.machines:
        net = sum(r for f, s, r in given(case, machine) if (f, s) == (fluid, shape))
        net -= sum(r for f, s, r in taken(case, machine) if (f, s) == (fluid, shape))
        if net > 0:
            givers.setdefault(machine.place, []).append((f"machine:{machine.name}", net))
        elif net < 0:
            takers.append((f"machine:{machine.name}", machine.place, -net))
    for use in case.plan.demands:
        demand = case.site.demands[use.name]
        if use.wants == fluid and case.shape_of[use.name] == shape and demand.place is not None:
            served = (use.clean_share + use.emitting_share) * use.mean
            if served > 0:
                takers.append((f"demand:{use.name}", demand.place, served))
    return givers, takers


def _taken_apart(
    fluid: str, shape: str, givers: Ends, takers: list[tuple[str, str, float]], arcs: Arcs
) -> list[Feed]:
    found = []
    for taker, place, asked in takers:
        left = asked
        while left > 1e-9 * asked:
            path = _way_back(place, givers, arcs)
            if path is None:
                break
            giver, amount = givers[path[0]][0]
            amount = min(left, amount, *(arcs[arc] for arc in pairwise(path)))
            for arc in pairwise(path):
                arcs[arc] -= amount
                if arcs[arc] <= 1e-12 * asked:
                    del arcs[arc]
            rest = givers[path[0]][0][1] - amount
            if rest > 1e-12 * asked:
                givers[path[0]][0] = (giver, rest)
            else:
                givers[path[0]].pop(0)
            found.append(Feed(fluid, shape, giver, taker, amount))
            left -= amount
    return found


def _way_back(place: str, givers: Ends, arcs: Arcs) -> list[str] | None:
    """The nearest place with something to give, along flows, and the way from it."""
    onward: dict[str, str] = {place: ""}
    queue = deque([place])
    while queue:
        here = queue.popleft()
        if givers.get(here):
            path = [here]
            while onward[path[-1]]:
                path.append(onward[path[-1]])
            return path
        for start, end in arcs:
            if end == here and start not in onward:
                onward[start] = here
                queue.append(start)
    return None


def spare_room(case: Case, fluid: str) -> Arcs:
    """kg/s that each run could carry beyond both layers, in each direction that it may.

    Both directions of a run share one room: whoever takes from one takes from the other too.
    """
    found: Arcs = {}
    for run in case.plan.runs:
        if run.fluid != fluid:
            continue
        route = case.site.routes[run.route]
        used = sum(
            flow.rate * (case.peak(flow.carries) if flow.layer == "supply" else 1.0)
            for flow in run.flows
        )
        room = case.site.capacity(run.route, run.build, run.fluid) - used
        if run.fluid in case.site.pressures and (not route.stream or route.stream.kind == "pipe"):
            room = 0.0  # pressures hold with the plan's flows, and no more
        if room > 0:
            found[route.start, route.end] = found.get((route.start, route.end), 0.0) + room
            if not route.one_way:
                found[route.end, route.start] = found.get((route.end, route.start), 0.0) + room
    return found


def widest_way(start: str, end: str, room: Mapping[tuple[str, str], float]) -> tuple[float, Arcs]:
    """The most that one way can carry, and the arcs of that way."""
    width = {start: float("inf")}
    before: dict[str, str] = {}
    open_places = {start}
    while open_places:
        here = max(sorted(open_places), key=lambda place: width[place])
        open_places.remove(here)
        if here == end:
            break
        for (a, b), most in room.items():
            reach = min(width[here], most)
            if a == here and reach > width.get(b, 0.0):
                width[b] = reach
                before[b] = here
                open_places.add(b)
    if end not in before:
        return 0.0, {}
    arcs: Arcs = {}
    place = end
    while place != start:
        arcs[before[place], place] = width[end]
        place = before[place]
    return width[end], arcs
