"""Rules of boosters: where they may stand, what they move, what they need."""

from __future__ import annotations

import math

from allocator.base.errors import AllocatorError
from allocator.plans.records import BoosterUse
from allocator.site.records import BoosterType
from allocator.verify.case import Case
from allocator.verify.pressure_lines import shares_of
from allocator.verify.pressure_walk import WalkedFluid
from allocator.verify.report import Findings

HAIR = 1e-8
"""Share of a limit within which it is kept: the planner's curves are tangents, cut to 1e-9."""
POWERS = 1e-3
"""Share by which two models of a booster's power may differ, of a gas at the same pressure."""


def booster_name(use: BoosterUse) -> str:
    """A booster, as findings name it."""
    return f"booster {use.booster!r} of {use.fluid!r} at {use.start!r}"


def enough(
    findings: Findings, rule: str, subject: str, value: float, limit: float, what: str
) -> None:
    """A pressure, Pa, is at least a limit, within a hair."""
    findings.at_least(rule, subject, value, limit, "Pa", what, HAIR * limit)


def check_booster(case: Case, findings: Findings, use: BoosterUse, walked: WalkedFluid) -> None:
    """A booster has its inlet pressure, moves what goes through, and draws what that takes."""
    site, subject = case.site, booster_name(use)
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
    shares = shares_of(case, use.fluid)
    row, inlet = rows.get(shares.get(use.start, use.start)), walked.ambient
    if row is not None:
        inlet = row.high if header == "high" else row.low
        least = max(record.min_inlet_pressure or 0.0, walked.ambient)
        enough(findings, "booster_inlet", subject, inlet, least, "the pressure at its inlet")
    route, kelvin = site.routes.get(use.route), walked.hot
    if route is not None and route.stream is not None:
        kelvin = max(route.stream.inlet, site.ambient.temperature)
    low = flow * energy_of(record, walked, kelvin, inlet)
    high = max(low, flow * energy_of(record, walked, kelvin, highest(case, use.fluid, walked)))
    what, hair = "its power", POWERS * high + 1e-9
    findings.at_least("booster_power", subject, use.power, low, "W", what, hair)
    findings.at_most("booster_power", subject, use.power, high, "W", what, hair)
    ends = (route.start, route.end)[: 2 - route.one_way] if route is not None else ()
    at = use.start in ends if use.route else use.store.endswith(f"@{use.start}")
    findings.holds("booster_place", subject, at, "is at no inlet of what it serves")
    able = use.fluid in record.fluids
    findings.holds("booster_place", subject, able, "does not move this fluid")


def energy_of(record: BoosterType, walked: WalkedFluid, kelvin: float, pascal: float) -> float:
    """J/kg at the full ratio or head: isentropic, by efficiency, of a gas as hot as ``kelvin``.

    ``pascal``: of a gas the larger of ``p / rho`` there and at the ambient pressure counts. A plan
    takes that of the highest pressure there may be, as the work rises with it.
    """
    if not walked.gas:
        return 9.80665 * (record.head or 0.0) / record.efficiency
    try:
        law = walked.law(kelvin, pascal)
    except AllocatorError:  # it is liquid at that pressure
        law = walked.law(kelvin, walked.ambient)
    law /= 1.0 + walked.substance.vapour[0]
    heat = walked.at("specific_heat", kelvin, walked.ambient) * kelvin
    return heat * math.expm1(law / heat * math.log(record.ratio or 1.0)) / record.efficiency


def highest(case: Case, fluid: str, walked: WalkedFluid) -> float:
    """Pa that a gas never passes: twice what is stated, and what all boosters may add to that."""
    site, squared = case.site, walked.unsaid**2
    inlets = len(site.routes) + sum(len(store.places) for store in site.storage.values())
    for record in site.boosters.values():
        if fluid in record.fluids:
            offered = [inlets if units is None else units for units in record.places.values()]
            standing = sum(one.booster == record.name for one in site.built.boosters)
            units = max(
                standing,
                min(sum(offered), inlets if record.max_units is None else record.max_units),
            )
            pascal = max(record.min_inlet_pressure or 0.0, walked.ambient)
            squared += units * ((record.ratio or 1.0) ** 2 - 1.0) * pascal**2
    return math.sqrt(squared)


def check_booster_counts(case: Case, findings: Findings) -> None:
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
            "booster_new",
            booster_name(use),
            exists != use.new,
            "is new where one exists, or the reverse",
        )
        offered = place in site.boosters[use.booster].places or exists
        findings.holds("booster_place", booster_name(use), offered, "is not offered there")
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
