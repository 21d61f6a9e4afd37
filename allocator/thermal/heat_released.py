"""Heat that a plan lets into each place that has a limit, by its true temperatures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from allocator.network.offers import Ask
from allocator.network.records import Network
from allocator.plans.records import HeatLimit, Plan, StoreUse
from allocator.thermal.states import STATES
from allocator.thermal.temperatures import CarriedHeat, FoundTemperatures
from allocator.thermal.upper import above_ambient, halves, rejects_at

WHAT = "heat released"


def heat_released(
    site: Network, plan: Plan, states: Mapping[str, Sequence[FoundTemperatures]]
) -> tuple[HeatLimit, ...]:
    """W let into each place with a limit, in the worse of the states, all machines at full load."""
    limits = {n: p.heat_limit for n, p in site.places.items() if p.heat_limit is not None}
    if not limits:
        return ()
    worst = dict.fromkeys(limits, 0.0)
    for number in range(len(STATES)):
        here = dict.fromkeys(limits, 0.0)
        founds = {fluid: found[number] for fluid, found in states.items()}
        for place, heat in _of_state(site, plan, founds, STATES[number]):
            if place in here:
                here[place] += heat
        worst = {place: max(worst[place], heat) for place, heat in here.items()}
    return tuple(
        HeatLimit(f"place {place}", WHAT, "W", worst[place], most) for place, most in limits.items()
    )


def _of_state(
    site: Network, plan: Plan, founds: Mapping[str, FoundTemperatures], state: str
) -> Iterator[tuple[str, float]]:
    for machine in plan.machines:
        heat = site.machines[machine.type].heat_out * machine.count
        yield site.ground(machine.place), heat
    for run in plan.runs:
        sink = site.pipes[run.build].sink
        if sink is not None:
            yield site.ground(site.routes[run.route].start), sink.heat
    for fluid, found in founds.items():
        piped: dict[str, list[CarriedHeat]] = {}
        for carried in found.carried:
            flow = carried.flow
            stream = site.routes[flow.run.route].stream
            if stream is not None and stream.kind == "cooler":
                share = site.coolers[stream.corridor].power_share
                yield rejects_at(site, site.routes[flow.run.route]), carried.loss * (1 + share)
            elif stream is not None and stream.kind == "pipe":
                piped.setdefault(flow.run.route, []).append(carried)
        for mine in piped.values():
            yield from _pipe(site, fluid, mine)
        for store in plan.stores:
            if store.holds == fluid and store.place in found.at:
                heat = above_ambient(site, fluid, found.at[store.place])
                yield site.ground(store.place), heat * _filled(plan, store, state)


def _filled(plan: Plan, store: StoreUse, state: str) -> float:
    """kg/s that a store takes in."""
    burst = sum(use.collect.get(f"store:{store.name}", 0.0) for use in plan.sources)
    return store.inflow + (burst if state == "busiest" else 0.0)


def _pipe(site: Network, fluid: str, mine: Sequence[CarriedHeat]) -> Iterator[tuple[str, float]]:
    """The heat of one pipe at its ends; of flows both ways in it the warmer counts at each end."""
    asks = [
        Ask(site.routes[c.flow.run.route], site.pipes[c.flow.run.build], fluid, c.inlet)
        for c in mine
    ]
    first, second = halves(site, fluid, asks, [c.flow.rate for c in mine])
    ends: dict[str, float] = {}
    for k, carried in enumerate(mine):
        for place, heat in ((carried.flow.start, first[k]), (carried.flow.end, second[k])):
            ends[place] = max(ends.get(place, 0.0), heat)
    for place, heat in ends.items():
        yield site.ground(place), heat
