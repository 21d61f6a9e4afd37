"""Rules of pressure along lines: every place has what its sources leave it, pipe by pipe.

Each node has a high pressure, at which a fluid arrives and goes on into stores by spurs, and a low
one, at which it leaves along pipes and into machines. The audit works out the highest that hold
with every pipe at its peak flow at once (:mod:`allocator.verify.pressure_walk`).
What follows from them is kept in any state: with less flow each pipe throttled at its inlet.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush

from allocator.plans.records import FLAT, BoosterUse, MachineUse, Run, SourceUse
from allocator.site.records import BoosterType
from allocator.verify.case import BALANCE, Case
from allocator.verify.pressure_walk import USUAL, WalkedFluid, WalkedPipe, walked_fluid
from allocator.verify.report import Findings

HAIR = 1e-6
"""Share of a limit within which it is kept: the planner's curves are tangents, cut to 1e-9."""
POWERS = 1e-3
"""Share by which two models of a booster's power may differ."""

Header = tuple[str, str]
"""``high`` or ``low``, and a node."""


@dataclass(frozen=True, slots=True)
class WayInUse:
    """A pipe or a passage in use, one way, with the headers that it joins and its peak flow."""

    subject: str
    start: Header
    end: Header
    flow: float
    pipe: WalkedPipe | None
    boosters: tuple[BoosterType, ...] = ()
    spur: bool = False


@dataclass
class Lines:
    """Lines of one fluid of a plan, and the highest pressures at their headers."""

    case: Case
    fluid: str
    walked: WalkedFluid
    shares: dict[str, str]
    ways: list[WayInUse] = field(default_factory=list)
    pressures: dict[Header, float] = field(default_factory=dict)
    shut: dict[str, float] = field(default_factory=dict)

    def node(self, name: str) -> str:
        """The node that stands for all that passages join both ways."""
        return self.shares.get(name, name)

    def after(self, way: WayInUse, inlet: float) -> float:
        """Pa that a way leaves of a pressure at its start."""
        for booster in way.boosters:
            inlet = self.boosted(booster, inlet, self.walked.light)
        return inlet if way.pipe is None else self.walked.outlet(way.pipe, inlet, way.flow)

    def boosted(self, booster: BoosterType, inlet: float, density: float) -> float:
        """Pa behind a booster."""
        if self.walked.gas:
            return inlet * (booster.ratio or 1.0)
        return inlet + density * 9.80665 * (booster.head or 0.0)


def check_pressures(case: Case, findings: Findings) -> None:
    """Pressures at ends, velocities, ratings, boosters, and what the plan says of them."""
    walked: dict[str, WalkedFluid] = {}
    for fluid in case.site.fluids:
        if (one := walked_fluid(case, fluid)) is not None:
            walked[fluid] = one
    for fluid, one in walked.items():
        lines = _lines(case, findings, fluid, one)
        _settle(lines, findings)
        _check_pipes(lines, findings)
        _check_ends(lines, findings)
        _check_filling(lines, findings)
        _shut_in(lines)
        _check_ratings(lines, findings)
        _check_reported(lines, findings)
    for use in case.plan.boosters:
        known = use.fluid in walked
        findings.holds(
            "booster_pressure", _name(use), known, "moves a fluid whose pressures are not known"
        )
        if known:
            _check_booster(case, findings, use, walked[use.fluid])
    _check_booster_counts(case, findings)


def _name(use: BoosterUse) -> str:
    return f"booster {use.booster!r} of {use.fluid!r} at {use.start!r}"


def _lines(case: Case, findings: Findings, fluid: str, walked: WalkedFluid) -> Lines:
    lines = Lines(case, fluid, walked, _shares(case, fluid))
    for run in case.plan.runs:
        if run.fluid == fluid:
            lines.ways += _ways(lines, findings, run)
    return lines


def _shares(case: Case, fluid: str) -> dict[str, str]:
    joined: dict[str, str] = {}

    def first(node: str) -> str:
        while joined.get(node, node) != node:
            node = joined[node]
        return node

    for route in case.site.routes.values():
        stream = route.stream
        passes = stream is not None and stream.kind == "passage" and not route.one_way
        if passes and any(one == fluid for _, one in route.capacities or {}):
            one, other = sorted((first(route.start), first(route.end)))
            if one != other:
                joined[other] = one
    return {node: first(node) for node in joined}


