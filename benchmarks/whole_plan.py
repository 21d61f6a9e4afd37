"""How much of a plan's wall time is outside the solver, on the main demo and on a large site.

Counted outside: reading, stating, cuts, extraction, audit and writing. Baseline: the solver's
own time in the same run. The answer is asserted: the audit accepts both plans.

    python benchmarks/whole_plan.py [SECONDS]
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

from allocator import Settings, read_site
from allocator.engine import plan_site, write_plan_files

NETWORKS = Path(__file__).parents[1] / "networks"


def large_site(count: int, seed: int = 1) -> str:
    """A site file with many sources on one trunk, invented: a trunk with a branch a source."""
    chance = random.Random(seed)
    lines = [
        "format: allocator.site/1",
        "name: Long trunk",
        "fluids: {gas: {heating_value: 18 MJ/kg}, co2: {emission: biogenic}}",
        "materials: {steel: {stock: 90 t}}",
        "places:",
        "  works: {at: [0 m, 0 m]}",
    ]
    junctions = count // 6
    lines += [f"  trunk_{n}: {{at: [{200 * (n + 1)} m, 0 m]}}" for n in range(junctions)]
    lines += [
        f"  head_{n}: {{at: [{200 * (n % junctions + 1)} m, {60 + 40 * (n // junctions)} m]}}"
        for n in range(count)
    ]
    lines.append("sources:")
    for n in range(count):
        on, every = chance.randint(200, 400), chance.randint(500, 900)
        spell, period = chance.randint(20, 60), chance.randint(70, 110)
        lines.append(
            f"  well_{n}: {{place: head_{n}, fluid: gas, flow: {chance.uniform(2, 9):.2f} g/s, "
            f"cycle: [{{on: {on} s, every: {every} s}}, {{on: {spell} d, every: {period} d}}]}}"
        )
    lines += [
        "stores: {holder: {holds: gas, places: [works], size: {most: 900 t}}}",
        "builds:",
        "  dn50: {capacity: 60 g/s, layers: [{material: steel, mass: 5.44 kg/m}]}",
        "  dn150: {capacity: 900 g/s, layers: [{material: steel, mass: 28.26 kg/m}]}",
        "routes:",
        "  trunk_end: {between: [trunk_0, works]}",
    ]
    lines += [f"  along_{n}: {{between: [trunk_{n + 1}, trunk_{n}]}}" for n in range(junctions - 1)]
    lines += [f"  up_{n}: {{between: [head_{n}, trunk_{n % junctions}]}}" for n in range(count)]
    lines += [
        "machines:",
        "  engine: {takes: {gas: 12 g/s}, gives: {power: 70 kW, co2: 21 g/s}, places: [works]}",
        "demands: {town: {power: 9 MW}}",
    ]
    return "\n".join(lines) + "\n"


def measured(path: Path, seconds: float) -> tuple[float, float]:
    """(seconds outside the solver, seconds in all) for one plan, audited and written."""
    began = time.perf_counter()
    site = read_site(path)
    planned = plan_site(site, Settings(time_limit=seconds))
    with tempfile.TemporaryDirectory() as folder:
        write_plan_files(Path(folder) / "plan", site, planned.plan, planned.outcome)
    total = time.perf_counter() - began
    assert planned.audit.accepted, planned.audit.breaches
    return total - planned.outcome.seconds["solve"], total


def main() -> None:
    """Print the shares."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    outside, total = measured(NETWORKS / "harbour.yaml", seconds)
    print(f"harbour: {outside:.2f} s of {total:.2f} s outside the solver: {outside / total:.1%}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.yaml"
        path.write_text(large_site(300), encoding="utf-8")
        outside, total = measured(path, seconds)
    print(f"300 sources: {outside:.2f} s of {total:.2f} s outside the solver (aim: under 10 s)")


if __name__ == "__main__":
    main()
