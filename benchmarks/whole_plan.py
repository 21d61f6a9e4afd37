"""How much of a plan's wall time is outside the solver, on the main demo and on a large site.

Counted outside: reading, stating, cuts, extraction, audit, writing, and whatever else is neither
the solver nor compiled search: by paths for plans, and of charges for bounds, which do a solver's
work and are told beside it. Baseline: the solver's own time in the same run. The answer is
asserted: the audit accepts both plans. One process: what another does beside is not counted.

    python benchmarks/whole_plan.py [SECONDS]
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from allocator import Settings, audit, cautions_for, read_site
from allocator.engine import write_plan_files
from allocator.search import make_plan

SEARCH = ("paths", "multipliers")
NETWORKS = Path(__file__).parents[1] / "networks"


def large_site(count: int, seed: int = 1) -> str:
    """A site file with many sources on one trunk, invented: a trunk with a branch a source."""
    chance = random.Random(seed)
    lines = [
        "format: allocator.site/2",
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
        "storage: {holder: {holds: gas, places: [works], size: {max: 900 t}}}",
        "pipes:",
        "  dn50: {capacity: 60 g/s, layers: [{material: steel, mass: 5.44 kg/m}]}",
        "  dn150: {capacity: 900 g/s, layers: [{material: steel, mass: 28.26 kg/m}]}",
        "routes:",
        "  trunk_end: {between: [trunk_0, works]}",
    ]
    lines += [f"  along_{n}: {{between: [trunk_{n + 1}, trunk_{n}]}}" for n in range(junctions - 1)]
    lines += [f"  up_{n}: {{between: [head_{n}, trunk_{n % junctions}]}}" for n in range(count)]
    lines += [
        "machines:",
        "  engine: {inputs: {gas: 12 g/s}, outputs: {power: 70 kW, co2: 21 g/s}, places: [works]}",
        "demands: {town: {power: 9 MW}}",
    ]
    return "\n".join(lines) + "\n"


def measured(path: Path, seconds: float) -> dict[str, float]:
    """Seconds by part of one plan, read, planned, audited and written; ``total`` is wall time."""
    marks = [time.perf_counter()]
    site = read_site(path)
    marks.append(time.perf_counter())
    outcome = make_plan(site, Settings(time_limit=seconds, threads=1))
    marks.append(time.perf_counter())
    assert outcome.plan is not None, outcome.reason
    plan = replace(outcome.plan, cautions=cautions_for(site))
    found = audit(site, plan)
    marks.append(time.perf_counter())
    with tempfile.TemporaryDirectory() as folder:
        write_plan_files(Path(folder) / "plan", site, plan, outcome)
    marks.append(time.perf_counter())
    assert found.accepted, found.breaches
    read, planned, audited, written = (b - a for a, b in pairwise(marks))
    inside = {part: outcome.seconds.get(part, 0.0) for part in ("build", "cuts", "extract")}
    solver = outcome.seconds["solve"]
    search = {part: outcome.seconds.get(part, 0.0) for part in SEARCH}
    rest = planned - solver - sum(search.values()) - sum(inside.values())
    parts = {"read": read, **inside, "rest of planning": rest, "audit": audited, "write": written}
    return {**parts, **search, "solver": solver, "total": marks[-1] - marks[0]}


def tell(name: str, parts: dict[str, float], aim: str, met: bool) -> None:
    """What is outside the solver against the solver, a line of parts, and the aim."""
    outside = outside_of(parts)
    print(f"{name}: {outside:.2f} s of {parts['total']:.2f} s outside solver and search ", end="")
    print(f"({outside / parts['total']:.1%}, {outside / parts['solver']:.2f} of the solver's time)")
    print("  " + ", ".join(f"{part} {seconds:.2f}" for part, seconds in parts.items()))
    print(f"  aim: {aim}: {'met' if met else 'MISSED'}")


def outside_of(parts: dict[str, float]) -> float:
    """Seconds outside the solver and compiled search."""
    return parts["total"] - parts["solver"] - sum(parts[part] for part in SEARCH)


def main() -> None:
    """Print the shares."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    demo = measured(NETWORKS / "harbour_capacities.yaml", seconds)
    tell("harbour", demo, "at most 25 %", outside_of(demo) <= 0.25 * demo["total"])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.yaml"
        path.write_text(large_site(300), encoding="utf-8")
        large = measured(path, seconds)
    tell("300 sources", large, "under 10 s", outside_of(large) < 10.0)


if __name__ == "__main__":
    main()
