"""What a frontier costs against one plan of the same site (the baseline).

Asserted: every point passes the audit, and where both are proven the upper end is the plan's.

    python benchmarks/frontier.py [POINTS] [SITE] [SECONDS]

POINTS of the frontier (8) of SITE (island.yaml); with SECONDS the time that one plan may take, and
the frontier may take four times that.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from allocator import Settings, audit, read_site
from allocator.engine import plan_site
from allocator.studies.trade_off import frontier_steps

NETWORKS = Path(__file__).parents[1] / "networks"


def frontier(points: int, name: str, seconds: float | None) -> None:
    """A frontier against one plan."""
    site = read_site(NETWORKS / name)
    give = next(iter(site.materials))
    limit = 600.0 if seconds is None else seconds
    began = time.perf_counter()
    plan = plan_site(site, Settings(time_limit=limit)).plan
    one = time.perf_counter() - began
    began = time.perf_counter()
    steps = frontier_steps(site, give, points, Settings(time_limit=4 * limit))
    many = time.perf_counter() - began
    assert all(audit(site, step.plan).accepted for step in steps)
    top = steps[-1].point
    if plan.goals[0].status == top.status == "optimal":
        assert abs(top.power - plan.power.firm_clean) <= 2e-4 * plan.power.firm_clean
    proven = sum(step.point.status in ("optimal", "within_gap") for step in steps)
    print(f"{site.name}: one plan {one:.1f} s; {points} points against {give} {many:.1f} s")
    print(f"  {many / one:.2f} times one plan; {len(steps)} points kept, {proven} proven")
    print(f"  upper end {top.power:.0f} W, the plan {plan.power.firm_clean:.0f} W")


if __name__ == "__main__":
    given = sys.argv[1:]
    frontier(
        int(given[0]) if given else 8,
        given[1] if len(given) > 1 else "island.yaml",
        float(given[2]) if len(given) > 2 else None,
    )
