"""Heat loss and end temperature of 10,000 combinations at once, and what heat adds to a plan.

First: (corridor, build, stream) combinations. Baseline: the same quantities one at a time with the
scalar functions of the libraries `ht` (cylinder resistance, radiation) and CoolProp (heat
capacity), by the same march. Answers agree.

Second: the main demo with limits of temperature, coolers and known layers for its hot gas, which
`HEAT_KEYS` adds, on its whole way from the file to the files, on both bases: read, statement, bound
by origin, search with so many nodes, temperatures, audit, proof, writing. A plan takes the time
that it is given, so what is compared is processor seconds of the same work, from three seeds.
Baseline: the demo without these keys in the same run. The audit finds no fault in any plan, all
limits of heat are kept, no plan passes its bound.

Third, with SECONDS: each planned for so long, and the processor seconds until most of what it
found in the end was there.

    python benchmarks/heat.py [NODES [SECONDS]]
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import NamedTuple

import ht
import numpy as np
from CoolProp.CoolProp import PropsSI

from allocator import Plan, Settings, audit, read_site
from allocator.base.clock import Clock
from allocator.engine import plan_files, plan_site, prove_plan
from allocator.model.cuts import Promise, promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.model import Key, Model, Row
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.physics.arrays import Floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.insulation import Outside, insulation_of
from allocator.physics.runs import STEPS, along
from allocator.physics.substances import Substance, value
from allocator.search.bounds.proving import prover_of
from allocator.search.outcome import Progress
from allocator.search.plan_of_point import plan_at
from allocator.search.strategy.budgets import BOUND
from allocator.site.records import Site
from allocator.solver.solver_model import SolverModel

COUNT, CHECKED = 10_000, 20
SEEDS = (0, 1, 2)
SHARES = (0.5, 0.9, 0.95)
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
    ("    holds: retort_gas\n", "    holds: retort_gas\n    max_inlet_temperature: 160 degC\n"),
    (
        "    inputs: {retort_gas: 12.5 g/s}\n",
        "    inputs: {retort_gas: 12.5 g/s}\n    max_inlet_temperature: 350 degC\n",
    ),
    (
        "detour_factor: 1.05, pipes: [dn50_lagged, dn80_lagged]}",
        "detour_factor: 1.05, pipes: [dn50_lagged, dn80_lagged], max_surface_temperature: 60 degC}",
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
    text = (Path(__file__).parents[1] / "networks" / "harbour_capacities.yaml").read_text(
        encoding="utf-8"
    )
    for old, new in HEAT_KEYS if heat else ():
        assert old in text, old
        text = text.replace(old, new)
    path = Path(folder) / f"harbour_{heat}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


class Way(NamedTuple):
    """Processor seconds of each stage of a plan's whole way, and W that its searches found."""

    seconds: Mapping[str, float]
    found: Mapping[str, float]


def whole_way(path: Path, nodes: int, seed: int) -> Way:
    """All that makes a plan, with so many nodes for each program; the audit and heat must agree."""
    seconds: dict[str, float] = {}
    found: dict[str, float] = {}
    began = time.process_time()

    def spent(stage: str) -> None:
        nonlocal began
        now = time.process_time()
        seconds[stage] = seconds.get(stage, 0.0) + now - began
        began = now

    site = network_of(read_site(path))
    spent("read")
    for basis in ("mean", "firm"):
        settings = Settings(basis=basis, node_limit=nodes, seed=seed, threads=1)
        model, sets = state(site, basis)
        promises = promises_of(sets) if basis == "firm" else ()
        cuts = partial(_cut, promises)
        goal = goals_of(model, sets)[0]
        spent("state")
        prover = prover_of(model, sets, cuts, settings, Clock(None))
        assert prover is not None
        prover.aim(goal)
        bound = prover.relaxed(None, None, BOUND.patient_rounds)
        spent("bound by origin")
        solver_model = SolverModel(model, partial(cuts, model), settings, Clock(None))
        solver_model.aim(goal)
        solver_model.relaxed()
        point, allowed = None, nodes
        while point is None:  # what so few nodes find may be beyond repair: then more of them
            solved = solver_model.run(time_limit=None, node_limit=allowed, gap=1e-3)
            point = None if solved.point is None else solver_model.repaired(solved.point).point
            allowed *= 2
        spent(f"search, {basis}")
        plan = plan_at(site, settings, model, sets, point, [])
        spent("temperatures")
        _sound(site, plan)
        spent("audit")
        found[basis] = plan.power.firm_clean
        assert bound is not None
        assert -bound >= found[basis] * (1 - 1e-6), (bound, found)
    plan, proof = prove_plan(site, replace(plan, verified=True))
    spent("proof")
    assert proof.kept
    plan_files(site, plan, None, proof)
    spent("files")
    return Way(seconds, found)


