"""Small sites that plain HiGHS proves within a minute: the engine's time beside its time.

Baseline, in the same run with two threads: a network (trees, fixed charges, locations) as the plain
program of its arcs, with an open or shut variable for each direction; other sites as the plain
statement, again while its points break store cuts, for the first goal alone. Asserted: the engine
proves the same value, its plan passes the audit, and a published optimum is met.
*Allowed* is the baseline's time with the larger of 1 s and 10 % added.

    python benchmarks/small.py [NAME ...] [--practice FOLDER] [--seeds N] [--seconds S]
        [--basis firm|mean]
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import highspy
import numpy as np
from sizes import plain_highs
from small_sites import Flows, SmallSite, small_sites

from allocator import Settings, audit
from allocator.search import make_plan
from allocator.site.records import Site

GAP = 1e-4
SAME = 2e-4
"""Share by which two proven values may differ: each is within ``GAP`` of the best."""


def plain_network(flows: Flows, seconds: float) -> tuple[float, float]:
    """Least cost and seconds of HiGHS: ``f_a <= capacity_a y_a``, for both directions."""
    began = time.perf_counter()
    nodes = {
        n: i
        for i, n in enumerate(
            sorted({*flows.needs, *(e for a in flows.arcs for e in (a.start, a.end))})
        )
    }
    plenty = -sum(min(need, 0.0) for need in flows.needs.values())
    listed = [(a, a.start, a.end) for a in flows.arcs]
    if flows.both_ways:
        listed += [(a, a.end, a.start) for a in flows.arcs]
    model = highspy.Highs()
    model.setOptionValue("output_flag", False)
    model.setOptionValue("threads", 2)
    model.setOptionValue("time_limit", seconds)
    model.setOptionValue("mip_rel_gap", GAP)
    into: dict[int, list[tuple[int, float]]] = {i: [] for i in nodes.values()}
    for number, (arc, start, end) in enumerate(listed):
        room = min(plenty, np.inf if arc.capacity is None else arc.capacity)
        model.addCol(arc.cost, 0.0, room, 0, np.array([], dtype=np.int32), np.array([]))
        model.addCol(arc.fixed, 0.0, 1.0, 0, np.array([], dtype=np.int32), np.array([]))
        model.changeColIntegrality(2 * number + 1, highspy.HighsVarType.kInteger)
        model.addRow(
            -np.inf,
            0.0,
            2,
            np.array([2 * number, 2 * number + 1], dtype=np.int32),
            np.array([1.0, -room]),
        )
        into[nodes[start]].append((2 * number, -1.0))
        into[nodes[end]].append((2 * number, 1.0))
    for node, terms in into.items():
        need = flows.needs.get(sorted(nodes)[node], 0.0)
        low, high = (need, 0.0) if need < 0 else (need, need)
        columns = np.array([c for c, _ in terms], dtype=np.int32)
        model.addRow(low, high, len(terms), columns, np.array([v for _, v in terms]))
    model.resetThreadScheduler(True)  # another number of threads than before would fail
    model.run()
    assert model.getModelStatus() == highspy.HighsModelStatus.kOptimal, model.getModelStatus()
    return float(model.getInfo().objective_function_value), time.perf_counter() - began


def plain(small: SmallSite, basis: str, seconds: float) -> tuple[float, float]:
    """Value and seconds of plain HiGHS."""
    if small.flows is not None:
        return plain_network(small.flows, seconds)
    row = plain_highs(small.site, basis, seconds)
    assert row.bound is not None
    assert row.plan >= row.bound * (1 - 2 * GAP), row
    return row.plan, row.seconds


def engine(site: Site, basis: str, seed: int, seconds: float) -> tuple[float, bool, float]:
    """Value of the first goal, whether it is proven, and seconds; the plan is audited."""
    began = time.perf_counter()
    outcome = make_plan(site, Settings(basis=basis, seed=seed, time_limit=seconds, gap=GAP))
    spent = time.perf_counter() - began
    assert outcome.plan is not None, outcome.reason
    found = audit(site, outcome.plan)
    assert found.accepted, found.breaches
    goal = outcome.plan.goals[0]
    return goal.value, goal.status in ("optimal", "within_gap"), spent


def main() -> None:
    """Print a line a site."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", help="first words of names")
    parser.add_argument("--practice", type=Path)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--basis", choices=("firm", "mean"), default="firm")
    given = parser.parse_args()
    heads = f"{'value':>12} {'plain s':>8} {'engine s':>9} {'ratio':>6}  within the allowed time"
    print(f"{'site':22} {heads}")
    with tempfile.TemporaryDirectory() as folder:
        within = total = 0
        for small in small_sites(Path(folder), given.practice):
            if given.names and not any(small.name.startswith(name) for name in given.names):
                continue
            value, baseline = plain(small, given.basis, given.seconds)
            runs = [engine(small.site, given.basis, s, given.seconds) for s in range(given.seeds)]
            spent = statistics.median(run[2] for run in runs)
            proven = all(run[1] for run in runs)
            for found, sure, _ in runs:
                assert not sure or abs(found - value) <= SAME * abs(value), (
                    small.name,
                    found,
                    value,
                )
                assert (
                    small.optimum is None
                    or not sure
                    or abs(found - small.optimum) <= SAME * small.optimum
                )
            good = proven and spent <= baseline + max(1.0, 0.1 * baseline)
            within, total = within + good, total + 1
            figures = f"{value:12.6g} {baseline:8.2f} {spent:9.2f} {spent / baseline:6.1f}"
            word = ("yes" if good else "no") + ("" if proven else " (not proven)")
            print(f"{small.name:22} {figures}  {word}", flush=True)
    print(f"{within} of {total} within the allowed time")


if __name__ == "__main__":
    main()
