"""Handing a statement to HiGHS as arrays, against building it through PuLP, in the same run.

    python benchmarks/handing_over.py [SOURCES/JUNCTIONS/PLACES]

Processor seconds for the firm statement of a site of ``family.py``; the same least value of the
first goal's relaxation by both is asserted.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from pathlib import Path

import highspy
import pulp
from family import Size, write_site

from allocator import read_site
from allocator.model.goals import goals_of
from allocator.model.model import Row
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.solver.interface import Highs, quiet_output
from allocator.solver.pulp_model import PulpColumn, problem_of


def main() -> None:
    """PipeType, time, compare and print."""
    words = sys.argv[1] if len(sys.argv) > 1 else "100/200/10"
    sources, junctions, places = map(int, words.split("/"))
    with tempfile.TemporaryDirectory() as folder:
        site = read_site(write_site(Path(folder), Size(sources, junctions, places)))
    model, sets = state(network_of(site), "firm")
    goal = goals_of(model, sets)[0]
    costs = {c: -value for c, value in model.summed(goal.terms).items()}

    began = time.process_time()
    ours = Highs(model, 1, 0)
    arrays = time.process_time() - began
    ours.set_objective(costs)
    ours.relax(True)

    began = time.process_time()
    columns = (
        PulpColumn(f"v{n}", column.low, column.high, False)
        for n, column in enumerate(model.columns)
    )
    rows = (
        Row(f"r{n}", row.columns, row.coefficients, row.low, row.high)
        for n, row in enumerate(model.rows)
    )
    # a cost for every variable keeps all of them in PuLP's model
    every = {n: costs.get(n, 0.0) or 1e-300 for n in range(len(model.columns))}
    problem, _ = problem_of(columns, rows, every, "statement")
    with quiet_output():
        problem.solverModel = highspy.Highs()
    problem.solverModel.setOptionValue("output_flag", False)
    pulp.HiGHS(msg=False).buildSolverModel(problem)
    through_pulp = time.process_time() - began

    problem.solverModel.run()
    least = problem.solverModel.getInfo().objective_function_value
    value = ours.solve().value
    assert value is not None
    assert math.isclose(value, least, rel_tol=1e-6), (value, least)
    print(
        f"{len(model.columns)} columns, {len(model.rows)} rows: arrays {arrays:.2f} s, "
        f"PuLP {through_pulp:.2f} s, {through_pulp / arrays:.1f} times"
    )


if __name__ == "__main__":
    main()
