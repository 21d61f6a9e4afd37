"""Pressures along lines of a plan: margins at each place, boosters, and valves that they need."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from allocator.network.pressure_records import BoosterOption
from allocator.network.records import Network
from allocator.plans.records import BoosterUse, NodePressure, Plan, Run
from allocator.report.loads import corridor_of, runs_of_kind


@dataclass(frozen=True, slots=True)
class PressureEnd:
    """A node with its pressures, Pa. ``needs``: the most that something in use there needs of them,

    0 for nothing; ``margin``: above that. ``rating``: the lowest of what is attached, or None.
    """

    at: NodePressure
    place: str
    needs: float
    margin: float
    rating: float | None


@dataclass(frozen=True, slots=True)
class Valve:
    """Valves of one kind at a place. ``thing``: the source or store of a non-return valve, else "".

    ``thing`` is as tags name it (:mod:`allocator.report.tags`).
    """

    item: str
    place: str
    count: float
    thing: str = ""
    fluid: str = ""


def pressure_ends(site: Network, plan: Plan) -> tuple[PressureEnd, ...]:
    """Every node of the plan's pressures, in its order."""
    found = []
    for row in plan.pressures:
        known = site.pressures.get(row.fluid)
        if known is None:
            continue
        low, high, ratings = [site.ambient.pressure], [site.ambient.pressure], []
        for kind, name, place, takes in _attached(site, plan, row.fluid):
            if known.node(place) != known.node(row.node):
                continue
            if (kind, name) in known.ratings:
                ratings.append(known.pressure(known.ratings[kind, name]))
            if kind == "machine" and takes:
                low.append(known.pressure(known.inlets.get(name, 0.0)))
            if kind == "demand":
                low.append(known.pressure(known.demands.get(name, 0.0)))
            if kind == "storage" and name in known.stores:
                store = f"{name}@{place}"
                blowing = [use.booster for use in plan.boosters if use.store == store]
                high.append(known.pressure(known.filling(store, blowing)))
        for one in _boosters_used(site, plan, row.fluid):
            if known.node(one.start) == known.node(row.node):
                (high if one.store else low).append(known.pressure(one.inlet))
        margins = ((row.low - max(low), max(low)), (row.high - max(high), max(high)))
        margin, needs = min(margins)
        rating = min(ratings, default=None)
        found.append(PressureEnd(row, site.ground(row.node), needs, margin, rating))
    return tuple(found)


def _boosters_used(site: Network, plan: Plan, fluid: str) -> list[BoosterOption]:
    """Boosters of a fluid in a plan, as they may stand on its network."""
    used = {(one.booster, one.route, one.start, one.store) for one in plan.boosters}
    options = site.pressures[fluid].boosters
    return [one for one in options if (one.booster, one.route, one.start, one.store) in used]


def shut_in(site: Network, plan: Plan, run: Run) -> float:
    """Pa that a pipe must bear with nothing flowing, behind boosters too; 0 if not known."""
    known = site.pressures.get(run.fluid)
    if known is None:
        return 0.0
    route = site.routes[run.route]
    places = {known.node(node) for node in (route.start, route.end)}
    rows = [row for row in plan.pressures if row.fluid == run.fluid]
    found = [row.shut_in for row in rows if known.node(row.node) in places]
    blown = [use for use in plan.boosters if (use.route, use.fluid) == (run.route, run.fluid)]
    found += [booster_ends(site, plan, use).outlet_shut_in for use in blown]
    return max(found, default=0.0)


@dataclass(frozen=True, slots=True)
class BoosterEnds:
    """Pa at both ends of a booster with its planned flow, and at its outlet with nothing flowing.

    ``inlet``: what the plan leaves there; ``outlet``: the whole ratio or head above it. 0: unknown.
    """

    inlet: float = 0.0
    outlet: float = 0.0
    outlet_shut_in: float = 0.0


