"""Rules of the limits of heat that a plan tells: each that applies, no other, at its worst.

What comes to a limit is worked out from the plan's flows of heat, which are recomputed themselves
(:mod:`allocator.verify.heat`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from allocator.plans.records import FlowHeat, HeatLimit
from allocator.verify.case import Case
from allocator.verify.heat import MIXED, SPREAD, arriving
from allocator.verify.properties import mixed
from allocator.verify.report import Findings

COPIED = 1e-6
"""Share by which a figure may differ from the same figure of a flow."""

TAKEN = "taken in"
WHAT = "heat released"


class Comes(NamedTuple):
    """What comes to a limit in one state: from ``low`` to ``high``, which are one where all that

    mixes is known."""

    subject: str
    what: str
    unit: str
    most: float
    low: float
    high: float


def check_limits_told(case: Case, findings: Findings) -> None:
    """Each limit that applies is told once: its unit, the site's limit, the worst of all states."""
    heat = case.plan.heat
    if heat is None:
        return
    told = {(limit.subject, limit.what): limit for limit in heat.limits}
    worst: dict[tuple[str, str], Comes] = {}
    for comes in _coming(case):
        key = comes[:2]
        before = worst.get(key, comes)
        low, high = max(before.low, comes.low), max(before.high, comes.high)
        worst[key] = comes._replace(low=low, high=high)
    for key, comes in worst.items():
        given = told.get(key)
        if findings.holds(
            "limit_told", comes.subject, given is not None, f"{key[1]} is not stated"
        ):
            assert given is not None
            _figures(findings, given, comes)
    places = {n: p.heat_limit for n, p in case.site.places.items() if p.heat_limit is not None}
    heat_released = {(f"place {name}", WHAT) for name in places}
    for subject, what in told:
        known = (subject, what) in worst or (subject, what) in heat_released
        findings.holds("limit_told", subject, known, f"{what} has no limit there")
    for name, most in places.items():  # what is let in is recomputed by verify/heat_released.py
        given = told.get((f"place {name}", WHAT))
        if given is not None:
            same = (given.unit, given.most) == ("W", most)
            findings.holds("limit_of_site", given.subject, same, "is not the limit of the site")


def _figures(findings: Findings, given: HeatLimit, comes: Comes) -> None:
    same = (given.unit, given.most) == (comes.unit, comes.most)
    findings.holds("limit_of_site", comes.subject, same, "is not the limit of the site")
    said = ("limit_value", comes.subject, given.value)
    room = COPIED * max(abs(comes.low), abs(comes.high)) + 1e-9
    if comes.what.endswith(TAKEN):
        room = MIXED + SPREAD * abs(comes.high - comes.low)
    findings.at_least(*said, comes.low, comes.unit, f"{comes.what}, as stated,", room)
    findings.at_most(*said, comes.high, comes.unit, f"{comes.what}, as stated,", room)


def _coming(case: Case) -> Iterator[Comes]:
    heat = case.plan.heat
    assert heat is not None
    for flow in heat.flows:
        yield from _along(case, flow)
    for state in ("busiest", "quiet"):
        for fluid in dict.fromkeys(flow.fluid for flow in heat.flows):
            mine = [f for f in heat.flows if (f.fluid, f.state) == (fluid, state)]
            yield from _taken_in(case, fluid, state, mine)
            yield from _pumps(case, fluid, state, mine)


def _along(case: Case, flow: FlowHeat) -> Iterator[Comes]:
    route, build = case.site.routes[flow.route], case.site.pipes[flow.build]
    if route.stream is not None and route.stream.kind != "pipe":
        return
    name = f"run {flow.route}" + (f" of {flow.fluid}" if route.stream is None else "")
    for what, unit, most, value in (
        ("surface", "K", route.max_surface_temperature, flow.surface),
        (WHAT, "W", route.heat_limit, flow.loss),
        (f"{flow.fluid} in {flow.build}", "K", build.max_temperature, flow.inlet),
    ):
        if most is not None and value is not None:
            yield Comes(name, what, unit, most, value, value)


