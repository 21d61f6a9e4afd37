"""The seam: honest statuses, starts, cuts added in place, and other solvers."""

import random

import numpy as np
import pulp
import pytest
from tiny_sites import tiny_site

from allocator.model.model import Model, Terms
from allocator.search import Settings, make_plan
from allocator.solver.interface import LINEAR_TOLERANCE, Highs
from allocator.solver.other_solver import OtherSolver, solver_for


def knapsack() -> Model:
    statement = Model()
    for number in range(4):
        statement.variable(("take", number), 0.0, 1.0, integer=True)
    weights = [5.0, 4.0, 3.0, 2.0]
    statement.row("room", [(w, ("take", n)) for n, w in enumerate(weights)], high=7.5)
    return statement


WORTH = {0: -6.0, 1: -5.0, 2: -4.0, 3: -1.0}


def test_solves_and_adds_rows_in_place() -> None:
    statement = knapsack()
    solver = Highs(statement, 1, 0)
    solver.set_objective(WORTH)
    first = solver.solve()
    assert (first.status, first.value) == ("optimal", pytest.approx(-9.0))
    row = statement.scaled_row("not both", [(1.0, ("take", 1)), (1.0, ("take", 2))], high=1.0)
    assert row is not None
    solver.add_rows([row])
    assert solver.solve(start=np.array([1.0, 0, 0, 1.0])).value == pytest.approx(-7.0)
    solver.remove_rows([solver.row_count - 1])
    assert solver.solve().value == pytest.approx(-9.0)


def test_rows_are_dropped_and_changed_in_place() -> None:
    statement = knapsack()
    solver = Highs(statement, 1, 0)
    solver.set_objective(WORTH)
    for pair in ((0, 3), (1, 2)):
        terms = [(1.0, ("take", number)) for number in pair]
        row = statement.scaled_row(f"not {pair}", terms, high=1.0)
        assert row is not None
        solver.add_rows([row])
    held = solver.solve().value
    assert held is not None
    assert held > -9.0
    solver.remove_rows([solver.row_count - 2, solver.row_count - 1])
    assert solver.solve().value == pytest.approx(-9.0)
    # nothing takes room any more
    solver.coefficients(0, np.arange(4), np.zeros(4))
    assert solver.solve().value == pytest.approx(-16.0)


def test_columns_are_added_in_place() -> None:
    statement = knapsack()
    solver = Highs(statement, 1, 0)
    solver.set_objective(WORTH)
    solver.relax(True)
    # 4 for 3, 5 for 4 and a tenth of 6 for 5
    assert solver.solve().value == pytest.approx(-9.6)
    # room that may be had for nothing: all is taken, and what was there keeps its place
    statement.variable("more", 0.0, 10.0)
    solver.add_columns([statement.columns[-1]], [(np.array([0], dtype=np.int32), np.array([-1.0]))])
    solved = solver.solve()
    assert solved.value == pytest.approx(-16.0)
    assert solved.point is not None
    scale = statement.rows[0].scale
    assert solved.point[:4].tolist() == pytest.approx([1.0, 1.0, 1.0, 1.0])
    assert solved.point[4] >= (14.0 - 7.5) / scale - 1e-7
    assert len(solver.reduced_costs()) == 5


def test_a_cutoff_asks_whether_there_is_a_point_as_good_and_is_forgotten() -> None:
    solver = Highs(knapsack(), 1, 0)
    solver.set_objective(WORTH)
    for better in (-9.5, -9.01):
        none = solver.solve(cutoff=better)
        assert (none.status, none.point) == ("infeasible", None)
    for worse in (-9.0 + 1e-6, -8.0):
        found = solver.solve(cutoff=worse)
        assert found.value is not None
        assert -9.0 - 1e-6 <= found.value <= worse + 1e-6
    assert solver.solve().value == pytest.approx(-9.0)
    solver.solve(cutoff=-20.0)
    solver.relax(True)
    assert solver.solve().value == pytest.approx(-9.6)


