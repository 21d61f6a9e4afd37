"""Rules of the collect layer: everything on at once, from sources to destinations."""

from __future__ import annotations

import math

from allocator.verify.case import BALANCE, ROUNDING, AuditDestination, Case
from allocator.verify.report import Findings
from allocator.verify.scale import fluid_tolerances
from allocator.verify.sure_clocks import shortest_burst
from allocator.verify.without import check_direct


def check_sources(case: Case, findings: Findings) -> None:
    """Sent and released at peak <= flow of a tapped source, and <= the pump's rate."""
    for source in case.plan.sources:
        record = case.site.sources[source.name]
        subject = f"source {source.name!r}"
        direct = case.at_peak(source.direct)
        check_direct(case, findings, source)
        taken = math.fsum([*source.collect.values(), direct])
        if taken > 0:
            findings.holds("tap_missing", subject, source.tapped, "is used but not connected")
        findings.at_most(
            "source_flow",
            subject,
            taken,
            record.flow,
            "kg/s",
            "what is taken with all shapes at peak",
        )
        if record.pump is not None and record.pump.rate is not None:
            findings.at_most(
                "pump_rate", subject, taken, record.pump.rate, "kg/s", "what is pumped"
            )
        if direct > 0:
            findings.holds(
                "direct_steady",
                subject,
                case.cycles[source.name].steady,
                "feeds the supply layer directly but is not always on",
            )


def check_collect(case: Case, findings: Findings) -> None:
    """Per fluid and place it is bound for: everywhere, what sources send and what arrives goes on.

    Destinations of one fluid at one place share the pipe that leads there.
    """
    tolerances = fluid_tolerances(case)
    for destination in case.destinations.values():
        _one_fluid(case, findings, destination)
    bound = {(d.fluid, d.place) for d in case.destinations.values() if d.fluid is not None}
    bound |= {
        (run.fluid, flow.carries)
        for run in case.plan.runs
        for flow in run.flows
        if flow.layer == "collect"
    }
    for fluid, end in sorted(bound):
        _balance(case, findings, fluid, end, tolerances[fluid])


def _one_fluid(case: Case, findings: Findings, destination: AuditDestination) -> None:
    for source, _ in case.collected(destination.name):
        fluid = case.site.sources[source.name].fluid
        findings.holds(
            "collect_fluid",
            f"source {source.name!r}",
            fluid == destination.fluid,
            f"sends {fluid} to {destination.name!r}, which takes {destination.fluid}",
        )


def _balance(case: Case, findings: Findings, fluid: str, end: str, tolerance: float) -> None:
    terms: dict[str, list[float]] = {}
    sent = []
    for destination in case.destinations.values():
        if (destination.fluid, destination.place) == (fluid, end):
            for source, rate in case.collected(destination.name):
                terms.setdefault(case.site.sources[source.name].place, []).append(rate)
                sent.append(rate)
    for run in case.plan.runs:
        for flow in run.flows:
            if (flow.layer, run.fluid, flow.carries) == ("collect", fluid, end):
                terms.setdefault(flow.end, []).append(flow.rate)
                terms.setdefault(flow.start, []).append(-flow.rate)
    total = math.fsum(sent)
    if total > 0:
        terms.setdefault(end, [])
    for place, rates in terms.items():
        findings.equals(
            "collect_balance",
            f"{fluid} bound for {end!r}, at {place!r}",
            math.fsum(rates),
            total if place == end else 0.0,
            "kg/s",
            "what stays there",
            tolerance,
        )


def check_burns(case: Case, findings: Findings) -> None:
    """Burnt directly: one fluid, machines enough for it, power, a battery at the same bus;

    no burst shorter than the machine's least one, and no machine that must rest: sources share
    its units, and one may begin as soon as another has ended.
    """
    for destination in case.destinations.values():
        machine, battery = destination.machine, destination.battery
        if machine is None or battery is None:
            continue
        total = case.arriving(destination.name)
        units = machine.burst.get(battery.name, 0.0)
        if total <= 0 and units <= 0:
            continue
        kind = case.machine_type(machine)
        subject = f"machine {machine.name!r}"
        one = findings.holds(
            "burn_one_fluid",
            subject,
            destination.fluid is not None,
            "burns bursts but takes other than one fluid",
        )
        findings.holds(
            "burn_power",
            subject,
            kind.power_out > 0,
            "burns bursts for a battery but gives no power",
        )
        findings.holds(
            "burn_bus",
            subject,
            case.bus(machine.place) == case.bus(battery.place),
            f"burns bursts for battery {battery.name!r}, which is not at its bus",
        )
        findings.holds(
            "burn_battery",
            subject,
            battery.size > 0,
            f"burns bursts for battery {battery.name!r}, which has no size",
        )
        findings.holds(
            "burn_rest",
            subject,
            kind.min_down_time <= 0,
            "burns bursts directly but must rest between two runs",
        )
        for source, _ in case.collected(destination.name):
            findings.holds(
                "burn_series",
                f"source {source.name!r}",
                case.site.sources[source.name].series is None or case.cycles[source.name].steady,
                "is burnt directly, but its record says nothing of single bursts",
            )
            findings.at_least(
                "burn_run",
                subject,
                shortest_burst(case.site, case.site.sources[source.name]),
                kind.min_burst_time,
                "s",
                f"the shortest burst of {source.name!r}",
                ROUNDING * kind.min_burst_time,
            )
        if one and destination.fluid is not None:
            burnt = total / kind.inputs[destination.fluid]
            findings.equals(
                "burn_units",
                subject,
                units,
                burnt,
                "units",
                f"what burns bursts for {battery.name!r}",
                BALANCE * max(units, burnt),
            )
