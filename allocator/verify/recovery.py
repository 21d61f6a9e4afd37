"""Rules of power out of heat: what may be promised of it, recomputed from the site.

Counted is what steady sources at a cooler's own place send through it at all times, as cold as
the coldest source there, where nothing else comes to that place.
"""

from __future__ import annotations

import itertools
import math

from allocator.plans.records import RecoveryUse
from allocator.site.records import Cooler
from allocator.verify.case import BALANCE, Case
from allocator.verify.properties import INTEGRALS, heat_between, specific_heat
from allocator.verify.report import Findings

PANELS = 16


def check_recovery(case: Case, findings: Findings) -> None:
    """Each counted recovery: flow that is there, gas hot enough, an efficiency that can be."""
    through: dict[tuple[str, str, str], float] = {}
    for use in case.plan.recoveries:
        subject = f"recovery {use.route!r}"
        start = case.site.routes[use.route].start
        cooler = _cooler(case, use)
        run = next(
            (r for r in case.plan.runs if (r.route, r.build) == (use.route, use.build)), None
        )
        if cooler is None or run is None:
            findings.breach("recovery_stands", subject, 0.0, "", "no such cooler with recovery")
            continue
        findings.count("recovery_stands")
        if use.power or use.heat is None:
            _temperatures(case, findings, use, cooler)
        for shape, rate in use.flow.items():
            moved = math.fsum(
                f.rate for f in run.flows if f.layer == "supply" and f.carries == shape
            )
            findings.at_most("recovery_flow", subject, rate, moved, "kg/s", "flow that is counted")
            key = (start, run.fluid, shape)
            through[key] = through.get(key, 0.0) + rate
        _power(case, findings, use, cooler)
        if use.heat is not None:
            _warmth(case, findings, use, cooler)
        largest = math.fsum(use.flow.values())
        fed = math.fsum(
            flow.rate
            for other in case.plan.runs
            if other.fluid == run.fluid
            for flow in other.flows
            if flow.end == start
        )
        findings.at_most(
            "recovery_fed", subject, fed, BALANCE * largest, "kg/s", "what else comes there"
        )
    for (place, fluid, shape), rate in through.items():
        given = math.fsum(
            source.direct.get(shape, 0.0)
            for source in case.plan.sources
            if case.site.sources[source.name].place == place
            and case.site.sources[source.name].fluid == fluid
            and not case.site.sources[source.name].part_of
        )
        findings.at_most(
            "recovery_sources",
            f"recoveries at {place!r}",
            rate,
            given * (1.0 + BALANCE),
            "kg/s",
            "flow that is counted of steady sources",
        )


def _cooler(case: Case, use: RecoveryUse) -> Cooler | None:
    """The kind of cooler that stands there; None for one that gives nothing, or for a pipe."""
    stream = case.site.routes[use.route].stream
    if stream is None or stream.kind != "cooler":
        return None
    cooler = case.site.coolers[stream.corridor]
    return cooler if cooler.recovery > 0 or cooler.heat_temperature is not None else None


def lowest_of(case: Case, use: RecoveryUse, cooler: Cooler) -> float:
    """K of the coldest source that gives the fluid at a cooler's place, tapped or not."""
    start = case.site.routes[use.route].start
    known = [
        source.temperature or case.site.ambient.temperature
        for source in case.site.sources.values()
        if source.place == start and source.fluid == cooler.fluid
    ]
    return min(known, default=case.site.ambient.temperature)


def _temperatures(case: Case, findings: Findings, use: RecoveryUse, cooler: Cooler) -> None:
    subject = f"recovery {use.route!r}"
    low = lowest_of(case, use, cooler)
    hottest_needed = max(cooler.threshold, cooler.set_point)
    findings.at_least(
        "recovery_threshold", subject, low, hottest_needed, "K", "how hot the gas comes"
    )
    cold = case.site.ambient.temperature if cooler.coolant is None else cooler.coolant
    if low > cooler.set_point:
        share = work_share(case, cooler.fluid, low, cooler.set_point, cold)
        findings.at_most(
            "recovery_nature", subject, cooler.recovery, share, "", "the share that becomes power"
        )


def work_share(case: Case, fluid: str, hot: float, outlet: float, cold: float) -> float:
    """Greatest share of the heat of a cooled stream that can be work: ``1 - T_cold ds/dh``."""
    edges = [outlet + (hot - outlet) * i / PANELS for i in range(PANELS + 1)]
    heat = entropy = 0.0
    for low, high in itertools.pairwise(edges):
        part = heat_between(case, fluid, low, high)
        heat += part
        middle = (low + high) / 2
        # Simpson's rule for cp/T, with the ends and the middle of the panel
        ends = specific_heat(case, fluid, low) / low + specific_heat(case, fluid, high) / high
        inner = specific_heat(case, fluid, middle) / middle
        entropy += (high - low) * (ends + 4 * inner) / 6
    return 1.0 - cold * entropy / heat


def _power(case: Case, findings: Findings, use: RecoveryUse, cooler: Cooler) -> None:
    low = lowest_of(case, use, cooler)
    each = cooler.recovery * _heat(case, cooler.fluid, cooler.set_point, low)
    for shape, power in use.power.items():
        findings.at_most(
            "recovery_power",
            f"recovery {use.route!r} ({shape})",
            power,
            use.flow.get(shape, 0.0) * each * (1.0 + INTEGRALS),
            "W",
            "power that is counted",
        )


def _warmth(case: Case, findings: Findings, use: RecoveryUse, cooler: Cooler) -> None:
    """Heat that a place is given at all times: above its temperature, at the least flow."""
    place = warmed_place(case, use)
    hot = cooler.heat_temperature
    given = 0.0
    if place and hot is not None and hot >= case.site.places[place].heat_temperature:
        each = _heat(case, cooler.fluid, max(hot, cooler.set_point), lowest_of(case, use, cooler))
        given = each * math.fsum(rate * case.least(shape) for shape, rate in use.flow.items())
    findings.at_most(
        "recovery_heat",
        f"recovery {use.route!r}",
        use.heat or 0.0,
        given * (1.0 + INTEGRALS),
        "W",
        "heat that is counted",
    )


def warmed_place(case: Case, use: RecoveryUse) -> str:
    """The place whose heat demand a cooler's heat may serve; empty where it asks for none."""
    route = case.site.routes[use.route]
    if route.stream is None or route.stream.kind != "cooler":
        return ""
    cooler = case.site.coolers[route.stream.corridor]
    if cooler.recovery > 0:
        return ""
    place = cooler.rejects_at or case.site.ground(route.start)
    return place if case.site.places[place].heat_demand is not None else ""


def _heat(case: Case, fluid: str, cold: float, hot: float) -> float:
    """J/kg of dry gas between two temperatures; 0 where it is no hotter."""
    if hot <= cold:
        return 0.0
    edges = [cold + (hot - cold) * i / PANELS for i in range(PANELS + 1)]
    return math.fsum(
        heat_between(case, fluid, low, high, dry=True) for low, high in itertools.pairwise(edges)
    )
