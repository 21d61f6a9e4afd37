"""Plan, bound, gap, time and memory on the family of growing sites, beside plain statements.

The baselines run on the same files in the same run, with the same seconds: the plain statement by
HiGHS, which may use two threads as the engine uses two processes, and by SCIP (``pyscipopt``, where
it is installed; one thread), started from nothing. To be run alone on two cores.
On the firm basis plain HiGHS begins with the store cuts that its relaxation breaks, and runs again
with those that its point breaks, until there are none or the time is out; its plan is then the best
of its points, with amounts that break none.
SCIP is not run again: its points may break store cuts, so that its "plan" is an upper estimate
there. The engine's plan is audited, and that is asserted.

    python benchmarks/sizes.py [smoke | SOURCES/JUNCTIONS/PLACES ...] [--basis mean|firm]
        [--level tight|fair] [--seconds S] [--seeds N [--first-seed N]] [--no-baselines]
"""

from __future__ import annotations

import argparse
import math
import resource
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pulp
from family import Size, write_site

from allocator import Settings, audit, read_site
from allocator.base.clock import Clock
from allocator.model.cuts import promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.model import Model
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search import make_plan
from allocator.site.records import Site
from allocator.solver.pulp_model import PulpColumn, problem_of
from allocator.solver.solver_model import SolverModel


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: values in W, memory in MiB (the process's highest so far).

    ``processor``: seconds that this process had of a processor; few on a machine that others use.
    """

    who: str
    plan: float
    bound: float | None
    seconds: float
    memory: float
    processor: float

    def text(self, site: str, baseline: float | None) -> str:
        """The line; ``baseline``: the plan of plain HiGHS."""
        gap = "" if not self.bound else f"{1 - self.plan / self.bound:8.2%}"
        bound = "" if self.bound is None else f"{self.bound / 1e6:10.4f}"
        ratio = "" if not baseline else f"{self.plan / baseline:6.2f}"
        return (
            f"{site:22} {self.who:12} {self.plan / 1e6:10.4f} {bound:>10} {gap:>8} "
            f"{self.seconds:7.1f} {self.processor:7.1f} {self.memory:7.0f} {ratio:>6}"
        )


def times() -> tuple[float, float]:
    """Seconds of the clock and of the processor."""
    return time.perf_counter(), time.process_time()


def since(began: tuple[float, float]) -> tuple[float, float]:
    """Seconds of the clock and of the processor since then."""
    return time.perf_counter() - began[0], time.process_time() - began[1]


def memory() -> float:
    """MiB that this process has held at the most."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def engine(site: Site, basis: str, seconds: float) -> Row:
    """The engine; its plan is audited."""
    began = times()
    outcome = make_plan(site, Settings(basis=basis, time_limit=seconds))
    assert outcome.plan is not None, outcome.reason
    seconds, processor = since(began)
    found = audit(site, outcome.plan)
    assert found.accepted, found.breaches
    goal = outcome.plan.goals[0]
    assert goal.bound is None or goal.value <= goal.bound * (1 + 1e-6)
    return Row("engine", goal.value, goal.bound, seconds, memory(), processor)


def plain_highs(site: Site, basis: str, seconds: float) -> Row:
    """The plain statement by HiGHS, again while its points break store cuts."""
    began = times()
    statement, sets = state(network_of(site), basis)
    promises = () if sets.lossless else promises_of(sets)
    solver_model = SolverModel(
        statement,
        lambda values, tolerance: violated(statement, promises, values, tolerance),
        Settings(basis=basis, threads=2),
        Clock(None),
    )
    solver_model.aim(goals_of(statement, sets)[0])
    if promises:
        solver_model.relaxed(0.3 * seconds)
    plan, bound = 0.0, math.inf
    while True:
        left = max(0.1, seconds - since(began)[0])
        solved = solver_model.run(time_limit=left, gap=1e-4)
        found = solver_model.unscaled(solved.bound)
        bound = bound if found is None else min(bound, -found)
        rows = [] if solved.point is None else solver_model.broken(solved.point)
        solver_model.add(rows)
        if solved.point is not None:
            sound = solver_model.unscaled(solver_model.repaired(solved.point).value)
            plan = plan if sound is None else max(plan, -sound)
        if not rows or since(began)[0] > seconds - 0.2:
            break
    taken, processor = since(began)
    return Row("plain HiGHS", plan, bound, taken, memory(), processor)


def plain_scip(site: Site, basis: str, seconds: float) -> Row | None:
    """The plain statement by SCIP."""
    if "SCIP_PY" not in pulp.listSolvers(onlyAvailable=True):
        return None
    began = times()
    statement, sets = state(network_of(site), basis)
    goal = goals_of(statement, sets)[0]
    costs = {c: -value for c, value in statement.summed(goal.terms).items()}
    problem, _ = _as_pulp(statement, costs)
    problem.solve(pulp.SCIP_PY(msg=False, timeLimit=seconds, gapRel=1e-4))
    plan = -float(pulp.value(problem.objective) or 0.0)
    model = problem.solverModel
    seconds, processor = since(began)
    return Row("plain SCIP", plan, -model.getDualbound(), seconds, memory(), processor)


def _as_pulp(statement: Model, costs: dict[int, float]) -> tuple[Any, list[Any]]:
    """The statement as a PuLP problem, minimising, and its variables v0, v1, ... in order."""
    columns = (
        PulpColumn(f"v{number}", column.low, column.high, column.integer)
        for number, column in enumerate(statement.columns)
    )
    return problem_of(columns, statement.rows, costs, "statement")


def measured(folder: Path, size: Size, given: argparse.Namespace) -> list[Row]:
    """All lines of one site."""
    site = read_site(write_site(folder, size))
    rows = []
    if not given.no_baselines:
        rows.append(plain_highs(site, given.basis, given.seconds))
        scip = plain_scip(site, given.basis, given.seconds)
        rows += [scip] if scip is not None else []
    rows.append(engine(site, given.basis, given.seconds))
    return rows


def sizes_of(given: argparse.Namespace) -> list[Size]:
    """The sites that are asked for."""
    named = ["8/10/2"] if given.sizes in ([], ["smoke"]) else given.sizes
    found = []
    for name in named:
        sources, junctions, places = map(int, name.split("/"))
        seeds = range(given.first_seed, given.first_seed + given.seeds)
        found += [Size(sources, junctions, places, given.level, seed) for seed in seeds]
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*")
    parser.add_argument("--basis", choices=("mean", "firm"), default="mean")
    parser.add_argument("--level", choices=("tight", "fair"), default="tight")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--no-baselines", action="store_true")
    given = parser.parse_args()
    print(f"basis {given.basis}, {given.seconds:g} s, two cores; MW, s, MiB, ratio to plain HiGHS")
    heads = f"{'plan':>10} {'bound':>10} {'gap':>8} {'s':>7} {'CPU s':>7} {'MiB':>7} ratio"
    print(f"{'site':22} {'by':12} {heads}")
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes_of(given):
            rows = measured(Path(folder), size, given)
            baseline = rows[0].plan if rows[0].who == "plain HiGHS" else None
            for row in rows:
                print(row.text(size.name, baseline), flush=True)
            if given.sizes == ["smoke"] and given.basis == "mean":
                # small enough for all: the engine must reach what the plain statement proves
                assert abs(rows[-1].plan / rows[0].plan - 1) < 1e-4, rows


if __name__ == "__main__":
    main()
