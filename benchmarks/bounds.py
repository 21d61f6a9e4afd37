"""How far the bound by origin is from the plain one, on the family of invented sites.

Baselines of the same run: the relaxation of the plain statement, and HiGHS on the plain statement
for as many seconds as the integer program by origin gets. The answer is asserted: no bound is
below a plan that the other statement finds.

    python benchmarks/bounds.py [SECONDS] [SOURCES/JUNCTIONS/PLACES ...]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from family import Size, site_text

from allocator import Settings, read_site
from allocator.base.clock import Clock
from allocator.model.cuts import promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.model import Key, Model, Row
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.proving import prover_of
from allocator.site.records import Site
from allocator.solver.solver_model import SolverModel


def measured(site: Site, basis: str, seconds: float) -> str:
    """One line: plan and bound of the plain statement, bounds by origin, gaps, seconds."""
    full, sets = state(network_of(site), basis)
    goal = goals_of(full, sets)[0]
    promises = () if sets.lossless else promises_of(sets)
    settings = Settings(basis=basis, gap=1e-4)

    def cuts(model: Model, values: dict[Key, float], tolerance: float) -> list[Row]:
        return violated(model, promises, values, tolerance)

    plain = SolverModel(full, lambda v, t: cuts(full, v, t), settings, Clock(None))
    plain.aim(goal)
    relaxed = plain.unscaled(plain.relaxed(seconds).bound)
    solved = plain.run(time_limit=seconds, gap=1e-4)
    bound = plain.unscaled(solved.bound)
    prover = prover_of(full, sets, cuts, settings, Clock(None))
    assert prover is not None
    began = time.perf_counter()
    prover.aim(goal)
    ours = prover.relaxed(seconds)
    took = time.perf_counter() - began
    assert relaxed is not None
    assert bound is not None
    assert ours is not None
    known, plan = None, 0.0
    if solved.point is not None:
        sound = plain.repaired(solved.point, seconds)
        value = plain.unscaled(sound.value)
        if sound.point is not None and value is not None:
            known, plan = Known(value, sound.point), value
    found = prover.mixed(max(1.0, seconds - took), known)
    best = ours if found.bound is None else max(ours, found.bound)
    if found.columns is not None:
        sound = plain.repaired(found.columns, seconds)
        value = plain.unscaled(sound.value)
        plan = plan if value is None else min(plan, value)
    assert prover.trusted
    assert max(ours, best, bound, relaxed) <= plan + 1e-5 * abs(plan)
    return (
        f"{basis:5} best plan {-plan:12.0f} W | plain: relaxed {relaxed / plan:6.3f}, after "
        f"{seconds:.0f} s {bound / plan:6.3f} | by origin: relaxed {ours / plan:6.3f} in "
        f"{took:.1f} s, after {seconds:.0f} s {best / plan:6.3f}"
    )


def main() -> None:
    """Print a line a site and basis; figures are times the best plan that is known."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    sizes = sys.argv[2:] or ["8/10/2", "20/30/4"]
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes:
            sources, junctions, places = map(int, size.split("/"))
            path = Path(folder) / "site.yaml"
            path.write_text(site_text(Size(sources, junctions, places)), encoding="utf-8")
            for basis in ("mean", "firm"):
                print(f"{size:>10} {measured(read_site(path), basis, seconds)}", flush=True)


if __name__ == "__main__":
    main()