def test_relaxing_and_fixing_come_back() -> None:
    solver = Highs(knapsack(), 1, 0)
    solver.set_objective(WORTH)
    solver.relax(True)
    relaxed = solver.solve()
    assert relaxed.value is not None
    assert relaxed.value < -9.0
    solver.fix(np.array([1.0, 0.0, 0.0, 1.0]))
    assert solver.solve().value == pytest.approx(-7.0)
    solver.fix(None)
    solver.relax(False)
    assert solver.solve().value == pytest.approx(-9.0)


def test_what_is_fixed_stays_within_its_bounds() -> None:
    """A path search proposed three units where two may stand, and the plan failed its audit."""
    solver = Highs(knapsack(), 1, 0)
    solver.set_objective(WORTH)
    solver.relax(True)
    solver.fix(np.array([2.0, 0.0, -1.0, 1.0]))
    fixed = solver.solve()
    assert fixed.point is not None
    assert fixed.point.tolist() == pytest.approx([1.0, 0.0, 0.0, 1.0])


def hard_knapsack() -> tuple[Model, dict[int, float]]:
    """Five rows on sixty columns: more than HiGHS does at the root."""
    draw = random.Random(1)
    statement = Model()
    for number in range(60):
        statement.variable(("take", number), 0.0, 1.0, integer=True)
    for row in range(5):
        terms: Terms = [(float(draw.randint(5, 60)), ("take", n)) for n in range(60)]
        statement.row(f"room {row}", terms, high=500.0)
    return statement, {number: -float(draw.randint(10, 100)) for number in range(60)}


def test_a_solve_after_one_that_was_ended_goes_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """HiGHS keeps the wish to end: plans ended as if by hand when a bound was met in the middle."""
    monkeypatch.setattr("allocator.solver.interface.ASKED_EVERY", 1e-4)
    statement, costs = hard_knapsack()
    solver = Highs(statement, 1, 0)
    solver.set_objective(costs)
    assert solver.solve(stop=lambda: True).status == "interrupted"
    assert solver.solve(stop=lambda: False).status == "optimal"


def test_infeasible_is_said() -> None:
    statement = knapsack()
    statement.row("too much", [(1.0, ("take", n)) for n in range(4)], low=4.0)
    solver = Highs(statement, 1, 0)
    solver.set_objective(WORTH)
    assert solver.solve().status == "infeasible"


@pytest.mark.filterwarnings("ignore:PULP_CBC_CMD is deprecated")
@pytest.mark.skipif(
    not any("CBC" in name for name in pulp.listSolvers(onlyAvailable=True)),
    reason="no other solver here",
)
def test_another_solver_gives_the_same_answer() -> None:
    solver = solver_for(knapsack(), "cbc", None, 0)
    assert isinstance(solver, OtherSolver)
    solver.set_objective(WORTH)
    solved = solver.solve(time_limit=10.0)
    assert (solved.status, solved.value) == ("optimal", pytest.approx(-9.0))


def test_unknown_solver_is_named() -> None:
    with pytest.raises(ValueError, match="'nonesuch' is not available here; available:"):
        solver_for(knapsack(), "nonesuch", None, 0)


def test_a_mixed_run_leaves_the_linear_tolerance_as_it_was() -> None:
    """HiGHS 1.16 overwrites it, and repaired points then used up the margin of the program."""
    solver = Highs(knapsack(), 1, 0)
    solver.set_objective(WORTH)
    solver.solve()
    solver.relax(True)
    solver.solve()
    tolerance = solver.model.getOptionValue("primal_feasibility_tolerance")[1]
    assert tolerance == pytest.approx(LINEAR_TOLERANCE)


def test_plans_with_other_numbers_of_threads_in_one_process() -> None:
    site = tiny_site(0, battery=True, stores=False)
    values = []
    for threads in (1, 2, 1, None):
        plan = make_plan(site, Settings(threads=threads, time_limit=30.0)).plan
        assert plan is not None
        values.append(plan.goals[0].value)
    assert values == pytest.approx([values[0]] * 4, rel=1e-6)
