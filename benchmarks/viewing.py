"""A change on the page of the demo: seconds to the first new plan, and how good the last one is.

Baseline: a fresh plan of the same changed site in as much time, after it. Asserted: the
first new plan comes within 3 s, or within that times the load a core of the machine; the last one
serves no less than 99 % of the fresh one.

    python benchmarks/viewing.py PLAN [ADDRESS VALUE [SECONDS]]

PLAN: the folder of a plan of the demo. ADDRESS, VALUE: the change (stock.pipe_steel, 34 t, which
the plan does not fit into). SECONDS of both time limits (60).
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from view_server import Served, end, serving  # noqa: E402

import allocator as al  # noqa: E402
from allocator.network.facts import changed, facts_of  # noqa: E402

SITE = ROOT / "networks" / "harbour_capacities.yaml"
FIRST, WORSE, YEAR = 3.0, 0.01, 20.0


def viewed(served: Served, address: str, value: str) -> tuple[float, float]:
    """Seconds to the first new plan, and W of firm clean power of the last one."""
    began = time.perf_counter()
    served.json("plan", {"values": {address: value}})
    first, seen = 0.0, -1
    while True:
        state = served.json(f"state?seen={seen}")
        seen, run = state["version"], state["run"]
        if run["made"] and not first:
            first = time.perf_counter() - began
            load = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
            print(f"first new plan after {first:.1f} s, load {load:.1f} a core", flush=True)
            assert first <= FIRST * load
        assert run["state"] != "failed", run["faults"]
        if run["last"]:
            break
    print(f"last plan after {time.perf_counter() - began:.1f} s", flush=True)
    served.json("accept", {})
    return first, al.read_plan(served.folder / "accepted-1" / "plan.json").power.firm_clean


def planned(address: str, value: str, seconds: float) -> float:
    """W of firm clean power of a fresh plan of the changed site."""
    site = al.read_site(SITE)
    site = changed(site, {address: facts_of(site)[address].read(value)})
    return al.plan(site, time_limit=seconds).plan.power.firm_clean


def main() -> None:
    """Serve, change, wait, compare."""
    source, address, value, seconds = (sys.argv[1:] + [""] * 3)[:4]
    address, value = address or "stock.pipe_steel", value or "34 t"
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "plan"
        shutil.copytree(source, folder)
        served = serving(folder, "--site", str(SITE), "--time-limit", seconds or "60")
        try:
            time.sleep(YEAR)  # the year of the present plan is played first
            _, mine = viewed(served, address, value)
        finally:
            end(served)
    fresh = planned(address, value, float(seconds or 60))
    print(f"firm clean power {mine / 1e3:.1f} kW; planned afresh {fresh / 1e3:.1f} kW")
    assert mine >= fresh * (1.0 - WORSE)


if __name__ == "__main__":
    main()