def _ways(lines: Lines, findings: Findings, run: Run) -> Iterator[WayInUse]:
    """The ways in which a run is used; both ways only to fill stores and give back."""
    case = lines.case
    rates: dict[tuple[str, str], list[float]] = {}
    layers: dict[tuple[str, str], set[str]] = {}
    for flow in run.flows:
        if flow.rate > 0 and lines.node(flow.start) != lines.node(flow.end):
            peak = case.peak(flow.carries) if flow.layer == "supply" else 1.0
            rates.setdefault((flow.start, flow.end), []).append(flow.rate * peak)
            layers.setdefault((flow.start, flow.end), set()).add(flow.layer)
    spur = len(rates) == 2
    subject = f"run {run.route!r} of {run.fluid!r}"
    if spur:
        apart = sorted(map(sorted, layers.values())) == [["collect"], ["supply"]]
        findings.holds(
            "pressure_direction",
            subject,
            apart,
            "is used both ways, and not to fill stores one way and to release the other",
        )
    for (start, end), parts in rates.items():
        header = "high" if spur and "collect" in layers[start, end] else "low"
        into = header if spur else "high"
        yield WayInUse(
            subject,
            (header, lines.node(start)),
            (into, lines.node(end)),
            math.fsum(parts),
            _pipe(lines, run, start, end),
            tuple(
                case.site.boosters[use.booster]
                for use in case.plan.boosters
                if (use.route, use.start, use.fluid) == (run.route, start, run.fluid)
            ),
            spur,
        )


def _pipe(lines: Lines, run: Run, start: str, end: str) -> WalkedPipe | None:
    site = lines.case.site
    route = site.routes[run.route]
    if route.stream is not None and route.stream.kind != "pipe":
        return None
    rise = site.places[end].elevation - site.places[start].elevation
    hot = lines.walked.hot
    if route.stream is not None:
        hot = max(route.stream.inlet, site.ambient.temperature)
    return WalkedPipe(site.pipes[run.build], route.length, rise, hot)


def _settle(lines: Lines, findings: Findings) -> None:
    """The highest pressure at every header, from the sources on."""
    found = lines.pressures
    nodes = {header[1] for way in lines.ways for header in (way.start, way.end)}
    nodes |= {lines.node(place) for place, _, _ in _ends(lines)}
    arriving = {way.end for way in lines.ways}
    for node in nodes:
        above = min(_limits(lines, node), default=math.inf)
        if math.isinf(above) and ("high", node) not in arriving:
            above = lines.walked.unsaid
        found["high", node] = above
        found["low", node] = math.inf
    onward: dict[Header, list[WayInUse]] = {}
    for way in lines.ways:
        onward.setdefault(way.start, []).append(way)
    ranks = _ranks(found, lines.ways)
    waiting = [(ranks[header], header) for header, p in found.items() if math.isfinite(p)]
    heapify(waiting)
    left = 60 * (len(lines.ways) + len(nodes)) + 1000
    while waiting and left > 0:
        left -= 1
        _, header = heappop(waiting)
        while waiting and waiting[0][1] == header:
            heappop(waiting)
        pressure = found[header]
        for end, most in _onward(lines, header, pressure, onward.get(header, ())):
            if most < found[end] - 1e-9 * lines.walked.ambient:
                found[end] = most
                heappush(waiting, (ranks[end], end))
    findings.holds(
        "pressure_circle",
        f"lines of {lines.fluid!r}",
        left > 0,
        "flow in a circle, so that no pressures hold",
    )
    for header, pressure in found.items():
        if math.isinf(pressure):
            found[header] = lines.walked.unsaid


def _ranks(headers: Iterable[Header], ways: Iterable[WayInUse]) -> dict[Header, int]:
    """Headers numbered downstream, so that each is settled once; those of circles come last."""
    onward: dict[Header, list[Header]] = {header: [] for header in headers}
    before = dict.fromkeys(onward, 0)
    links = [(way.start, way.end) for way in ways]
    links += [(header, ("low", header[1])) for header in onward if header[0] == "high"]
    for start, end in links:
        onward[start].append(end)
        before[end] += 1
    ranks: dict[Header, int] = {}
    free = deque(sorted(header for header, count in before.items() if not count))
    while free:
        header = free.popleft()
        ranks[header] = len(ranks)
        for end in onward[header]:
            before[end] -= 1
            if not before[end]:
                free.append(end)
    return {header: ranks.get(header, len(onward)) for header in onward}


def _onward(
    lines: Lines, header: Header, pressure: float, ways: Iterable[WayInUse]
) -> Iterator[tuple[Header, float]]:
    for way in ways:
        yield way.end, lines.after(way, pressure)
    word, node = header
    if word == "high":
        yield ("low", node), min([pressure, *_releases(lines, node)])


