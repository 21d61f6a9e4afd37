"""Whole plans by other solvers have the answers of HiGHS; what they say is not taken on trust."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pulp
import pytest
from networks.stored_answers import OPEN, answer, names, planned, site_of
from tiny_sites import tiny_site

from allocator.model.model import Model
from allocator.plans.file import plan_to_json
from allocator.search import Settings, make_plan
from allocator.solver.other_solver import OtherSolver, SolverError, solver_for, solver_named
from allocator.verify import audit


def there(name: str) -> bool:
    try:
        solver_named(name)
    except SolverError:
        return False
    return True


SOLVERS = [
    pytest.param(name, marks=pytest.mark.skipif(not there(name), reason=f"no {name} here"))
    for name in ("cbc", "scip")
]
NEAR = 1e-5
"""A bound's distance: a solver may better a goal by so much where it breaks rows by 1e-7."""
NAMES = [name for name in names() if name not in OPEN]

pytestmark = pytest.mark.filterwarnings("ignore:PULP_CBC_CMD is deprecated")


@pytest.mark.slow
@pytest.mark.parametrize("solver", SOLVERS)
@pytest.mark.parametrize("name", NAMES)
def test_the_answers_of_the_networks(solver: str, name: str) -> None:
    site, expected = site_of(name), answer(name)
    outcome = planned(site, solver=solver)
    if expected["outcome"] == "impossible":
        assert outcome.proven_impossible
        return
    plan = outcome.plan
    assert plan is not None
    assert audit(site, plan).breaches == ()
    for goal in plan.goals:
        stored = expected["goals"][goal.name]
        tolerance = stored["relative_tolerance"]
        assert goal.value == pytest.approx(stored["value"], rel=tolerance, abs=1e-9), goal.name
        assert goal.gap is not None
        assert goal.gap <= NEAR


@pytest.mark.parametrize("solver", SOLVERS)
@pytest.mark.parametrize("seed", range(6))
def test_the_answers_of_drawn_sites(solver: str, seed: int) -> None:
    site = tiny_site(seed, battery=seed % 2 == 0, stores=seed % 3 > 0)
    for basis in ("firm", "mean"):
        ours, theirs = (
            make_plan(site, Settings(basis=basis, solver=name, gap=1e-6)).plan
            for name in ("highs", solver)
        )
        assert ours is not None
        assert theirs is not None
        assert audit(site, theirs).breaches == ()
        mine, other = ours.goals[0], theirs.goals[0]
        assert other.value == pytest.approx(mine.value, rel=1e-5, abs=1e-6)
        assert mine.status == "optimal"
        assert other.gap is not None
        assert other.gap <= NEAR


@pytest.mark.skipif(not there("cbc"), reason="no cbc here")
def test_a_node_limit_gives_the_same_plan_again() -> None:
    site = site_of("two_bays")
    plans = [make_plan(site, Settings(solver="cbc", node_limit=5)).plan for _ in range(2)]
    assert plans[0] is not None
    assert plans[1] is not None
    assert plan_to_json(plans[0]) == plan_to_json(plans[1])


def knapsack() -> Model:
    """Four things to take or not, worth 6, 5, 4 and 1, and room for 7.5 with an amount beside."""
    model = Model()
    for number in range(4):
        model.variable(("take", number), 0.0, 1.0, integer=True)
    model.variable("amount", 0.0, 10.0)
    weights = [5.0, 4.0, 3.0, 2.0]
    terms = [(w, ("take", n)) for n, w in enumerate(weights)]
    model.row("room", [*terms, (1.0, "amount")], high=7.5)
    return model


WORTH = {0: -6.0, 1: -5.0, 2: -4.0, 3: -1.0, 4: -0.01}


SCRIPTED = pytest.mark.skipif(
    not hasattr(pulp, "LpStatusOptimal"), reason="solvers are scripted as PuLP before 4 calls them"
)


