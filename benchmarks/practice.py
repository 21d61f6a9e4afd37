"""Fixed-charge networks for practice: published optima proven, beside HiGHS on the plain statement.

The networks (Ortega & Wolsey, Networks 41 (2003) 143-158) are not part of the repository: FOLDER
holds a file for each, with its optimum in the first line. Baseline: the plain statement of the same
site, solved by HiGHS from nothing, with the same seconds, gap and thread in the same run.
Asserted: what is proven is the published optimum, and what is not does not contradict it.

    python benchmarks/practice.py FOLDER [--seconds S] [--basis mean|firm] [NAME ...]
"""

from __future__ import annotations

import argparse
import re
import sys
import time
from pathlib import Path

from allocator.network.deriving import network_of

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from transport_sites import fixed_charge_site  # noqa: E402

from allocator import Settings  # noqa: E402
from allocator.model.goals import goals_of  # noqa: E402
from allocator.model.stating import state  # noqa: E402
from allocator.search import make_plan  # noqa: E402
from allocator.site.records import Site  # noqa: E402
from allocator.solver.interface import Highs  # noqa: E402

GAP = 1e-6
TOLERANCE = 1e-5
"""Relative; the program keeps 1e-7 of each capacity, which ``fixed_charge_site`` makes room for."""
Result = tuple[float, float, bool, float]
"""Plan, bound, whether they met, processor seconds."""


def plain(site: Site, basis: str, seconds: float) -> Result:
    """HiGHS on the plain statement."""
    began = time.process_time()
    model, sets = state(network_of(site), basis)
    solver = Highs(model, 1, 0)
    solver.set_objective(dict(model.summed(goals_of(model, sets)[0].terms)))
    solved = solver.solve(time_limit=seconds, gap=GAP)
    plan = float("inf") if solved.value is None else solved.value
    bound = float("-inf") if solved.bound is None else solved.bound
    return plan, bound, solved.status == "optimal", time.process_time() - began


def engine(site: Site, basis: str, seconds: float) -> Result:
    """The engine."""
    began = time.process_time()
    outcome = make_plan(site, Settings(basis=basis, gap=GAP, time_limit=seconds))
    spent = time.process_time() - began
    assert outcome.plan is not None, outcome.reason
    goal = outcome.plan.goals[0]
    bound = float("-inf") if goal.bound is None else goal.bound
    return goal.value, bound, goal.status in ("optimal", "within_gap"), spent


def held(found: Result, optimum: float) -> None:
    """Fails where a result contradicts the published optimum."""
    plan, bound, proven, _ = found
    assert plan >= optimum * (1 - TOLERANCE), (plan, optimum)
    assert bound <= optimum * (1 + TOLERANCE), (bound, optimum)
    assert not proven or plan <= optimum * (1 + TOLERANCE), (plan, optimum)


def main() -> None:
    """Print a line a network."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--basis", choices=("mean", "firm"), default="mean")
    parser.add_argument("--seconds", type=float, default=600.0)
    given = parser.parse_args()
    print(f"{'network':12} {'optimum':>9} {'plain s':>8} {'engine s':>9}  plan and bound of each")
    for path in sorted(given.folder.glob("fixed_charge_*.csv"), key=lambda p: p.stat().st_size):
        name = path.stem.removeprefix("fixed_charge_")
        if given.names and name not in given.names:
            continue
        (optimum,) = map(float, re.findall(r"published optimum (\S+)", path.read_text()))
        site = fixed_charge_site(path)
        found = [solve(site, given.basis, given.seconds) for solve in (plain, engine)]
        for result in found:
            held(result, optimum)
        shown = ", ".join("proven" if r[2] else f"{r[0]:.0f} / {r[1]:.0f}" for r in found)
        print(
            f"{name:12} {optimum:9.0f} {found[0][3]:8.1f} {found[1][3]:9.1f}  {shown}", flush=True
        )


if __name__ == "__main__":
    main()