def _limits(lines: Lines, node: str) -> Iterator[float]:
    """Pa at which sources and machines in use give the fluid at a node."""
    case, fluid = lines.case, lines.fluid
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid and lines.node(source.place) == node and _gives(use):
            yield source.pressure or lines.walked.unsaid
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        if fluid in record.outputs and lines.node(machine.place) == node and _turns(machine):
            yield record.outlet_pressure or lines.walked.unsaid


def _gives(use: SourceUse) -> bool:
    return any(use.collect.values()) or any(use.direct.values())


def _turns(machine: MachineUse) -> bool:
    loads = (machine.flat_load, machine.cycled, *machine.following.values())
    return any(load > 0 for load in (*loads, *machine.burst.values(), *machine.overflow.values()))


def _used_stores(lines: Lines) -> Iterator[tuple[str, str, str]]:
    """Place, type and ``type@place`` of stores of the fluid that fill or release."""
    for store in lines.case.plan.stores:
        filled = lines.case.arriving(f"store:{store.name}") > 0 or store.inflow > 0
        if store.holds == lines.fluid and (filled or any(store.draw.values())):
            yield store.place, store.type, store.name


def _releases(lines: Lines, node: str) -> Iterator[float]:
    for place, kind, _ in _used_stores(lines):
        record = lines.case.site.storage[kind]
        pressure = record.pressure or record.min_pressure
        if lines.node(place) == node and pressure is not None:
            yield pressure


def _ends(lines: Lines) -> Iterator[tuple[str, str, float]]:
    """Place, subject and least low pressure of machines and demands in use."""
    case, fluid = lines.case, lines.fluid
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        if fluid in record.inputs and _turns(machine):
            yield machine.place, f"machine {machine.name!r}", record.min_inlet_pressure or 0.0
    for demand in case.plan.demands:
        place = case.site.demands[demand.name].place
        if demand.wants == fluid and place is not None and demand.clean_share > 0:
            least = case.site.demands[demand.name].min_inlet_pressure or 0.0
            yield place, f"demand {demand.name!r}", least


def _check_pipes(lines: Lines, findings: Findings) -> None:
    """Every pipe ends above the ambient pressure, and slowly enough."""
    walked = lines.walked
    for way in lines.ways:
        inlet = lines.pressures[way.start]
        _at_least(
            findings,
            "pressure_along",
            way.subject,
            lines.after(way, inlet),
            walked.ambient,
            f"the pressure at its end, of {inlet:.6g} Pa at its start,",
        )
        pipe = way.pipe
        if pipe is None or pipe.kind.bore is None:
            continue
        end = lines.pressures["low", way.end[1]]
        speed = walked.speed(pipe, end, way.flow)
        usual = USUAL[walked.substance.phase]
        most = pipe.kind.max_velocity or usual
        findings.at_most(
            "bore_velocity", way.subject, speed, most * (1 + HAIR), "m/s", "its velocity"
        )
        if walked.gas:
            mach = speed / walked.at("sound_speed", pipe.kelvin, walked.ambient)
            findings.at_most(
                "bore_mach",
                way.subject,
                mach,
                pipe.kind.max_mach * (1 + HAIR),
                "",
                "its Mach number",
            )


def _at_least(
    findings: Findings, rule: str, subject: str, value: float, limit: float, what: str
) -> None:
    findings.at_least(rule, subject, value, limit, "Pa", what, HAIR * limit)


def _check_ends(lines: Lines, findings: Findings) -> None:
    """Machines, demands and stores have the pressure that they need."""
    for place, subject, least in _ends(lines):
        low = lines.pressures["low", lines.node(place)]
        what = f"the pressure of {lines.fluid!r} at its inlet"
        _at_least(findings, "pressure_inlet", subject, low, least, what)
    for place, kind, name in _used_stores(lines):
        record = lines.case.site.storage[kind]
        fill = record.pressure or record.max_pressure
        high = lines.pressures.get(("high", lines.node(place)))
        if fill is None or high is None:
            continue
        for use in lines.case.plan.boosters:
            if use.store == name:
                high = lines.boosted(
                    lines.case.site.boosters[use.booster], high, lines.walked.light
                )
        subject = f"store {name!r}"
        _at_least(findings, "pressure_fill", subject, high, fill, "the pressure that fills it")


