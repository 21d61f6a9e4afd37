"""Heat loss and end temperature of 10,000 combinations at once, and what heat adds to a plan.

First: (corridor, build, stream) combinations. Baseline: the same quantities one at a time with the
scalar functions of the libraries `ht` (cylinder resistance, radiation) and CoolProp (heat
capacity), by the same march. Answers agree.

Second: the main demo with limits of temperature, coolers and known layers for its hot gas, which
`HEAT_KEYS` adds: its program searched with the same number of nodes from three seeds, which counts
work and not the clock. Baseline: the demo without these keys in the same run. The audit finds
no fault in any plan (but windows longer than it can prove), and all limits of heat are kept.

    python benchmarks/heat.py [NODES]
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from pathlib import Path

import ht
import numpy as np
from CoolProp.CoolProp import PropsSI

from allocator import Plan, Settings, audit, read_site
from allocator.physics.arrays import Floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.insulation import Outside, lagging_of
from allocator.physics.runs import STEPS, along
from allocator.physics.substances import Substance, value
from allocator.planning.clock import Clock
from allocator.planning.cuts import promises_of, violated
from allocator.planning.goals import goals_of
from allocator.planning.plan_of_point import plan_at
from allocator.planning.program import Program
from allocator.planning.stating import state
from allocator.site.records import Site

COUNT, CHECKED = 10_000, 20
SEEDS = (0, 1, 2)
MOST_SECONDS = 2.0
AROUND, PRESSURE = 283.15, 1.2e5
STEEL = Conductivity("steel", (45.0,))
WOOL = Conductivity("wool", (0.033, 0.037, 0.064, 0.16), (283.15, 323.15, 473.15, 773.15))


def scalar(
    bore: float, wall: float, wool: float, inlet: float, length: float, rate: float
) -> tuple[float, float]:
    """End and first surface temperature, K, of one run; faces by halving."""

    def loss(kelvin: float) -> tuple[float, float]:
        inner, middle, outer = bore / 2, bore / 2 + wall, bore / 2 + wall + wool
        low, high = AROUND, kelvin
        while high - low > 1e-5:
            surface = (low + high) / 2
            conductivity = float(WOOL.mean(kelvin, surface))
            walls = ht.conduction.R_cylinder(Di=2 * inner, Do=2 * middle, k=45.0, L=1.0)
            walls += ht.conduction.R_cylinder(Di=2 * middle, Do=2 * outer, k=conductivity, L=1.0)
            size, apart = 2 * outer, max(surface - AROUND, 1e-3)
            laminar = size**3 * apart <= 10
            film = 1.25 * (apart / size) ** 0.25 if laminar else 1.21 * apart ** (1 / 3)
            away = (
                math.pi
                * size
                * (film * (surface - AROUND) + ht.radiation.q_rad(0.3, surface, AROUND))
            )
            if (kelvin - surface) / walls > away:
                low = surface
            else:
                high = surface
        return away, surface

    now = inlet
    surface = loss(inlet)[1]
    for _ in range(STEPS):
        middle_now = _step(now, loss(now)[0], length / STEPS / 2, rate)
        resistance = (middle_now - AROUND) / loss(middle_now)[0]
        heat = PropsSI("C", "T", middle_now, "P", PRESSURE, "Hydrogen")
        now = AROUND + (now - AROUND) * math.exp(-length / STEPS / (resistance * rate * heat))
    return now, surface


def _step(kelvin: float, loss: float, length: float, rate: float) -> float:
    heat = PropsSI("C", "T", kelvin, "P", PRESSURE, "Hydrogen")
    resistance = (kelvin - AROUND) / loss
    return AROUND + (kelvin - AROUND) * math.exp(-length / (resistance * rate * heat))


HEAT_KEYS = (
    (
        "constants: {density: 0.85 kg/m^3}",
        "constants: {density: 0.85 kg/m^3, specific_heat: 1300 J/(kg*K)}",
    ),
    ("pipe_steel: {stock: 40 t,", "pipe_steel: {stock: 40 t, conductivity: 45 W/(m*K),"),
    (
        "mineral_wool: {stock: 1.5 t,",
        "mineral_wool: {stock: 1.5 t, emissivity: 30 %, conductivity: [[10 degC, 0.033 W/(m*K)], "
        "[50 degC, 0.037 W/(m*K)], [200 degC, 0.064 W/(m*K)], [450 degC, 0.15 W/(m*K)]],",
    ),
    (
        "      - {material: pipe_steel, mass: 5.44 kg/m}\n",
        "      - {material: pipe_steel, mass: 5.44 kg/m, thickness: 3.91 mm}\n",
    ),
    (
        "      - {material: pipe_steel, mass: 11.29 kg/m}\n",
        "      - {material: pipe_steel, mass: 11.29 kg/m, thickness: 5.49 mm}\n",
    ),
    ("    holds: retort_gas\n", "    holds: retort_gas\n    hottest_inlet: 160 degC\n"),
    (
        "    takes: {retort_gas: 12.5 g/s}\n",
        "    takes: {retort_gas: 12.5 g/s}\n    hottest_inlet: 350 degC\n",
    ),
    (
        "winding: 1.05, builds: [dn50_lagged, dn80_lagged]}",
        "winding: 1.05, builds: [dn50_lagged, dn80_lagged], surface_limit: 60 degC}",
    ),
    (
        "demands:\n",
        "coolers:\n  gas_cooler: {fluid: retort_gas, set_point: 150 degC, duty: 12 kW, "
        "power_share: 2 %, places: [retort_row, retort_shed, lumber_wharf, kiln_gate], "
        "materials: {pipe_steel: 60 kg}, price: 3000}\n\ndemands:\n",
    ),
)
"""Changes of the demo that bring temperature in."""


def demo(folder: str, heat: bool) -> Path:
    """The main demo, with the keys of heat or without."""
    text = (Path(__file__).parents[1] / "networks" / "harbour.yaml").read_text(encoding="utf-8")
    for old, new in HEAT_KEYS if heat else ():
        assert old in text, old
        text = text.replace(old, new)
    path = Path(folder) / f"harbour_{heat}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def searched(site: Site, basis: str, nodes: int, seed: int) -> tuple[float, Plan]:
    """Processor seconds of the program's first goal with so many nodes, and what was found."""
    began = time.process_time()
    settings = Settings(basis=basis, node_limit=nodes, seed=seed, threads=1)
    statement, choices = state(site, basis)
    promises = promises_of(choices) if basis == "firm" else ()
    program = Program(
        statement,
        lambda values, tolerance: violated(statement, promises, values, tolerance),
        settings,
        Clock(None),
    )
    program.aim(goals_of(statement, choices)[0])
    program.relaxed()
    solved = program.run(time_limit=None, node_limit=nodes, gap=1e-3)
    assert solved.point is not None
    sound = program.repaired(solved.point)
    spent = time.process_time() - began
    assert sound.point is not None
    return spent, plan_at(site, settings, statement, choices, sound.point, [])


