"""Rules of pressure along lines: every place has what its sources leave it, pipe by pipe.

The highest pressures count that hold with every pipe at its peak flow at once
(:mod:`allocator.verify.pressure_lines`). What follows from them is kept in any state: with less
flow each pipe throttled at its inlet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from allocator.base.grouped import grouped
from allocator.plans.records import FLAT
from allocator.site.records import BoosterType
from allocator.verify.boosters import (
    HAIR,
    booster_name,
    check_booster,
    check_booster_counts,
    enough,
)
from allocator.verify.case import BALANCE, Case
from allocator.verify.loads import given as given_by_machine
from allocator.verify.pressure_lines import (
    Header,
    Lines,
    ends_of,
    filled,
    gives,
    layers_of,
    lines_of,
    settled,
    subject_of,
    turns,
    used_stores,
)
from allocator.verify.pressure_walk import USUAL, WalkedFluid, walked_fluid
from allocator.verify.report import Findings

COLUMN = 1e-3
"""Share by which the pressure of a gas at rest may differ: ``Rs T`` is that of another pressure."""


def check_pressures(case: Case, findings: Findings) -> None:
    """Pressures at ends, velocities, ratings, boosters, and what the plan says of them."""
    walked: dict[str, WalkedFluid] = {}
    for fluid in case.site.fluids:
        if (one := walked_fluid(case, fluid)) is not None:
            walked[fluid] = one
    for fluid, one in walked.items():
        lines = lines_of(case, fluid, one)
        _check_directions(lines, findings)
        findings.holds(
            "pressure_circle",
            f"lines of {fluid!r}",
            settled(lines),
            "flow in a circle, so that no pressures hold",
        )
        _check_pipes(lines, findings)
        _check_ends(lines, findings)
        _check_filling(lines, findings)
        _shut_in(lines)
        _check_ratings(lines, findings)
        _check_reported(lines, findings)
    for use in case.plan.boosters:
        known = use.fluid in walked
        findings.holds(
            "booster_pressure",
            booster_name(use),
            known,
            "moves a fluid whose pressures are not known",
        )
        if known:
            check_booster(case, findings, use, walked[use.fluid])
    check_booster_counts(case, findings)


def _check_directions(lines: Lines, findings: Findings) -> None:
    """What is used both ways fills stores one way, and releases them the other."""
    for run in lines.case.plan.runs:
        layers = layers_of(lines, run) if run.fluid == lines.fluid else {}
        if len(layers) == 2:
            findings.holds(
                "pressure_direction",
                subject_of(run),
                sorted(map(sorted, layers.values())) == [["collect"], ["supply"]],
                "is used both ways, and not to fill stores one way and to release the other",
            )


def _check_pipes(lines: Lines, findings: Findings) -> None:
    """Every pipe ends above the ambient pressure, and slowly enough."""
    walked = lines.walked
    for way in lines.ways:
        inlet = lines.pressures[way.start]
        enough(
            findings,
            "pressure_along",
            way.subject,
            lines.after(way, inlet),
            walked.ambient,
            f"the pressure at its end, of {grouped(f'{inlet:.6g}')} Pa at its start,",
        )
        pipe = way.pipe
        if pipe is None or pipe.kind.bore is None:
            continue
        end = lines.pressures["low", way.end[1]]
        speed = walked.speed(pipe, end, way.flow)
        usual = USUAL[walked.substance.phase]
        most = pipe.kind.max_velocity or usual
        real = speed / (1 + walked.substance.vapour[0])
        findings.at_most(
            "bore_velocity", way.subject, real, most * (1 + HAIR), "m/s", "its velocity"
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


def _check_ends(lines: Lines, findings: Findings) -> None:
    """Machines, demands and stores have the pressure that they need."""
    for end in ends_of(lines):
        low = lines.pressures["low", lines.node(end.place)]
        what = f"the pressure of {lines.fluid!r} at its inlet"
        enough(findings, "pressure_inlet", end.subject, low, end.needed, what)
    for one in filled(lines, lines.pressures):
        subject, what = f"store {one.store!r}", "the pressure that fills it"
        enough(findings, "pressure_fill", subject, one.pressure, one.needed, what)


def _check_filling(lines: Lines, findings: Findings) -> None:
    """What fills stores out of the supply layer has come to their node at its high pressure."""
    case, fluid = lines.case, lines.fluid
    spurs = {way.subject for way in lines.ways if way.spur}
    fills: dict[str, list[float]] = {}
    for store in case.plan.stores:
        if store.holds == fluid and store.inflow > 0:
            fills.setdefault(lines.node(store.place), []).append(store.inflow)
    comes: dict[str, list[float]] = {}
    for run in case.plan.runs:
        if run.fluid != fluid or subject_of(run) in spurs:
            continue
        for flow in run.flows:
            if flow.layer == "supply" and flow.carries == FLAT:
                comes.setdefault(lines.node(flow.end), []).append(flow.rate)
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == fluid:
            comes.setdefault(lines.node(source.place), []).append(use.direct.get(FLAT, 0.0))
    for machine in case.plan.machines:
        # of what follows a shape only the least of it is always there
        for one, shape, rate in given_by_machine(case, machine):
            if one == fluid:
                comes.setdefault(lines.node(machine.place), []).append(case.least(shape) * rate)
    scale = max((way.flow for way in lines.ways), default=0.0)
    for node, rates in fills.items():
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
    """Pa at every node while nothing flows: of what feeds it, behind boosters at their full.

    All of a fluid is at one temperature then: the highest of it at its coldest and its hottest.
    """
    case, given = lines.case, dict[str, float]()

    def raised(node: str, pressure: float) -> None:
        given[node] = max(given.get(node, 0.0), pressure)

    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.fluid == lines.fluid and source.pressure and (gives(use) or use.new):
            raised(lines.node(source.place), source.pressure)
    for place, kind, _ in used_stores(lines):
        record = case.site.storage[kind]
        raised(lines.node(place), record.pressure or record.max_pressure or 0.0)
    for machine in case.plan.machines:
        record_of = case.machine_type(machine)
        if lines.fluid in record_of.outputs and record_of.outlet_pressure and turns(machine):
            raised(lines.node(machine.place), record_of.outlet_pressure)
    if not lines.walked.gas:
        for way in lines.ways:
            for _, node in (way.start, way.end):
                raised(node, lines.walked.ambient)
    for hot in (False, True):
        for node, pressure in _at_rest(lines, given, hot).items():
            lines.shut[node] = max(lines.shut.get(node, 0.0), pressure)


def _at_rest(lines: Lines, given: dict[str, float], hot: bool) -> dict[str, float]:
    """Pa at every node with nothing flowing, of what is given there, at its hottest or coldest."""
    found = dict(given)
    for _ in range(len(lines.ways) + 1):
        changed = False
        for way in lines.ways:
            pressure = found.get(way.start[1], 0.0)
            if pressure <= 0:
                continue
            for booster in way.boosters:
                pressure = lines.boosted(booster, pressure, lines.walked.heavy)
            if way.pipe is not None:
                pressure = lines.walked.at_rest(pressure, way.pipe.rise, hot)
            if pressure > found.get(way.end[1], 0.0) * (1 + 1e-12):
                found[way.end[1]], changed = pressure, True
        if not changed:
            break
    return found


def _check_ratings(lines: Lines, findings: Findings) -> None:
    """What is attached bears the highest pressure that it can meet."""
    case = lines.case

    def bears(
        subject: str, rating: float | None, node: str, boosters: Iterable[BoosterType] = ()
    ) -> None:
        if rating is not None:
            shut = lines.shut.get(node, 0.0)
            for booster in boosters:
                shut = lines.boosted(booster, shut, lines.walked.heavy)
            findings.at_most(
                "pressure_rating",
                subject,
                shut,
                rating,
                "Pa",
                f"the pressure of {lines.fluid!r}, with nothing flowing,",
                HAIR * rating,
            )

    for way in lines.ways:
        if way.pipe is not None:
            for node in (way.start[1], way.end[1]):
                bears(way.subject, way.pipe.kind.pressure_rating, node)
            if way.boosters:
                bears(way.subject, way.pipe.kind.pressure_rating, way.start[1], way.boosters)
    for place, kind, name in used_stores(lines):
        rating = case.site.storage[kind].pressure_rating
        behind = [use.booster for use in case.plan.boosters if use.store == name]
        into = [case.site.boosters[booster] for booster in behind]
        bears(f"store {name!r}", rating, lines.node(place), into)
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        if lines.fluid in {*record.inputs, *record.outputs} and turns(machine):
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
            tolerance, what = (COLUMN if lines.walked.gas else HAIR) * shut, "the one shut in"
            findings.equals("pressure_reported", subject, row.shut_in, shut, "Pa", what, tolerance)
    for way in lines.ways:
        ends = (way.start, way.end)
        if findings.holds(
            "pressure_reported", way.subject, all(e in given for e in ends), "has none at its ends"
        ):
            after = lines.after(way, given[way.start])
            what = "the pressure that is left at its end"
            enough(findings, "pressure_reported", way.subject, after, given[way.end], what)
    for end in ends_of(lines):
        low = given.get(("low", lines.node(end.place)))
        known = low is not None or end.needed <= 0.0
        findings.holds("pressure_reported", end.subject, known, "has none at its inlet")
        if low is not None:
            what = "the pressure that is given at its inlet"
            enough(findings, "pressure_reported", end.subject, low, end.needed, what)
    for one in filled(lines, lines.pressures):
        known = ("high", lines.node(one.place)) in given
        findings.holds("pressure_reported", f"store {one.store!r}", known, "has none to fill it")
    for one in filled(lines, given):
        what = "the pressure that is given to fill it"
        enough(
            findings, "pressure_reported", f"store {one.store!r}", one.pressure, one.needed, what
        )