def _check_filling(lines: Lines, findings: Findings) -> None:
    """What fills stores out of the supply layer has come to their node at its high pressure."""
    case, fluid = lines.case, lines.fluid
    spurs = {way.subject for way in lines.ways if way.spur}
    filled: dict[str, list[float]] = {}
    for store in case.plan.stores:
        if store.holds == fluid and store.inflow > 0:
            filled.setdefault(lines.node(store.place), []).append(store.inflow)
    comes: dict[str, list[float]] = {}
    for run in case.plan.runs:
        if run.fluid != fluid or f"run {run.route!r} of {run.fluid!r}" in spurs:
            continue
        for flow in run.flows:
            if flow.layer == "supply" and flow.carries == FLAT:
                comes.setdefault(lines.node(flow.end), []).append(flow.rate)
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid:
            comes.setdefault(lines.node(source.place), []).append(use.direct.get(FLAT, 0.0))
    for machine in case.plan.machines:
        given = case.machine_type(machine).outputs.get(fluid, 0.0)
        load = math.fsum([machine.flat_load, machine.cycled, *machine.following.values()])
        comes.setdefault(lines.node(machine.place), []).append(given * load)
    scale = max((way.flow for way in lines.ways), default=0.0)
    for node, rates in filled.items():
        findings.at_most(
            "pressure_filling",
            f"stores of {fluid!r} at {node!r}",
            math.fsum(rates),
            math.fsum(comes.get(node, [])),
            "kg/s",
            "the steady flow that fills them",
            BALANCE * scale,
        )


def _shut_in(lines: Lines) -> None:
    """Pa at every node while nothing flows: of what feeds it, behind boosters at their full."""
    case, found = lines.case, lines.shut

    def raised(node: str, pressure: float) -> bool:
        higher = pressure > found.get(node, 0.0) * (1 + 1e-12)
        if higher:
            found[node] = pressure
        return higher

    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == lines.fluid and source.pressure and (_gives(use) or use.new):
            raised(lines.node(source.place), source.pressure)
    for place, kind, _ in _used_stores(lines):
        record = case.site.storage[kind]
        raised(lines.node(place), record.pressure or record.max_pressure or 0.0)
    for machine in case.plan.machines:
        record_of = case.machine_type(machine)
        if lines.fluid in record_of.outputs and record_of.outlet_pressure and _turns(machine):
            raised(lines.node(machine.place), record_of.outlet_pressure)
    for _ in range(len(lines.ways) + 1):
        changed = False
        for way in lines.ways:
            pressure = found.get(way.start[1], 0.0)
            for booster in way.boosters:
                pressure = lines.boosted(booster, pressure, lines.walked.heavy)
            if pressure > 0 and way.pipe is not None and not lines.walked.gas:
                pressure += lines.walked.heavy * 9.80665 * max(0.0, -way.pipe.rise)
            changed |= pressure > 0 and raised(way.end[1], pressure)
        if not changed:
            break


def _check_ratings(lines: Lines, findings: Findings) -> None:
    """What is attached bears the highest pressure that it can meet."""
    case = lines.case

    def bears(subject: str, rating: float | None, node: str) -> None:
        if rating is not None:
            findings.at_most(
                "pressure_rating",
                subject,
                lines.shut.get(node, 0.0),
                rating,
                "Pa",
                f"the pressure of {lines.fluid!r}, with nothing flowing,",
                HAIR * rating,
            )

    for way in lines.ways:
        if way.pipe is not None:
            for node in (way.start[1], way.end[1]):
                bears(way.subject, way.pipe.kind.pressure_rating, node)
    for place, kind, name in _used_stores(lines):
        rating = case.site.storage[kind].pressure_rating
        bears(f"store {name!r}", rating, lines.node(place))
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        if lines.fluid in {*record.inputs, *record.outputs} and _turns(machine):
            bears(f"machine {machine.name!r}", record.pressure_rating, lines.node(machine.place))


def _check_reported(lines: Lines, findings: Findings) -> None:
    """The pressures that a plan gives hold on every pipe, and none is above what there can be."""
    rows = {lines.node(p.node): p for p in lines.case.plan.pressures if p.fluid == lines.fluid}
    given: dict[Header, float] = {}
    for node, row in rows.items():
        subject = f"pressures of {lines.fluid!r} at {node!r}"
        given |= {("high", node): row.high, ("low", node): row.low}
        if not findings.holds(
            "pressure_reported",
            subject,
            row.low <= row.high * (1 + HAIR) and row.low >= lines.walked.ambient * (1 - HAIR),
            "the pressure at which it leaves is above that at which it arrives, or below ambient",
        ):
            continue
        for word, pressure in (("high", row.high), ("low", row.low)):
            most = lines.pressures.get((word, node), math.inf)
            findings.at_most(
                "pressure_reported", subject, pressure, most, "Pa", f"the {word} one", HAIR * most
            )
        if shut := lines.shut.get(node):
            tolerance, what = HAIR * shut, "the one shut in"
            findings.equals("pressure_reported", subject, row.shut_in, shut, "Pa", what, tolerance)
    for way in lines.ways:
        ends = (way.start, way.end)
        if findings.holds(
            "pressure_reported", way.subject, all(e in given for e in ends), "has none at its ends"
        ):
            after = lines.after(way, given[way.start])
            what = "the pressure that is left at its end"
            _at_least(findings, "pressure_reported", way.subject, after, given[way.end], what)
    for place, subject, least in _ends(lines):
        if (low := given.get(("low", lines.node(place)))) is not None:
            what = "the pressure that is given at its inlet"
            _at_least(findings, "pressure_reported", subject, low, least, what)


