"""What a plan that holds with units out of order takes, against one without (the baseline).

Both search until the first goal's gap is GAP or less; counted is processor time, of child processes
too, so that a busy machine changes little. Asserted: both pass the audit, and the plan with units
out has no more than the bound of the one without. Then the adequacy of both, with and without what
is known exactly of how long units are out.

    python benchmarks/machines_out.py [SITE] [UNITS] [GAP] [SECONDS]

SITE (harbour_capacities.yaml), UNITS (1), GAP (0.5), SECONDS that each plan may take at most (300).
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

from allocator import Settings, audit, read_site
from allocator.engine import plan_site
from allocator.network.deriving import network_of
from allocator.plans.records import Plan, Robustness
from allocator.simulation import Outages
from allocator.simulation.adequacy import AdequacyWork, adequacy_of, estimated
from allocator.simulation.regimes import Regimes
from allocator.simulation.steady_states import steady_states
from allocator.simulation.tracing import assemble
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[1] / "networks"
HOUR = 3600.0
FAILING = Outages(2000 * HOUR, 24 * HOUR)


def processor_seconds() -> float:
    """Of this process and of those that it has ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def planned(site: Site, units: int, gap: float, seconds: float) -> tuple[Plan, float]:
    """A plan, and the processor time that it took."""
    began = processor_seconds()
    settings = Settings(gap=gap, time_limit=seconds, robustness=Robustness(machines=units))
    plan = plan_site(site, settings).plan
    spent = processor_seconds() - began
    assert audit(site, plan).accepted
    goal = plan.goals[0]
    print(
        f"{units} units out: {goal.value:.0f} of at most {goal.bound or 0:.0f} W, {spent:.1f} s",
        flush=True,
    )
    return plan, spent


def adequacy(site: Site, plan: Plan) -> None:
    """Hours short of the promise, the interval, and the time that it took."""
    assembly = assemble(network_of(site), plan)
    work = AdequacyWork(Regimes(assembly, assembly.circuit), FAILING, 0)
    work.year(0)  # compiled
    began = processor_seconds()
    found = adequacy_of(work, 64)
    spent = processor_seconds() - began
    assert found is not None
    known = steady_states(work.regimes, FAILING, 0)
    plain = estimated(replace(work, steady=known).years(range(found.years)))
    for words, estimate in (("known", found.promise_short_s), ("plain", plain.promise_short_s)):
        hours, half = estimate.mean / HOUR, estimate.half_width / HOUR
        print(f"  {words}: short {hours:.2f} h a year (+-{half:.2f} h), {found.years} years")
    print(f"  {spent:.1f} s")


def main(name: str, units: int, gap: float, seconds: float) -> None:
    """Both plans, their ratio, and their adequacy."""
    site = read_site(NETWORKS / name)
    planned(site, 0, gap, 20.0)  # compiles what is compiled once
    one, baseline = planned(site, 0, gap, seconds)
    other, spent = planned(site, units, gap, seconds)
    assert one.goals[0].bound is None or other.goals[0].value <= one.goals[0].bound * (1 + 1e-6)
    print(f"{spent / baseline:.2f} times the plan without")
    for plan in (one, other):
        adequacy(site, plan)


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        given[0] if given else "harbour_capacities.yaml",
        int(given[1]) if len(given) > 1 else 1,
        float(given[2]) if len(given) > 2 else 0.5,
        float(given[3]) if len(given) > 3 else 300.0,
    )
