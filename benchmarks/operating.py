"""A plan operated anew at each look, beside the plan's fixed levels (baseline), on the same draws.

Sites with one store, with several, and with batteries. In each draw of phases both run four days:
the controller looks every three hours and plans a day ahead. Asserted: it keeps the firm output in
every draw in which the fixed levels do, and serves no less on average. Then the processor time of
a week's run sheet of the demo, of a plan in a folder, asserted to be below 5 s (a warm cache).

    python benchmarks/operating.py [DRAWS [SITE ...]]
    python benchmarks/operating.py --run-sheet PLAN

DRAWS in all of each (1000). SITE: a network (first, island, ridge_battery), or ``stores`` or
``batteries``: ten small drawn sites that have several of them, DRAWS / 10 each; all by default.
PLAN: the folder of a plan of the demo.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import allocator as al
from allocator.simulation.accounts import draw_of
from allocator.simulation.operating import PresentState, controller_of
from allocator.simulation.running import run_circuit
from allocator.simulation.tracing import assemble
from allocator.simulation.work import with_reserves
from allocator.solver.linear import best_columns
from allocator.verify.tanks.phases import admitted_phases

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from operated_runs import operated_run  # noqa: E402
from tiny_sites import tiny_site  # noqa: E402

NETWORKS = ROOT / "networks"
SITES = ("first", "island", "ridge_battery", "stores", "batteries")
DRAWN = 10
HOUR, SPAN, DAYS, SEED = 3600.0, 3.0, 4.0, 7
WORSE = 1e-9


def compared(name: str, site: al.Site, plan: al.Plan, draws: int) -> tuple[float, float]:
    """One site: mean W served, operated and by fixed levels."""
    assert plan.set_points is not None
    assembly = assemble(site, plan)
    control = controller_of(assembly, best_columns)
    levels = {hold.store: hold.reserve for hold in plan.set_points.stores}
    circuit = with_reserves(assembly.circuit, levels)
    seconds = DAYS * 24 * HOUR
    served = []
    for number in range(draws):
        phases = admitted_phases(assembly.case, assembly.circuit, SEED, number)
        fixed = draw_of(assembly, run_circuit(circuit, phases, seconds), "fixed")
        run = operated_run(
            control,
            assembly.circuit,
            phases,
            seconds,
            span=SPAN * HOUR,
            ahead=24 * HOUR,
            looks=4,
        )
        mine = draw_of(assembly, run, "operated")
        assert mine.kept or not fixed.kept, f"{name}: draw {number} breaks the firm output"
        served.append((mine.mean_total_w, fixed.mean_total_w))
    mine_w, fixed_w = np.mean(served, axis=0)
    assert mine_w >= fixed_w * (1.0 - WORSE), f"{name}: {mine_w} W, {fixed_w} W by fixed levels"
    return float(mine_w), float(fixed_w)


def planned(name: str) -> Iterator[tuple[str, al.Site, al.Plan]]:
    """The sites that a name stands for, with their plans."""
    if name not in ("stores", "batteries"):
        site = al.read_site(str(NETWORKS / f"{name}.yaml"))
        yield name, site, al.plan(site, node_limit=200).plan
        return
    found = 0
    for seed in itertools.count(1):
        if found == DRAWN:
            return
        site = tiny_site(seed, battery=name == "batteries", stores=True)
        if name == "stores" and len(site.storage["holder"].places) < 2:
            continue
        plan = al.plan(site, node_limit=200).plan
        parts = plan.batteries if name == "batteries" else plan.stores
        if plan.set_points is not None and len(parts) > (name == "stores"):
            found += 1
            yield f"{name}, drawn site {seed}", site, plan


def tried(name: str, draws: int) -> None:
    """All sites of a name: none of its draws broken, and what both serve."""
    began, sites = time.process_time(), list(planned(name))
    spent = time.process_time() - began
    each = max(1, draws // len(sites))
    served = [compared(*one, each) for one in sites]
    mine, fixed = (sum(column) / len(sites) for column in zip(*served, strict=True))
    seconds = (time.process_time() - began - spent) / (each * len(sites))
    print(
        f"{name}: {len(sites)} sites, {each} draws each, none broken; {mine / 1e3:.4f} kW served, "
        f"{fixed / 1e3:.4f} kW by fixed levels ({mine / fixed:.4f}), {seconds:.2f} s a draw",
        flush=True,
    )


def run_sheet(folder: str) -> None:
    """A week of the demo, every store full and nothing seen of sources, and all seen as on."""
    site = al.read_site(str(NETWORKS / "harbour_capacities.yaml"))
    plan = al.read_plan(Path(folder) / "plan.json")
    on = {
        use.name: al.SourceState(on=True, since=60.0)
        for use in plan.sources
        if use.tapped and not site.sources[use.name].steady
    }
    for what, seen in (("no source seen", {}), ("all sources seen", on)):
        began = time.process_time()
        al.operate(site, plan, PresentState({}, seen, 20 * 24 * HOUR), days=7)
        spent = time.process_time() - began
        print(f"run sheet of the demo, {what}: {spent:.1f} s of processor time", flush=True)
        assert spent < 5.0


def main() -> None:
    """Compare, or time the run sheet."""
    if sys.argv[1:2] == ["--run-sheet"]:
        run_sheet(sys.argv[2])
        return
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for name in sys.argv[2:] or SITES:
        tried(name, draws)


if __name__ == "__main__":
    main()