def booster_ends(site: Network, plan: Plan, use: BoosterUse) -> BoosterEnds:
    """Pressures on both sides of a booster; of several behind one inlet each as if alone there."""
    known = site.pressures.get(use.fluid)
    if known is None:
        return BoosterEnds()
    here = known.node(use.start)
    rows = (r for r in plan.pressures if (r.fluid, known.node(r.node)) == (use.fluid, here))
    option, row = next((one for one in known.boosters if _is(one, use)), None), next(rows, None)
    if option is None or row is None:
        return BoosterEnds()
    inlet, shut = row.high if use.store else row.low, row.shut_in
    ratio = site.boosters[use.booster].ratio or 1.0
    outlet = inlet * ratio if known.gas else inlet + option.gain
    behind = shut * option.boost + option.rise if shut > 0 else 0.0
    return BoosterEnds(inlet, outlet, behind)


def _is(option: BoosterOption, use: BoosterUse) -> bool:
    same = (option.booster, option.route, option.start, option.store)
    return same == (use.booster, use.route, use.start, use.store)


def _attached(site: Network, plan: Plan, fluid: str) -> Iterator[tuple[str, str, str, bool]]:
    """Kind, name and place of what is at the nodes of a fluid, and whether it takes it."""
    for machine in plan.machines:
        kind = site.machines[machine.type]
        if machine.count and fluid in {*kind.inputs, *kind.outputs}:
            yield "machine", machine.type, machine.place, fluid in kind.inputs
    for store in plan.stores:
        if store.holds == fluid and store.size > 0:
            yield "storage", store.type, store.place, True
    for demand in site.demands.values():
        if demand.wants == fluid and demand.place is not None:
            yield "demand", demand.name, demand.place, True
    for run in plan.runs:
        if run.fluid == fluid and run.flows:
            route = site.routes[run.route]
            yield "pipe", run.build, route.start, False
            yield "pipe", run.build, route.end, False


def booster_into(site: Network, use: BoosterUse) -> str:
    """The route or the store into which a booster blows."""
    return corridor_of(site.routes[use.route]) if use.route else use.store.partition("@")[0]


def valves_of(site: Network, plan: Plan) -> tuple[Valve, ...]:
    """Valves without which the plan's pressures do not hold in every state: non-return valves at

    sources and stores, and control of each way where a place splits flow. None where no pressures
    are computed.
    """
    fluids = {row.fluid for row in plan.pressures}
    found = [
        Valve(
            f"non-return valve for {site.sources[use.name].fluid}, source {use.name}",
            site.ground(site.sources[use.name].place),
            1.0,
            use.name,
            site.sources[use.name].fluid,
        )
        for use in plan.sources
        if use.tapped and not use.from_chamber and site.sources[use.name].fluid in fluids
    ]
    found += [
        Valve(
            f"non-return valve for {store.holds}, {store.type}",
            site.ground(store.place),
            1.0,
            store.name,
            store.holds,
        )
        for store in plan.stores
        if store.size > 0 and store.holds in fluids
    ]
    ways: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for run in runs_of_kind(site, plan, "pipe"):
        for flow in run.flows:
            if run.fluid in fluids and flow.rate > 0:
                at = (site.ground(flow.start), run.fluid)
                ways.setdefault(at, set()).add((run.route, flow.end))
    found += [
        Valve(f"control valve for {fluid}, where flow splits", place, float(len(out)))
        for (place, fluid), out in ways.items()
        if len(out) > 1
    ]
    return tuple(found)


def unchecked_pipes(site: Network, plan: Plan) -> tuple[str, ...]:
    """Corridors with pipes that carry gas or liquid and whose pressure is not checked."""
    return tuple(
        dict.fromkeys(
            corridor_of(site.routes[run.route])
            for run in runs_of_kind(site, plan, "pipe")
            if run.flows and (run.fluid not in site.pressures or site.pipes[run.build].bore is None)
        )
    )