def _taken_in(case: Case, fluid: str, state: str, flows: list[FlowHeat]) -> Iterator[Comes]:
    """The mixture at each place with equipment that has a limit.

    What stores give, as warm as they were filled in the busiest state, counts in the quiet one, and
    where nothing else comes.
    """
    came, _ = arriving(case, fluid, state, flows)
    site, what = case.site, f"{fluid} {TAKEN}"
    given = {m.place for m in case.plan.machines if fluid in case.machine_type(m).outputs}
    heat = case.plan.heat
    assert heat is not None
    busiest = [f for f in heat.flows if (f.fluid, f.state) == (fluid, "busiest")]
    filled, _ = arriving(case, fluid, "busiest", busiest)
    for store in case.plan.stores:
        rate = math.fsum(store.draw.values())
        if store.holds == fluid and rate > 0 and (state == "quiet" or store.place not in came):
            rate = rate if state == "quiet" else case.at_peak(store.draw)
            warm = filled.get(store.place)
            kelvin = mixed(case, fluid, warm) if warm else site.ambient.temperature
            came.setdefault(store.place, []).append((rate, kelvin))

    def comes(subject: str, place: str, most: float, blown: float = 0.0) -> Iterator[Comes]:
        arrivals = came.get(place, [])
        if not arrivals or math.fsum(rate for rate, _ in arrivals) <= 0:
            return
        low = high = mixed(case, fluid, arrivals)
        if place in given:  # what machines give mixes in, as hot or cold as it may be
            known = [kelvin for _, kelvin in arrivals]
            low = min([*known, site.ambient.temperature])
            high = max([*known, _hottest(case, fluid)])
        yield Comes(subject, what, "K", most, max(low, blown), max(high, blown))

    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        if fluid in kind.inputs and kind.max_inlet_temperature is not None:
            subject = f"machine {machine.type} at {site.ground(machine.place)}"
            yield from comes(subject, machine.place, kind.max_inlet_temperature)
    for store in case.plan.stores:
        most = site.storage[store.type].max_inlet_temperature
        if store.holds == fluid and most is not None:
            subject = f"store {store.type} at {site.ground(store.place)}"
            blown = [
                site.boosters[use.booster].discharge_temperature or 0.0
                for use in case.plan.boosters
                if use.store == store.name
            ]
            yield from comes(subject, store.place, most, max(blown, default=0.0))
    for demand in site.demands.values():
        if (
            demand.wants == fluid
            and demand.max_inlet_temperature is not None
            and demand.place is not None
        ):
            yield from comes(f"demand {demand.name}", demand.place, demand.max_inlet_temperature)


def _hottest(case: Case, fluid: str) -> float:
    """K: the hottest that a fluid may be on the site."""
    known = [s.temperature for s in case.site.sources.values() if s.fluid == fluid]
    known += [m.outlet_temperature for m in case.site.machines.values() if fluid in m.outputs]
    return max([k for k in known if k is not None], default=case.site.ambient.temperature)


def _pumps(case: Case, fluid: str, state: str, flows: list[FlowHeat]) -> Iterator[Comes]:
    """A pump takes in the gas of its source, or what coolers at its mouth give."""
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        pump = source.pump
        if source.fluid != fluid or pump is None or pump.max_inlet_temperature is None:
            continue
        if not any(use.collect.values()) and not any(use.direct.values()):
            continue
        kelvin = source.temperature or case.site.ambient.temperature
        if kelvin > pump.max_inlet_temperature:
            behind = [flow.outlet for flow in flows if flow.start == source.place]
            if not behind:
                continue
            kelvin = max(behind)
        yield Comes(
            f"pump of {use.name}",
            f"{fluid} {TAKEN}",
            "K",
            pump.max_inlet_temperature,
            kelvin,
            kelvin,
        )
