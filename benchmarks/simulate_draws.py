"""Benchmark: a thousand draws of phases of one plan, by an executor and by this process.

    python benchmarks/simulate_draws.py [WORKERS]

Whoever does the work, the draws must be the same to the last bit, or nothing is told.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.simulation.files import simulation_json

NETWORK = Path(__file__).parents[1] / "networks" / "two_bays.yaml"
ASKED = SimulationSettings(days=20.0, phases=1000, adversarial=False, samples=1, events=0)


def main() -> int:
    workers = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    site = read_site(NETWORK)
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    simulate(site, plan, replace(ASKED, phases=1))  # compiled, or fetched

    begin = time.perf_counter()
    alone = simulate(site, plan, ASKED)
    ours = time.perf_counter() - begin
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn) as pool:
        simulate(site, plan, replace(ASKED, phases=1 + 64 * workers, days=1.0), executor=pool)
        begin = time.perf_counter()
        shared = simulate(site, plan, ASKED, executor=pool)
        theirs = time.perf_counter() - begin
    assert alone.kept
    assert len(alone.draws) == ASKED.phases
    assert simulation_json(alone) == simulation_json(shared), "the draws differ"
    print(
        f"{ASKED.phases} draws of {ASKED.days:.0f} d, {sum(d.events for d in alone.draws)} events"
    )
    print(f"this process       {ours:8.2f} s")
    print(f"{workers} processes        {theirs:8.2f} s, {ours / theirs:.2f} times as quick")
    return 0


if __name__ == "__main__":
    sys.exit(main())
