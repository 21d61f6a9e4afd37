"""Rules of a plan of a supply mix: a mix of the site, and none of the machines it does without."""

from __future__ import annotations

from dataclasses import replace

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.site.mixes import supply_named
from allocator.verify.report import Findings


def as_asked(site: Network, plan: Plan, findings: Findings) -> Network:
    """The site with the goals and limits that a plan was asked to keep: its mix's, or its own.

    Rule ``mix_machines``: a machine that the mix does without stands idle.
    """
    supply = supply_named(site, plan.mix) if plan.mix else None
    if supply is None:  # a name that the site does not know is told with the other names
        return site
    subject = f"mix {plan.mix!r}"
    for machine in plan.machines:
        if machine.type not in supply.dropped:
            continue
        at_work = machine.new or machine.running or machine.flat_load or machine.cycled
        findings.holds(
            "mix_machines",
            f"machine {machine.name!r}",
            not (at_work or any(machine.following.values()) or any(machine.burst.values())),
            f"is new or at work, and {subject} does without it",
        )
    return replace(site, goals=supply.goals, limits=supply.limits)