def _cut(
    promises: tuple[Promise, ...], model: Model, values: dict[Key, float], tolerance: float
) -> list[Row]:
    return violated(model, promises, values, tolerance)


def _sound(site: Site, plan: Plan) -> None:
    """No fault, and every limit of heat kept."""
    wrong = audit(site, plan).breaches
    assert not wrong, wrong
    for limit in () if plan.heat is None else plan.heat.limits:
        assert limit.value <= limit.most, limit


def in_a_plan(nodes: int, limit: float) -> None:
    """What heat adds to the main demo: the same work on its whole way, then the same time."""
    with tempfile.TemporaryDirectory() as folder:
        paths = {heat: demo(folder, heat=heat) for heat in (False, True)}
        for path in paths.values():
            whole_way(path, 5, 0)  # what is compiled or loaded once is none of heat's
        ways = {heat: [] for heat in paths}
        for seed in SEEDS:
            for heat, path in paths.items():  # in turn, so that a busy machine meets both
                ways[heat].append(whole_way(path, nodes, seed))
        print(f"processor seconds of {len(SEEDS)} seeds, {nodes} nodes: without heat, with heat")
        sums = {heat: _sums(mine) for heat, mine in ways.items()}
        for stage, seconds in sums[False].items():
            print(f"  {stage:16} {seconds:7.2f} {sums[True][stage]:7.2f}")
        whole = {heat: sum(mine.values()) for heat, mine in sums.items()}
        print(f"  {'whole way':16} {whole[False]:7.2f} {whole[True]:7.2f}")
        print(f"heat adds {whole[True] / whole[False] - 1:.0%} to the whole way")
        for basis in ("mean", "firm"):
            best = {h: max(way.found[basis] for way in mine) / 1e3 for h, mine in ways.items()}
            print(f"{basis}: best {best[False]:.1f} kW without, {best[True]:.1f} kW with heat")
        if limit > 0:
            for heat, path in paths.items():
                _until(path, limit, "with heat" if heat else "without heat")


def _sums(ways: Sequence[Way]) -> dict[str, float]:
    return {stage: sum(way.seconds[stage] for way in ways) for stage in ways[0].seconds}


def _until(path: Path, limit: float, name: str) -> None:
    """Processor seconds until a plan has most of what it has in the end."""
    began, trail = time.process_time(), []

    def told(line: Progress) -> None:
        if line.goal == "clean_power" and line.value is not None:
            trail.append((time.process_time() - began, line.value))

    site = network_of(read_site(path))
    planned = plan_site(site, Settings(time_limit=limit, threads=1), told)
    _sound(site, planned.plan)
    last = planned.plan.power.firm_clean
    marks = [
        f"{share:.0%} after {min(spent for spent, value in trail if value >= share * last):.1f} s"
        for share in SHARES
        if any(value >= share * last for _, value in trail)
    ]
    print(f"{name}, {limit:.0f} s by the clock: {last / 1e3:.1f} kW; {', '.join(marks)}")


def main() -> None:
    combinations()
    nodes = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    in_a_plan(nodes, float(sys.argv[2]) if len(sys.argv) > 2 else 0.0)


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

    insulation = insulation_of(
        [
            (float(b), [(STEEL, float(w)), (WOOL, float(t))], 0.3)
            for b, w, t in zip(bore, wall, wool, strict=True)
        ]
    )
    found = along(insulation, inlet, length, rate, specific_heat, Outside.of(COUNT, AROUND))
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
