"""Rules of what is told of coolers: duty, what it takes, mean duty, mean power out of its heat.

The mean is told where nothing but sources feeds a cooler's place; elsewhere nobody knows how cold
the gas comes, and it must be told as nothing.
"""

from __future__ import annotations

import math

from allocator.plans.records import CoolerHeat, Run, SourceUse
from allocator.site.records import Cooler, Source
from allocator.verify.case import Case
from allocator.verify.properties import INTEGRALS, heat_between
from allocator.verify.report import Findings
from allocator.verify.wet_gas import condensed_heat

LEAST = 1e-6
"""W of no interest."""


def check_cooler_heat(case: Case, findings: Findings) -> None:
    """Each cooler that gas passes is told once, with figures that follow from the plan's flows."""
    heat = case.plan.heat
    if heat is None:
        return
    told = {cooler.route: cooler for cooler in heat.coolers}
    existing = {run.route for run in case.plan.runs}
    for route in told:
        findings.holds("cooler_told", f"cooler {route!r}", route in existing, "is not in the plan")
    for run in case.plan.runs:
        stream = case.site.routes[run.route].stream
        if stream is None or stream.kind != "cooler":
            continue
        subject, given = f"cooler {run.route!r}", told.get(run.route)
        if given is None and not run.flows:
            continue
        if given is None or given.build != run.build:
            findings.holds("cooler_told", subject, False, "its duty is not stated")
            continue
        _figures(case, findings, run, given, case.site.coolers[stream.corridor], stream.inlet)


def _figures(
    case: Case, findings: Findings, run: Run, given: CoolerHeat, cooler: Cooler, hottest: float
) -> None:
    subject = f"cooler {run.route!r}"
    flows = [f for f in case.plan.heat.flows if f.route == run.route] if case.plan.heat else []
    busiest = [f for f in flows if f.state == "busiest"]
    route = case.site.routes[run.route]
    duty = math.fsum(
        f.rate * heat_between(case, f.fluid, f.outlet, f.inlet)
        + f.rate * condensed_heat(case, route, f.inlet, f.outlet)
        for f in busiest
    )
    each = heat_between(case, run.fluid, cooler.set_point, hottest)
    each += condensed_heat(case, route, hottest, cooler.set_point)
    each *= cooler.power_share
    power = each * math.fsum(f.rate for f in busiest)
    mean, coldest = _mean(case, run, cooler)
    warm = coldest is not None and coldest >= cooler.threshold
    recovered = cooler.recovery * mean if warm else 0.0
    for rule, value, own, what in (
        ("cooler_duty_told", given.duty, duty, "its duty"),
        ("cooler_power_told", given.power, power, "what it takes"),
        ("cooler_mean_told", given.mean_duty, mean, "its mean duty"),
        ("cooler_recovered_told", given.recovered, recovered, "its mean power"),
    ):
        findings.equals(rule, subject, value, own, "W", what, INTEGRALS * abs(own) + LEAST)


def _mean(case: Case, run: Run, cooler: Cooler) -> tuple[float, float | None]:
    """Mean duty, W, and the coldest source's temperature, K, where sources alone feed its place."""
    here = feeding(case, run)
    sent = math.fsum(rate for u in here for rate in (*u.collect.values(), *u.direct.values()))
    if sent <= 0:
        return 0.0, None
    through = math.fsum(flow.rate for flow in run.flows)
    heat, known = [], []
    for use in here:
        source = case.whole.sources[use.name]
        rate = math.fsum(use.direct.values())
        rate += math.fsum(use.collect.values()) * _share_on(source)
        if rate > 0 and source.temperature is not None:
            known.append(source.temperature)
            heat.append(rate * _given_up(case, run.fluid, source.temperature, cooler))
    return math.fsum(heat) * min(1.0, through / sent), min(known, default=None)


def feeding(case: Case, run: Run) -> tuple[SourceUse, ...]:
    """Sources at the place of a cooler; none where a flow comes there as well."""
    place = case.site.routes[run.route].start
    if any(flow.end == place for other in case.plan.runs for flow in other.flows):
        return ()
    return tuple(u for u in case.plan.sources if case.site.sources[u.name].place == place)


def burst_heat(case: Case, run: Run, cooler: Cooler) -> dict[str, float]:
    """W that a cooler takes from each source on and off while that is on, its gas hot enough.

    None where a source that feeds its place is colder than the threshold, or of no temperature.
    """
    here = [u for u in feeding(case, run) if u.collect or u.direct]
    known = [case.whole.sources[u.name].temperature for u in here]
    if any(kelvin is None or kelvin < cooler.threshold for kelvin in known):
        return {}
    sent = math.fsum(rate for u in here for rate in u.collect.values())
    through = math.fsum(flow.rate for flow in run.flows if flow.layer == "collect")
    share = min(1.0, through / sent) if sent > 0 else 0.0
    found = {}
    for use, kelvin in zip(here, known, strict=True):
        rate = share * math.fsum(use.collect.values())
        if kelvin is not None and rate > 0 and not case.cycles[use.name].steady:
            found[use.name] = rate * _given_up(case, run.fluid, kelvin, cooler)
    return found


def _given_up(case: Case, fluid: str, hot: float, cooler: Cooler) -> float:
    """J/kg of gas from a source's temperature down to the set-point; 0 where it is no hotter."""
    return heat_between(case, fluid, cooler.set_point, max(hot, cooler.set_point))


def _share_on(source: Source) -> float:
    """Share of time that a source is on, by the ratios of its stages."""
    return math.prod(stage.on / stage.every for stage in source.stages)