def in_a_plan(nodes: int) -> None:
    """What heat adds to the search of the main demo's program, on both bases."""
    sites = {}
    for heat in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            sites[heat] = read_site(demo(folder, heat=heat))
    for basis in ("firm", "mean"):
        spent = {}
        for heat, site in sites.items():
            runs = [searched(site, basis, nodes, seed) for seed in SEEDS]
            spent[heat] = sum(seconds for seconds, _ in runs)
            best = max(plan.power.firm_clean for _, plan in runs)
            for _, plan in runs:
                wrong = audit(site, plan).breaches
                assert not wrong, wrong
                if heat:
                    assert plan.heat is not None
                    assert all(limit.value <= limit.most for limit in plan.heat.limits)
            name = "with heat" if heat else "without heat"
            print(f"{basis}, {name}: {spent[heat]:.1f} s, best {best / 1e3:.1f} kW")
        more = spent[True] / spent[False] - 1
        print(f"{basis}: heat adds {more:.0%} to {len(SEEDS)} searches of {nodes} nodes")


def main() -> None:
    combinations()
    in_a_plan(int(sys.argv[1]) if len(sys.argv) > 1 else 30)


def combinations() -> None:
    """10,000 combinations at once, against one at a time."""
    draw = np.random.default_rng(1)
    bore, wall = draw.uniform(0.02, 0.2, COUNT), draw.uniform(0.002, 0.006, COUNT)
    wool, inlet = draw.uniform(0.01, 0.15, COUNT), draw.uniform(330, 720, COUNT)
    length, rate = draw.uniform(50, 3000, COUNT), draw.uniform(0.005, 0.2, COUNT)

    began = time.perf_counter()
    grid = np.linspace(AROUND, 723.15, 64)
    table = value(Substance("hydrogen", library="Hydrogen"), "specific_heat", grid, PRESSURE)

    def specific_heat(kelvin: Floats) -> Floats:
        return np.interp(kelvin, grid, table)

    lagging = lagging_of(
        [
            (float(b), [(STEEL, float(w)), (WOOL, float(t))], 0.3)
            for b, w, t in zip(bore, wall, wool, strict=True)
        ]
    )
    found = along(lagging, inlet, length, rate, specific_heat, Outside.of(COUNT, AROUND))
    ours = time.perf_counter() - began

    began = time.perf_counter()
    for i in range(CHECKED):
        end, surface = scalar(*(float(x[i]) for x in (bore, wall, wool, inlet, length, rate)))
        # the scalar road takes half steps of its own, and the wool from the fluid to its surface
        assert abs(found.end[i] - end) < 0.3, (i, found.end[i], end)
        assert abs(found.surface[i] - surface) < 0.05, (i, found.surface[i], surface)
    theirs = (time.perf_counter() - began) / CHECKED * COUNT
    assert ours < MOST_SECONDS, f"{ours:.2f} s for {COUNT} combinations"
    print(f"{COUNT} combinations in {ours:.2f} s")
    print(f"scalar library functions: {theirs:.0f} s (from {CHECKED}); {theirs / ours:.0f} times")


if __name__ == "__main__":
    main()
