"""Rules of what a plan says of itself: its cautions, its status, and which goals it must tell."""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.base.status import Status
from allocator.network.cautions import cautions_for
from allocator.plans.records import STATUSES
from allocator.site.mixes import supply_named
from allocator.site.records import POWER
from allocator.verify.case import Case, counts
from allocator.verify.report import Findings

UNPROVEN = STATUSES[: STATUSES.index(Status.YIELDED)]


def check_cautions(case: Case, findings: Findings) -> None:
    """The cautions are those of the site, all of them, in their words and order."""
    expected, given = cautions_for(case.whole), case.plan.cautions
    for caution in expected:
        findings.holds(
            "cautions",
            "cautions",
            caution in given,
            f"one is missing: {caution.partition(':')[0]!r}",
        )
    for caution in given:
        findings.holds(
            "cautions", "cautions", caution in expected, f"is none of this site: {caution[:60]!r}"
        )
    findings.holds(
        "cautions",
        "cautions",
        given == expected or {*given} != {*expected},
        "are in another order, or one is there twice",
    )


def check_status(case: Case, findings: Findings) -> None:
    """The plan's status is that of the goal of which least is proven."""
    said = [goal.status for goal in case.plan.goals]
    expected = next((status for status in UNPROVEN if status in said), Status.OPTIMAL)
    findings.holds(
        "status",
        "the plan",
        case.plan.status == expected,
        f"is stated to be {case.plan.status!r}, and its goals make it {expected!r}",
    )


def goals_to_tell(case: Case) -> Iterator[str]:
    """Goals that a plan for the site must tell: all by which there is anything to decide.

    Power or fluids that are asked for, priority by priority; emissions where a machine may stand
    that has any, or what is vented counts; material and money where a machine or a battery that
    may stand takes any. On the mean basis, and where nothing varies, no battery is built.
    """
    site = case.site
    open_places = {*site.places} - {*site.limits.excluded_places}
    supply = supply_named(case.whole, case.plan.mix) if case.plan.mix else None
    dropped = () if supply is None else supply.dropped
    machines = [
        m for m in site.machines.values() if open_places & {*m.places} and m.name not in dropped
    ]
    varies = any(not s.steady for s in site.sources.values() if s.place in open_places)
    varies |= any(d.profile is not None for d in site.demands.values() if d.place in open_places)
    built = site.storage.values() if varies and case.plan.basis == "firm" else []
    batteries = [s for s in built if s.holds == POWER and open_places & {*s.places}]
    materials = [thing.materials for thing in machines] + [thing.materials for thing in batteries]
    prices = [thing.price for thing in machines] + [thing.price for thing in batteries]
    for name in site.goals:
        if name in ("clean_power", "served_power", "served_fluid"):
            power = name != "served_fluid"
            asked = [d.priority for d in site.demands.values() if (d.wants == POWER) == power]
            steps = sorted({*asked})
            yield from (f"{name} to priority {step}" for step in steps[:-1])
            yield from ([name] if steps else [])
        elif name == "emissions":
            weights = [
                math.fsum(
                    rate * site.fluids[fluid].emission_weight
                    for fluid, rate in machine.outputs.items()
                    if counts(site, fluid)
                )
                for machine in machines
            ]
            weighty = {f for f, fluid in site.fluids.items() if fluid.vented_weight}
            moved = [fluid for m in machines for fluid in (*m.inputs, *m.outputs)]
            moved += [s.fluid for s in site.sources.values() if s.when_untapped == "vents"]
            yield from ([name] if any(weights) or weighty & {*moved} else [])
        elif name == "scarce_material":
            scarce = {m.name for m in site.materials.values() if m.scarcity > 0}
            taken = any(used.get(kind) for used in materials for kind in scarce)
            yield from ([name] if taken else [])
        else:
            yield from ([name] if any(price > 0 for price in prices) else [])
