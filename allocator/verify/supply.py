"""Rule of the supply layer: per fluid and shape, no place gives more than it gets."""

from __future__ import annotations

import math

from allocator.plans.records import FLAT
from allocator.site.records import POWER
from allocator.verify.case import Case
from allocator.verify.loads import given, taken
from allocator.verify.report import Findings
from allocator.verify.scale import fluid_tolerances

Key = tuple[str, str, str]


def check_supply(case: Case, findings: Findings) -> None:
    """``draws + direct + given + arriving >= taken + served + store inflow + leaving``.

    Per fluid, shape and place, in means; what is left over is vented, or used there in another
    shape: a flow of mean m is never below m times the least level of its shape, and one is never
    above m times the peak of its.
    """
    tolerances = fluid_tolerances(case)
    sums = {key: math.fsum(terms) for key, terms in _terms(case).items()}
    spare: dict[tuple[str, str], float] = {}
    for (fluid, shape, place), left in sums.items():
        if left > 0:
            here = (fluid, place)
            spare[here] = spare.get(here, 0.0) + case.least(shape) * left
    for (fluid, shape, place), left in sums.items():
        if left < 0:
            used = min(spare.get((fluid, place), 0.0), -left * case.peak(shape))
            spare[fluid, place] = spare.get((fluid, place), 0.0) - used
            left += used / case.peak(shape)
        findings.at_least(
            "supply_balance",
            f"{fluid} ({shape}) at {place!r}",
            left,
            0.0,
            "kg/s",
            "what is left there",
            tolerances[fluid],
        )


def _terms(case: Case) -> dict[Key, list[float]]:
    found: dict[Key, list[float]] = {}

    def add(fluid: str, shape: str, place: str, rate: float) -> None:
        if rate:
            found.setdefault((fluid, shape, place), []).append(rate)

    for source in case.plan.sources:
        record = case.site.sources[source.name]
        for shape, rate in source.direct.items():
            add(record.fluid, shape, record.place, rate)
    for store in case.plan.stores:
        for shape, rate in store.draw.items():
            add(store.holds, shape, store.place, rate)
        add(store.holds, FLAT, store.place, -store.inflow)
    for run in case.plan.runs:
        for flow in run.flows:
            if flow.layer == "supply":
                add(run.fluid, flow.carries, flow.start, -flow.rate)
                add(run.fluid, flow.carries, flow.end, flow.rate)
    for machine in case.plan.machines:
        for fluid, shape, rate in taken(case, machine):
            add(fluid, shape, machine.place, -rate)
        for fluid, shape, rate in given(case, machine):
            add(fluid, shape, machine.place, rate)
    for demand in case.plan.demands:
        if demand.wants != POWER:
            place = case.site.demands[demand.name].place or ""
            shape = case.shape_of[demand.name]
            add(demand.wants, shape, place, -demand.clean_share * demand.mean)
    return found