def scripted(
    monkeypatch: pytest.MonkeyPatch,
    said: Sequence[float | None],
    status: int,
    solution: int,
    fault: str = "",
) -> OtherSolver:
    """The knapsack with a solver that answers what it is told to."""

    class Scripted(pulp.LpSolver):
        def __init__(
            self,
            msg: bool = True,
            timeLimit: float | None = None,  # noqa: N803 PuLP's names
            gapRel: float | None = None,  # noqa: N803
        ) -> None:
            super().__init__(msg=msg, timeLimit=timeLimit, gapRel=gapRel)

        def available(self) -> bool:
            return True

        def actualSolve(self, problem: Any, **options: Any) -> int:  # noqa: N802
            if fault:
                raise pulp.PulpSolverError(fault)
            for variable in getattr(problem, "exported_variables", problem.variables)():
                variable.varValue = said[int(variable.name[1:])]
            problem.assignStatus(status, solution)
            return status

    made: Callable[..., Any] = lambda name, **options: Scripted(**options)  # noqa: E731
    monkeypatch.setattr(pulp, "listSolvers", lambda **_: ["Scripted"])
    monkeypatch.setattr(pulp, "getSolver", made)
    solver = solver_for(knapsack(), "scripted", None, 0)
    assert isinstance(solver, OtherSolver)
    solver.set_objective(WORTH)
    return solver


@SCRIPTED
def test_a_time_limit_that_is_called_optimal_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    taken = [1.0, 0.0, 0.0, 1.0, 0.0]
    solver = scripted(monkeypatch, taken, pulp.LpStatusOptimal, pulp.LpSolutionIntegerFeasible)
    solved = solver.solve(time_limit=5.0)
    assert (solved.status, solved.bound) == ("time_limit", None)
    assert solved.value == pytest.approx(-7.0 - 0.01 * 0.5)


@SCRIPTED
def test_amounts_are_worked_out_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight digits, or amounts that break the row: whole numbers are all that is taken."""
    said = [0.0, 0.99999999, 1.0, 0.0, 3.7]
    solver = scripted(monkeypatch, said, pulp.LpStatusOptimal, pulp.LpSolutionOptimal)
    solved = solver.solve(time_limit=5.0)
    assert solved.point is not None
    assert solved.point.tolist() == pytest.approx([0.0, 1.0, 1.0, 0.0, 0.5], abs=1e-9)
    assert solved.bound is not None
    assert solved.value is not None
    assert solved.bound <= solved.value
    # and what stood before stands again
    again = solver.solve(time_limit=5.0)
    assert again.value == solved.value


@SCRIPTED
@pytest.mark.parametrize("said", [[0.0, 0.5, 1.0, 0.0, 0.0], [None] * 5, [1.0, 1.0, 1.0, 1.0, 0.0]])
def test_a_point_that_is_none_is_not_taken(
    said: list[float | None], monkeypatch: pytest.MonkeyPatch
) -> None:
    solver = scripted(monkeypatch, said, pulp.LpStatusOptimal, pulp.LpSolutionIntegerFeasible)
    solved = solver.solve(time_limit=5.0)
    assert (solved.point, solved.value, solved.bound) == (None, None, None)
    assert solved.status == "time_limit"


@SCRIPTED
def test_what_has_a_point_is_not_infeasible(monkeypatch: pytest.MonkeyPatch) -> None:
    solver = scripted(monkeypatch, [None] * 5, pulp.LpStatusInfeasible, pulp.LpSolutionInfeasible)
    assert solver.solve(time_limit=5.0).status == "infeasible"
    assert solver.solve(time_limit=5.0, start=np.zeros(5)).status == "failed"


@SCRIPTED
def test_a_solver_that_does_not_work_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    solver = scripted(monkeypatch, [], 0, 0, fault="no licence")
    with pytest.raises(SolverError, match="Scripted does not work here: no licence"):
        solver.solve(time_limit=5.0)
    with pytest.raises(SolverError, match="Scripted takes no node limit"):
        solver.solve(node_limit=5)


@pytest.mark.parametrize("name", ["nonesuch", "cmd", "py", ""])
def test_an_unknown_solver_is_named(name: str) -> None:
    with pytest.raises(SolverError, match=f"'{name}' is not available here; available:"):
        solver_named(name)
