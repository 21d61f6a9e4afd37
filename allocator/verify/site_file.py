"""Rules that hold the network of a plan against the site file itself, by the audit's own code.

Planning and audit speak of one network, whose routes stand for gas at one temperature on a route
of the file. Here everything that a plan uses of it is looked up in the file again: ends, length,
cost, limits and capacity of each run; materials, price and power of coolers; equipment. The
temperature of a route of the network must be at least what the audit's own walk finds on it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any

from allocator.network.records import Arc, Stream
from allocator.plans.records import Run
from allocator.site.records import POWER, PipeType, Route, Site
from allocator.verify.case import Case
from allocator.verify.heat import KELVINS
from allocator.verify.properties import INTEGRALS, heat_between
from allocator.verify.report import Findings
from allocator.verify.wet_gas import condensed_heat

UNITS = 4
"""Units of a cooler for one stream at a place where the file sets no number."""
SAME = 1e-9
"""Share by which a mass may differ from the one that a file offers."""
CARRIED = 1e-12
"""Rounding of the audit's own sums."""


def check_plain(case: Case, findings: Findings) -> None:
    """Rules ``plain_thing``, ``plain_route``, ``plain_capacity`` and ``plain_temperature``."""
    if case.whole.studied:
        return  # the network is a study's, of which no file speaks
    plain = case.whole.site
    _things(case, findings, plain)
    for run in case.plan.runs:
        subject, route = f"run {run.route!r}", case.whole.routes[run.route]
        kind = "route" if route.stream is None else route.stream.kind
        for what, same in _KINDS[kind](case, plain, run, route):
            findings.holds("plain_route", subject, same, f"{what} is not that of the site file")
        build = plain.pipes.get(run.build)
        if kind in ("route", "pipe") and build is not None:  # a breach already where there is none
            _capacity(case, findings, build, run)
    _temperatures(case, findings)


def _things(case: Case, findings: Findings, plain: Site) -> None:
    """Equipment of the network is that of the file but for the part of its place."""
    whole = case.whole

    def same(subject: str, told: object, own: object) -> None:
        findings.holds("plain_thing", subject, told == own, "is not as in the site file")

    def grounds(places: object) -> list[str]:
        return [whole.ground(place) for place in places]  # type: ignore[attr-defined]

    for name, machine in plain.machines.items():
        mine = whole.machines.get(name)
        if mine is None:  # a mix does without it
            continue
        same(f"machine {name!r}", replace(mine, places=machine.places), machine)
        same(f"machine {name!r}", grounds(mine.places), list(machine.places))
    for name, store in plain.storage.items():
        kind = whole.storage[name]
        same(f"store {name!r}", replace(kind, places=store.places), store)
        same(f"store {name!r}", grounds(kind.places), list(store.places))
    for name, source in plain.sources.items():
        given = whole.sources[name]
        same(f"source {name!r}", _filed(given, source, "place"), True)
        same(f"source {name!r}", whole.ground(given.place), source.place)
    for name, demand in plain.demands.items():
        asked = whole.demands[name]
        same(f"demand {name!r}", replace(asked, place=demand.place), demand)
        if demand.place is not None and demand.wants != POWER:
            same(f"demand {name!r}", whole.ground(asked.place or ""), demand.place)


def _filed(derived: object, record: Any, aside: str) -> bool:
    """Whether a record of the network says what the file does, but for one fact."""
    names = {field.name for field in fields(record)} - {aside}
    return all(getattr(derived, name) == getattr(record, name) for name in names)


Checks = Iterator[tuple[str, bool]]


def _along(case: Case, route: Arc, own: Route) -> Checks:
    ends = (case.whole.ground(route.start), case.whole.ground(route.end))
    there = (own.start, own.end)
    yield "where it runs", ends == there or (not own.one_way and ends[::-1] == there)
    yield "its way", route.one_way or not own.one_way
    for what, told, said in (
        ("its length", route.length, own.length),
        ("its cost", route.cost, own.cost),
        ("its ground", route.ground_factor, own.ground_factor),
        ("what it takes to move gas", route.energy, own.energy),
        ("its depth", route.burial_depth, own.burial_depth),
        ("its surface's limit", route.max_surface_temperature, own.max_surface_temperature),
        ("its limit of heat", route.heat_limit, own.heat_limit),
    ):
        yield what, told == said


def _build(case: Case, plain: Site, run: Run, own: Route) -> Checks:
    build = plain.pipes.get(run.build)
    yield "its build", build is not None
    if build is None:
        return
    yield "its build", _filed(case.whole.pipes[run.build], build, "capacity")
    yield "its build on that route", run.build in own.pipes or not run.new
    yield "its fluid", build.fluids is None or run.fluid in build.fluids


def _plain_route(case: Case, plain: Site, run: Run, route: Arc) -> Checks:
    own = plain.routes.get(run.route)
    yield "its name", own is not None
    if own is not None:
        yield from _along(case, route, own)
        yield from _build(case, plain, run, own)


