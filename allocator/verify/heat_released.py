"""Rules of heat let into places, recomputed from the flows of the plan by the audit's own model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from allocator.plans.records import FlowHeat
from allocator.verify.case import Case
from allocator.verify.heat import KELVINS, SHARE
from allocator.verify.inner_film import Film
from allocator.verify.pipe_model import PipeModel, end_and_surface
from allocator.verify.properties import INTEGRALS, heat_between, specific_heat
from allocator.verify.report import Findings
from allocator.verify.wet_gas import condensed_heat


class Let(NamedTuple):
    """W let into a place of the file, and W by which another model may find it otherwise."""

    place: str
    heat: float
    room: float


def check_heat_released(case: Case, findings: Findings) -> None:
    """Each place with a limit: what is let into it is told, is right, and is within the limit."""
    limits = {n: p.heat_limit for n, p in case.site.places.items() if p.heat_limit is not None}
    heat = case.plan.heat
    told = {} if heat is None else {(x.subject, x.what): x for x in heat.limits}
    for place, most in limits.items():
        subject = f"place {place!r}"
        given = told.get((f"place {place}", "heat released"))
        if not findings.holds("let_in_told", subject, given is not None, "its heat is not stated"):
            continue
        assert given is not None
        states = [_sum(case, place, state) for state in ("busiest", "quiet")]
        heat_in, room = max(states)
        findings.equals("let_in", subject, given.value, heat_in, "W", "heat released", room)
        findings.at_most("let_in_limit", subject, given.value, most, "W", "heat released")


def _sum(case: Case, place: str, state: str) -> tuple[float, float]:
    flows = [f for f in case.plan.heat.flows if f.state == state] if case.plan.heat else []
    mine = heat_released(case, state, flows, place)
    return sum(let.heat for let in mine), 1e-6 + sum(let.room for let in mine)


def heat_released(case: Case, state: str, flows: list[FlowHeat], place: str) -> list[Let]:
    """All that lets heat into a place of the file in a state, with flows at some temperatures."""
    return [let for let in _heat_released(case, state, flows) if let.place == place]


def _heat_released(case: Case, state: str, flows: list[FlowHeat]) -> Iterator[Let]:
    site, plan = case.site, case.plan
    for machine in plan.machines:
        heat = machine.count * case.machine_type(machine).heat_out
        yield Let(site.ground(machine.place), heat, 0.0)
    for run in plan.runs:
        sink = site.pipes[run.build].sink
        if sink is not None:
            yield Let(site.ground(site.routes[run.route].start), sink.heat, 0.0)
    for flow in flows:
        stream = site.routes[flow.route].stream
        if stream is not None and stream.kind == "cooler":
            cooler = site.coolers[stream.corridor]
            where = cooler.rejects_at or site.ground(site.routes[flow.route].start)
            each = heat_between(case, flow.fluid, flow.outlet, flow.inlet)
            each += condensed_heat(case, site.routes[flow.route], flow.inlet, flow.outlet)
            duty = flow.rate * each
            heat = duty * (1.0 + cooler.power_share)
            yield Let(where, heat, INTEGRALS * heat)
    yield from _pipes(case, flows)
    arriving: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for flow in flows:
        route = site.routes[flow.route]
        end = route.end if flow.start == route.start else route.start
        arriving.setdefault((end, flow.fluid), []).append((flow.rate, flow.outlet))
    for store in plan.stores:
        came = arriving.get((store.place, store.holds), [])
        rate = store.inflow
        if state == "busiest":
            rate += case.arriving(f"store:{store.name}")
        if came and rate > 0:
            mean = sum(r * k for r, k in came) / sum(r for r, _ in came)
            heat = rate * max(0.0, heat_between(case, store.holds, _around(case), mean))
            yield Let(site.ground(store.place), heat, SHARE * heat)


def _pipes(case: Case, flows: list[FlowHeat]) -> Iterator[Let]:
    """The halves of each pipe; of flows both ways in one the warmer counts at each end."""
    ends: dict[tuple[str, str, str], tuple[float, float]] = {}
    for flow in flows:
        route = case.site.routes[flow.route]
        if route.stream is None or route.stream.kind != "pipe":
            continue
        end = route.end if flow.start == route.start else route.start
        for place, heat in zip((flow.start, end), _halves(case, flow), strict=True):
            key = (flow.route, flow.fluid, place)
            room = SHARE * heat
            room += flow.rate * KELVINS * specific_heat(case, flow.fluid, flow.inlet)
            ends[key] = max(ends.get(key, (0.0, 0.0)), (heat, room))
    for (_, _, place), (heat, room) in ends.items():
        yield Let(case.site.ground(place), heat, room)


def _halves(case: Case, flow: FlowHeat) -> tuple[float, float]:
    """W that the halves lose at most: each without a film inside, the second entered as hot as the

    first may end with one."""
    model = PipeModel.of(case.site, case.site.routes[flow.route], flow.build)
    if model is None:
        all_of_it = flow.rate * max(0.0, heat_between(case, flow.fluid, _around(case), flow.inlet))
        return all_of_it, all_of_it
    route = case.site.routes[flow.route]
    dull = PipeModel.of(case.site, route, flow.build, dull=True) or model
    short = replace(model, length=model.length / 2)

    def heat(kelvin: float) -> float:
        return specific_heat(case, flow.fluid, kelvin)

    def lost(inlet: float) -> float:
        end, _ = end_and_surface(replace(dull, length=short.length), inlet, flow.rate, heat)
        return flow.rate * max(0.0, heat_between(case, flow.fluid, end, inlet))

    film = Film.of(case, flow.fluid, model.bore, flow.rate, flow.inlet)
    middle, _ = end_and_surface(short, flow.inlet, flow.rate, heat, film)
    return lost(flow.inlet), lost(middle)


def _around(case: Case) -> float:
    return case.site.ambient.temperature
