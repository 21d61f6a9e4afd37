"""Rules of machine units out of order: each choice of them has an operation that keeps the promise.

The plan as it is run in a scenario is a plan of the same design with fewer units, so the rules of
the supply layer are asked of it as of any plan. What is stored behind it must be the plan's own:
nothing of the collect layer differs, and no store releases more than it promises, shape by shape.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace

from allocator.plans.outages import OutageOperation, plan_during
from allocator.plans.records import MachineUse, Plan
from allocator.site.records import POWER
from allocator.verify import (
    batteries,
    collect,
    hottest,
    pipes,
    power,
    recovery,
    running,
    supply,
    warmth,
)
from allocator.verify.case import Case, destinations_of
from allocator.verify.names import check_names
from allocator.verify.report import Breach, Findings
from allocator.verify.scale import fluid_tolerances, power_tolerance

ASKED = (
    collect.check_sources,
    pipes.check_pipes,
    supply.check_supply,
    running.check_running,
    running.check_swing,
    batteries.check_rates,
    power.check_power,
    power.check_lines,
    recovery.check_recovery,
    hottest.check_hottest_gas,
    warmth.check_heat_demands,
)
"""Rules that the operation of each scenario keeps, as normal operation does."""
MOST_CHOICES = 20_000
"""Choices of units that are gone through."""

Out = tuple[tuple[str, int], ...]


def check_machines_out(case: Case, findings: Findings) -> None:
    """Rule ``machines_out``: each choice of units has its operation; rules of each of them."""
    plan = case.plan
    asked = 0 if plan.robustness is None else plan.robustness.machines
    told = {_key(outage.out): outage for outage in plan.outages}
    if not asked:
        findings.holds(
            "machines_out", "machines", not told, "operations of outages that nothing asks for"
        )
        return
    count = {machine.name: machine.count for machine in plan.machines}
    units = min(asked, sum(count.values()))
    number = math.comb(len(count) + units - 1, units) if count else 0
    if not findings.holds(
        "machines_out", "machines", number <= MOST_CHOICES, "too many choices to go through"
    ):
        return
    choices = _choices(count, units)
    for key in choices:
        findings.holds("machines_out", _words(key), key in told, "has no operation in the plan")
    findings.holds(
        "machines_out",
        "machines",
        len(told) == len(plan.outages) and set(told) <= set(choices),
        "an operation is stated twice, or for units that are not there",
    )
    for key in choices:
        if key in told:
            _check_operation(case, findings, told[key])


def _key(out: Mapping[str, int]) -> Out:
    return tuple(sorted((name, units) for name, units in out.items() if units))


def _choices(count: Mapping[str, int], units: int) -> list[Out]:
    names = sorted(count)
    found = []
    for chosen in itertools.combinations_with_replacement(names, units):
        out = {name: chosen.count(name) for name in chosen}
        if units and all(number <= count[name] for name, number in out.items()):
            found.append(_key(out))
    return found


def _words(out: Out) -> str:
    return "with " + " and ".join(f"{units} of {name!r}" for name, units in out) + " out of order"


def _check_operation(case: Case, findings: Findings, outage: OutageOperation) -> None:
    subject = _words(_key(outage.out))
    named = Findings()
    during = plan_during(case.plan, outage)
    check_names(case.site, during, named)
    if not named.clean:
        _pass_on(findings, subject, named)
        return
    _same_design(case.plan, findings, subject, outage)
    _no_more_released(case, findings, subject, outage)
    _promise(case, findings, subject, outage)
    _less_flow(case, findings, subject, during)
    mine = replace(case, plan=during, destinations=destinations_of(case.site, during))
    found = Findings()
    for rule in ASKED:
        rule(mine, found)
    _pass_on(findings, subject, found)


def _pass_on(findings: Findings, subject: str, found: Findings) -> None:
    """What is found of an operation, told as found of the plan with these units out."""
    report = found.report()
    for rule, times in report.checks.items():
        findings.count(rule, times)
    for breach in report.breaches:
        told: Breach = replace(breach, subject=f"{subject}: {breach.subject}")
        findings.breach(told.rule, told.subject, told.size, told.unit, told.message)


def _same_design(plan: Plan, findings: Findings, subject: str, outage: OutageOperation) -> None:
    """Units that are left, what they do besides the supply layer, and names that are known."""
    left = {machine.name: machine for machine in outage.machines}
    same = len(left) == len(outage.machines) == len(plan.machines)
    for machine in plan.machines:
        mine = left.get(machine.name)
        lost = outage.out.get(machine.name, 0)
        same = same and mine is not None and _apart(mine) == _apart(machine, lost)
    runs = {(run.route, run.build, run.fluid, run.new) for run in plan.runs}
    same = same and {(r.route, r.build, r.fluid, r.new) for r in outage.runs} <= runs
    same = same and all(flow.layer == "supply" for run in outage.runs for flow in run.flows)
    same = same and {(li.name, li.new) for li in outage.lines} <= {
        (line.name, line.new) for line in plan.lines
    }
    same = same and len({(r.route, r.fluid) for r in outage.runs}) == len(outage.runs)
    same = same and set(outage.draws) <= {store.name for store in plan.stores}
    same = same and set(outage.direct) <= {source.name for source in plan.sources}
    findings.holds("outage_design", subject, same, "the design, or what is collected, differs")


def _apart(machine: MachineUse, lost: int = 0) -> MachineUse:
    """A machine group less some units, and with nothing of what may differ in an outage."""
    return replace(machine, count=machine.count - lost, running=0, flat_load=0.0, following={})


def _no_more_released(
    case: Case, findings: Findings, subject: str, outage: OutageOperation
) -> None:
    """Each shape by itself: the sum alone would let a store run dry where outages alternate."""
    given = [
        (f"store {store.name!r}", store.holds, store.draw, outage.draws.get(store.name, {}))
        for store in case.plan.stores
    ]
    given += [
        (
            f"source {source.name!r}",
            case.site.sources[source.name].fluid,
            source.direct,
            outage.direct.get(source.name, {}),
        )
        for source in case.plan.sources
    ]
    for who, _, before, now in given:
        for shape, rate in now.items():
            findings.at_most(
                "outage_draw",
                f"{subject}: {who}",
                rate,
                before.get(shape, 0.0),
                "kg/s",
                f"what it gives of shape {shape!r}",
            )


def _promise(case: Case, findings: Findings, subject: str, outage: OutageOperation) -> None:
    now = {demand.name: demand for demand in outage.demands}
    fluids = fluid_tolerances(case)
    for demand in case.plan.demands:
        mine = now.get(demand.name)
        same = mine is not None and (mine.wants, mine.mean) == (demand.wants, demand.mean)
        if not findings.holds(
            "outage_promise", f"{subject}: demand {demand.name!r}", same, "is not the plan's"
        ):
            continue
        assert mine is not None
        power_wanted = demand.wants == POWER
        unit = "W" if power_wanted else "kg/s"
        tolerance = power_tolerance(case) if power_wanted else fluids[demand.wants]
        for what, before, after in (
            ("clean", demand.clean_share, mine.clean_share),
            (
                "all",
                demand.clean_share + demand.emitting_share,
                mine.clean_share + mine.emitting_share,
            ),
        ):
            findings.at_least(
                "outage_promise",
                f"{subject}: demand {demand.name!r}",
                after * demand.mean,
                before * demand.mean,
                unit,
                f"what is served ({what})",
                tolerance,
            )


def _less_flow(case: Case, findings: Findings, subject: str, during: Plan) -> None:
    """Of fluids whose pressures are computed no more flows in any direction of a pipe."""
    for before, now in zip(case.plan.runs, during.runs, strict=True):
        if before.fluid not in case.site.pressures:
            continue
        for start, end in {(flow.start, flow.end) for flow in now.flows}:
            rates = [
                math.fsum(
                    flow.rate * (1.0 if flow.layer == "collect" else case.peak(flow.carries))
                    for flow in run.flows
                    if (flow.start, flow.end) == (start, end)
                )
                for run in (before, now)
            ]
            findings.at_most(
                "outage_flow",
                f"{subject}: run {now.route!r} of {now.fluid!r} from {start!r}",
                rates[1],
                rates[0],
                "kg/s",
                "the flow at peak",
            )