def _pipe(case: Case, plain: Site, run: Run, route: Arc) -> Checks:
    assert route.stream is not None
    own = plain.routes.get(route.stream.corridor)
    yield "its corridor", own is not None
    yield "its fluid", route.stream.fluid == run.fluid
    if own is not None:
        yield from _along(case, route, own)
        yield from _build(case, plain, run, own)


def _cooler(case: Case, plain: Site, run: Run, route: Arc) -> Checks:
    """A number of units that the file allows, with the material, price and power of so many."""
    stream = route.stream
    assert stream is not None
    cooler = plain.coolers.get(stream.corridor)
    place = case.whole.ground(route.start)
    yield "its type", cooler is not None and cooler.fluid == run.fluid
    if cooler is None:
        return
    yield "its place", place in cooler.places and case.whole.ground(route.end) == place
    units = _units(run.build)
    yield "its number of units", 1 <= units <= (cooler.places.get(place) or UNITS)
    there = sum(_units(b.pipe) for b in case.whole.built.pipes if b.route == run.route)
    yield "its existing units", not there or there in _existing_units(case, plain, route, stream)
    new = units - there if run.new else units
    build = case.whole.pipes[run.build]
    layers = {layer.material: layer.mass for layer in build.layers}
    taken = {name: kg * new for name, kg in cooler.materials.items() if kg > 0}
    yield "what it is made of", layers == taken and route.length == 1.0
    yield "its price", build.price == cooler.price * new
    yield "its life", build.life == cooler.life
    heat = heat_between(case, run.fluid, cooler.set_point, stream.inlet)
    heat += condensed_heat(case, route, stream.inlet, cooler.set_point)
    power = heat * cooler.power_share
    yield "the power that it takes", abs(route.energy - power) <= INTEGRALS * power


def _units(build: str) -> int:
    """The number that the build of a cooler ends in; 0 for that of something else."""
    written = build.rstrip("'").rpartition(" x ")[2]
    return int(written) if written.isdecimal() else 0


def _existing_units(case: Case, plain: Site, route: Arc, stream: Stream) -> list[int]:
    """Units of the coolers under ``built`` in the file that may be those of a stream."""
    place, mouth = case.whole.ground(route.start), case.whole.sources
    return [
        one.units
        for one in plain.built.coolers
        if (one.cooler, one.place) == (stream.corridor, place)
        and (
            (one.temperature or 0.0) <= stream.inlet + KELVINS
            if one.source is None
            else mouth[one.source].place == route.start
        )
    ]


def _passage(case: Case, plain: Site, run: Run, route: Arc) -> Checks:
    """From one part of a place to another, for nothing."""
    del plain
    build = case.whole.pipes[run.build]
    yield "where it is", case.whole.ground(route.start) == case.whole.ground(route.end)
    yield "what it takes", not (build.layers or build.price or route.cost or route.energy)


def _sink(case: Case, plain: Site, run: Run, route: Arc) -> Checks:
    """Heat sinks are worked out again by :mod:`allocator.verify.sinks`."""
    yield "where it is", case.whole.ground(route.start) == case.whole.ground(route.end)
    sink = case.whole.pipes[run.build].sink
    there = [
        one.mass
        for one in plain.built.heat_sinks
        if sink is not None and (one.heat_sink, one.recovery) == (sink.heat_sink, sink.recovery)
    ]
    exists = any(sink is not None and abs(kg / sink.mass - 1) <= SAME for kg in there)
    yield "whether it exists", run.new or exists


_KINDS = {
    "route": _plain_route,
    "pipe": _pipe,
    "cooler": _cooler,
    "passage": _passage,
    "sink": _sink,
}


def _capacity(case: Case, findings: Findings, build: PipeType, run: Run) -> None:
    """``all flows at peak <= capacity`` of a build that gives one; by bore: verify/bores.py."""
    if build.by_bore:
        return
    peak = math.fsum(
        f.rate * (case.peak(f.carries) if f.layer == "supply" else 1.0) for f in run.flows
    )
    room = CARRIED * build.capacity
    findings.at_most(
        "plain_capacity",
        f"run {run.route!r}",
        peak,
        build.capacity,
        "kg/s",
        "what it carries",
        room,
    )


def _temperatures(case: Case, findings: Findings) -> None:
    """``temperature at both ends <= that of the route of the network``, in both states."""
    for flow in case.plan.heat.flows if case.plan.heat is not None else ():
        stream = case.whole.routes[flow.route].stream
        if stream is None or not stream.fluid:
            continue
        subject = f"run {flow.route!r} ({flow.state})"
        for what, told, most in (
            ("the temperature at its inlet", flow.inlet, stream.inlet),
            ("the temperature at its end", flow.outlet, stream.outlet),
        ):
            findings.at_most("plain_temperature", subject, told, most, "K", what, KELVINS)
