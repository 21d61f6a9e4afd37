"""Energy flow: a plan's flows split into paths from one source to one user."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import FLAT, MachineUse, Plan
from allocator.report.loads import given, turnover
from allocator.site.records import POWER

NOTHING = 1e-9
"""Rates below this share of the largest of their fluid and layer are rounding."""


@dataclass(frozen=True, slots=True)
class Way:
    """A flow from a giver to a taker along routes, in order.

    ``layer``: ``collect`` (rate with the source on) or ``supply`` (mean rate), kg/s. ``giver``:
    ``source:NAME``, ``store:type@place`` or ``machine:type@place``. ``taker``: a destination of
    the collect layer, ``machine:type@place``, ``store:type@place`` or ``demand:NAME``.
    """

    layer: str
    fluid: str
    shape: str
    giver: str
    taker: str
    rate: float
    routes: tuple[str, ...]


Arcs = dict[tuple[str, str, str], float]
"""(start, end, route) -> kg/s that is left on it."""


def ways_of(site: Network, plan: Plan) -> tuple[Way, ...]:
    """All ways of a plan, collect layer first, in the plan's own order.

    A flow that keeps the balance at every place can be walked along from its giver until it is
    taken; what circles is dropped, and what nobody takes is vented and has no way.
    """
    return (*_collect_ways(site, plan), *_supply_ways(site, plan))


def _arcs(plan: Plan, layer: str) -> dict[tuple[str, str], Arcs]:
    """(fluid, what it carries) -> flow of one layer by arc."""
    arcs: dict[tuple[str, str], Arcs] = {}
    for run in plan.runs:
        for flow in run.flows:
            if flow.layer == layer:
                one = arcs.setdefault((run.fluid, flow.carries), {})
                key = (flow.start, flow.end, run.route)
                one[key] = one.get(key, 0.0) + flow.rate
    return arcs


def _collect_ways(site: Network, plan: Plan) -> Iterator[Way]:
    arcs = _arcs(plan, "collect")
    for use in plan.sources:
        source = site.sources[use.name]
        for to, rate in use.collect.items():
            end = destination_place(to)
            along = arcs.get((source.fluid, end), {})
            for amount, routes, _ in _walks(along, source.place, rate, {end: rate}):
                yield Way("collect", source.fluid, "", f"source:{use.name}", to, amount, routes)


def destination_place(name: str) -> str:
    """The place of a destination of the collect layer."""
    kind, _, rest = name.partition(":")
    return rest.partition(">")[0].rpartition("@")[2] if kind == "burn" else rest.rpartition("@")[2]


Ends = dict[tuple[str, str], dict[str, dict[str, float]]]
"""(fluid, shape) -> place -> thing -> kg/s."""


def _supply_ways(site: Network, plan: Plan) -> Iterator[Way]:
    givers, takers = _ends(site, plan)
    arcs = _arcs(plan, "supply")
    for (fluid, shape), places in givers.items():
        taking = takers.get((fluid, shape), {})
        along = arcs.get((fluid, shape), {})
        for start, things in places.items():
            for giver, rate in things.items():
                wanted = {place: sum(some.values()) for place, some in taking.items()}
                for amount, routes, end in _walks(along, start, rate, wanted):
                    for taker, part in _shared(taking[end], amount):
                        yield Way("supply", fluid, shape, giver, taker, part, routes)


def _shared(things: dict[str, float], amount: float) -> Iterator[tuple[str, float]]:
    """An amount that arrives at a place handed out to its takers in their order."""
    for name in list(things):
        part = min(amount, things[name])
        if part > 0:
            things[name] -= part
            amount -= part
            yield name, part


def _walks(
    arcs: Arcs, start: str, rate: float, wanted: Mapping[str, float]
) -> Iterator[tuple[float, tuple[str, ...], str]]:
    """Amounts, routes and ends of the walks of ``rate`` from ``start``; ``arcs`` are used up."""
    least = NOTHING * max([rate, *arcs.values(), *wanted.values()], default=0.0)
    left = dict(wanted)
    while rate > least:
        place, walk, seen = start, list[tuple[str, str, str]](), [start]
        while left.get(place, 0.0) <= least:
            leaving = [key for key, on in arcs.items() if key[0] == place and on > least]
            if not leaving:
                break
            key = max(leaving, key=lambda arc: arcs[arc])
            walk.append(key)
            place = key[1]
            if place in seen:  # a circle: taken off, and walked anew
                circle = walk[seen.index(place) :]
                around = min(arcs[arc] for arc in circle)
                for arc in circle:
                    arcs[arc] -= around
                walk, place, seen = [], start, [start]
            else:
                seen.append(place)
        if left.get(place, 0.0) <= least:
            if not walk:
                return
            lost = min(rate, *(arcs[arc] for arc in walk))  # vented where it got to
            rate -= lost
            for arc in walk:
                arcs[arc] -= lost
            continue
        amount = min([rate, left[place], *(arcs[arc] for arc in walk)])
        for arc in walk:
            arcs[arc] -= amount
        left[place] -= amount
        rate -= amount
        yield amount, tuple(route for _, _, route in walk), place


def shape_of(site: Network, demand: str) -> str:
    """The shape that a demand follows: ``flat``, or the first demand with the same profile."""
    profile = site.demands[demand].profile
    if profile is None:
        return FLAT
    return next(d.name for d in site.demands.values() if d.profile == profile)


def _ends(site: Network, plan: Plan) -> tuple[Ends, Ends]:
    givers: Ends = {}
    takers: Ends = {}

    def add(ends: Ends, fluid: str, shape: str, place: str, name: str, rate: float) -> None:
        if rate > 0:
            here = ends.setdefault((fluid, shape), {}).setdefault(place, {})
            here[name] = here.get(name, 0.0) + rate

    for use in plan.sources:
        source = site.sources[use.name]
        for shape, rate in use.direct.items():
            add(givers, source.fluid, shape, source.place, f"source:{use.name}", rate)
    for store in plan.stores:
        for shape, rate in store.draw.items():
            add(givers, store.holds, shape, store.place, f"store:{store.name}", rate)
        add(takers, store.holds, FLAT, store.place, f"store:{store.name}", store.inflow)
    for machine in plan.machines:
        kind = site.machines[machine.type]
        name = f"machine:{machine.name}"
        for shape, units in turnover(plan, kind, machine).items():
            for fluid, rate in kind.inputs.items():
                add(takers, fluid, shape, machine.place, name, rate * units)
        for fluid, shape, rate in given(site, plan, machine):
            if _used(site, fluid):
                add(givers, fluid, shape, machine.place, name, rate)
    for demand in plan.demands:
        if demand.wants != POWER:
            place = site.demands[demand.name].place or ""
            rate = demand.clean_share * demand.mean
            shape = shape_of(site, demand.name)
            add(takers, demand.wants, shape, place, f"demand:{demand.name}", rate)
    for fluid, shape, place, name, rate in _reshaped(site, plan, givers, takers):
        add(givers, fluid, shape, place, name, rate)
    return givers, takers


def _reshaped(
    site: Network, plan: Plan, givers: Ends, takers: Ends
) -> list[tuple[str, str, str, str, float]]:
    """What machines give in one shape and is used in another: (fluid, shape, place, machine, kg/s).

    A plan does not say it: it is what a shape lacks, from the machines in their order, each of no
    more than the least of what it gives beside. What is steady serves a shape at its peak.
    """

    def level(shape: str, pick: Callable[[Iterable[float]], float]) -> float:
        profile = None if shape == FLAT else site.demands[shape].profile
        return 1.0 if profile is None else pick(profile.levels)

    def total(ends: Ends, key: tuple[str, str]) -> float:
        return sum(rate for here in ends.get(key, {}).values() for rate in here.values())

    found = []
    for fluid, shape in takers:
        lacks = total(takers, (fluid, shape)) - total(givers, (fluid, shape))
        if lacks <= NOTHING * total(takers, (fluid, shape)):
            continue
        for machine in plan.machines:
            spare = sum(
                rate * level(made, min)
                for f, made, rate in given(site, plan, machine)
                if f == fluid and made != shape
            )
            rate = min(lacks, spare / level(shape, max))
            if rate > 0:
                found.append((fluid, shape, machine.place, f"machine:{machine.name}", rate))
                lacks -= rate
    return found


def _used(site: Network, fluid: str) -> bool:
    return any(fluid in m.inputs for m in site.machines.values()) or any(
        d.wants == fluid for d in site.demands.values()
    )


def machine_named(plan: Plan, name: str) -> MachineUse:
    """The machine group ``type@place``."""
    return next(machine for machine in plan.machines if machine.name == name)
