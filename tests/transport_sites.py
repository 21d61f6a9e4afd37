"""Plain problems of flow on a network, put as sites: what outside checks are made of.

One fluid, steady sources, one-way corridors with one build each. The horizon is one second, so
that money for what is moved is the sum of cost times flow, as such problems state it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Demand, Fluid, PipeType, Place, Route, Site, Source

GOODS = "goods"


@dataclass(frozen=True)
class Arc:
    """One arc: ``cost`` a unit of flow, ``fixed`` cost when it is open, ``capacity`` or None."""

    start: str
    end: str
    capacity: float | None = None
    cost: float = 0.0
    fixed: float = 0.0


def flow_site(
    arcs: Iterable[Arc],
    supply: Mapping[str, float],
    demand: Mapping[str, float],
    goals: tuple[str, ...],
    *,
    min_share: float = 0.0,
) -> Site:
    """A site whose plans are the flows of a network."""
    listed = list(arcs)
    plenty = sum(supply.values()) + 1.0
    names = dict.fromkeys([*supply, *demand])
    for arc in listed:
        names |= dict.fromkeys((arc.start, arc.end))
    builds, routes = {}, {}
    for number, arc in enumerate(listed):
        capacity = plenty if arc.capacity is None else min(arc.capacity, plenty)
        build = PipeType(f"pipe_{number}", capacity, price=arc.fixed)
        route = Route(
            f"arc_{number}",
            arc.start,
            arc.end,
            length=1.0,
            pipes=(build.name,),
            one_way=True,
            cost=arc.cost,
        )
        builds[build.name], routes[route.name] = build, route
    return Site(
        name="flow",
        fluids={GOODS: Fluid(GOODS)},
        materials={},
        places={name: Place(name) for name in names},
        sources={
            f"from {place}": Source(f"from {place}", place, GOODS, flow)
            for place, flow in supply.items()
            if flow > 0
        },
        storage={},
        pipes=builds,
        routes=routes,
        machines={},
        demands={
            f"to {place}": Demand(f"to {place}", GOODS, flow, place, min_share=min_share)
            for place, flow in demand.items()
            if flow > 0
        },
        goals=goals,
        horizon=1.0,
    )


def practice_arcs(path: Path) -> tuple[tuple[Arc, ...], dict[str, float]]:
    """The arcs of a network file, and what its nodes give (-) and take (+)."""
    needs: dict[str, float] = {}
    arcs: list[Arc] = []
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    for kind, *values in csv.reader(lines):
        if kind == "node":
            needs[values[0]] = float(values[1])
        else:
            start, end = values[:2]
            unit, fixed, capacity = map(float, values[2:])
            arcs.append(Arc(start, end, capacity, unit, fixed))
    return tuple(arcs), needs


def fixed_charge_site(path: Path) -> Site:
    """A network file: a fixed charge is the price of the pipe, a unit cost that of the way."""
    arcs, needs = practice_arcs(path)
    supply = {node: -need for node, need in needs.items() if need < 0}
    demand = {node: need for node, need in needs.items() if need > 0}
    return flow_site(arcs, supply, demand, ("money",), min_share=1.0)


def planned(site: Site, **settings: object) -> Plan:
    """The plan of a site that has one, proven optimal by default."""
    chosen = {"gap": 0.0, "time_limit": 60.0, **settings}
    outcome = make_plan(site, Settings(**chosen))  # type: ignore[arg-type]
    assert outcome.plan is not None, outcome.reason
    return outcome.plan


def goal(plan: Plan, name: str) -> float:
    """The value of a goal."""
    (found,) = [result.value for result in plan.goals if result.name == name]
    return found
