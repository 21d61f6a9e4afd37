"""Rules of pipe: flows go along their route in an allowed direction, within its capacity."""

from __future__ import annotations

import math

from allocator.plans.records import PipeFlow, Run
from allocator.verify.case import Case
from allocator.verify.report import Findings


def check_pipes(case: Case, findings: Findings) -> None:
    """Per run: ends and direction; all flows at peak <= capacity."""
    for run in case.plan.runs:
        subject = f"run {run.route!r} of {run.fluid!r}"
        for flow in run.flows:
            _way(case, findings, run, flow, subject)
        rates = [
            flow.rate * (case.peak(flow.carries) if flow.layer == "supply" else 1.0)
            for flow in run.flows
        ]
        findings.at_most(
            "pipe_capacity",
            subject,
            math.fsum(rates),
            case.site.capacity(run.route, run.build, run.fluid),
            "kg/s",
            "the flow with all layers at peak",
        )


def _way(case: Case, findings: Findings, run: Run, flow: PipeFlow, subject: str) -> None:
    route = case.site.routes[run.route]
    along = (flow.start, flow.end) == (route.start, route.end)
    back = (flow.end, flow.start) == (route.start, route.end)
    findings.holds(
        "pipe_ends",
        subject,
        along or back,
        f"carries a flow from {flow.start!r} to {flow.end!r}, which are not its ends",
    )
    findings.holds(
        "pipe_direction",
        subject,
        along or not (back and route.one_way),
        f"carries a flow from {flow.start!r} to {flow.end!r}, against its one way",
    )