def _check_booster(case: Case, findings: Findings, use: BoosterUse, walked: WalkedFluid) -> None:
    """A booster has its inlet pressure, moves what goes through, and draws what that takes."""
    site, subject = case.site, _name(use)
    record = site.boosters[use.booster]
    if use.store:
        stores = {store.name: store for store in case.plan.stores}
        store = stores.get(use.store)
        flow = case.arriving(f"store:{use.store}") + (store.inflow if store else 0.0)
        header = "high"
    else:
        flow = math.fsum(
            f.rate * (case.peak(f.carries) if f.layer == "supply" else 1.0)
            for run in case.plan.runs
            if (run.route, run.fluid) == (use.route, use.fluid)
            for f in run.flows
            if f.start == use.start
        )
        header = "low"
    findings.equals(
        "booster_flow", subject, use.flow, flow, "kg/s", "its flow", max(1e-6 * flow, 1e-12)
    )
    if record.max_flow is not None:
        findings.at_most("booster_flow", subject, flow, record.max_flow, "kg/s", "its flow")
    rows = {p.node: p for p in case.plan.pressures if p.fluid == use.fluid}
    shares = _shares(case, use.fluid)
    row = rows.get(shares.get(use.start, use.start))
    if row is not None:
        inlet = row.high if header == "high" else row.low
        least = max(record.min_inlet_pressure or 0.0, walked.ambient)
        _at_least(findings, "booster_inlet", subject, inlet, least, "the pressure at its inlet")
    energy = energy_of(record, walked)
    findings.equals(
        "booster_power",
        subject,
        use.power,
        energy * flow,
        "W",
        "its power",
        POWERS * energy * flow + 1e-9,
    )
    route = site.routes.get(use.route)
    ends = (route.start, route.end)[: 2 - route.one_way] if route is not None else ()
    at = use.start in ends if use.route else use.store.endswith(f"@{use.start}")
    findings.holds("booster_place", subject, at, "is at no inlet of what it serves")
    able = use.fluid in record.fluids
    findings.holds("booster_place", subject, able, "does not move this fluid")


def energy_of(record: BoosterType, walked: WalkedFluid) -> float:
    """J/kg at the full ratio or head: isentropic, of an ideal gas at its hottest, by efficiency."""
    if not walked.gas:
        return 9.80665 * (record.head or 0.0) / record.efficiency
    law = walked.law(walked.hot, walked.ambient)
    heat = walked.at("specific_heat", walked.hot, walked.ambient) * walked.hot
    return heat * math.expm1(law / heat * math.log(record.ratio or 1.0)) / record.efficiency


def _check_booster_counts(case: Case, findings: Findings) -> None:
    """No more boosters than may stand at a place and in all; what exists is named so."""
    site = case.site
    standing = {
        (b.booster, b.place, b.fluid, b.route or "", b.store or "") for b in site.built.boosters
    }
    at: dict[tuple[str, str], int] = {}
    for use in case.plan.boosters:
        place = site.ground(use.start)
        at[use.booster, place] = at.get((use.booster, place), 0) + 1
        route = site.routes.get(use.route)
        corridor = route.stream.corridor if route is not None and route.stream else use.route
        exists = (use.booster, place, use.fluid, corridor, use.store.partition("@")[0]) in standing
        findings.holds(
            "booster_new", _name(use), exists != use.new, "is new where one exists, or the reverse"
        )
        offered = place in site.boosters[use.booster].places or exists
        findings.holds("booster_place", _name(use), offered, "is not offered there")
    for (name, place), count in at.items():
        most = site.boosters[name].places.get(place)
        exist = sum(b.booster == name and b.place == place for b in site.built.boosters)
        if most is not None:
            findings.at_most(
                "booster_units",
                f"booster {name!r} at {place!r}",
                count,
                max(most, exist),
                "",
                "units",
            )
    for name, record in site.boosters.items():
        total = sum(count for (one, _), count in at.items() if one == name)
        if record.max_units is not None:
            findings.at_most(
                "booster_units", f"booster {name!r}", total, record.max_units, "", "units"
            )
