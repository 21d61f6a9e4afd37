"""A plan operated anew at each look, beside the plan's fixed levels (baseline), on the same draws.

Sites with one store, with several, and with batteries. In each draw of phases both run four days:
the controller looks every three hours and plans a day ahead. Asserted: it keeps the firm output in
every draw in which the fixed levels do, and serves no less on average. Then the processor time of
a week's run sheet of the demo, of a plan in a folder, asserted to be below 5 s (a warm cache).

    python benchmarks/operating.py [DRAWS [PLAN]]

DRAWS of each site (1000). PLAN: the folder of a plan of the demo; without it there is no run sheet.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

import allocator as al
from allocator.simulation.accounts import draw_of
from allocator.simulation.operating import PresentState, controller_of, operated_run
from allocator.simulation.running import run_circuit
from allocator.simulation.tracing import assemble
from allocator.simulation.work import with_reserves
from allocator.solver.linear import best_columns
from allocator.verify.tanks.phases import admitted_phases

NETWORKS = Path(__file__).parents[1] / "networks"
SITES = ("first.yaml", "island.yaml", "ridge_battery.yaml")
HOUR, SPAN, DAYS, SEED = 3600.0, 3.0, 4.0, 7
WORSE = 1e-9


def compared(name: str, draws: int) -> None:
    """One site: draws kept and mean power of both."""
    file = str(NETWORKS / name)
    plan = al.plan(file, node_limit=200).plan
    assert plan.set_points is not None
    assembly = assemble(al.read_site(file), plan)
    control = controller_of(assembly, best_columns)
    levels = {hold.store: hold.reserve for hold in plan.set_points.stores}
    circuit = with_reserves(assembly.circuit, levels)
    seconds = DAYS * 24 * HOUR
    served, kept, began = [], 0, time.process_time()
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
        kept += mine.kept
        served.append((mine.mean_total_w, fixed.mean_total_w))
    mine_w, fixed_w = np.mean(served, axis=0)
    stores = sum(tank.kind != "chamber" for tank in assembly.circuit.tanks)
    print(
        f"{name}: {stores} stores, kept in {kept} of {draws} draws; {mine_w / 1e3:.3f} kW served, "
        f"{fixed_w / 1e3:.3f} kW by fixed levels ({mine_w / fixed_w:.4f}), "
        f"{(time.process_time() - began) / draws:.2f} s a draw",
        flush=True,
    )
    assert mine_w >= fixed_w * (1.0 - WORSE)


def run_sheet(folder: str) -> None:
    """A week of the demo, every store full and nothing seen of sources, and all seen as on."""
    site = al.read_site(str(NETWORKS / "harbour.yaml"))
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
    """Compare, then time."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    if len(sys.argv) > 2:
        run_sheet(sys.argv[2])
    for name in SITES:
        compared(name, draws)


if __name__ == "__main__":
    main()
