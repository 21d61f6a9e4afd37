"""Sites of the family with and without the rows of pressure along lines, in the same run.

Pipes of the family get bores, sources and machines pressures; without the rows the capacities are
the same, those at the widest difference of pressures. Printed are plan and gap of both, and what
HiGHS alone finds on the rows with pressures in the same time, with the ratios of plan and bound to
it. The plan must be at least as good.

    python benchmarks/pressure.py [SECONDS [SOURCES]]   (SOURCES: 20, 40, or 31 for the harbour)
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import family

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.search import Settings, make_plan
from allocator.solver.solver_model import SolverModel
from allocator.verify import audit

SIZES = (family.Size(20, 30, 4), family.Size(40, 80, 6))
HARBOUR = Path(__file__).parents[1] / "networks" / "harbour.yaml"
BORES = {"narrow": 40, "middle": 70, "wide": 110, "trunk": 160}
"""mm."""
GAS = (
    "gas: {phase: gas, heating_value: 17 MJ/kg, constants: {density: 1.15 kg/m^3, "
    "viscosity: 1.2e-5 Pa*s, molar_mass: 27 g/mol, specific_heat: 1500 J/(kg*K), "
    "conductivity: 0.03 W/(m*K)}}"
)


def pressed(size: family.Size) -> str:
    """The site file with bores and pressures."""
    text = family.site_text(size).replace("gas: {heating_value: 17 MJ/kg}", GAS)
    for name, capacity, _ in family.BUILDS:
        text = text.replace(
            f"{name}: {{capacity: {capacity} kg/s,", f"{name}: {{bore: {BORES[name]} mm,"
        )
    text = text.replace("fluid: gas, flow:", "fluid: gas, pressure: 300 kPa, flow:")
    text = text.replace("engine: {inputs:", "engine: {min_inlet_pressure: 105 kPa, inputs:")
    return text.replace("holder: {holds: gas,", "holder: {holds: gas, pressure: 150 kPa,")


def alone(site: Network, seconds: float) -> tuple[float, float | None]:
    """The best plan and the bound that HiGHS finds by itself, W."""
    model, sets = state(site, "firm")
    solver_model = SolverModel(model, lazy_cuts(model, sets), Settings(), Clock(None))
    solver_model.aim(goals_of(model, sets)[0])
    best, bound, ends = 0.0, None, time.perf_counter() + seconds
    while (left := ends - time.perf_counter()) > 0.0:
        solved = solver_model.run(time_limit=left, gap=1e-4)
        reached = solver_model.unscaled(solved.bound)
        bound = bound if reached is None else -reached
        if solved.point is None:
            break
        rows = solver_model.broken(solved.point)
        solver_model.add(rows)
        value = solver_model.unscaled(solver_model.repaired(solved.point).value)
        best = max(best, 0.0 if value is None else -value)
        if not rows:
            break
    return best, bound


def compared(name: str, site: Network, seconds: float) -> None:
    """Print plan, gap and bound with and without rows of pressure, and those of HiGHS alone."""
    assert site.pressures
    found = {}
    for word, one in (("with", site), ("without", replace(site, pressures={}))):
        plan = make_plan(one, Settings(time_limit=seconds)).plan
        assert plan is not None
        if word == "with":
            assert audit(site, plan).accepted
        goal = found[word] = plan.goals[0]
        gap = "-" if goal.gap is None else f"{100 * goal.gap:.2f} %"
        print(f"{name:18} {word:8} {goal.value / 1e6:.3f} MW, gap {gap}", flush=True)
    best, bound = alone(site, seconds)
    told = "-" if bound is None else f"{100 * (1 - best / bound):.2f} %"
    print(f"{name:18} HiGHS    {best / 1e6:.3f} MW, gap {told}", flush=True)
    mine = found["with"]
    if best > 0.0:
        print(f"{name:18} plan: {mine.value / best:.3f} of that of HiGHS alone")
    if bound is not None and mine.bound is not None:
        print(f"{name:18} bound: {mine.bound / bound:.3f} of that of HiGHS alone")
    assert mine.value >= best * (1.0 - 1e-6)


def main() -> None:
    """Compare each site, or the one with so many sources."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    sources = int(sys.argv[2]) if len(sys.argv) > 2 else None
    with tempfile.TemporaryDirectory() as folder:
        for size in SIZES:
            if sources in (None, size.sources):
                path = Path(folder) / "site.yaml"
                path.write_text(pressed(size), encoding="utf-8")
                compared(size.name, network_of(read_site(path)), seconds)
    if sources in (None, 31):
        compared("harbour", network_of(read_site(HARBOUR)), seconds)


if __name__ == "__main__":
    main()
